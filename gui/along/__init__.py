"""along."""
