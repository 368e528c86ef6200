"""One finding at a time fills the window and is decided by a key.

`queue` holds which findings are to be seen and what was decided; `page` shows the one whose turn
it is, made of the views.
"""
