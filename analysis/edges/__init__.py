"""edges."""
