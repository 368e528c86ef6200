"""Vergeline window: views over what the analysis found. Holds no maths."""
