"""One road measured from its ground, or measured again where something changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import known_median
from analysis.common.hands import started
from analysis.common.station_arrays import joined, spliced, stations_of
from analysis.common.types import Floats, Progress, share_of
from analysis.corridor.values import Case, Ground
from analysis.edges import find
from analysis.edges.values import Breaks, Overrides, end_to_end
from analysis.shoulder import measure
from analysis.shoulder.door import noise_of
from analysis.shoulder.seam import Seam, find_seam, usual_box
from analysis.shoulder.seam_beside import think_of_seam
from analysis.shoulder.values import Shoulder
from analysis.shoulder.withhold import answered
from analysis.verdict.beliefs import alone
from analysis.verdict.door import believe
from analysis.verdict.values import Evidence, Measured
from analysis.water import follow
from analysis.water.assess import begin, follow_across, held_across
from analysis.water.ditch import Ditch

__all__ = ["Step", "Stretch", "evidence_put_back", "level_ground", "run"]


class Step(IntEnum):
    """The steps that can be the first to be done again."""

    EDGES = 0
    SHOULDER = 1


@dataclass(frozen=True, slots=True)
class Stretch:
    """Stations to measure again, as slices.

    More road, `look`, is looked at than is put back, `keep`, so that the ends of the piece, where
    the search has no neighbours to lean on, don't show.
    """

    look: slice
    keep: slice

    @classmethod
    def around(cls, s: Floats, low: float, high: float, felt_m: float) -> Stretch:
        """The stretch where a change between `low` and `high` is felt so far along the road."""
        look, keep = (
            slice(*np.searchsorted(s, (low - k * felt_m, high + k * felt_m + 1e-9)).tolist())
            for k in (2.0, 1.0)
        )
        return cls(look, keep)


def level_ground(case: Case, ground: Ground, measured: Measured) -> Ground:
    """Return the ground as it was measured: strips of the survey that don't agree brought level."""
    seam = measured.seam
    return ground if seam is None else seam.levelled(ground, usual_box(case))


def _seam(case: Case, ground: Ground, breaks: Breaks) -> Seam | None:
    """Where strips of the survey meet on a road, or may meet."""
    cells, box = ground.cells, usual_box(case)
    line = breaks.along()
    seam = find_seam(cells, line, box)
    if seam is not None:
        return seam
    return think_of_seam(cells, line, box, case.grain.cells_per_value(cells.cell_m))


def _spliced_breaks(whole: Breaks, part: Breaks, here: slice, keep: slice) -> Breaks:
    """Put a stretch of breaks back, and the line half way to the stations before and after it."""
    out = spliced(whole, part, here, keep)
    if whole.line is None or part.line is None:
        return replace(out, line=None)
    low, high = _half_way(whole.s, keep)
    lines = whole.line_within(-np.inf, low), part.line_within(low, high)
    return end_to_end(out, [*lines, whole.line_within(high, np.inf)])


def _half_way(s: Floats, keep: slice) -> tuple[float, float]:
    """From where to where stations `s` (n,) stand for the road: half way to those around them."""
    low = 0.5 * (s[keep.start - 1] + s[keep.start]) if keep.start > 0 else -np.inf
    high = 0.5 * (s[keep.stop - 1] + s[keep.stop]) if keep.stop < s.size else np.inf
    return float(low), float(high)


def evidence_put_back(
    whole: Evidence | None, part: Evidence | None, s: Floats, keep: slice
) -> Evidence | None:
    """Put what lies between stations of a stretch back, those `keep` of the road's `s` (n,).

    Where nothing is believed of the stretch yet, nothing is of the whole.
    """
    if whole is None or part is None:
        return whole
    if part.beliefs is None:
        whole = replace(whole, beliefs=None)
    low, high = _half_way(s, keep)
    around = whole.within(-np.inf, low), part.within(low, high), whole.within(high, np.inf)
    return joined(around)


def _between(
    case: Case, stations: NDArray[np.intp], breaks: Breaks, shoulder: Shoulder, ditch: Ditch
) -> Evidence | None:
    """What was measured beside the `stations` (k,); nothing is believed of it yet.

    The `ditch` may be known at more places, at those of them at least that are to be kept.
    """
    others = np.setdiff1d(np.arange(breaks.s.size), stations)
    if not others.size:
        return None
    known = np.searchsorted(ditch.s, breaks.s[others])
    ditch = stations_of(ditch, np.minimum(known, ditch.s.size - 1))
    breaks, shoulder = stations_of(breaks, others), stations_of(shoulder, others)
    held = held_across(case, breaks, shoulder)
    return Evidence(
        breaks.s,
        shoulder.measures,
        held,
        shoulder.p_kerb,
        None,
        replace(breaks, line=None),
        ditch,
        shoulder.kerb,
        shoulder.sections,
    )


def _nearest(values: Floats | None, s: Floats, places: Floats) -> Floats | None:
    """Values (n, 2) of stations at the places (k,) that are nearest to each."""
    return None if values is None else values[np.searchsorted(0.5 * (s[1:] + s[:-1]), places)]


def run(
    case: Case,
    ground: Ground,
    fixed: Overrides,
    earlier: Measured | None = None,
    *,
    start: Step = Step.EDGES,
    here: Stretch | None = None,
    believing: bool = True,
    progress: Progress | None = None,
) -> Measured:
    """Measure a road, or again what changed of it.

    The first time, strips of the survey that meet on the pavement are found and brought level; who
    measures again hands in ground that is level, see `level_ground`.

    Parameters
    ----------
    case, ground, fixed
        What is given, the ground that was read, and the breaks that are fixed.
    earlier
        What was measured before. The road's noise, its ponds and ditches, and what is believed
        of it stay as they were; without it all is measured.
    start
        The first step to be done again; what comes before is taken from `earlier`.
    here
        The stations to be measured again, all by default; the others stay as they were.
    believing
        Whether to let a road that is measured the first time tell what to believe of its stations.
        A piece of one doesn't: each is believed by itself until all of the road is known.
    progress
        Called with the share done and a few words; may raise `Cancelled`.
    """
    report, third = share_of(progress, 0.0, 1.0), 1.0 / 3.0
    piece, near, known, set_here = case, ground, earlier, fixed
    if earlier is not None and here is not None:
        look = here.look
        margin = case.settings.spacing_m
        margin += 0.5 * known_median(earlier.shoulder.measures.average_m, 20.0)
        near = ground.between(case.s[look.start] - margin, case.s[look.stop - 1] + margin)
        piece, known = stations_of(case, look), stations_of(earlier, look)
        set_here = stations_of(fixed, look)
    report(0.0, "finding edges and hinges")
    if known is not None and start > Step.EDGES:
        breaks = known.breaks
    else:
        like = None if earlier is None else earlier.breaks
        breaks = find(piece, near, set_here, like, share_of(progress, 0.0, third))
    seam = None if earlier is None else earlier.seam
    if earlier is None and case.settings.paved:
        seam = _seam(case, ground, breaks)
        if seam is not None:
            near = seam.levelled(ground, usual_box(case))
            breaks = find(piece, near, set_here)
    report(third, "measuring slopes and drops")
    told = breaks.with_those_at(piece.beats_here())
    stations = np.searchsorted(told.s, piece.s)
    if known is not None:
        noise = known.shoulder.noise.at(told.s, piece.s)
    # beats between stations are measured like these: what is told of a road comes of both
    piece = piece.at(told.s)
    if known is None:
        noise = noise_of(piece, near.cells, told)
    begun = None
    if earlier is None:
        # its loops let go of the interpreter, as those of the shoulder do
        begun = started(partial(begin, piece, near, told, noise))
    wide = measure(piece, near, told, noise, share_of(progress, third, 2.0 * third))
    wide = answered(wide, _nearest(set_here.kerb, breaks.s, told.s))
    shoulder = stations_of(wide, stations)
    if begun is not None:
        report(2.0 * third, "following the water")
        rest = share_of(progress, 2.0 * third, 1.0)
        all_water = follow(piece, near, told, wide, rest, begun=begun())
        water = stations_of(all_water, stations)
        between = _between(piece, stations, told, wide, all_water.ditch)
        if not believing:
            return Measured(fixed, breaks, shoulder, water, alone(shoulder.measures), seam, between)
        beliefs, between = believe(case, shoulder.measures, between)
        return Measured(fixed, breaks, shoulder, water, beliefs, seam, between)
    assert earlier is not None  # what was begun was followed
    keep = slice(0, len(case.s))
    if here is not None:
        keep = here.keep
        breaks = _spliced_breaks(earlier.breaks, breaks, here.look, keep)
        shoulder = spliced(earlier.shoulder, shoulder, here.look, keep)
    between = earlier.between
    if between is not None:
        part = _between(piece, stations, told, wide, between.ditch)
        between = evidence_put_back(between, part, case.s, keep)
    water = follow_across(case, earlier.water, keep, breaks, shoulder)
    return replace(
        earlier, fixed=fixed, breaks=breaks, shoulder=shoulder, water=water, between=between
    )
