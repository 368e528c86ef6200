"""forms."""
