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
from scipy.special import ndtr

from analysis.limits import Limits
from analysis.target import cut_fill_rings, target_line
from analysis.volumes import greatest_move, prismoidal, tributary_lengths, truck_loads

if TYPE_CHECKING:
    from analysis.surfaces import Measures, Sections

__all__ = [
    "Areas",
    "Balance",
    "areas",
    "balance",
    "mass_haul",
    "section_areas",
    "section_shapes",
    "sustained_drop",
]

Floats = NDArray[np.float64]


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
    cut_terms, fill_terms : (n, 2, 2)
        The errors as weights of two independent unit errors per station and side; any weighted
        sum of cut and fill gets its standard error from these.
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

    cut_m2: Floats
    fill_m2: Floats
    excess_m2: Floats
    cut_se: Floats
    fill_se: Floats
    net_se: Floats
    cut_terms: Floats
    fill_terms: Floats
    face_mm: Floats
    comes_out: NDArray[np.bool_]
    width_m: Floats
    average_m: Floats


@dataclass(frozen=True, slots=True)
class Balance:
    """Quantities of one reach and what they call for.

    Volumes hold the known part of the reach only; `known_share` says how much that is.
    `balance_m3_compacted` is what can be reclaimed less what is needed, both compacted;
    `short_m3_compacted` is the need that no reclaimed material can reach within the haul limit.
    `treatment` is "reshape", "replenish" or "can't tell"; `certainty` its probability.
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
    treatment: str
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
    from analysis.area_kernels import areas_kernel

    u, height, sigma = (np.ascontiguousarray(a) for a in (u, height, sigma))
    rows = [np.ascontiguousarray(a) for a in (width, slope, drop, fitted, guard)]
    errors = np.zeros((height.shape[0], 3)) if error is None else np.ascontiguousarray(error)
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
    width_m: ArrayLike | None = None,
    smear_m: ArrayLike | None = None,
) -> Areas:
    """Cut and fill at every station and side, with standard errors.

    The averaged sections are used, since noise makes cut and fill both grow; what it still adds
    is estimated and taken off (`Areas.excess_m2`). Standard errors follow from those of edge
    drop and shoulder slope and their covariance.

    Parameters
    ----------
    sections, measures
        From `analysis.surfaces.measure`. Stations that weren't judged come out unknown.
    required_pct : (n, 2)
        Target slope from `analysis.limits.required_slope`.
    limits : Limits
        Its foreslope ratio is used.
    width_m : (n, 2) or scalar, optional
        Shoulder width to build, from the edge; else as wide as it lies.
    smear_m : (n, 2) or scalar, optional
        Distance from edge and hinge within which the fitted plane stands in for the section,
        which a grid smears there; else what the sections say.

    Returns
    -------
    Areas
    """
    height = np.asarray(sections.height_m, dtype=np.float64)
    shape = height.shape[:2]
    count = shape[0] * 2
    judged = np.asarray(measures.status) == 0
    required = np.broadcast_to(np.asarray(required_pct, dtype=np.float64), shape)
    widths = measures.shoulder_width_m if width_m is None else width_m
    width = np.where(judged, np.broadcast_to(np.asarray(widths, dtype=np.float64), shape), np.nan)
    smear = getattr(sections, "smear_m", 0.0) if smear_m is None else smear_m
    sigma = np.nan_to_num(np.asarray(sections.se_m, dtype=np.float64), nan=0.0)

    # Where the target follows the pavement, its slope error enters; where a limit rules, not.
    follows = required == (measures.pavement_slope_pct + limits.shoulder_over_pavement_points.value)
    slope_var = np.where(
        follows,
        measures.shoulder_slope_se**2
        + measures.pavement_slope_se**2
        - 2.0 * np.nan_to_num(measures.slope_cov),
        measures.shoulder_slope_se**2,
    )
    first = measures.edge_drop_se / 1000.0
    cross = np.nan_to_num(measures.drop_shoulder_cov) / 1e5
    with np.errstate(invalid="ignore", divide="ignore"):
        mixed = np.where(first > 0.0, cross / first, 0.0)
    second = np.sqrt(np.maximum(slope_var / 1e4 - mixed**2, 0.0))
    raw, comes_out = _run_kernel(
        np.asarray(sections.u, dtype=np.float64),
        height.reshape(count, -1),
        sigma.reshape(count, -1),
        width.ravel(),
        (required / 100.0).ravel(),
        (measures.edge_drop_mm / 1000.0).ravel(),
        (measures.shoulder_slope_pct / 100.0).ravel(),
        np.broadcast_to(np.asarray(smear, dtype=np.float64), shape).ravel(),
        limits.foreslope_ratio.value,
        np.stack([first, mixed, second], axis=-1).reshape(count, 3),
    )
    raw = raw.reshape(*shape, 8)
    cut_terms = np.stack([first * raw[..., 3] + mixed * raw[..., 4], second * raw[..., 4]], axis=-1)
    fill_terms = np.stack(
        [first * raw[..., 5] + mixed * raw[..., 6], second * raw[..., 6]], axis=-1
    )
    return Areas(
        cut_m2=raw[..., 0],
        fill_m2=raw[..., 1],
        excess_m2=raw[..., 2],
        cut_se=np.hypot(cut_terms[..., 0], cut_terms[..., 1]),
        fill_se=np.hypot(fill_terms[..., 0], fill_terms[..., 1]),
        net_se=np.hypot(*np.moveaxis(cut_terms + fill_terms, -1, 0)),
        cut_terms=cut_terms,
        fill_terms=fill_terms,
        face_mm=1000.0 * raw[..., 7],
        comes_out=comes_out.reshape(shape),
        width_m=width,
        average_m=np.broadcast_to(np.asarray(measures.average_m, dtype=np.float64), shape),
    )


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
    ground = sections.height_m[station, side]
    drop = float(measures.edge_drop_mm[station, side]) / 1000.0
    fitted = float(measures.shoulder_slope_pct[station, side]) / 100.0
    smear = float(getattr(sections, "smear_m", 0.0))
    if smear > 0.0 and width > 0.0 and not math.isnan(drop + fitted):
        inside = (u > 0.0) & (u < width)
        nodes = np.concatenate([[0.0], u[inside], [width], u[u > width]])
        blurred = (nodes < smear) | (nodes > width - smear)
        plane = -drop - fitted * nodes
        ground = np.where(
            blurred & (nodes <= width), plane, np.interp(nodes, u, np.asarray(ground))
        )
        u = nodes
    line = target_line(u, ground, width, slope, foreslope_ratio=limits.foreslope_ratio.value)
    if np.isnan(np.interp(line[:, 0], u, ground)).any():
        return np.empty((0, 2)), (), ()
    cut, fill = cut_fill_rings(u, ground, line)
    return line, cut, fill


# ---------------------------------------------------------------- volumes along the road


def _window_overlap(s: Floats, average_m: Floats, terms: Floats) -> float:
    """Variance of the sum of `terms` (n, 2) whose unit errors are shared by overlapping windows.

    Two stations whose averaging windows overlap by some length share that part of their noise:
    correlation = overlap / sqrt(window x window).
    """
    variance = float((terms**2).sum())
    longest = float(average_m.max(initial=0.0))
    for lag in range(1, s.size):
        gap = s[lag:] - s[:-lag]
        if gap.min() >= longest:
            break
        one, other = average_m[:-lag], average_m[lag:]
        shared = np.clip((one + other) / 2.0 - gap, 0.0, np.minimum(one, other))
        share = shared / np.sqrt(one * other)
        variance += 2.0 * float((share * (terms[:-lag] * terms[lag:]).sum(axis=-1)).sum())
    return max(variance, 0.0)


def sustained_drop(
    drop_mm: Floats,
    drop_se: Floats,
    s: Floats,
    side: int,
    first: int,
    last: int,
    limits: Limits,
) -> tuple[float, float]:
    """Largest edge drop that a reach keeps over the shortest workable length, and its error.

    A plain maximum over many stations would grow with noise.

    Parameters
    ----------
    drop_mm, drop_se : (n, 2)
        Edge drop and its standard error.
    s : (n,)
        Stations.
    side, first, last : int
        Side and station range, inclusive.
    limits : Limits
        Its shortest reach is used.

    Returns
    -------
    drop_mm, drop_se
        NaN where nothing is known.
    """
    here = slice(first, last + 1)
    drop, error = drop_mm[here, side], drop_se[here, side]
    known = np.isfinite(drop)
    if not known.any():
        return math.nan, math.nan
    drop, error = drop[known], error[known]
    spacing = float(np.median(np.diff(s))) if s.size > 1 else limits.shortest_reach_m.value
    count = min(drop.size, max(1, math.ceil(limits.shortest_reach_m.value / spacing)))
    windows = np.lib.stride_tricks.sliding_window_view(drop, count)
    start = int(np.argmax(windows.min(axis=1)))
    worst = start + int(np.argmin(windows[start]))
    return float(drop[worst]), float(error[worst])


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
    """Add up one reach and say whether its own material suffices.

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
    side, first, last : int
        Side and station range, inclusive.
    limits : Limits
        Factors, haul limit, certainty.
    ends_m : (2,), optional
        Where the reach begins and ends along s; else half way to the neighbouring stations.
    worst_drop_mm, worst_drop_se : float
        Edge drop of the reach (see `sustained_drop`); beyond the erosion limit new material is
        called for whatever the balance.

    Returns
    -------
    Balance
    """
    x = np.asarray(s, dtype=np.float64)
    here = slice(first, last + 1)
    lengths = tributary_lengths(x)[here].copy()
    if ends_m is not None:
        middles = 0.5 * (x[first:last] + x[first + 1 : last + 1])
        lengths = np.diff(np.concatenate([[ends_m[0]], middles, [ends_m[1]]]))
    total = float(lengths.sum())
    known = np.isfinite(areas.cut_m2[here, side]) & np.isfinite(areas.net_se[here, side])
    share = float(lengths[known].sum()) / total if total > 0.0 else 0.0
    at, part = x[here][known], lengths[known]
    cut = areas.cut_m2[here, side][known]
    fill = areas.fill_m2[here, side][known]
    cut_terms = areas.cut_terms[here, side][known] * part[:, None]
    fill_terms = areas.fill_terms[here, side][known] * part[:, None]
    windows = areas.average_m[here, side][known]

    fit = limits.recovery.value * limits.compacted_per_bank
    cut_bank, fill_compacted = float(cut @ part), float(fill @ part)
    reclaimed = cut_bank * fit
    strip_area = limits.strip_outside_hinge_m.value * limits.strip_depth_mm.value / 1000.0
    have, need = cut * part * fit, fill * part
    moved = greatest_move(at, have, need, limits.haul_most_m.value)
    # The strip outside the hinge is only touched where the cut falls short.
    strip_bank = 0.0
    if strip_area > 0.0 and moved < fill_compacted:
        more = greatest_move(at, have + strip_area * part * fit, need, limits.haul_most_m.value)
        strip_bank = (more - moved) / fit if fit > 0.0 else 0.0
        reclaimed += strip_bank * fit
        moved = more
    short = max(fill_compacted - moved, 0.0)
    net = reclaimed - fill_compacted
    variance = _window_overlap(at, windows, fit * cut_terms + fill_terms)
    variance += (limits.yield_se.value * reclaimed) ** 2
    error = math.sqrt(variance)

    # Where the haul limit cuts the reach apart, what can't get there counts, not the total.
    margin = net if short <= max(-net, 0.0) + 1e-9 else -short
    thin = limits.thin_mm.value / 1000.0 * float(areas.width_m[here, side][known] @ part)
    p_short = _chance_below(margin + thin, error)
    erosion = worst_drop_mm - limits.erosion_replenish_mm.value
    p_eroded = 0.0 if math.isnan(erosion) else 1.0 - _chance_below(erosion, worst_drop_se)
    p_replenish = 1.0 - (1.0 - p_short) * (1.0 - p_eroded)
    sure = limits.certainty.value
    if share < sure:
        treatment, certainty = "can't tell", math.nan
        p_replenish = math.nan
    elif p_replenish >= sure:
        treatment, certainty = "replenish", p_replenish
    elif p_replenish <= 1.0 - sure:
        treatment, certainty = "reshape", 1.0 - p_replenish
    else:
        treatment, certainty = "can't tell", max(p_replenish, 1.0 - p_replenish)
    eroded = p_eroded >= sure
    if treatment == "reshape":
        imported = 0.0
    elif eroded:
        # The washed-out edge gets new material; what is cut beside it isn't counted on.
        imported, moved = fill_compacted, 0.0
    else:
        imported = short
    import_loose = imported / limits.compacted_per_loose.value
    import_t = imported * limits.density_t_m3.value
    # Whatever is dug and not built in has to go, fit for use or not.
    away_bank = max(cut_bank + strip_bank - moved / limits.compacted_per_bank, 0.0)
    away_loose = away_bank * limits.loose_per_bank.value
    away_t = away_loose * limits.compacted_per_loose.value * limits.density_t_m3.value
    return Balance(
        length_m=total,
        known_share=share,
        cut_m3_bank=cut_bank,
        cut_se_m3=math.sqrt(_window_overlap(at, windows, cut_terms)),
        cut_prismoidal_m3_bank=_prismoidal_reach(at, cut, part),
        fill_m3_compacted=fill_compacted,
        fill_se_m3=math.sqrt(_window_overlap(at, windows, fill_terms)),
        fill_prismoidal_m3_compacted=_prismoidal_reach(at, fill, part),
        strip_m3_bank=strip_bank,
        reclaimed_m3_compacted=reclaimed,
        balance_m3_compacted=net,
        balance_se_m3=error,
        short_m3_compacted=short,
        import_m3_loose=import_loose,
        import_t=import_t,
        loads=truck_loads(import_loose, import_t, limits),
        haul_away_m3_loose=away_loose,
        haul_away_loads=truck_loads(away_loose, away_t, limits),
        p_replenish=p_replenish,
        treatment=treatment,
        certainty=certainty,
        reason=_material_sentence(
            treatment, share, total, reclaimed, fill_compacted, error, short, net, thin, eroded,
            worst_drop_mm, limits,
        ),
    )  # fmt: skip


def _chance_below(value: float, error: float) -> float:
    """Probability that a true value estimated as `value` lies below zero."""
    if error > 0.0:
        return float(ndtr(-value / error))
    return 1.0 if value < 0.0 else 0.0


def _prismoidal_reach(s: Floats, area_m2: Floats, lengths: Floats) -> float:
    """Prismoidal volume between the outer stations, plus what lies beyond them in the reach."""
    if s.size < 2:
        return float(area_m2 @ lengths)
    inner = tributary_lengths(s)
    rest = area_m2 @ (lengths - inner)
    return prismoidal(s, area_m2) + float(rest)


def _material_sentence(
    treatment: str,
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
    if share < limits.certainty.value:
        return (
            f"The ground is known over {100.0 * share:.0f} % of {length:.0f} m only: can't tell "
            "whether the material suffices."
        )
    text = (
        f"Cut yields {reclaimed:.1f} m³ compacted, fill needs {need:.1f}, balance "
        f"{net:+.1f} ± {error:.1f} m³"
    )
    if short > max(-net, 0.0) + 0.05:
        text += f", but {short:.1f} m³ lie beyond the haul of {limits.haul_most_m.value:.0f} m"
    elif net < 0.0 and treatment == "reshape":
        text += (
            f"; {thin:.1f} m³ would leave it {limits.thin_mm.value:.0f} mm low, thinner than "
            "can be placed"
        )
    if eroded:
        text += f"; the edge has dropped {drop_mm:.0f} mm, so it gets new material"
    return f"{text}: {treatment}."


def mass_haul(s: ArrayLike, areas: Areas, limits: Limits) -> Floats:
    """Running sum of reclaimable cut less fill along the road, m³ compacted, (n, 2).

    It rises where there is material to spare and falls where some is needed. Unknown stations
    add nothing and are NaN themselves.
    """
    lengths = tributary_lengths(s)[:, None]
    fit = limits.recovery.value * limits.compacted_per_bank
    step = (areas.cut_m2 * fit - areas.fill_m2) * lengths
    total: Floats = np.cumsum(np.nan_to_num(step), axis=0)
    return np.where(np.isnan(step), np.nan, total)
