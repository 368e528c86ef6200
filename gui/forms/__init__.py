"""Forms and help: inputs and settings, limits, what the grid can tell, what each number means.

A form reads from the model and calls its setters; what can't be is told in a sentence, beside the
field, and changes nothing.
"""
