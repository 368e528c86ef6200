"""What was found in blocks of road, carried to its stations, under what a person fixed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from analysis.common.along import interpolate_along
from analysis.common.sides import SIDE_SIGN, Source
from analysis.common.types import Bools, Floats, Indices
from analysis.corridor.blocks import BlockSections
from analysis.edges.crowns import Crown
from analysis.edges.middle import FAIR_TRUST, Middle
from analysis.edges.tied_breaks import TiedBreaks
from analysis.edges.values import Breaks, Overrides

__all__ = [
    "NOMINAL_SE_M",
    "SURE_M",
    "BlocksFound",
    "SideFound",
    "breaks_at",
    "contradicted",
    "doubted",
    "edges_shown",
    "nearest",
    "nominal_breaks",
]


NOMINAL_SE_M = 0.5
"""How surely a nominal width stands for an edge that doesn't show; our own choice."""

SURE_M, SHOWN_GAIN = 0.3, 3.0
"""A break less sure than this counts as nominal, and so does an edge whose log evidence is less
than that: where the ground shows none, what is left of it is the nominal width."""

HIDDEN_SE_M = 0.35
"""Least standard error of an edge that counts as nominal: more than that of any found one."""

APART_M, UNSURE_APART_M = 1.0, 0.5
"""Edges whose middle is farther from the middle of the road than this contradict it: the second
where they don't show, or not so surely that they can tell better."""

TELLS_M = 0.12
"""A middle between two edges that is surer than this tells better than the road's sections do."""

AGREE_M = 0.4
"""Edges on both sides whose middle lies so near to the road's confirm it."""

UNSEEN_SE_M, LEAST_SHARE = 0.15, 0.5
"""A hinge that isn't found may lie anywhere about its nominal place: error of each of the places
that stand for that, and how much of the shoulder they may leave or add; our own choice."""

HOLDS_M = 40.0
"""So far along the road an edge that the ground shows vouches for one that it hides."""


@dataclass(frozen=True, slots=True)
class SideFound:
    """What was found on one side in b blocks: breaks, invert of the ditch, foreslope's end.

    `width` (b,) is the nominal one of the shoulder.
    """

    tied: TiedBreaks
    ditch: Floats
    outer: Floats
    width: Floats


@dataclass(frozen=True, slots=True)
class BlocksFound:
    """What one look at the sections about a supposed middle found; sides left, right."""

    sections: BlockSections
    middle: Middle
    crown: Crown
    sigma_m: float
    sides: tuple[SideFound, ...]


def breaks_at(s: Floats, found: BlocksFound, overrides: Overrides) -> Breaks:
    """Carry what was found in blocks to the stations (n,)."""
    blocks, crown, sign = found.sections.s, found.crown, np.array(SIDE_SIGN)
    shift = np.interp(s, blocks, found.middle.offset)
    aside = sign * shift[:, None]
    near = nearest(blocks, s)

    def carried(values: Sequence[Floats]) -> Floats:
        return np.column_stack([np.interp(s, blocks, value) for value in values])

    def both(name: str) -> Floats:
        return carried([getattr(side.tied, name) for side in found.sides])

    edge, hinge = both("edge") + aside, both("hinge") + aside
    edge_se, bare = both("edge_se"), both("bare") > 0.5
    hinge_ways = _hinge_ways_at(s, found, both("hinge_se"))
    unfound = both("beyond") > 0.5
    width = carried([side.width for side in found.sides])
    # where the ground shows no hinge, the shoulder is as wide as it should be
    hinge = np.where(unfound, edge + width, hinge)
    hinge_ways[unfound] = _nominal_ways(width[unfound])
    hinge_near = np.where(unfound, 0.0, hinge_ways[:, :, 0, 3] * both("hinge_near"))
    hinge_se = _spread_of(hinge_ways)
    shown = (edges_shown(found)[near] & (edge_se <= SURE_M)) | bare
    hinge_source = np.where(hinge_se <= SURE_M, Source.FOUND, Source.NOMINAL).astype(np.int8)
    for part in (hinge, hinge_se, hinge_ways):
        part[bare] = np.nan
    ditch = interpolate_along(s, blocks, np.column_stack([d.ditch for d in found.sides])) + aside
    end = carried([side.outer for side in found.sides]) + aside
    sure = np.interp(s, blocks, crown.sure)
    # without a crown, the middle between the edges stands for it
    between = 0.5 * (edge[:, 1] - edge[:, 0])
    slope = carried(list(crown.slope.T))
    breaks = Breaks(
        s=s,
        axis=sure * (shift + np.interp(s, blocks, crown.offset)) + (1.0 - sure) * between,
        axis_source=np.where(sure > 0.5, Source.FOUND, Source.NOMINAL).astype(np.int8),
        edge=edge,
        edge_se=np.where(shown, edge_se, np.maximum(edge_se, HIDDEN_SE_M)),
        edge_confidence=both("edge_near"),
        edge_source=np.where(shown, Source.FOUND, Source.NOMINAL).astype(np.int8),
        hinge=hinge,
        hinge_se=hinge_se,
        hinge_confidence=hinge_near,
        hinge_source=hinge_source,
        ditch=ditch,
        ditch_source=np.where(np.isfinite(ditch), Source.FOUND, Source.NOMINAL).astype(np.int8),
        crowned=~(np.minimum(slope[:, 0], slope[:, 1]) < 0.0),
        foreslope_end=end,
        rivals=_rivals(found.middle, near, edge, np.asarray(shown.all(axis=1)), overrides),
        edge_ways=_ways_at(s, found),
        hinge_ways=hinge_ways,
        arc_m=np.tile([side.tied.arc_m for side in found.sides], (s.size, 1)),
    )
    return _with_given(doubted(breaks), overrides)


def nearest(blocks: Floats, s: Floats) -> Indices:
    """Index of the block nearest to each place; of two as near it is the former."""
    return np.asarray(np.searchsorted(0.5 * (blocks[1:] + blocks[:-1]), s), dtype=np.int64)


def _rivals(
    middle: Middle, near: Indices, edge: Floats, shown: Bools, overrides: Overrides
) -> Floats:
    """Places that compete at the stations, (n, 2); NaN where the road is found or was fixed.

    Edges (n, 2) whose middle lies beyond the limit of the search aren't the road's; and where it
    lies far from the middle found before, there are two places again. Edges of which both are
    `shown` (n,) settle a fair doubt about the middle between them.
    """
    between = 0.5 * (edge[:, 1] - edge[:, 0])
    rivals = np.column_stack([middle.offset, middle.rival])[near]
    agree = shown & (np.abs(between - rivals[:, 0]) <= AGREE_M)
    known = middle.found[near] | (middle.fair[near] & agree)
    beyond = known & (np.abs(between) > middle.limit_m)
    apart = known & ~beyond & (np.abs(between - rivals[:, 0]) > APART_M)
    rivals[beyond, 0], rivals[apart, 1] = between[beyond], between[apart]
    known &= ~beyond & ~apart
    for given in (overrides.edge, overrides.axis):
        if given is not None:
            known |= np.isfinite(given.reshape(known.size, -1)).any(axis=1)
    rivals[known] = np.nan
    return rivals


def contradicted(breaks: Breaks, middle: Middle, told: Overrides) -> Breaks:
    """Doubt the road where edges that don't tell surely lie apart from what its sections say.

    They may lie no farther from those than `UNSURE_APART_M`; nor, where the sections don't look
    like a road's and neither edge is sure, farther from the given line than half of what that may
    be off. What a person fixed, `told`, leaves no doubt.
    """
    near = nearest(middle.s, breaks.s)
    edge_se = np.where(breaks.edge_source == Source.NOMINAL, np.inf, breaks.edge_se)
    unsure = ~breaks.lost() & (0.5 * np.hypot(*edge_se.T) > TELLS_M)
    for given in (told.edge, told.axis):
        if given is not None:
            unsure &= ~np.isfinite(given.reshape(unsure.size, -1)).any(axis=1)
    between, offset = 0.5 * (breaks.edge[:, 1] - breaks.edge[:, 0]), middle.offset[near]
    near_m = max(0.5 * middle.off_m, UNSURE_APART_M)
    poor = middle.trust[near] < FAIR_TRUST
    beyond = unsure & poor & (edge_se.min(axis=1) > TELLS_M) & (np.abs(between) > near_m)
    # sections of a road without a shoulder on one side lie aside themselves, a sure edge doesn't
    unsure &= edge_se.min(axis=1) > TELLS_M
    unsure &= poor | np.isfinite(breaks.hinge).all(axis=1)
    apart = unsure & ~beyond & (_off_sections(breaks, between - offset) > UNSURE_APART_M)
    rivals = np.full((unsure.size, 2), np.nan) if breaks.rivals is None else breaks.rivals.copy()
    rivals[beyond, 0], rivals[apart, 0], rivals[apart, 1] = (
        between[beyond],
        offset[apart],
        between[apart],
    )
    return doubted(replace(breaks, rivals=rivals))


def _off_sections(breaks: Breaks, away: Floats) -> Floats:
    """How far the middle between the edges, `away` (n,) from it, lies from what sections say, (n,).

    They look for a road between two hinges: of one with a single shoulder they find the middle up
    to half of that aside, toward it.
    """
    width = breaks.hinge - breaks.edge
    single = np.isfinite(width).sum(axis=1) == 1
    aside = np.where(single, 0.5 * np.nan_to_num(width) @ np.array(SIDE_SIGN), 0.0)
    nearest_to = np.clip(away, np.minimum(-aside, 0.0), np.maximum(-aside, 0.0))
    return np.asarray(np.abs(away - nearest_to))


def doubted(breaks: Breaks) -> Breaks:
    """Let nothing count as found, or as sure, where the road itself isn't found."""
    lost = breaks.lost()[:, None]
    apart = np.zeros(lost.size) if breaks.rivals is None else np.ptp(breaks.rivals, axis=1)
    least = np.fmax(0.5 * apart, NOMINAL_SE_M)[:, None]

    def nominal(source: NDArray[np.int8]) -> NDArray[np.int8]:
        return np.where(lost, Source.NOMINAL, source).astype(np.int8)

    return replace(
        breaks,
        axis_source=nominal(breaks.axis_source[:, None])[:, 0],
        edge_se=np.where(lost, np.maximum(breaks.edge_se, least), breaks.edge_se),
        edge_confidence=np.where(lost, 0.0, breaks.edge_confidence),
        edge_source=nominal(breaks.edge_source),
        hinge_se=np.where(lost, np.maximum(breaks.hinge_se, least), breaks.hinge_se),
        hinge_confidence=np.where(lost, 0.0, breaks.hinge_confidence),
        hinge_source=nominal(breaks.hinge_source),
    )


def _ways_at(s: Floats, found: BlocksFound) -> Floats:
    """Other places of the edges, carried to the stations and counted from the edge."""
    blocks, out = found.sections.s, []
    for side in found.sides:
        ways = side.tied.edge_ways.copy()
        ways[:, :, 0] -= side.tied.edge[:, None]
        flat = [np.interp(s, blocks, column) for column in ways.reshape(blocks.size, -1).T]
        out.append(np.column_stack(flat).reshape(s.size, *ways.shape[1:]))
    return np.stack(out, axis=1)


def _hinge_ways_at(s: Floats, found: BlocksFound, within_m: Floats) -> Floats:
    """Sets of edge and hinge at the stations, see `Breaks`; `within_m` (n, 2): those found.

    Between two blocks there are the rivals of both, each as likely as its block is near.
    """
    blocks, sides = found.sections.s, []
    for side in found.sides:
        ways = side.tied.hinge_ways
        share = ways[:, :, 3:]
        sums = np.concatenate(
            [share * ways[:, :, :2], share * (ways[:, :, 1:2] ** 2 + ways[:, :, 2:3] ** 2), share],
            axis=2,
        )
        flat = [np.interp(s, blocks, column) for column in sums.reshape(blocks.size, -1).T]
        edge, place, square, share = np.moveaxis(
            np.column_stack(flat).reshape(s.size, *ways.shape[1:]), 2, 0
        )
        safe = np.maximum(share, 1e-300)
        edge, place = edge / safe, place / safe
        spread = np.sqrt(np.maximum(square / safe - place**2, 0.0))
        sides.append(np.stack([edge, place, spread, share], axis=2))
    rivals = np.stack(sides, axis=1)
    first = np.zeros_like(rivals[:, :, :1])
    first[:, :, 0, 2] = within_m
    first[:, :, 0, 3] = 1.0 - rivals[:, :, :, 3].sum(axis=2)
    return np.concatenate([first, rivals], axis=2)


def _nominal_ways(width: Floats) -> Floats:
    """Sets for shoulders of nominal widths (k,), (k, 3, 4): the three nodes of a normal place."""
    ways = np.zeros((width.size, 3, 4))
    apart = np.minimum(np.sqrt(3.0) * NOMINAL_SE_M, LEAST_SHARE * width)
    ways[:, 1, 1], ways[:, 2, 1] = -apart, apart
    ways[:, :, 2], ways[:, :, 3] = UNSEEN_SE_M, (2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0)
    return ways


def _spread_of(ways: Floats) -> Floats:
    """Standard deviation about the hinge found, (n, 2), over all sets (n, 2, 3, 4)."""
    variance = ways[..., 3] * (ways[..., 1] ** 2 + ways[..., 2] ** 2)
    return np.asarray(np.sqrt(variance.sum(axis=2)))


def edges_shown(found: BlocksFound) -> Bools:
    """Where the ground shows an edge, (b, 2).

    One shown not far off holds on, tied as it is, where a flat shoulder hides it.
    """
    blocks = found.sections.s
    reach = max(1, round(HOLDS_M / float(np.median(np.diff(blocks))))) if blocks.size > 1 else 1
    gains = [maximum_filter1d(side.tied.edge_gain, 2 * reach + 1) for side in found.sides]
    return np.column_stack(gains) >= SHOWN_GAIN


def nominal_breaks(s: Floats, pavement: Floats, shoulder: Floats, overrides: Overrides) -> Breaks:
    """Breaks at their nominal places, where there is nothing to search; widths (n,), (n, 2)."""
    n = s.size
    edge = np.repeat(0.5 * pavement[:, None], 2, axis=1)
    breaks = Breaks(
        s=s,
        axis=np.zeros(n),
        axis_source=np.zeros(n, dtype=np.int8),
        edge=edge,
        edge_se=np.full((n, 2), NOMINAL_SE_M),
        edge_confidence=np.zeros((n, 2)),
        edge_source=np.zeros((n, 2), dtype=np.int8),
        hinge=edge + shoulder,
        hinge_se=np.full((n, 2), NOMINAL_SE_M),
        hinge_confidence=np.zeros((n, 2)),
        hinge_source=np.zeros((n, 2), dtype=np.int8),
        ditch=np.full((n, 2), np.nan),
        ditch_source=np.zeros((n, 2), dtype=np.int8),
        crowned=np.ones(n, dtype=bool),
    )
    return _with_given(breaks, overrides)


def _with_given(breaks: Breaks, overrides: Overrides) -> Breaks:
    """Let what a person fixed take the place of what was found; the arrays are changed."""
    for name in ("edge", "hinge"):
        given = getattr(overrides, name)
        if given is None:
            continue
        fixed = np.isfinite(given)
        getattr(breaks, name)[fixed] = given[fixed]
        getattr(breaks, f"{name}_se")[fixed] = 0.0
        getattr(breaks, f"{name}_confidence")[fixed] = 1.0
        getattr(breaks, f"{name}_source")[fixed] = Source.GIVEN
        if name == "hinge" and breaks.hinge_ways is not None:
            breaks.hinge_ways[fixed] = ((0.0, 0.0, 0.0, 1.0), (0.0,) * 4, (0.0,) * 4)
    if overrides.axis is not None:
        fixed = np.isfinite(overrides.axis)
        breaks.axis[fixed] = overrides.axis[fixed]
        breaks.axis_source[fixed] = Source.GIVEN
    return breaks
