"""Cut and fill against the target line, volumes by state, and whether the material suffices.

States of volume, named in every variable: *bank* as it lies, *loose* after digging, *compacted*
after rolling. Cut is measured in bank volume, fill in compacted volume, trucks carry loose.

The target line runs from the pavement plane at the edge, flush after compaction, at the required
slope to the shoulder width. Beyond it, a cut goes on at that slope until it comes out of the
ground (a lip left standing would hold water); a fill goes down at the set foreslope ratio, or
stops at the hinge where the foreslope is to stay as it lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.along import chance_below
from analysis.common.limits import Limits, MaterialLimits
from analysis.common.station_arrays import PerStation
from analysis.common.types import Floats
from analysis.common.verdicts import Treatment
from analysis.earthwork.target import cut_fill_rings, target_line
from analysis.earthwork.volumes import tributary_lengths, truck_loads
from analysis.shoulder.regression import STEP_SHARE

if TYPE_CHECKING:
    from analysis.shoulder.values import Measures, Sections

__all__ = [
    "Areas",
    "Balance",
    "areas",
    "balance",
    "balances",
    "mass_haul",
    "section_areas",
    "section_shapes",
]


LEAST_KNOWN_SHARE = 0.5
"""Share of a reach that must be known for its balance to be judged."""


@dataclass(frozen=True, slots=True)
class Areas:
    """Cut and fill per station and side, all (n, 2) unless said; NaN = unknown.

    Parameters
    ----------
    cut_m2, fill_m2
        Area above (bank) and below (compacted) the target, less `excess_m2`.
    excess_m2
        What noise alone adds to both on average: a height error counts as cut where it is up
        and as fill where it is down, so neither averages out. Their difference is free of it.
    cut_se, fill_se, net_se
        Standard errors in m² of cut, fill and cut minus fill.
    cut_terms, fill_terms : (n, 2, 4)
        The errors as weights of four independent unit errors per station and side: two of the
        fit, that of the hinge's place and that of the edge's. Fill counts with the opposite
        sign. Any weighted sum of cut and fill gets its standard error from these.
    face_mm
        Height of the target above the ground at the hinge; a face that needs support.
    comes_out : bool
        False where the line beyond the hinge doesn't meet the ground within the section; the
        areas then hold the shoulder only.
    width_m
        Shoulder width used.
    average_m
        Averaging length along the road behind each section, for the correlation of neighbours.
    """

    cut_m2: PerStation[Floats]
    fill_m2: PerStation[Floats]
    excess_m2: PerStation[Floats]
    cut_se: PerStation[Floats]
    fill_se: PerStation[Floats]
    net_se: PerStation[Floats]
    cut_terms: PerStation[Floats]
    fill_terms: PerStation[Floats]
    face_mm: PerStation[Floats]
    comes_out: PerStation[NDArray[np.bool_]]
    width_m: PerStation[Floats]
    average_m: PerStation[Floats]


@dataclass(frozen=True, slots=True)
class Balance:
    """Quantities of one reach and what they call for.

    Volumes hold the known part of the reach only; `known_share` says how much that is. Below
    `LEAST_KNOWN_SHARE` the balance isn't judged.
    `balance_m3_compacted` is what can be reclaimed less what is needed, both compacted;
    `short_m3_compacted` is the need that no reclaimed material can reach within the haul limit.
    `treatment` is to reshape, to replenish or "can't tell"; `certainty` its probability.
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
    haul_away_loads: int
    p_replenish: float
    treatment: Treatment
    certainty: float
    reason: str


# ---------------------------------------------------------------- one section


def section_areas(
    u: ArrayLike,
    height_m: ArrayLike,
    width_m: ArrayLike,
    required_pct: ArrayLike,
    *,
    foreslope_ratio: float = 0.0,
) -> tuple[Floats, Floats]:
    """Cut and fill of sections whose ground is piecewise linear, exactly.

    Parameters
    ----------
    u : (K,)
        Metres outward from the pavement edge, ascending, reaching from 0 or less to the width.
    height_m : (..., K)
        Ground above the pavement plane at the edge.
    width_m, required_pct : (...)
        Shoulder width and target slope (positive falls outward).
    foreslope_ratio : float, default 0
        Horizontal to one vertical below the target's hinge; 0 leaves the foreslope as it lies.

    Returns
    -------
    cut_m2, fill_m2 : (...)
        NaN where any part is unknown.

    Examples
    --------
    A shoulder 40 mm low falling 2 % where 5 % is wanted over 2 m: the crossing is split.

    >>> cut, fill = section_areas([0.0, 2.0], [-0.04, -0.08], 2.0, 5.0)
    >>> round(float(cut), 6), round(float(fill), 6)
    (0.006667, 0.026667)
    """
    heights = np.asarray(height_m, dtype=np.float64)
    shape = heights.shape[:-1]
    rows = np.ascontiguousarray(heights.reshape(-1, heights.shape[-1]))
    count = rows.shape[0]
    missing = np.full(count, np.nan)
    raw, _ = _run_kernel(
        np.asarray(u, dtype=np.float64),
        rows,
        np.zeros_like(rows),
        np.broadcast_to(np.asarray(width_m, dtype=np.float64), shape).ravel(),
        np.broadcast_to(np.asarray(required_pct, dtype=np.float64), shape).ravel() / 100.0,
        missing,
        missing,
        np.zeros(count),
        foreslope_ratio,
    )
    return raw[:, 0].reshape(shape), raw[:, 1].reshape(shape)


def _run_kernel(
    u: Floats,
    height: Floats,
    sigma: Floats,
    width: Floats,
    slope: Floats,
    drop: Floats,
    fitted: Floats,
    guard: Floats,
    ratio: float,
    error: Floats | None = None,
) -> tuple[Floats, NDArray[np.bool_]]:
    if u.ndim != 1 or u.size < 2 or u.size != height.shape[-1]:
        raise ValueError(f"u must hold one offset per height: {u.shape}, {height.shape}.")
    out = np.full((height.shape[0], 8), np.nan)
    comes_out = np.ones(height.shape[0], dtype=np.bool_)
    # Loading the compiler takes a good part of a second; whoever only reads limits shan't wait.
    from analysis.earthwork.area_kernels import areas_kernel

    u, height, sigma = (np.ascontiguousarray(a) for a in (u, height, sigma))
    rows = [np.ascontiguousarray(a) for a in (width, slope, drop, fitted, guard)]
    errors = np.zeros((height.shape[0], 4)) if error is None else np.ascontiguousarray(error)
    width, slope, drop, fitted, guard = rows
    areas_kernel(
        u, height, sigma, width, slope, drop, fitted, guard, errors, float(ratio), out, comes_out
    )
    return out, comes_out


def areas(
    sections: Sections,
    measures: Measures,
    required_pct: ArrayLike,
    limits: Limits,
    *,
    follows_pavement: ArrayLike = False,
    width_m: ArrayLike | None = None,
    width_se: ArrayLike = 0.0,
    edge_se: ArrayLike = 0.0,
    smear_m: ArrayLike = 0.0,
) -> Areas:
    """Cut and fill at every station and side, with standard errors.

    The averaged sections are used, since noise makes cut and fill both grow; what it still adds
    is estimated and taken off (`Areas.excess_m2`). Standard errors follow from those of edge
    drop and shoulder slope and their covariance.

    Parameters
    ----------
    sections, measures
        From `measure_sides`. Stations that weren't judged come out unknown.
    required_pct : (n, 2)
        Target slope from `analysis.common.limits.required_slope`.
    limits : Limits
        Its foreslope ratio is used.
    follows_pavement : (n, 2) or scalar, default False
        True where the target follows the pavement, so that its slope error enters.
    width_m : (n, 2) or scalar, optional
        Shoulder width to build, from the edge; else as wide as it lies.
    width_se : (n, 2) or scalar, default 0
        Standard error of the width, metres; a fill that ends high at the hinge depends on it.
    edge_se : (n, 2) or scalar, default 0
        Standard error of the edge's place, metres: farther out, the target starts lower down the
        pavement but falls over less of the shoulder, and more of a shoulder steeper than the
        pavement shows as drop.
    smear_m : (n, 2) or scalar, default 0
        Distance from edge and hinge within which the fitted plane stands in for the section;
        for sections that a grid blurs there.

    Returns
    -------
    Areas
    """
    height = _ground(sections)
    shape = height.shape[:2]
    count = shape[0] * 2
    judged = np.asarray(measures.status) == 0
    required = np.broadcast_to(np.asarray(required_pct, dtype=np.float64), shape)
    widths = measures.shoulder_width_m if width_m is None else width_m
    width = np.where(judged, np.broadcast_to(np.asarray(widths, dtype=np.float64), shape), np.nan)
    sigma = np.asarray(sections.se_m, dtype=np.float64)

    slope_var = np.where(
        follows_pavement,
        measures.shoulder_slope_se**2
        + measures.pavement_slope_se**2
        - 2.0 * np.nan_to_num(measures.slope_cov),
        measures.shoulder_slope_se**2,
    )
    # An edge found too far out puts the target lower on the pavement, starts its fall later and
    # sees more of the shoulder's own fall as drop: one error, so it enters with its sign.
    misplaced = np.nan_to_num(np.broadcast_to(np.asarray(edge_se, dtype=np.float64), shape))
    breakover = STEP_SHARE * (measures.shoulder_slope_pct - measures.pavement_slope_pct) / 100.0
    turn = (measures.shoulder_slope_pct - required) / 100.0
    level = (turn - breakover) * misplaced
    # The drop keeps its error whole all the same: how much of it goes with the edge scatters
    # about that share from station to station (by trials, taking it off leaves too little).
    first = measures.edge_drop_se / 1000.0
    cross = np.nan_to_num(measures.drop_shoulder_cov) / 1e5
    with np.errstate(invalid="ignore", divide="ignore"):
        mixed = np.where(first > 0.0, cross / first, 0.0)
    most = np.sqrt(slope_var) / 100.0
    mixed = np.clip(mixed, -most, most)
    second = np.sqrt(np.maximum(slope_var / 1e4 - mixed**2, 0.0))
    raw, comes_out = _run_kernel(
        np.asarray(sections.u, dtype=np.float64),
        height.reshape(count, -1),
        sigma.reshape(count, -1),
        width.ravel(),
        (required / 100.0).ravel(),
        (measures.edge_drop_mm / 1000.0).ravel(),
        (measures.shoulder_slope_pct / 100.0).ravel(),
        np.broadcast_to(np.asarray(smear_m, dtype=np.float64), shape).ravel(),
        limits.material.foreslope_ratio.value,
        np.stack([first, mixed, second, np.abs(level)], axis=-1).reshape(count, 4),
    )
    raw = raw.reshape(*shape, 8)
    # A cut goes on to where it comes out of the ground, so where the hinge lies doesn't matter.
    face = raw[..., 7]
    at_hinge = face * np.nan_to_num(np.broadcast_to(np.asarray(width_se, float), shape))
    # The strip between the found and the true edge is missing as well.
    drop = measures.edge_drop_mm / 1000.0
    length, moment = raw[..., 3], raw[..., 4]
    cut_terms = np.stack(
        [
            first * length + mixed * moment,
            second * moment,
            np.zeros(shape),
            level * length - np.maximum(-drop, 0.0) * misplaced,
        ],
        axis=-1,
    )
    length, moment = raw[..., 5], raw[..., 6]
    fill_terms = np.stack(
        [
            first * length + mixed * moment,
            second * moment,
            at_hinge,
            level * length + np.maximum(drop, 0.0) * misplaced,
        ],
        axis=-1,
    )
    return Areas(
        cut_m2=raw[..., 0],
        fill_m2=raw[..., 1],
        excess_m2=raw[..., 2],
        cut_se=np.sqrt((cut_terms**2).sum(axis=-1)),
        fill_se=np.sqrt((fill_terms**2).sum(axis=-1)),
        net_se=np.sqrt(((cut_terms + fill_terms) ** 2).sum(axis=-1)),
        cut_terms=cut_terms,
        fill_terms=fill_terms,
        face_mm=1000.0 * face,
        comes_out=comes_out.reshape(shape),
        width_m=width,
        average_m=np.broadcast_to(np.asarray(measures.average_m, dtype=np.float64), shape),
    )


def _ground(sections: Sections) -> Floats:
    """Ground without blur where the sections have it, else as averaged."""
    ground = sections.height_m if sections.ground_m is None else sections.ground_m
    return np.asarray(ground, dtype=np.float64)


def section_shapes(
    sections: Sections,
    measures: Measures,
    required_pct: ArrayLike,
    limits: Limits,
    station: int,
    side: int,
) -> tuple[Floats, tuple[Floats, ...], tuple[Floats, ...]]:
    """Target line and cut and fill outlines of one station and side, as `areas` sees them.

    Returns
    -------
    target : (k, 2); cut, fill : tuples of (m, 2)
        In (u from the edge, height above the pavement edge); empty where unknown.
    """
    width = float(measures.shoulder_width_m[station, side])
    slope = float(np.asarray(required_pct, dtype=np.float64)[station, side])
    if measures.status[station, side] != 0:
        width = math.nan
    u = np.asarray(sections.u, dtype=np.float64)
    ground = _ground(sections)[station, side]
    line = target_line(
        u, ground, width, slope, foreslope_ratio=limits.material.foreslope_ratio.value
    )
    if np.isnan(np.interp(line[:, 0], u, ground)).any():
        return np.empty((0, 2)), (), ()
    cut, fill = cut_fill_rings(u, ground, line)
    return line, cut, fill


# ---------------------------------------------------------------- volumes along the road


def balance(
    s: ArrayLike,
    areas: Areas,
    side: int,
    first: int,
    last: int,
    limits: Limits,
    *,
    ends_m: tuple[float, float] | None = None,
    worst_drop_mm: float = math.nan,
    worst_drop_se: float = 0.0,
) -> Balance:
    """Add up one reach; see `balances`."""
    return balances(
        s,
        areas,
        side,
        [first],
        [last],
        limits,
        ends_m=None if ends_m is None else [ends_m],
        worst_drop_mm=[worst_drop_mm],
        worst_drop_se=[worst_drop_se],
    )[0]


def balances(
    s: ArrayLike,
    areas: Areas,
    sides: ArrayLike,
    firsts: ArrayLike,
    lasts: ArrayLike,
    limits: Limits,
    *,
    ends_m: ArrayLike | None = None,
    worst_drop_mm: ArrayLike | None = None,
    worst_drop_se: ArrayLike | None = None,
) -> tuple[Balance, ...]:
    """Add up reaches and say whether the own material of each suffices.

    Each station stands for the road half way to its neighbours, which adds up to the volume by
    average end area. What one place has in excess serves a hole within the haul limit only. The
    balance's standard error holds the measuring error, with what neighbouring stations share,
    and that of the yield.

    Parameters
    ----------
    s : (n,)
        Stations of the road.
    areas : Areas
        From `areas`.
    sides : (r,) int, or int for all
        0 left, 1 right.
    firsts, lasts : (r,) int
        First and last station of each reach, inclusive.
    limits : Limits
        Factors, haul limit, certainty.
    ends_m : (r, 2), optional
        Where each reach begins and ends along s; else half way to the neighbouring stations.
    worst_drop_mm, worst_drop_se : (r,), optional
        Edge drop that each reach keeps over a workable length, and its standard error; beyond
        the erosion limit new material is called for whatever the balance. A plain maximum over
        the stations would grow with noise.

    Returns
    -------
    tuple of Balance
    """
    from analysis.earthwork.volume_kernels import REACH_SUMS, reach_sums

    x = np.ascontiguousarray(s, dtype=np.float64)
    begin = np.atleast_1d(np.asarray(firsts, dtype=np.int64))
    end = np.atleast_1d(np.asarray(lasts, dtype=np.int64))
    count = begin.size
    if ends_m is None:
        middle = np.concatenate([x[:1], 0.5 * (x[1:] + x[:-1]), x[-1:]])
        bounds = np.column_stack([middle[begin], middle[end + 1]])
    else:
        bounds = np.asarray(ends_m, dtype=np.float64).reshape(count, 2)
    fit = limits.material.recovery.value * limits.material.compacted_per_bank
    strip_area = (
        limits.material.strip_outside_hinge_m.value * limits.material.strip_depth_mm.value / 1000.0
    )
    out = np.zeros((count, len(REACH_SUMS)))
    # Both sides as one line, the left side's stations first; no reach reaches over the joint.
    cut, fill, cut_terms, fill_terms, width, windows = (
        np.concatenate((a[:, 0], a[:, 1]))
        for a in (
            areas.cut_m2,
            areas.fill_m2,
            areas.cut_terms,
            areas.fill_terms,
            areas.width_m,
            areas.average_m,
        )
    )
    ahead = np.asarray(sides, dtype=np.int64) * x.size
    reach_sums(
        np.tile(x, 2), cut, fill, cut_terms, fill_terms, width, windows, begin + ahead,
        end + ahead, np.ascontiguousarray(bounds), fit, strip_area,
        limits.material.haul_most_m.value, out,
    )  # fmt: skip
    sums = dict(zip(REACH_SUMS, out.T, strict=True))

    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(sums["length"] > 0.0, sums["known"] / sums["length"], 0.0)
    need = sums["fill"]
    # The strip outside the hinge is only touched where the cut falls short.
    more = np.maximum(sums["moved_with_strip"] - sums["moved"], 0.0)
    reclaimed = sums["cut"] * fit + more
    moved = sums["moved"] + more
    short = np.maximum(need - moved, 0.0)
    net = reclaimed - need
    error = np.sqrt(sums["net_variance"] + (limits.material.yield_se.value * reclaimed) ** 2)

    # Where the haul limit cuts the reach apart, what can't get there counts, not the total.
    margin = np.where(short <= np.maximum(-net, 0.0) + 1e-9, net, -short)
    thin = limits.material.thin_mm.value / 1000.0 * sums["shoulder_area"]
    drop = np.full(count, np.nan) if worst_drop_mm is None else np.asarray(worst_drop_mm, float)
    drop_se = np.zeros(count) if worst_drop_se is None else np.asarray(worst_drop_se, float)
    p_short = chance_below(margin + thin, error, 0.0)
    p_eroded = chance_below(limits.material.erosion_replenish_mm.value - drop, drop_se, 0.0)
    p_eroded = np.nan_to_num(p_eroded, nan=0.0)
    sure = limits.decision.certainty.value
    p_replenish = 1.0 - (1.0 - p_short) * (1.0 - p_eroded)
    # Most of a reach speaks for the rest of it; less than that doesn't, but for a lost edge.
    blind = share < LEAST_KNOWN_SHARE
    p_replenish = np.where(blind, np.where(p_eroded >= sure, p_eroded, np.nan), p_replenish)
    figures = {
        "drop_mm": drop,
        "thin": thin,
        "share": share,
        "need": need,
        "reclaimed": reclaimed,
        "strip": more / fit if fit > 0.0 else np.zeros(count),
        "moved": moved,
        "short": short,
        "net": net,
        "error": error,
        "p_replenish": p_replenish,
        "eroded": p_eroded >= sure,
    }
    rows = zip(*(values.tolist() for values in figures.values()), strict=True)
    return tuple(
        _balance(
            limits,
            **dict(zip(figures, row, strict=True)),
            sums=dict(zip(REACH_SUMS, own, strict=True)),
        )
        for row, own in zip(rows, out.tolist(), strict=True)
    )


def _balance(
    limits: Limits,
    *,
    drop_mm: float,
    thin: float,
    share: float,
    need: float,
    reclaimed: float,
    strip: float,
    moved: float,
    short: float,
    net: float,
    error: float,
    p_replenish: float,
    eroded: bool,
    sums: dict[str, float],
) -> Balance:
    sure = limits.decision.certainty.value
    certainty = max(p_replenish, 1.0 - p_replenish)
    if p_replenish >= sure:
        treatment = Treatment.REPLENISH
    elif p_replenish <= 1.0 - sure:
        treatment = Treatment.RESHAPE
    else:
        treatment = Treatment.CANT_TELL
    if treatment == Treatment.RESHAPE:
        imported = 0.0
    elif eroded:
        # The washed-out edge gets new material; what is cut beside it isn't counted on.
        imported, moved = need, 0.0
    else:
        imported = short
    import_loose = imported / limits.material.compacted_per_loose.value
    import_t = imported * limits.material.density_t_m3.value
    # Whatever is dug and not built in has to go, fit for use or not.
    away_bank = max(sums["cut"] + strip - moved / limits.material.compacted_per_bank, 0.0)
    away_loose = away_bank * limits.material.loose_per_bank.value
    away_t = (
        away_loose * limits.material.compacted_per_loose.value * limits.material.density_t_m3.value
    )
    return Balance(
        length_m=sums["length"],
        known_share=share,
        cut_m3_bank=sums["cut"],
        cut_se_m3=math.sqrt(sums["cut_variance"]),
        cut_prismoidal_m3_bank=sums["cut_prismoidal"],
        fill_m3_compacted=need,
        fill_se_m3=math.sqrt(sums["fill_variance"]),
        fill_prismoidal_m3_compacted=sums["fill_prismoidal"],
        strip_m3_bank=strip,
        reclaimed_m3_compacted=reclaimed,
        balance_m3_compacted=net,
        balance_se_m3=error,
        short_m3_compacted=short,
        import_m3_loose=import_loose,
        import_t=import_t,
        loads=truck_loads(import_loose, import_t, limits.material),
        haul_away_m3_loose=away_loose,
        haul_away_loads=truck_loads(away_loose, away_t, limits.material),
        p_replenish=p_replenish,
        treatment=treatment,
        certainty=certainty,
        reason=_material_sentence(
            treatment, share, sums["length"], reclaimed, need, error, short, net, thin, eroded,
            drop_mm, limits,
        ),
    )  # fmt: skip


def _material_sentence(
    treatment: Treatment,
    share: float,
    length: float,
    reclaimed: float,
    need: float,
    error: float,
    short: float,
    net: float,
    thin: float,
    eroded: bool,
    drop_mm: float,
    limits: Limits,
) -> str:
    partly = f"The ground is known over {100.0 * share:.0f} % of {length:.0f} m only"
    if share < LEAST_KNOWN_SHARE and not eroded:
        return f"{partly}: can't tell whether the material suffices."
    text = f"{partly}, there: " if share < 0.95 else ""
    text += (
        f"Cut yields {reclaimed:.1f} m³ compacted, fill needs {need:.1f}, balance "
        f"{net:+.1f} ± {error:.1f} m³"
    )
    if short > max(-net, 0.0) + 0.05:
        text += (
            f", but {short:.1f} m³ lie beyond the haul of {limits.material.haul_most_m.value:.0f} m"
        )
    elif net < 0.0 and treatment == Treatment.RESHAPE:
        text += (
            f"; {thin:.1f} m³ would leave it {limits.material.thin_mm.value:.0f} mm low, "
            "thinner than can be placed"
        )
    if eroded:
        text += f"; the edge has dropped {drop_mm:.0f} mm, so it gets new material"
    return f"{text}: {treatment}."


def mass_haul(s: ArrayLike, areas: Areas, limits: MaterialLimits) -> Floats:
    """Running sum of reclaimable cut less fill along the road, m³ compacted, (n, 2).

    It rises where there is material to spare and falls where some is needed. Unknown stations
    add nothing and are NaN themselves.
    """
    lengths = tributary_lengths(s)[:, None]
    fit = limits.recovery.value * limits.compacted_per_bank
    step = (areas.cut_m2 * fit - areas.fill_m2) * lengths
    total: Floats = np.cumsum(np.nan_to_num(step), axis=0)
    return np.where(np.isnan(step), np.nan, total)
