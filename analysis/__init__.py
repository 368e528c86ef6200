"""Vergeline analysis: measuring road shoulders on a terrain grid. Never imports Qt."""
