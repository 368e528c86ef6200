"""corridor."""
