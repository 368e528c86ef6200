"""How things look and read: colours, icons, units, words for people, fields of forms.

`theme` names every colour once for light and dark, `units` turns stored metric numbers into what is
shown, `words` makes titles and sentences, translatable and in the chosen units, of the short words
that tables hold. Nothing here knows what is open.
"""
