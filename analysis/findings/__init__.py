"""findings."""
