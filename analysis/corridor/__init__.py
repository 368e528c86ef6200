"""The ground along one road: native cells with road coordinates, and the ribbon made of them.

A `Case` is all that is given for one road, and what every later room is handed first: `lay_out`
makes it, `read` reads the `Ground` along it, and `as_made` tells how the grid was made. What a cell
of the grid sees of a section (`footprint`), and what its noise does along a line (`line_noise`),
are told here too.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.corridor.door import as_made, lay_out, read
    from analysis.corridor.values import Case, Extras, Ground

__all__ = ["Case", "Extras", "Ground", "as_made", "lay_out", "read"]

__getattr__ = handing_out(
    __name__, {"door": "as_made lay_out read", "values": "Case Extras Ground"}
)
