"""Quantities of reaches: volumes by state, and whether a reach's own material suffices.

States of volume, named in every variable: *bank* as it lies, *loose* after digging, *compacted*
after rolling. Cut is measured in bank volume, fill in compacted volume, trucks carry loose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.along import chance_below
from analysis.common.limits import Limits, MaterialLimits
from analysis.common.station_arrays import joined
from analysis.common.types import Floats
from analysis.common.verdicts import Treatment
from analysis.earthwork.areas import AreasAlong
from analysis.earthwork.volumes import compacted_yield, truck_loads

if TYPE_CHECKING:
    from analysis.earthwork.kernels import ReachSums

__all__ = ["LEAST_KNOWN_SHARE", "Balance", "balances", "mass_haul"]

LEAST_KNOWN_SHARE = 0.5
"""Share of a reach that must be known for its balance to be judged."""


@dataclass(frozen=True, slots=True)
class Balance:
    """Quantities of one reach and what they call for.

    Volumes hold the known part of the reach only; `known_share` says how much that is. Below
    `LEAST_KNOWN_SHARE` the balance isn't judged.
    `balance_m3_compacted` is what can be reclaimed less what is needed, both compacted;
    `short_m3_compacted` is the need that no reclaimed material can reach within the haul limit.
    `treatment` is to reshape, to replenish or "can't tell"; `certainty` its probability.
    `thin_m3_compacted` would be missing where all is left too thin to place; an edge that has
    dropped by `eroded_mm`, above 0, gets new material whatever there is.
    """

    length_m: float
    known_share: float
    cut_m3_bank: float
    cut_se_m3: float
    cut_prismoidal_m3_bank: float
    fill_m3_compacted: float
    fill_se_m3: float
    fill_prismoidal_m3_compacted: float
    strip_m3_bank: float
    reclaimed_m3_compacted: float
    balance_m3_compacted: float
    balance_se_m3: float
    short_m3_compacted: float
    import_m3_loose: float
    import_t: float
    loads: int
    haul_away_m3_loose: float
    p_replenish: float
    treatment: Treatment
    certainty: float
    thin_m3_compacted: float
    eroded_mm: float


def balances(
    along: Sequence[AreasAlong],
    roads: ArrayLike,
    sides: ArrayLike,
    ends_m: ArrayLike,
    limits: Limits,
    *,
    worst_drop_mm: ArrayLike,
    worst_drop_se: ArrayLike,
) -> tuple[Balance, ...]:
    """Add up reaches and say whether the own material of each suffices.

    Each beat stands for the road half way to its neighbours, which adds up to the volume by
    average end area; a reach may begin and end anywhere. What one place has in excess serves a
    hole within the haul limit only. The balance's standard error holds the measuring error, with
    what neighbouring beats share, and that of the yield.

    Parameters
    ----------
    along
        Cut and fill of each road.
    roads : (r,) int
        Which of them each reach is on.
    sides : (r,) int
        0 left, 1 right.
    ends_m : (r, 2)
        Where each reach begins and ends, as distances along its road.
    limits : Limits
        Factors, haul limit, certainty.
    worst_drop_mm, worst_drop_se : (r,)
        Edge drop that each reach keeps over a workable length, and its standard error; beyond
        the erosion limit new material is called for whatever the balance; NaN for none known. A
        plain maximum over the stations would grow with noise.

    Returns
    -------
    tuple of Balance
    """
    material, fit = limits.material, compacted_yield(limits.material)
    sums = _sums(along, roads, sides, ends_m, material)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(sums.length > 0.0, sums.known / sums.length, 0.0)
    # The strip outside the hinge is only touched where the cut falls short.
    more = np.maximum(sums.moved_with_strip - sums.moved, 0.0)
    reclaimed = sums.cut * fit + more
    moved = sums.moved + more
    short = np.maximum(sums.fill - moved, 0.0)
    net = reclaimed - sums.fill
    error = np.sqrt(sums.net_variance + (material.yield_se.value * reclaimed) ** 2)

    # Where the haul limit cuts the reach apart, what can't get there counts, not the total.
    margin = np.where(short <= np.maximum(-net, 0.0) + 1e-9, net, -short)
    thin = material.thin_mm.value / 1000.0 * sums.shoulder_area
    drop, drop_se = (np.asarray(a, dtype=np.float64) for a in (worst_drop_mm, worst_drop_se))
    p_short = chance_below(margin + thin, error, 0.0)
    p_eroded = chance_below(material.erosion_replenish_mm.value - drop, drop_se, 0.0)
    p_eroded = np.nan_to_num(p_eroded, nan=0.0)
    eroded = p_eroded >= limits.decision.certainty.value
    p_replenish = 1.0 - (1.0 - p_short) * (1.0 - p_eroded)
    # Most of a reach speaks for the rest of it; less than that doesn't, but for a lost edge.
    blind = share < LEAST_KNOWN_SHARE
    p_replenish = np.where(blind, np.where(eroded, p_eroded, np.nan), p_replenish)
    columns = {
        "length_m": sums.length,
        "known_share": share,
        "cut_m3_bank": sums.cut,
        "cut_se_m3": np.sqrt(sums.cut_variance),
        "cut_prismoidal_m3_bank": sums.cut_prismoidal,
        "fill_m3_compacted": sums.fill,
        "fill_se_m3": np.sqrt(sums.fill_variance),
        "fill_prismoidal_m3_compacted": sums.fill_prismoidal,
        "strip_m3_bank": more / fit if fit > 0.0 else np.zeros_like(more),
        "reclaimed_m3_compacted": reclaimed,
        "balance_m3_compacted": net,
        "balance_se_m3": error,
        "short_m3_compacted": short,
        "p_replenish": p_replenish,
        "thin_m3_compacted": thin,
        "eroded_mm": np.where(eroded, drop, 0.0),
    }
    rows = zip(*(column.tolist() for column in columns.values()), strict=True)
    return tuple(
        _balance(dict(zip(columns, row, strict=True)), moved=built_in, eroded=lost, limits=limits)
        for row, built_in, lost in zip(rows, moved.tolist(), eroded.tolist(), strict=True)
    )


def _sums(
    along: Sequence[AreasAlong],
    roads: ArrayLike,
    sides: ArrayLike,
    ends_m: ArrayLike,
    material: MaterialLimits,
) -> ReachSums:
    from analysis.earthwork.kernels import Line, ReachSums, Rules, reach_sums

    ends = np.ascontiguousarray(ends_m, dtype=np.float64)
    firsts, lasts = _beats_within([own.s for own in along], np.asarray(roads, np.intp), ends)
    every = joined(along)
    x, areas = every.s, every.areas
    # Both sides as one line, the left side's stations first; no reach reaches over the joint.
    names = ("cut_m2", "fill_m2", "cut_terms", "fill_terms", "width_m", "average_m")
    both = (getattr(areas, name) for name in names)
    line = Line(np.tile(x, 2), *(np.concatenate((a[:, 0], a[:, 1])) for a in both))
    ahead = np.asarray(sides, dtype=np.int64) * x.size
    strip_area = material.strip_outside_hinge_m.value * material.strip_depth_mm.value / 1000.0
    sums = reach_sums(
        line,
        firsts + ahead,
        lasts + ahead,
        ends,
        Rules(compacted_yield(material), strip_area, material.haul_most_m.value),
    )
    return ReachSums(*sums)


def _beats_within(
    s: Sequence[Floats], roads: NDArray[np.intp], ends_m: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last beat (r,), of all roads in a row, that stand for a part of each reach."""
    sizes = np.array([own.size for own in s])
    stop = np.cumsum(sizes)
    # roads are put end to end, some way apart, so that all reaches are found at once
    begin = np.cumsum([0.0, *(own[-1] + 1.0 if own.size else 0.0 for own in s)])[:-1]
    places = np.concatenate(s) + np.repeat(begin, sizes)
    half_way = 0.5 * (places[1:] + places[:-1])
    low, high = (ends_m + begin[roads][:, None]).T
    # a reach that ends half way between two beats has nothing of the farther one
    found = np.searchsorted(half_way, low + 1e-6), np.searchsorted(half_way, high - 1e-6)
    first, last = (np.clip(at, (stop - sizes)[roads], stop[roads] - 1) for at in found)
    return first.astype(np.int64), np.maximum(first, last).astype(np.int64)


def _balance(reckoned: dict[str, float], *, moved: float, eroded: bool, limits: Limits) -> Balance:
    """One reach from what it adds up to, the material that finds a place in it, and a lost edge."""
    material, sure = limits.material, limits.decision.certainty.value
    chance = reckoned["p_replenish"]
    treatment, imported = Treatment.CANT_TELL, reckoned["short_m3_compacted"]
    if chance >= sure:
        treatment = Treatment.REPLENISH
    elif chance <= 1.0 - sure:
        treatment, imported = Treatment.RESHAPE, 0.0
    if treatment != Treatment.RESHAPE and eroded:
        # The washed-out edge gets new material; what is cut beside it isn't counted on.
        imported, moved = reckoned["fill_m3_compacted"], 0.0
    import_loose = imported / material.compacted_per_loose.value
    import_t = imported * material.density_t_m3.value
    # Whatever is dug and not built in has to go, fit for use or not.
    dug = reckoned["cut_m3_bank"] + reckoned["strip_m3_bank"]
    away_loose = max(dug - moved / material.compacted_per_bank, 0.0) * material.loose_per_bank.value
    return Balance(
        **reckoned,
        import_m3_loose=import_loose,
        import_t=import_t,
        loads=truck_loads(import_loose, import_t, material),
        haul_away_m3_loose=away_loose,
        treatment=treatment,
        certainty=max(chance, 1.0 - chance),
    )


def mass_haul(s: ArrayLike, along: AreasAlong, limits: MaterialLimits) -> Floats:
    """Running sum of reclaimable cut less fill up to places (n,) of a road, m³ compacted, (n, 2).

    It rises where there is material to spare and falls where some is needed. What is unknown adds
    nothing, and is NaN itself.
    """
    x, beats = np.asarray(s, dtype=np.float64), along.s
    gain = along.areas.cut_m2 * compacted_yield(limits) - along.areas.fill_m2
    # each beat stands for the road half way to its neighbours
    bounds = np.concatenate((beats[:1], 0.5 * (beats[1:] + beats[:-1]), beats[-1:]))
    total = np.zeros((bounds.size, 2))
    np.cumsum(np.nan_to_num(gain) * np.diff(bounds)[:, None], axis=0, out=total[1:])
    here = np.searchsorted(bounds[1:-1], x)
    sums = np.column_stack([np.interp(x, bounds, side) for side in total.T])
    return np.where(np.isnan(gain[here]), np.nan, sums)
