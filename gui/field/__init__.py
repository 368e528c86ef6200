"""What goes to the field and comes back: places to check, readings, acceptance, two surveys.

Each page asks `analysis` in a worker and shows a table with a few sentences; a row leads to its
place on the map.
"""
