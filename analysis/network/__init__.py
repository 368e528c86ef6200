"""Many roads, however long: cut into pieces, measured by whoever is there, and put together.

`engine` is the whole job; `tasks` is what one worker does, `crews` are those who do it (this
process, others on this machine, a cluster), and `spool` keeps what was done, so that a job that was
ended at any moment goes on where it was.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.network.engine import Done, screen_network

__all__ = ["Done", "screen_network"]

__getattr__ = handing_out(__name__, {"engine": "Done screen_network"})
