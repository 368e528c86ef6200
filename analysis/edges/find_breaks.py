"""Where the road really lies: its axis, pavement edges, hinges and ditches, found from the ground.

Real centrelines lie metres off and real widths change. The search goes from coarse to fine:
the shift of the whole section first, then the breaks of each side, then the crown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from analysis.common.sides import SIDE_SIGN, Source
from analysis.common.types import Floats, Progress
from analysis.corridor.blocks import BlockSections, block_sections, moving_sum
from analysis.edges.crowns import Crown, bin_precision, find_crown, road_shift
from analysis.edges.segmentation import TiedBreaks, edge_and_hinge, segment_sections
from analysis.edges.values import Breaks, Overrides

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = [
    "edges_show",
    "find_breaks",
]


SEARCH_SIDE_M = 2.0
"""How far edge and hinge of one side may lie from their nominal places beside the axis."""

ASIDE_M, TOO_FAR_ASIDE_M = 0.6, 2.0
"""Hinges whose middle lies farther off than the first move the supposed middle of the road; what
they would move farther than the second is led by something else, and stays where it was."""

SHOWN_SHARE = 0.05
"""With edges shown on less of a road than this, nothing says where they are."""

UNPAVED_SE_M, NOMINAL_SE_M = 0.3, 0.5
"""How surely a nominal width stands for a gravel road's own, and for an edge that doesn't show;
our own choice."""

MOST_MOVES = 3
"""How often the supposed middle is moved."""

OVERLAP = 3
"""Blocks of road whose cells are looked at together."""

FORESLOPE_M = 1.75
"""How much of the foreslope takes part in the search."""

SURE_M, SHOWN_GAIN = 0.3, 3.0
"""A break less sure than this counts as nominal, and so does an edge whose log evidence is less
than that: where the ground shows none, what is left of it is the nominal width."""

HOLDS_M = 40.0
"""So far along the road an edge that the ground shows vouches for one that it hides."""

COARSEST_M = 2.5
"""Cells larger than this show no pavement edge: a road is hardly three of them wide."""

DROP_M = 0.12
"""What falls by less and is followed by another fall was a drop at the edge, not a foreslope."""

OUTSIDE_M = 9.0
"""How far beyond the nominal hinge the section is looked at, for foreslope and ditch."""


def find_breaks(
    cells: Cells,
    s: Floats,
    *,
    pavement_width_m: float | Floats,
    shoulder_width_m: float | Floats,
    search_m: float = 3.0,
    box_m: Floats,
    sigma_m: float | None = None,
    overrides: Overrides | None = None,
    paved: bool = True,
    edges_seen: bool | None = None,
    progress: Progress | None = None,
) -> Breaks:
    """Find the breaks of the section at every station.

    Parameters
    ----------
    cells : Cells
        Native grid cells near the road.
    s : (n,)
        Stations, ascending.
    pavement_width_m, shoulder_width_m : float, (n,) or (n, 2)
        Nominal widths; of the whole pavement, and of each shoulder.
    search_m : float
        How far the centreline may lie off; 0 takes the nominal widths without searching.
    box_m : (n, 2)
        Box widths of a cell across the road, as `analysis.corridor.ribbon.footprint` gives them.
    sigma_m : float, optional
        Noise of a cell; estimated if not given.
    overrides : Overrides, optional
        What a person fixed; it wins over the search.
    paved : bool
        False for a gravel or earth road, which has no pavement edge to find: the nominal width
        about the found crown stands for it, and only hinges are looked for.
    edges_seen : bool, optional
        Whether the edges of a paved road show at all; where they don't, the nominal width stands
        for them too, only less surely. Default: as these stations have it; a piece of road is
        told by the whole one.
    progress : callable, optional
        Called with a fraction and a few words; may raise `analysis.common.errors.Cancelled`.

    Returns
    -------
    Breaks
    """
    s = np.asarray(s, dtype=np.float64)
    n = s.size
    pavement = np.broadcast_to(np.asarray(pavement_width_m, dtype=np.float64), (n,))
    shoulder = np.asarray(shoulder_width_m, dtype=np.float64)
    shoulder = np.broadcast_to(shoulder[:, None] if shoulder.ndim == 1 else shoulder, (n, 2))
    overrides = Overrides() if overrides is None else overrides
    if cells.s.size == 0 or n == 0 or search_m <= 0.0:
        return _nominal(s, pavement, shoulder, overrides)
    search = partial(
        _search,
        cells,
        s,
        pavement=pavement,
        shoulder=shoulder,
        search_m=search_m,
        box_m=box_m,
        sigma_m=sigma_m,
    )
    breaks = search(overrides=overrides, report=progress or _silent)
    seen = edges_show(breaks) if edges_seen is None else edges_seen
    if paved and seen:
        return breaks
    se = NOMINAL_SE_M if paved else UNPAVED_SE_M
    return _without_edge(search, breaks.axis, pavement, overrides, se)


def edges_show(breaks: Breaks) -> bool:
    """Tell whether a road's pavement edges show in the ground, at least here and there."""
    return bool(np.mean(breaks.edge_source == Source.FOUND) >= SHOWN_SHARE)


def _search(
    cells: Cells,
    s: Floats,
    *,
    pavement: Floats,
    shoulder: Floats,
    search_m: float,
    box_m: Floats,
    sigma_m: float | None,
    overrides: Overrides,
    report: Progress,
) -> Breaks:
    """Find the breaks of a road whose edges may show."""
    # a cell larger than the shoulder shows no hinge, whatever a search might make of it
    if cells.cell_m > min(COARSEST_M, float(shoulder.max())):
        return _nominal(s, pavement, shoulder, overrides)
    report(0.0, "finding the road")
    half, width = 0.5 * float(np.median(pavement)), float(np.median(shoulder))
    template = max(width, 1.0)
    sections = block_sections(cells, half_width_m=half + template + search_m + 2.0)
    middle = road_shift(sections, half, template, search_m)
    if middle is None:
        return _nominal(s, pavement, shoulder, overrides)
    # once more about the road itself: where the line swerves, the first sections were blurred
    blocks = sections.s
    sections = block_sections(
        cells, half_width_m=half + template + 3.0, centre=np.interp(cells.s, blocks, middle)
    )
    again = road_shift(sections, half, template, 1.0, swerve_m=0.15)
    middle = middle if again is None else middle + again
    middle = np.clip(middle, -search_m, search_m)
    report(0.3, "finding edges and hinges")
    block_edge = np.interp(blocks, s, 0.5 * pavement)
    block_box = np.column_stack([np.interp(blocks, s, np.abs(box_m[:, k])) for k in (0, 1)])
    reach = 0.5 * float(pavement.max()) + float(shoulder.max()) + OUTSIDE_M
    box = (float(np.median(box_m[:, 0])), float(np.median(box_m[:, 1])))

    def look(middle: Floats) -> _Look:
        """Edges and hinges of both sides in sections about the middle."""
        centre = np.interp(cells.s, blocks, middle)
        # bins well below the footprint, so that they don't blur a step any further
        sections = block_sections(
            cells, half_width_m=reach, centre=centre, bin_m=0.25 * cells.cell_m
        )
        sigma = max(sections.scatter_m if sigma_m is None else sigma_m, 1e-3)
        crown = find_crown(sections, half, sigma, box)

        def one_side(side: int) -> tuple[TiedBreaks, Floats, Floats]:
            sign = SIDE_SIGN[side]
            block_shoulder = np.interp(blocks, s, shoulder[:, side])
            u, z, count = _one_side(sections, sign, OVERLAP)
            wide = _one_side_of(sections.wide, sign)
            outer, ditch = foreslope_end(u, wide, block_edge, block_shoulder)
            precision = bin_precision(count, sigma, sections.bin_m)
            inner = sign * np.where(crown.sure > 0.5, crown.offset, 0.0) + 0.5 * sum(box) + 0.2
            precision[u[None, :] < inner[:, None]] = 0.0
            precision[u[None, :] > outer[:, None]] = 0.0
            given = [
                _to_blocks(blocks, s, None if fixed is None else fixed[:, side], -sign * middle)
                for fixed in (overrides.edge, overrides.hinge)
            ]
            tied = edge_and_hinge(
                u,
                z,
                precision,
                edge_m=block_edge,
                shoulder_m=np.maximum(block_shoulder, 0.5),
                box_m=block_box,
                block_m=sections.length_m,
                step_m=max(0.5 * cells.cell_m, 0.1),
                search_m=(SEARCH_SIDE_M, SEARCH_SIDE_M),
                edge_given=given[0],
                hinge_given=given[1],
                overlap=OVERLAP,
            )
            return tied, ditch, outer

        # the loops let go of the interpreter: both sides at once
        with ThreadPoolExecutor(2) as pool:
            sides = list(pool.map(one_side, (0, 1)))
        return _Look(sections, crown, sigma, sides)

    found, first, stays = look(middle), middle, np.zeros(middle.size, dtype=bool)
    for _ in range(MOST_MOVES):
        aside = np.where(stays, 0.0, _aside(found))
        if not aside.any():
            break
        report(0.6, "finding edges and hinges")
        stays |= np.abs(middle + aside - first) > TOO_FAR_ASIDE_M
        middle = np.clip(np.where(stays, first, middle + aside), -search_m, search_m)
        found = look(middle)
    tied, ditches, ends = zip(*found.sides, strict=True)
    report(0.95, "finding edges and hinges")
    # Beside a road narrower than it should be, a shoulder can pass for the pavement's far half:
    # with the edges known the crown is looked for once more, between them.
    crown = find_crown(
        found.sections, half, found.sigma_m, box, between=(-tied[0].edge, tied[1].edge)
    )
    return _assemble(s, blocks, middle, crown, tied, ditches, ends, overrides)


def _without_edge(
    search: Callable[..., Breaks], axis: Floats, pavement: Floats, overrides: Overrides, se: float
) -> Breaks:
    """Breaks of a road that runs into its shoulder without an edge.

    Whatever a search for an edge takes for one isn't: the nominal width stands, unless a person
    gave the edge.
    """
    nominal = 0.5 * pavement[:, None] + np.array(SIDE_SIGN) * axis[:, None]
    given = np.full_like(nominal, np.nan) if overrides.edge is None else overrides.edge
    open_ = np.isnan(given)
    sought = replace(overrides, edge=np.where(open_, nominal, given))
    breaks = search(overrides=sought, report=_silent)
    return replace(
        breaks,
        edge_source=np.where(open_, Source.NOMINAL, breaks.edge_source).astype(np.int8),
        edge_se=np.where(open_, se, breaks.edge_se),
        edge_confidence=np.where(open_, 0.0, breaks.edge_confidence),
    )


@dataclass(frozen=True, slots=True)
class _Look:
    """What one look at the sections about a supposed middle found; sides left, right."""

    sections: BlockSections
    crown: Crown
    sigma_m: float
    sides: list[tuple[TiedBreaks, Floats, Floats]]


def _aside(found: _Look) -> Floats:
    """How far the supposed middle of each block has to move, (b,); 0 where it may stay.

    Hinges are plain in the ground even where the search for the whole section settled beside the
    road, and the middle lies halfway between them, give or take unequal shoulders.
    """
    left, right = found.sides[0][0], found.sides[1][0]
    off = 0.5 * (right.hinge - left.hinge)
    # without a shoulder on both sides the hinges say nothing of the middle
    both = (left.bare < 0.5) & (right.bare < 0.5)
    far = both & (np.abs(off) > ASIDE_M)
    if far.mean() < 0.01:
        return np.zeros(off.size)
    off = np.where(far, off, 0.0)
    return np.asarray(uniform_filter1d(off, 5, mode="nearest"))


def foreslope_end(
    u: Floats, z: Floats, edge_m: Floats, shoulder_m: Floats
) -> tuple[Floats, Floats]:
    """Find where the foreslope ends, and the invert of the ditch, by segmentation.

    Parameters
    ----------
    u : (k,)
        Places outward from the axis.
    z : (b, k)
        Heights of averaged sections.
    edge_m, shoulder_m : (b,)
        Nominal place of the edge, nominal width of the shoulder.

    Returns
    -------
    outer, ditch : (b,)
        Outer end of the foreslope; invert of the ditch, NaN where the ground doesn't rise
        again.
    """
    stride = max(1, round(0.25 / (u[1] - u[0])))
    inner = float(np.median(edge_m)) - 1.0
    keep = np.flatnonzero(u >= inner)[::stride]
    x, part = u[keep], np.ascontiguousarray(z[:, keep])
    # a coarse grid has few places across
    pieces = max(1, min(6, x.size // 2))
    cut = segment_sections(x, part, pieces, least=2)
    rows = np.arange(part.shape[0])
    outer = np.minimum(edge_m + shoulder_m + 1.5, x[-1])
    ditch = np.full(rows.size, np.nan)
    begun = np.zeros(rows.size, dtype=bool)
    done = np.zeros(rows.size, dtype=bool)
    start = np.full(rows.size, np.inf)
    fallen = np.zeros(rows.size)
    step = x[1] - x[0]
    for piece in range(pieces):
        first, last = cut[:, piece], cut[:, piece + 1] - 1
        known = first >= 0
        first, last = np.where(known, first, 0), np.where(known, last, 1)
        run = np.maximum(x[last] - x[first], step)
        slope = (part[rows, last] - part[rows, first]) / run
        falls = known & (slope < -0.10) & (x[last] > edge_m + 0.3)
        # A drop at the edge, smeared by the cells, falls as steeply; but not far, and the
        # ground falls once more outside it.
        drop = falls & done & (fallen < DROP_M)
        drop &= (x[first] > outer) & (x[first] < edge_m + shoulder_m + 1.5)
        begun, done = begun & ~drop, done & ~drop
        fallen = np.where(drop, 0.0, fallen)
        start = np.where(falls & ~begun, x[first], start)
        grows = falls & ~done
        # what lies far down the slope says nothing about the hinge, and may bend again
        outer = np.where(grows, np.minimum(x[last], start + FORESLOPE_M), outer)
        fallen = np.where(grows, fallen + part[rows, first] - part[rows, last], fallen)
        done |= begun & ~falls
        begun |= falls
    # the lowest ground outside the edge, if it rises again by more than a rut is deep
    beyond = x[None, :] > (edge_m + 0.5)[:, None]
    low = np.where(beyond, part, np.inf)
    lowest = np.argmin(low, axis=1)
    depth = low[rows, lowest]
    after = np.arange(x.size)[None, :] > lowest[:, None]
    rise = np.where(after, part, -np.inf).max(axis=1) - depth
    at_edge = part[rows, np.clip(np.searchsorted(x, edge_m), 0, x.size - 1)]
    found = (rise > 0.15) & (at_edge - depth > np.where(begun, 0.1, 0.08))
    flat_bottom = (part <= (depth + 0.02)[:, None]) & (np.abs(x - x[lowest][:, None]) < 1.0)
    share = flat_bottom.sum(axis=1)
    middle = np.where(flat_bottom, x[None, :], 0.0).sum(axis=1) / np.maximum(share, 1)
    ditch[found] = middle[found]
    # what lies in the ditch's bottom isn't foreslope, however short that is
    bottom = x[np.argmax(low <= (depth + 0.03)[:, None], axis=1)]
    outer = np.where(found, np.minimum(outer, bottom), outer)
    return outer - 0.5 * step, ditch


def _one_side(sections: BlockSections, sign: float, blocks: int) -> tuple[Floats, Floats, Floats]:
    """Places outward, heights and counts of one side, each over some neighbouring blocks."""
    count = _one_side_of(sections.count, sign)
    z = np.where(count > 0, _one_side_of(sections.z, sign), 0.0)
    u = sections.o[sections.o.size // 2 :]
    total = moving_sum(count, blocks)
    mean = moving_sum(count * z, blocks) / np.maximum(total, 1.0)
    return u, mean, total


def _one_side_of(values: Floats, sign: float) -> Floats:
    middle = values.shape[1] // 2
    return values[:, middle:] if sign > 0 else values[:, :middle][:, ::-1]


def _to_blocks(blocks: Floats, s: Floats, given: Floats | None, shift: Floats) -> Floats | None:
    """Carry places fixed at stations to the blocks nearest to them."""
    if given is None or not np.isfinite(given).any():
        return None
    fixed = np.flatnonzero(np.isfinite(given))
    nearest = np.abs(blocks[:, None] - s[None, fixed]).argmin(axis=1)
    spacing = float(np.median(np.diff(s))) if s.size > 1 else 10.0
    close = np.abs(blocks - s[fixed][nearest]) <= 0.5 * spacing + 1e-9
    out = np.full(blocks.size, np.nan)
    out[close] = given[fixed][nearest[close]] + shift[close]
    return out


def _assemble(
    s: Floats,
    blocks: Floats,
    middle: Floats,
    crown: Crown,
    tied: Sequence[TiedBreaks],
    ditches: Sequence[Floats],
    ends: Sequence[Floats],
    overrides: Overrides,
) -> Breaks:
    """Carry what was found in blocks to the stations."""
    n = s.size
    columns = {}
    for name in (
        "edge",
        "edge_se",
        "edge_near",
        "hinge",
        "hinge_se",
        "hinge_near",
        "bare",
        "edge_gain",
    ):
        columns[name] = np.column_stack([np.interp(s, blocks, getattr(t, name)) for t in tied])
    shift = np.interp(s, blocks, middle)
    sign = np.array(SIDE_SIGN)
    edge = columns["edge"] + sign * shift[:, None]
    hinge = columns["hinge"] + sign * shift[:, None]
    bare = columns["bare"] > 0.5
    # an edge shown not far off holds on, tied as it is, where a flat shoulder hides it
    reach = max(1, round(HOLDS_M / float(np.median(np.diff(blocks))))) if blocks.size > 1 else 1
    shown = [maximum_filter1d(t.edge_gain, 2 * reach + 1) >= SHOWN_GAIN for t in tied]
    nearest = np.abs(blocks[None, :] - s[:, None]).argmin(axis=1)
    found = np.column_stack([part[nearest] for part in shown])
    found = (found & (columns["edge_se"] <= SURE_M)) | (columns["bare"] > 0.5)
    edge_source = np.where(found, Source.FOUND, Source.NOMINAL)
    columns["edge_se"] = np.where(found, columns["edge_se"], np.maximum(columns["edge_se"], 0.35))
    hinge_source = np.where(columns["hinge_se"] <= SURE_M, Source.FOUND, Source.NOMINAL)
    edge_source, hinge_source = edge_source.astype(np.int8), hinge_source.astype(np.int8)
    ditch = np.full((n, 2), np.nan)
    for side in (0, 1):
        known = np.isfinite(ditches[side])
        if known.any():
            ditch[:, side] = ditches[side][nearest] + sign[side] * shift
    end = np.column_stack([np.interp(s, blocks, ends[k]) + sign[k] * shift for k in (0, 1)])
    sure = np.interp(s, blocks, crown.sure)
    # without a crown, the middle between the edges stands for it
    between = 0.5 * (edge[:, 1] - edge[:, 0])
    axis = sure * (shift + np.interp(s, blocks, crown.offset)) + (1.0 - sure) * between
    axis_source = np.where(sure > 0.5, Source.FOUND, Source.NOMINAL).astype(np.int8)
    edge_se, hinge_se = columns["edge_se"], columns["hinge_se"]
    edge_near, hinge_near = columns["edge_near"], columns["hinge_near"]
    for given, value, se, near, source in (
        (overrides.edge, edge, edge_se, edge_near, edge_source),
        (overrides.hinge, hinge, hinge_se, hinge_near, hinge_source),
    ):
        if given is not None:
            fixed = np.isfinite(given)
            value[fixed], se[fixed], near[fixed] = given[fixed], 0.0, 1.0
            source[fixed] = Source.GIVEN
    user_hinge = hinge_source == Source.GIVEN
    hinge[bare & ~user_hinge] = np.nan
    hinge_se[bare & ~user_hinge] = np.nan
    if overrides.axis is not None:
        fixed = np.isfinite(overrides.axis)
        axis[fixed] = overrides.axis[fixed]
        axis_source[fixed] = Source.GIVEN
    slope = np.column_stack([np.interp(s, blocks, crown.slope[:, k]) for k in (0, 1)])
    return Breaks(
        s=s,
        axis=axis,
        axis_source=axis_source,
        edge=edge,
        edge_se=edge_se,
        edge_confidence=edge_near,
        edge_source=edge_source,
        hinge=hinge,
        hinge_se=hinge_se,
        hinge_confidence=hinge_near,
        hinge_source=hinge_source,
        ditch=ditch,
        ditch_source=np.where(np.isfinite(ditch), Source.FOUND, Source.NOMINAL).astype(np.int8),
        crowned=~(np.minimum(slope[:, 0], slope[:, 1]) < 0.0),
        kerb=np.zeros((n, 2), dtype=bool),
        foreslope_end=end,
    )


def _nominal(s: Floats, pavement: Floats, shoulder: Floats, overrides: Overrides) -> Breaks:
    """Breaks at their nominal places, where there is nothing to search."""
    n = s.size
    blank = np.full((n, 2), np.nan)
    zero = np.zeros((n, 2), dtype=np.int8)
    edge = np.repeat(0.5 * pavement[:, None], 2, axis=1)
    hinge = edge + shoulder
    edge_source, hinge_source = zero.copy(), zero.copy()
    for given, value, source in (
        (overrides.edge, edge, edge_source),
        (overrides.hinge, hinge, hinge_source),
    ):
        if given is not None:
            fixed = np.isfinite(given)
            value[fixed] = given[fixed]
            source[fixed] = Source.GIVEN
    axis, axis_source = np.zeros(n), zero[:, 0].copy()
    if overrides.axis is not None:
        fixed = np.isfinite(overrides.axis)
        axis[fixed] = overrides.axis[fixed]
        axis_source[fixed] = Source.GIVEN
    return Breaks(
        s=s,
        axis=axis,
        axis_source=axis_source,
        edge=edge,
        edge_se=np.where(edge_source == Source.GIVEN, 0.0, NOMINAL_SE_M),
        edge_confidence=np.where(edge_source == Source.GIVEN, 1.0, 0.0),
        edge_source=edge_source,
        hinge=hinge,
        hinge_se=np.where(hinge_source == Source.GIVEN, 0.0, NOMINAL_SE_M),
        hinge_confidence=np.where(hinge_source == Source.GIVEN, 1.0, 0.0),
        hinge_source=hinge_source,
        ditch=blank,
        ditch_source=zero.copy(),
        crowned=np.ones(n, dtype=bool),
        kerb=np.zeros((n, 2), dtype=bool),
    )


def _silent(fraction: float, words: str) -> None:
    """Report to nobody."""
