"""The main window: puts the rooms together, and does what needs a dialog.

`panes` holds the views, made when they are first wanted, so that the window opens fast; `commands`
the actions, as rows; `files` opening, saving and recovering; `app` the application around it.
"""
