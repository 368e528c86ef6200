"""Where the parts of the section lie: axis, pavement edges, hinges and ditch inverts.

Real centrelines lie metres off, so the ground itself is asked: `find` looks for the shift of the
road first, then for the breaks of each side, tied along the road, and takes what a person fixed
before anything found. Where the ground shows none, `Breaks` holds the nominal place and says so.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.edges.find_breaks import find
    from analysis.edges.values import Breaks, Overrides

__all__ = ["Breaks", "Overrides", "find"]

__getattr__ = handing_out(__name__, {"find_breaks": "find", "values": "Breaks Overrides"})
