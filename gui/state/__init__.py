"""What is open, found, selected and changed, and the work that goes on beside the window.

`model` holds the state of one window and sends a signal when something really changed; `runner`
runs `jobs`, plain functions that call `analysis`, in threads; `loaded` is a result with its
look-ups; `edits` is what a person changes and can undo. No widget is known here.
"""
