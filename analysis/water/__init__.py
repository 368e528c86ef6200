"""Where water stands, where it leaves, and which way it runs.

`follow` looks at single sections (`held_by_section`), fills the ribbon (`ponds`) and walks the
ditches (`ditch`), and puts what it finds on the stations, as `Water`. Whether a ditch needs
cleaning hangs on the limits and is quick: `assess.judge_ditch`.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.water.assess import Water, follow

__all__ = ["Water", "follow"]

__getattr__ = handing_out(__name__, {"assess": "Water follow"})
