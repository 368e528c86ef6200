"""state."""
