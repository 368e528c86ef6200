"""earthwork."""
