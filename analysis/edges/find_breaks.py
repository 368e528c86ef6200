"""Where the road really lies: its axis, pavement edges, hinges and ditches, found from the ground.

Real centrelines lie metres off and real widths change. The search goes from coarse to fine:
the shift of the whole section first, then the breaks of each side, then the crown.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from analysis.common.along import interpolate_along, lines_at, rows_for
from analysis.common.hands import each_by_hands
from analysis.common.sides import SIDE_SIGN, Source
from analysis.common.station_arrays import stations_of
from analysis.common.types import Bools, Floats, Indices, Progress, share_of
from analysis.corridor.blocks import BlockSections, block_middles, block_sections, moving_sum
from analysis.edges.at_stations import (
    NOMINAL_SE_M,
    SURE_M,
    BlocksFound,
    SideFound,
    breaks_at,
    contradicted,
    doubted,
    edges_shown,
    nearest,
    nominal_breaks,
)
from analysis.edges.brightness import Brightness, brightness_of
from analysis.edges.crowns import bin_precision, bins_beyond, find_crown
from analysis.edges.middle import REACH_M, RIVAL_M, Line, Middle, Widths, find_middle
from analysis.edges.priors import SideBlocks
from analysis.edges.segmentation import foreslope_end
from analysis.edges.tied_breaks import edge_and_hinge
from analysis.edges.values import Breaks, Overrides

if TYPE_CHECKING:
    from analysis.corridor.values import Case, Cells, Ground

__all__ = ["edges_show", "find"]


AGAIN_M = 1.0
"""How far the road may lie off the place that was found first."""

ROUNDED_M = 0.5
"""The road is looked for in cells no finer than this: crown, edges and hinges are rounded
themselves, and finer ones would show that as ground that is no road."""

ASIDE_M, LEAST_ASIDE = 0.3, 0.05
"""Hinges whose middle lies farther off than the first, on more than the second share of a road,
move the supposed middle of the road: sections about it are straighter."""

SPARE_SHARE, OFF_SHARE = 0.25, 0.75
"""How much wider than with one shoulder a road must be to be asked for the other, and how far its
pavement may then be off the width given, in shoulders: half a pavement is farther. Our choice."""

MOST = 0.5
"""More than this share of a road's blocks speaks for all of it."""

SMOOTH_BLOCKS = 7
"""Roads don't swerve within so many blocks, but the likeliest places of single blocks do."""

BY_ONE_SE_M, BY_BOTH_SE_M = 1.0, 0.3
"""How surely one edge or the crown, or both edges, that a person fixed tell the middle."""

SHOWN_SHARE = 0.2
"""With edges shown on less of a road than this, nothing says where they are."""

UNPAVED_SE_M = 0.3
"""How surely a nominal width stands for a gravel road's own, be it half the surface or a shoulder;
our own choice."""

MEET_M = 0.75
"""Edges that both widths of an unpaved road put no farther apart are told by both."""

PLAIN_SE_M, PLAIN_NEAR_M, PLAIN_AROUND_M = 0.12, 0.75, 30.0
"""An edge this sure and this near to its nominal place, on most of so much road, is one on gravel
too; our own choice."""

COPLANAR_SE_M = 0.3
"""The same for a paved road whose hinges lie where the given widths put them."""

AT_HINGE_M, NO_WIDTH_M, AROUND_M = 0.5, 0.3, 70.0
"""An edge this near to the given hinge, and this near to the one found, may be the hinge itself,
where it is on most of so much road; our own choice."""

OVERLAP = 3
"""Blocks of road whose cells are looked at together."""

LEAST_CELLS = 1e-6
"""Less of a cell than this isn't counted."""

COARSEST_M = 2.5
"""Cells larger than this show no pavement edge: a road is hardly three of them wide."""

OUTSIDE_M = 9.0
"""How far beyond the nominal hinge the section is looked at, for foreslope and ditch."""


def find(
    case: Case,
    ground: Ground,
    fixed: Overrides,
    like: Breaks | None = None,
    progress: Progress | None = None,
) -> Breaks:
    """Find axis, pavement edges, hinges and ditches at the stations of a case.

    Where a paved road's edges don't show, and a gravel or earth road's unless they are plain, the
    nominal width about the found crown stands for them, only less surely.

    Parameters
    ----------
    case, ground
        The stations and the nominal widths, and the ground along them.
    fixed
        What a person fixed; it wins over the search.
    like
        Breaks of the whole road, where the case is a piece of it: whether the edges of a road
        show is told by all of it.
    progress
        Called with the share done and a few words; may raise `Cancelled`.
    """
    settings, cells = case.settings, ground.cells
    sought = settings.find_edges and settings.search_m > 0.0
    if cells.s.size == 0 or case.s.size == 0 or not sought:
        widths = _nominal_widths(case, case.s.size)
        return nominal_breaks(case.s, *widths, fixed)
    # places of the road's own go with the stations: what is between these is told by those
    own = block_middles(cells)
    along = np.union1d(own, case.beats_here())
    s = np.union1d(case.s, along)
    road = _Sought(
        cells,
        s,
        *_nominal_widths(case, s.size),
        settings.search_m,
        case.box_at(s),
        settings.noise_m,
        case.grain.cells_per_value(cells.cell_m),
        case.usual_box_m,
    )
    here, there = (np.searchsorted(s, places) for places in (case.s, own))
    found = _found(road, _fixed_at(s, here, case.s, fixed), settings.paved, like, there, progress)
    line = stations_of(found, np.searchsorted(s, along))
    return replace(stations_of(found, here), line=line)


def _nominal_widths(case: Case, n: int) -> tuple[Floats, Floats]:
    """Width of the pavement (n,), and of both shoulders (n, 2)."""
    return np.full(n, case.pavement_width_m), np.full((n, 2), case.shoulder_width_m)


def _fixed_at(s: Floats, here: Indices, stations: Floats, fixed: Overrides) -> Overrides:
    """What is fixed at stations, which are the places `here` of s, and so between them."""

    def at(given: Floats | None) -> Floats | None:
        if given is None or not np.isfinite(given).any():
            return None
        out = interpolate_along(s, stations, given)
        out[here] = given
        return out

    return Overrides(at(fixed.edge), at(fixed.hinge), at(fixed.axis))


def _found(
    road: _Sought,
    fixed: Overrides,
    paved: bool,
    like: Breaks | None,
    own: Indices,
    progress: Progress | None,
) -> Breaks:
    """Find the breaks at all places; those of the `own` tell what is usual along the road."""
    breaks, middle = _search(road, fixed, share_of(progress, 0.0, 1.0))
    if paved and edges_show(stations_of(breaks, own) if like is None else like.along()):
        unseen, se = _hinges_for_edges(road, breaks, own), COPLANAR_SE_M
    elif paved:
        unseen, se = np.ones(breaks.edge.shape, dtype=bool), NOMINAL_SE_M
    else:
        breaks = _between_hinges(road, breaks)
        unseen, se = ~_surfaces_end(road, breaks, own), UNPAVED_SE_M
    if unseen.any():
        breaks = _without_edge(road, breaks, fixed, se, unseen, paved)
    return breaks if middle is None else contradicted(breaks, middle, fixed)


def edges_show(breaks: Breaks) -> bool:
    """Tell whether a road's pavement edges show in the ground, at least here and there."""
    shown = breaks.edge_source[~breaks.lost()] == Source.FOUND
    return bool(shown.size > 0 and np.mean(shown) >= SHOWN_SHARE)


@dataclass(frozen=True, slots=True)
class _Sought:
    """A road to be searched at n stations: its cells and what is given of it, see `find`.

    `edge_given_se` (n, 2) is how surely given edges are where they should be, see `SideBlocks`.
    `middles` are those that were found already, each with what was fixed for it: a road whose edges
    don't show is searched twice, and lies where it lay.
    """

    cells: Cells
    s: Floats
    pavement: Floats
    shoulder: Floats
    search_m: float
    box_m: Floats
    sigma_m: float | None
    cells_per_value: float
    usual_box_m: Floats | None = None
    edge_given_se: Floats | None = None
    middles: list[tuple[Overrides, Middle | None]] = field(default_factory=list)

    @property
    def half_m(self) -> float:
        """Half the usual pavement."""
        return 0.5 * float(np.median(self.pavement))

    @property
    def box(self) -> tuple[float, float]:
        """Usual box widths of a cell."""
        usual = np.median(self.box_m, axis=0) if self.usual_box_m is None else self.usual_box_m
        return float(usual[0]), float(usual[1])


def _search(
    road: _Sought, overrides: Overrides, report: Progress, told: Overrides | None = None
) -> tuple[Breaks, Middle | None]:
    """Find the breaks of a road whose edges may show.

    `told` is what a person fixed, where the overrides hold more than that.
    """
    nominal = partial(nominal_breaks, road.s, road.pavement, road.shoulder, overrides)
    # a cell larger than the shoulder shows no hinge, whatever a search might make of it
    if road.cells.cell_m > min(COARSEST_M, float(road.shoulder.max())) + 1e-6:
        return nominal(), None
    report(0.0, "finding the road")
    middle = _find_middle(road, overrides if told is None else told)
    if middle is None:
        return nominal(), None
    report(0.3, "finding edges and hinges")
    found = _look(road, overrides, middle)
    aside = _aside(found)
    if aside.any():
        report(0.6, "finding edges and hinges")
        found = _look(road, overrides, replace(middle, offset=middle.offset + aside))
    found = _both_shoulders(road, overrides, found)
    report(0.95, "finding edges and hinges")
    # Beside a road narrower than it should be, a shoulder can pass for the pavement's far half:
    # with the edges known the crown is looked for once more, between them.
    left, right = (side.tied.edge for side in found.sides)
    crown = find_crown(found.sections, road.half_m, found.sigma_m, road.box, between=(-left, right))
    return breaks_at(road.s, replace(found, crown=crown), overrides), found.middle


def _find_middle(road: _Sought, overrides: Overrides) -> Middle | None:
    """Find the middle of a road, once for the same overrides; None = nothing can be told."""
    for fixed, middle in road.middles:
        if fixed is overrides:
            return middle
    middle = _weigh_places(road, overrides)
    road.middles.append((overrides, middle))
    return middle


def _weigh_places(road: _Sought, overrides: Overrides) -> Middle | None:
    """Weigh the places where the middle of the road may lie; None = nothing can be told."""
    cells, template = road.cells, max(float(np.median(road.shoulder)), 1.0)
    widths = Widths(road.half_m, template, max(cells.cell_m, ROUNDED_M))
    reach, bin_m = road.half_m + template + REACH_M, 0.5 * widths.cell_m
    sections = block_sections(cells, half_width_m=reach + road.search_m, bin_m=bin_m)
    given, se = (
        _to_blocks(sections.s, road.s, part, np.zeros(sections.s.size))
        for part in _middle_given(road, overrides)
    )
    line = Line(road.search_m, given, se)
    weigh = partial(find_middle, cells_per_value=road.cells_per_value)
    first = weigh(sections, widths, line, road.search_m, np.zeros(sections.s.size))
    if first is None:
        return None
    # once more about the road itself: where the line swerves, the first sections were blurred
    centre = lines_at(cells.s, first.s, first.offset)
    sections = block_sections(cells, half_width_m=reach + AGAIN_M, centre=centre, bin_m=bin_m)
    again = weigh(sections, widths, line, AGAIN_M, first.offset)
    offset = first.offset if again is None else again.offset
    offset = uniform_filter1d(offset, SMOOTH_BLOCKS, mode="nearest")
    return replace(first, offset=np.clip(offset, -road.search_m, road.search_m))


def _middle_given(road: _Sought, overrides: Overrides) -> tuple[Floats, Floats]:
    """Middle of the road by what a person fixed of it, and its error, (n,); NaN = nothing."""
    given, se = np.full((2, road.s.size), np.nan)
    sign, half = np.array(SIDE_SIGN), 0.5 * road.pavement
    if overrides.axis is not None:
        given = overrides.axis.copy()
        se[np.isfinite(given)] = BY_ONE_SE_M
    if overrides.edge is not None:
        middles = sign * (overrides.edge - half[:, None])
        known = np.isfinite(middles)
        middle = np.where(known, middles, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        given = np.where(known.any(axis=1), middle, given)
        se = np.where(known.any(axis=1), BY_ONE_SE_M, se)
        se[known.all(axis=1)] = BY_BOTH_SE_M
    return given, se


def _look(road: _Sought, overrides: Overrides, middle: Middle) -> BlocksFound:
    """Find edges and hinges of both sides in sections about a supposed middle."""
    cells = road.cells
    reach = 0.5 * float(road.pavement.max()) + float(road.shoulder.max()) + OUTSIDE_M
    centre = lines_at(cells.s, middle.s, middle.offset)
    # bins well below the footprint, so that they don't blur a step any further
    sections = block_sections(cells, half_width_m=reach, centre=centre, bin_m=0.25 * cells.cell_m)
    sigma = max(sections.scatter_m if road.sigma_m is None else road.sigma_m, 1e-3)
    # cells that share what they were made of count as fewer of them
    sigma *= np.sqrt(road.cells_per_value)
    crown = find_crown(sections, road.half_m, sigma, road.box)
    found = BlocksFound(sections, middle, crown, sigma, ())
    sides = each_by_hands(partial(_look_aside, road, overrides, found), (0, 1))
    return replace(found, sides=tuple(sides))


def _look_aside(road: _Sought, overrides: Overrides, found: BlocksFound, side: int) -> SideFound:
    """Find edge, hinge, foreslope and ditch of one side."""
    sections, crown, sign = found.sections, found.crown, SIDE_SIGN[side]
    blocks, middle = sections.s, found.middle.offset
    edge = np.interp(blocks, road.s, 0.5 * road.pavement)
    shoulder = np.interp(blocks, road.s, road.shoulder[:, side])
    u, z, count = _one_side(sections, sign, OVERLAP)
    outer, ditch = foreslope_end(u, _one_side_of(sections.wide, sign), edge, shoulder)
    precision = bin_precision(count, found.sigma_m, sections.bin_m)
    inner = sign * np.where(crown.sure > 0.5, crown.offset, 0.0) + 0.5 * sum(road.box) + 0.2
    # a bin counts by degrees, and in full once all of it lies there
    half = 0.5 * sections.bin_m
    precision *= bins_beyond(u - half - inner[:, None], sections.bin_m)
    precision *= bins_beyond(outer[:, None] - u - half, sections.bin_m)
    edge_given, hinge_given = (
        _to_blocks(blocks, road.s, None if fixed is None else fixed[:, side], -sign * middle)
        for fixed in (overrides.edge, overrides.hinge)
    )
    known = SideBlocks(
        u=u,
        z=z,
        precision=precision,
        edge_m=edge,
        shoulder_m=np.maximum(shoulder, 0.5),
        box_m=np.column_stack([np.interp(blocks, road.s, np.abs(box)) for box in road.box_m.T]),
        length_m=sections.length_m,
        edge_given=edge_given,
        hinge_given=hinge_given,
        edge_given_se=_given_se(road, blocks, side),
        bright=_brightness(road, sections, sign, edge),
        usual_box_m=road.usual_box_m,
    )
    tied = edge_and_hinge(known, step_m=max(0.5 * road.cells.cell_m, 0.1), overlap=OVERLAP)
    return SideFound(tied, ditch, outer, known.shoulder_m)


def _given_se(road: _Sought, blocks: Floats, side: int) -> Floats | None:
    """Standard error of the edges given to blocks, (b,), see `SideBlocks`."""
    if road.edge_given_se is None:
        return None
    return _to_blocks(blocks, road.s, road.edge_given_se[:, side], np.zeros(blocks.size))


def _narrow(road: _Sought) -> Bools:
    """(n, 2) where the footprint is wider than the shoulder: that shows hardly two breaks."""
    return np.asarray(road.shoulder < sum(road.box) - 1e-6)


def _hinges_for_edges(road: _Sought, breaks: Breaks, own: Indices) -> Bools:
    """(n, 2) where the shoulder goes on at the pavement's slope, so that no edge shows.

    There the search takes the hinge for the edge of a pavement without shoulder: what it found lies
    about where the given widths put the hinge, and so it does for most of the road around. Or, on a
    pavement that falls one way, an edge that doesn't show lies far from where its width puts it.
    """
    nominal = _nominal_edge(road, breaks, _has_shoulder(breaks))
    hinge = nominal + road.shoulder
    near_m = np.where(_narrow(road), road.shoulder, np.minimum(AT_HINGE_M, 0.5 * road.shoulder))
    at_hinge = np.abs(breaks.edge - hinge) <= near_m
    bare = ~_has_shoulder(breaks)
    there = (breaks.edge_source == Source.FOUND) & at_hinge & bare
    hidden = (breaks.edge_source == Source.NOMINAL) & ~breaks.lost()[:, None]
    hidden &= (np.abs(breaks.edge - nominal) > NOMINAL_SE_M) & ~breaks.crowned[:, None]
    mostly = partial(_mostly, s=breaks.s, own=own, around_m=AROUND_M)
    return np.asarray(there | (bare & mostly(there)) | (hidden & mostly(hidden)))


def _mostly(flags: Bools, s: Floats, own: Indices, around_m: float) -> Bools:
    """(n, 2) where flags at the places s are set for most of so much road, by the `own` of them."""
    blocks = s[own]
    step = float(np.median(np.diff(blocks))) if blocks.size > 1 else around_m
    share = uniform_filter1d(
        flags[own].astype(float), rows_for(around_m, step), axis=0, mode="nearest"
    )
    return np.asarray(share[nearest(blocks, s)] > 0.5)


def _surfaces_end(road: _Sought, breaks: Breaks, own: Indices) -> Bools:
    """(n, 2) where the surface of a gravel or earth road plainly ends, in a step or a kink.

    Mostly it runs into its shoulder and nothing shows. What is found surely, not far from where the
    given width puts it, and over some length of road, is its edge all the same.
    """
    near = np.abs(breaks.edge - _nominal_edge(road, breaks, _has_shoulder(breaks))) <= PLAIN_NEAR_M
    plain = (breaks.edge_source == Source.FOUND) & (breaks.edge_se <= PLAIN_SE_M) & near
    plain &= _has_shoulder(breaks)
    return np.asarray(plain & _mostly(plain, breaks.s, own, PLAIN_AROUND_M))


def _between_hinges(road: _Sought, breaks: Breaks) -> Breaks:
    """Breaks of an unpaved road about the middle that its outer breaks tell, where none is a crown.

    The surface of a banked one runs into its shoulder, and the hinge passes for the edge, often on
    one side alone: the middle between such edges lies half a shoulder aside.
    """
    edge = _edge_by_shoulder(road, breaks)
    middle = 0.5 * (edge[:, 1] - edge[:, 0])
    sought = ~breaks.crowned & (breaks.axis_source != Source.GIVEN)
    return replace(breaks, axis=np.where(sought, middle, breaks.axis))


def _has_shoulder(breaks: Breaks) -> Bools:
    return np.asarray(breaks.hinge - breaks.edge >= NO_WIDTH_M)


def _edge_by_shoulder(road: _Sought, breaks: Breaks) -> Floats:
    """(n, 2) where the shoulder's width puts the edges, from the outermost break of each side."""
    return np.where(_has_shoulder(breaks), breaks.hinge, breaks.edge) - road.shoulder


def _nominal_edge(road: _Sought, breaks: Breaks, seen: Bools) -> Floats:
    """(n, 2) where the given width puts the edges, about what is seen of the pavement.

    That is the crown, or, where a pavement falls one way, its other edge if that is `seen`.
    """
    width = road.pavement[:, None]
    about_axis = 0.5 * width + np.array(SIDE_SIGN) * breaks.axis[:, None]
    by_other = seen[:, ::-1] & ~breaks.crowned[:, None]
    return np.where(by_other, width - breaks.edge[:, ::-1], about_axis)


def _by_both_widths(road: _Sought, breaks: Breaks, nominal: Floats) -> tuple[Floats, Floats]:
    """(n, 2) edges of an unpaved road, and how surely, from both its widths.

    Where its outer break is found, the shoulder's width tells the edge from there as well as the
    surface's does from the middle; what they differ by is what they are off together.
    """
    shoulder = _has_shoulder(breaks)
    source = np.where(shoulder, breaks.hinge_source, breaks.edge_source)
    by_shoulder = _edge_by_shoulder(road, breaks)
    apart = np.where(source == Source.FOUND, np.abs(by_shoulder - nominal), np.inf)
    both = (apart <= MEET_M) & ~breaks.lost()[:, None]
    mean = np.where(both, 0.5 * (nominal + by_shoulder), nominal)
    se = np.where(both, np.maximum(UNPAVED_SE_M / np.sqrt(2.0), 0.5 * apart), UNPAVED_SE_M)
    return mean, se


def _without_edge(
    road: _Sought,
    found: Breaks,
    overrides: Overrides,
    nominal_se: float,
    unseen: Bools,
    paved: bool,
) -> Breaks:
    """Breaks of a road that runs into its shoulder without an edge where it is `unseen` (n, 2).

    Whatever a search for an edge takes for one there isn't: the nominal width stands, unless a
    person gave the edge.
    """
    nominal = _nominal_edge(road, found, _has_shoulder(found) & ~unseen)
    se = np.full(nominal.shape, nominal_se)
    if not paved:
        nominal, se = _by_both_widths(road, found, nominal)
    given = np.full_like(nominal, np.nan) if overrides.edge is None else overrides.edge
    open_ = np.isnan(given) & unseen
    sought = replace(overrides, edge=np.where(open_, nominal, given))
    if paved:
        # held to a wrong place, the edge of a shoulder within one footprint pushes its hinge away
        road = replace(road, edge_given_se=np.where(open_ & _narrow(road), se, 0.0))
    breaks, _ = _search(road, sought, _silent, overrides)
    # an edge that was found without the widths stays, and so does a shoulder: beside an edge that
    # they put elsewhere, a narrow one would pass for none
    stays = (found.edge_source == Source.FOUND) | (_has_shoulder(found) & ~_has_shoulder(breaks))
    breaks = _only_where(unseen | ~stays, breaks, found)
    breaks = replace(
        breaks,
        edge_source=np.where(open_, Source.NOMINAL, breaks.edge_source).astype(np.int8),
        edge_se=np.where(open_, se, breaks.edge_se),
        edge_confidence=np.where(open_, 0.0, breaks.edge_confidence),
        rivals=found.rivals,
    )
    return doubted(breaks)


def _only_where(chosen: Bools, breaks: Breaks, others: Breaks) -> Breaks:
    """Breaks of the `chosen` (n, 2) sides with their crown, and those of the `others` elsewhere."""
    sides: dict[str, Any] = {}
    for name in (
        "edge edge_se edge_confidence edge_source hinge hinge_se hinge_confidence hinge_source "
        "ditch ditch_source foreslope_end edge_ways hinge_ways arc_m"
    ).split():
        here, there = getattr(breaks, name), getattr(others, name)
        if here is not None and there is not None:
            of = chosen.reshape(chosen.shape + (1,) * (here.ndim - 2))
            sides[name] = np.where(of, here, there).astype(here.dtype)
    return replace(breaks, **sides)


def _aside(found: BlocksFound) -> Floats:
    """How far the supposed middle of each block has to move, (b,); 0 where it may stay.

    Hinges are plain in the ground, and the middle lies halfway between them, give or take unequal
    shoulders; but what would move it to a rival place is led by something else.
    """
    left, right = (side.tied for side in found.sides)
    off = 0.5 * (right.hinge - left.hinge)
    # without a shoulder on both sides the hinges say nothing of the middle
    both = (left.bare < 0.5) & (right.bare < 0.5)
    sure = (left.hinge_se < SURE_M) & (right.hinge_se < SURE_M)
    known = both & sure & (found.middle.found | found.middle.fair) & (np.abs(off) < RIVAL_M)
    far = known & (np.abs(off) > ASIDE_M)
    if far.mean() < LEAST_ASIDE:
        return np.zeros(off.size)
    # moved here and there only, sections would be blurred where they begin to be: between edges
    # that show they all are, and where the hinges don't tell by what those about them say
    told = far | (known & edges_shown(found).all(axis=1))
    untold = both & ~known & maximum_filter1d(told, 2 * SMOOTH_BLOCKS + 1)
    move = np.interp(np.arange(off.size), np.flatnonzero(told), off[told])
    move = np.where(told | untold, move, 0.0)
    return np.asarray(uniform_filter1d(move, SMOOTH_BLOCKS, mode="nearest"))


def _both_shoulders(road: _Sought, overrides: Overrides, found: BlocksFound) -> BlocksFound:
    """Look again where a road without a shoulder on one side is as wide as one with both.

    Pavement and shoulder of that side can pass for the half of a pavement that is far too wide, its
    middle about half a shoulder aside. Halfway between the outer breaks both shoulders show then,
    beside a pavement of about the width given; those of a road without a shoulder don't.
    """
    blocks, first = found.sections.s, found.middle
    pavement = np.interp(blocks, road.s, road.pavement)
    shoulder = np.column_stack([np.interp(blocks, road.s, side) for side in road.shoulder.T])
    bare, edge, hinge = (
        np.column_stack([getattr(side.tied, name) for side in found.sides])
        for name in ("bare", "edge", "hinge")
    )
    none = bare > 0.5
    outer = np.where(none, edge, hinge)
    missing = np.where(none, shoulder, 0.0).sum(axis=1)
    spare = outer.sum(axis=1) - (pavement + shoulder.sum(axis=1) - missing)
    wide = first.found & (none.sum(axis=1) == 1) & (spare > SPARE_SHARE * missing)
    move = 0.5 * np.diff(outer, axis=1)[:, 0]
    if wide.mean() <= MOST or np.abs(np.median(move[wide])) < RIVAL_M:
        return found
    move = np.interp(blocks, blocks[wide], move[wide])
    offset = first.offset + uniform_filter1d(move, SMOOTH_BLOCKS, mode="nearest")
    offset = np.clip(offset, -road.search_m, road.search_m)
    again = _look(road, overrides, replace(first, offset=offset))
    here = np.column_stack([side.tied.edge for side in again.sides])
    shouldered = [side.tied.bare < 0.5 for side in again.sides]
    near = np.abs(here.sum(axis=1) - pavement) < OFF_SHARE * missing
    shown = edges_shown(again).all(axis=1) & np.all(shouldered, axis=0) & near
    return again if shown[wide].mean() > MOST else found


def _one_side(sections: BlockSections, sign: float, blocks: int) -> tuple[Floats, Floats, Floats]:
    """Places outward, heights and counts of one side, each over some neighbouring blocks."""
    u = sections.o[sections.o.size // 2 :]
    return u, *_over_blocks(
        _one_side_of(sections.z, sign), _one_side_of(sections.count, sign), blocks
    )


def _over_blocks(mean: Floats, count: Floats, blocks: int) -> tuple[Floats, Floats]:
    """Means and counts (b, k) over so many blocks about each; 0 where nothing is counted."""
    total, sums = (moving_sum(v, blocks) for v in (count, np.where(count > 0, count * mean, 0.0)))
    # what running sums leave of shares of cells is none
    total[total < LEAST_CELLS] = 0.0
    return sums / np.maximum(total, LEAST_CELLS), total


def _one_side_of(values: Floats, sign: float) -> Floats:
    middle = values.shape[1] // 2
    return values[:, middle:] if sign > 0 else values[:, :middle][:, ::-1]


def _brightness(
    road: _Sought, sections: BlockSections, sign: float, edge: Floats
) -> Brightness | None:
    """Brightness of one side, each block's over some neighbouring ones; None where none is told."""
    if sections.bright is None or sections.bright_count is None:
        return None
    count, mean = (_one_side_of(v, sign) for v in (sections.bright_count, sections.bright))
    mean, total = _over_blocks(mean, count, OVERLAP)
    u = sections.o[sections.o.size // 2 :]
    # a point is bright where it lies, a cell wherever its square reaches
    blur_m = sum(road.box) if road.cells.lattice is None else 0.0
    return brightness_of(u, mean, total, sections.bright_scatter, edge, OVERLAP, blur_m)


def _to_blocks(blocks: Floats, s: Floats, given: Floats | None, shift: Floats) -> Floats:
    """Carry places fixed at stations to the blocks nearest to them; NaN = not given."""
    out = np.full(blocks.size, np.nan)
    if given is None or not np.isfinite(given).any():
        return out
    fixed = np.flatnonzero(np.isfinite(given))
    nearest = np.abs(blocks[:, None] - s[None, fixed]).argmin(axis=1)
    spacing = float(np.median(np.diff(s))) if s.size > 1 else 10.0
    close = np.abs(blocks - s[fixed][nearest]) <= 0.5 * spacing + 1e-9
    out[close] = given[fixed][nearest[close]] + shift[close]
    return out


def _silent(fraction: float, words: str) -> None:
    """Report to nobody."""
