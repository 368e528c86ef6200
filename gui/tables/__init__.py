"""Reaches and stations as tables: sort, filter, read, review, hand out.

Rows stay numpy columns: what is shown is an array of row numbers, and text is made only for cells
that are drawn (`table_model`).
"""
