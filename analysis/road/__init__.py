"""road."""
