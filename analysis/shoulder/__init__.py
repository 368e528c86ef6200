"""Slopes, edge drops, ruts and their standard errors, and where there is no shoulder to measure.

`measure` estimates the noise of the grid, leaves out what isn't shoulder (`not_shoulder`), fits
pavement and shoulder through the cells' own footprint (`slopes`), lays a straightedge across, and
says in `Shoulder` where a kerb or a bridge stands instead. `resolving` tells what a grid can tell
before anything is measured.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.shoulder.door import measure
    from analysis.shoulder.values import Measures, Shoulder

__all__ = ["Measures", "Shoulder", "measure"]

__getattr__ = handing_out(__name__, {"door": "measure", "values": "Measures Shoulder"})
