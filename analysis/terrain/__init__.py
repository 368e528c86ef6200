"""terrain."""
