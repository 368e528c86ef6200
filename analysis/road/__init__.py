"""Centrelines: read from a file into the grid's plane, stationed, and walked along.

`roadline` turns places of the plane into distance along and offset from a road, and back;
`read_roads` reads them, whatever their file, their plane and their measures.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.road.roadline import Road, make_road

__all__ = ["Road", "make_road"]

__getattr__ = handing_out(__name__, {"roadline": "Road make_road"})
