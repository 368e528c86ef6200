"""The grid of heights: opened, its units and plane settled, read window by window.

Heights and coordinates leave this room in metres; a grid in degrees is refused, or warped where
that is asked for. `picture` makes what is only looked at.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.terrain.grid import Terrain, open_terrain

__all__ = ["Terrain", "open_terrain"]

__getattr__ = handing_out(__name__, {"grid": "Terrain open_terrain"})
