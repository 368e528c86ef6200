"""The window: shows what `analysis` finds, and hands what a person changes back to it.

No maths is done here. Rooms stand on each other in this order, and none knows a later one:
`look`, `drawing`, `state`, then side by side `map`, `along`, `section`, `tables` and `forms`, then
`window`; on top `launch` (the command), `screenshot` and `catalogue`.
"""
