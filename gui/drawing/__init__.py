"""Drawings and sheets on any painter: screen, printer, picture or file.

A drawing is handed all it shows as values of `analysis` and touches no widget, so that the same
code draws in the window, for a PDF and, beside the window, in a worker.
"""
