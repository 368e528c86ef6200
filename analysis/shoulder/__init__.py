"""shoulder."""
