"""The way into the edges: from the ground along a road to the breaks of its section."""

from __future__ import annotations

from analysis.common.types import Progress
from analysis.corridor.values import Case, Ground
from analysis.edges.find_breaks import edges_show, find_breaks
from analysis.edges.values import Breaks, Overrides

__all__ = ["find"]


def find(
    case: Case,
    ground: Ground,
    fixed: Overrides,
    like: Breaks | None = None,
    progress: Progress | None = None,
) -> Breaks:
    """Find axis, pavement edges, hinges and ditches at the stations of a case.

    Parameters
    ----------
    case, ground
        The stations, and the ground along them.
    fixed
        What a person fixed; it wins over the search.
    like
        Breaks of the whole road, where the case is a piece of it: whether the edges of a road
        show is told by all of it.
    progress
        Called with the share done and a few words; may raise `Cancelled`.
    """
    settings = case.settings
    return find_breaks(
        ground.cells,
        case.s,
        pavement_width_m=settings.pavement_width_m,
        shoulder_width_m=settings.shoulder_width_m,
        search_m=settings.search_m if settings.find_edges else 0.0,
        box_m=case.box_m,
        sigma_m=settings.noise_m,
        overrides=fixed,
        paved=settings.paved,
        edges_seen=None if like is None else edges_show(like),
        progress=progress,
    )
