"""water."""
