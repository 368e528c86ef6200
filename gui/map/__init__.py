"""The map: terrain in tiles, roads, stations, reaches and ponds over it, and its key.

Tiles and layers are worked out by jobs (`tiles`, `layers`); `map_view` puts the ready items in
place and turns what a person does there into a selection of the model.
"""
