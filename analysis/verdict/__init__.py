"""What is to be said of a shoulder: how likely each fault is, which reaches, and why.

`judge` turns what was `Measured` into findings by probabilities (`stations`), labels along the
road (`labelling`) and reaches with the work that each asks for, as `Judged`. `reasons` words them.
Nothing is measured here, so that other limits are judged at once.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.verdict.door import judge
    from analysis.verdict.values import Judged, Measured

__all__ = ["Judged", "Measured", "judge"]

__getattr__ = handing_out(__name__, {"door": "judge", "values": "Judged Measured"})
