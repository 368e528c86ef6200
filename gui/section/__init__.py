"""The cross-section at one station: drawing, numbers with errors, corrections, comparison.

A break that is dragged or typed goes to the model as a correction; measuring again is a job.
"""
