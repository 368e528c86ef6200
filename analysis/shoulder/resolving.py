"""What a grid can tell: standard errors before any run, and the averaging length that they need.

The regression of `analysis.shoulder.regression` is reckoned through without any heights: pavement,
step at the edge, shoulder and foreslope as the cells see them, averaged along a stretch of road.
Whatever is even about the middle of the stretch (slopes and steps) doesn't mix with what is odd or
bent (grade, vertical curve), so that a section of line means across the road is all that is needed:
each line averages the cells along it, and two lines share what correlated noise they share
(`analysis.corridor.line_noise`). The cells' rows are taken to run at a slant to the road; a
straight road that runs exactly along them sees fewer places across and is up to a third worse or
better.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from analysis.common.errors import SettingsError
from analysis.common.sides import Source
from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.corridor.line_noise import line_correlation
from analysis.edges.values import Breaks
from analysis.shoulder.straightedge import SLANT, detectable_rut_mm
from analysis.shoulder.strip import BEYOND_HINGE_M, PAVEMENT_M
from analysis.shoulder.values import Noise, Reason, Why

if TYPE_CHECKING:
    from analysis.corridor.values import Grain
    from analysis.shoulder.values import Measures

__all__ = [
    "LEAST_CELLS_ACROSS",
    "LEAST_CELLS_GIVEN",
    "MOST_DROP_SE_MM",
    "MOST_SLOPE_SE",
    "ResolvingPower",
    "RoadResolving",
    "averaging_lengths",
    "grain_text",
    "least_average",
    "line_covariance",
    "resolving_of",
    "resolving_power",
    "resolving_text",
    "road_resolving_text",
    "too_coarse",
]


LEAST_CELLS_ACROSS, LEAST_CELLS_GIVEN = 1.6, 1.0
"""Least width of a shoulder in cells: where edge and hinge are found from the terrain, and where
they are given. On narrower ones found edges are off by more than their errors say (own trials)."""

MOST_SLOPE_SE, MOST_DROP_SE_MM = 3.0, 40.0
"""Standard errors (points, mm) from which no verdict on a station means anything: the shoulder
might be reversed as well as twice too steep, a step as well as a lip. Our own choice."""

SHORTEST_AVERAGE_M, LONGEST_AVERAGE_M = 10.0, 100.0
"""Between these an averaging length is chosen where it is left to the program."""

# Usual section (common practice): 2 % pavement, shoulder 2 points steeper and flush, 1:4 beyond.
_BREAKOVER = 0.02
_HINGE_KINK = 0.21
# how well edges and hinges are found, in cells: what the trials on made roads gave
_EDGE_SE_CELLS, _HINGE_SE_CELLS = 0.3, 0.15
_GIVEN_SE_M = 0.01
_BLOCK_M = 200.0
_BINS_PER_CELL = 8
_FARTHEST_M = 10_000.0


@dataclass(frozen=True, slots=True)
class ResolvingPower:
    """What one averaged station of a grid can tell.

    Attributes
    ----------
    cell_m, sigma_m, shoulder_width_m, average_m, pavement_width_m, correlation_m, nugget : float
        What was asked for.
    cells_across : float
        Width of the shoulder in cells.
    slope_se, drop_se : float
        Standard errors of shoulder slope (points) and edge drop (mm) with edge and hinge found
        from the terrain; inf where the cells are too coarse for the shoulder.
    given_slope_se, given_drop_se : float
        The same where edge and hinge are given.
    pavement_se : float
        Of the pavement's slope, points.
    effective_cells : float
        As many cells of white noise would tell as much about the shoulder slope.
    rut_mm : float
        Depth of a wheel rut told from none with 95 % certainty.
    difference_pct : float
        Difference of slopes to be told, points: 2 for 4 % from 2 %.
    certainty : float
        Of telling them: chance that a slope measured comes to lie on the right side of halfway.
    tells_4_from_2 : bool
        Whether a difference of 2 points is told with 95 % certainty.
    """

    cell_m: float
    sigma_m: float
    shoulder_width_m: float
    average_m: float
    pavement_width_m: float
    correlation_m: float
    nugget: float
    cells_across: float
    slope_se: float
    drop_se: float
    given_slope_se: float
    given_drop_se: float
    pavement_se: float
    effective_cells: float
    rut_mm: float
    difference_pct: float
    certainty: float
    tells_4_from_2: bool


@dataclass(frozen=True, slots=True)
class RoadResolving:
    """What turned out to be resolvable on a road; medians over its judged station sides.

    Attributes
    ----------
    sides, judged, too_coarse : int
        Station sides with a shoulder or without, those measured, those too coarse to measure.
    average_m, sigma_m, correlation_m : float
    slope_se, drop_se, rut_mm : float
        Points, mm, mm; NaN where nothing was judged.
    telling : float
        Share of the judged sides where 4 % is told from 2 % with 95 % certainty.
    """

    sides: int
    judged: int
    too_coarse: int
    average_m: float
    sigma_m: float
    correlation_m: float
    slope_se: float
    drop_se: float
    rut_mm: float
    telling: float


def resolving_power(
    cell_m: float,
    sigma_m: float,
    shoulder_width_m: float,
    average_m: float,
    *,
    pavement_width_m: float = 7.0,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
    difference_pct: float = 2.0,
) -> ResolvingPower:
    """Say what one averaged station can tell.

    Parameters
    ----------
    cell_m : float
        Cell size, metres.
    sigma_m : float
        Standard deviation of the heights of one cell within some tens of metres: a survey's
        repeatability rather than its absolute error, which cancels.
    shoulder_width_m, average_m, pavement_width_m : float
        Metres.
    correlation_m, nugget : float
        Two cells d apart have correlation ``(1 - nugget) exp(-d / correlation_m)``. A correlation
        length with a nugget left at 1 is taken as a nugget of 0.
    difference_pct : float
        Slopes this many points apart are to be told.

    Returns
    -------
    ResolvingPower

    Raises
    ------
    SettingsError
        For a length or noise that isn't a positive number.

    Examples
    --------
    >>> power = resolving_power(1.0, 0.03, 2.0, 10.0)
    >>> 0.9 < power.slope_se < 2.5, power.tells_4_from_2
    (True, False)
    """
    nugget = _checked(
        cell_m, sigma_m, shoulder_width_m, average_m, pavement_width_m, correlation_m, nugget
    )
    across = shoulder_width_m / cell_m
    noise = _CellNoise(sigma_m, correlation_m, nugget)
    place = _Stretch(cell_m, shoulder_width_m, average_m, pavement_width_m)
    found = _errors(place, noise, *_break_errors(cell_m, False))
    given = _errors(place, noise, *_break_errors(cell_m, True))
    white = _errors(place, _CellNoise(sigma_m, 0.0, 1.0), *_break_errors(cell_m, True))
    cells = shoulder_width_m * average_m / cell_m**2
    slope_se, drop_se = found[:2] if across >= LEAST_CELLS_ACROSS else (np.inf, np.inf)
    given_slope, given_drop = given[:2] if across >= LEAST_CELLS_GIVEN else (np.inf, np.inf)
    return ResolvingPower(
        cell_m=float(cell_m),
        sigma_m=float(sigma_m),
        shoulder_width_m=float(shoulder_width_m),
        average_m=float(average_m),
        pavement_width_m=float(pavement_width_m),
        correlation_m=float(correlation_m),
        nugget=nugget,
        cells_across=across,
        slope_se=float(slope_se),
        drop_se=float(drop_se),
        given_slope_se=float(given_slope),
        given_drop_se=float(given_drop),
        pavement_se=float(given[2]),
        effective_cells=cells * float((white[0] / given[0]) ** 2),
        rut_mm=detectable_rut_mm(
            cell_m, sigma_m, shoulder_width_m, average_m, correlation_m=correlation_m, nugget=nugget
        ),
        difference_pct=float(difference_pct),
        certainty=_certainty(float(slope_se), difference_pct),
        tells_4_from_2=_certainty(float(slope_se), 2.0) >= 0.95,
    )


def least_average(
    cell_m: float,
    sigma_m: float,
    shoulder_width_m: float,
    *,
    difference_pct: float = 2.0,
    certainty: float = 0.95,
    pavement_width_m: float = 7.0,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
    edges_given: bool = False,
) -> float:
    """Return the least averaging length that tells two slopes apart.

    Parameters
    ----------
    cell_m, sigma_m, shoulder_width_m, pavement_width_m, correlation_m, nugget
        As for `resolving_power`.
    difference_pct : float
        Slopes this many points apart are to be told; 2 for 4 % from 2 %.
    certainty : float
        Wanted chance that a slope measured comes to lie on the right side of halfway, both ways.
    edges_given : bool
        Whether edge and hinge are given rather than found from the terrain.

    Returns
    -------
    float
        Metres, not under two cells; inf where no length is enough.

    Raises
    ------
    SettingsError
        For a number that can't be.
    """
    nugget = _checked(
        cell_m, sigma_m, shoulder_width_m, 1.0, pavement_width_m, correlation_m, nugget
    )
    if not 0.5 < certainty < 1.0 or not difference_pct > 0.0:
        raise SettingsError(
            f"Certainty is {certainty:g} and the difference {difference_pct:g} % points: "
            "the first must lie between 0.5 and 1, the second above 0."
        )
    least = LEAST_CELLS_GIVEN if edges_given else LEAST_CELLS_ACROSS
    if shoulder_width_m / cell_m < least:
        return float("inf")
    wanted = 0.5 * difference_pct / float(ndtri(certainty))
    edge_se, hinge_se = _break_errors(cell_m, edges_given)
    noise = _CellNoise(sigma_m, correlation_m, nugget)

    def misses(length: float) -> bool:
        place = _Stretch(cell_m, shoulder_width_m, length, pavement_width_m)
        return bool(_errors(place, noise, edge_se, hinge_se)[0] > wanted)

    low, high = 2.0 * cell_m, _FARTHEST_M
    if not misses(low):
        return low
    if misses(high):
        return float("inf")
    while high / low > 1.005:
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if misses(middle) else (low, middle)
    return high


def averaging_lengths(breaks: Breaks, noise: Noise, cell_m: float) -> Floats:
    """Choose an averaging length for every station and side, from what was found there.

    Parameters
    ----------
    breaks : Breaks
    noise : Noise
    cell_m : float

    Returns
    -------
    (n, 2) ndarray
        Metres: the least multiple of 5 that tells 4 % from 2 % with 95 % certainty, for each
        200 m of road, from 10 to 100; 100 also where no length is enough.
    """
    n = breaks.s.size
    out = np.full((n, 2), LONGEST_AVERAGE_M)
    if n == 0:
        return out
    block = _blocks(breaks.s)
    width = breaks.hinge - breaks.edge
    given = _given(breaks)
    sigma = noise.known_sigma_m()
    chosen: dict[tuple[float, ...], float] = {}
    for number in np.unique(block):
        for side in (0, 1):
            here = block == number
            wide = width[here, side]
            wide = wide[np.isfinite(wide) & (wide > 0.0)]
            if wide.size == 0:
                continue
            # rounded, so that blocks alike are reckoned once
            key = (
                round(float(np.median(sigma[here])), 4),
                round(float(np.median(wide)), 2),
                round(float(np.median(noise.correlation_m[here])), 2),
                round(float(np.median(noise.nugget[here])), 2),
                float(given[here, side].mean() > 0.5),
            )
            if key not in chosen:
                chosen[key] = least_average(
                    cell_m,
                    max(key[0], 1e-4),
                    max(key[1], 0.01),
                    correlation_m=key[2],
                    nugget=key[3],
                    edges_given=key[4] > 0.5,
                )
            length = min(max(chosen[key], SHORTEST_AVERAGE_M), LONGEST_AVERAGE_M)
            out[here, side] = 5.0 * np.ceil(length / 5.0 - 1e-9)
    return out


def too_coarse(
    breaks: Breaks, cell_m: float, slope_se: Floats, drop_se_mm: Floats, average_m: Floats
) -> NDArray[np.object_]:
    """Say where a grid is too coarse or too noisy for any verdict, and why.

    How wide the shoulder is in cells is asked of its median over 200 m of road, so that a
    verdict doesn't come and go with the scatter of the widths found.

    Parameters
    ----------
    breaks : Breaks
    cell_m : float
    slope_se, drop_se_mm, average_m : (n, 2)
        Standard errors of what was measured; the averaging length. NaN errors say nothing.

    Returns
    -------
    (n, 2) object array
        A `Reason`, or None where the grid is good enough.
    """
    width = _usual_width(breaks)
    given = _given(breaks)
    out = np.full(width.shape, None, dtype=object)
    least = np.where(given, LEAST_CELLS_GIVEN, LEAST_CELLS_ACROSS)
    with np.errstate(invalid="ignore"):
        narrow = np.isfinite(width) & (width < least * cell_m)
        loose = ~narrow & ((slope_se > MOST_SLOPE_SE) | (drop_se_mm > MOST_DROP_SE_MM))
    # found breaks need more cells between them than given ones
    enough_given = ~given & (width >= LEAST_CELLS_GIVEN * cell_m)
    for at in zip(*np.nonzero(narrow), strict=True):
        kind = Why.FEW_CELLS_BETWEEN_FOUND if enough_given[at] else Why.FEW_CELLS_ACROSS
        out[at] = Reason(kind, (max(float(width[at]), 0.0), cell_m))
    kinds = np.where(breaks.hinge_source == Source.NOMINAL, Why.TOO_NOISY_NO_HINGE, Why.TOO_NOISY)
    kinds[breaks.edge_source == Source.NOMINAL] = Why.TOO_NOISY_FOR_ASSUMED
    for at in zip(*np.nonzero(loose), strict=True):
        kind = Why(kinds[at])
        out[at] = Reason(kind, (float(average_m[at]), float(slope_se[at]), float(drop_se_mm[at])))
    return out


def resolving_of(measures: Measures, noise: Noise) -> RoadResolving:
    """Sum up what a screened road's grid could tell.

    Parameters
    ----------
    measures : Measures
    noise : Noise

    Returns
    -------
    RoadResolving
    """
    from analysis.shoulder.values import Status

    ok = (measures.status == Status.OK) & np.isfinite(measures.shoulder_slope_se)
    slope_se = measures.shoulder_slope_se[ok]
    tells = slope_se <= 1.0 / float(ndtri(0.95))
    return RoadResolving(
        sides=int(measures.status.size),
        judged=int(ok.sum()),
        too_coarse=int((measures.status == Status.TOO_COARSE).sum()),
        average_m=_median(measures.average_m),
        sigma_m=_median(noise.sigma_m),
        correlation_m=_median(noise.correlation_m),
        slope_se=_median(slope_se),
        drop_se=_median(measures.edge_drop_se[ok]),
        rut_mm=_median(measures.rut_detectable_mm[ok]),
        telling=float(tells.mean()) if tells.size else 0.0,
    )


def resolving_text(power: ResolvingPower, least_m: float) -> str:
    """Put resolving power and least averaging length (`least_average`, metres) into sentences."""
    wide = (
        f"Cells of {power.cell_m:g} m with noise of {1000.0 * power.sigma_m:.0f} mm, "
        f"shoulder {power.shoulder_width_m:g} m wide ({power.cells_across:.1f} cells across), "
        f"averaged over {power.average_m:.0f} m of road:"
    )
    if not np.isfinite(power.slope_se):
        finest = power.shoulder_width_m / LEAST_CELLS_ACROSS
        return (
            f"{wide}\nThe shoulder is too narrow for these cells: its slope can't be told at any "
            f"averaging length. Cells of {_down(finest):g} m or less are needed."
        )
    percent = f"{100.0 * min(power.certainty, 0.999):.1f} %"
    lines = [
        wide,
        f"Shoulder slope ± {power.slope_se:.2f} % points, edge drop ± {power.drop_se:.0f} mm (one "
        f"standard error, edges found from the terrain; ± {power.given_slope_se:.2f} % points and "
        f"± {power.given_drop_se:.0f} mm with edges given).",
        f"A wheel rut is told from none from {power.rut_mm:.0f} mm.",
        f"That tells 4 % from 2 % with {percent} certainty."
        if power.tells_4_from_2
        else f"That doesn't tell 4 % from 2 %: certainty {percent} where 95 % is required.",
    ]
    if np.isfinite(least_m):
        lines.append(
            "To tell 4 % from 2 % with 95 % certainty, average over at least "
            f"{np.ceil(least_m):.0f} m."
        )
    else:
        lines.append(
            "No averaging length tells 4 % from 2 % with 95 % certainty: use a finer grid."
        )
    return "\n".join(lines)


def road_resolving_text(found: RoadResolving) -> str:
    """Put what was resolvable on a screened road into a sentence or two."""
    if found.judged == 0:
        if found.too_coarse:
            return "This grid is too coarse for the shoulders of this road: nothing can be told."
        return "Nothing could be measured on this road."
    text = (
        f"Averaged over {found.average_m:.0f} m, shoulder slopes are good to ± "
        f"{found.slope_se:.2f} % points and edge drops to ± {found.drop_se:.0f} mm (one standard "
        f"error), and wheel ruts show from {found.rut_mm:.0f} mm; 4 % is told from 2 % with 95 % "
        f"certainty at {100.0 * found.telling:.0f} % of the places judged."
    )
    if found.too_coarse:
        share = 100.0 * found.too_coarse / found.sides
        text += f" At {max(share, 1.0):.0f} % of all places the grid is too coarse to judge."
    return text


def grain_text(grain: Grain, cell_m: float) -> str:
    """Say in a sentence or two how a grid was made."""
    told = "as given" if grain.given else f"probability {grain.triangles:.2f}"
    wide = f"what lies within about {grain.smear_m(cell_m):.2f} m"
    if grain.triangles < 0.5:
        return (
            f"Each cell of {cell_m:g} m tells of its own ground, as far as the pavement shows, and "
            f"is fitted as the mean of {wide}."
        )
    value = cell_m * float(np.sqrt(grain.cells_per_value(cell_m)))
    return (
        f"Cells of {cell_m:g} m share what they were made of ({told}), as where points are joined "
        f"to triangles: each is fitted as the mean of {wide}, and together they tell as much as "
        f"cells of {value:.2f} m would."
    )


def _checked(
    cell_m: float,
    sigma_m: float,
    shoulder_width_m: float,
    average_m: float,
    pavement_width_m: float,
    correlation_m: float,
    nugget: float,
) -> float:
    """Refuse what can't be reckoned with; return the nugget to use."""
    for name, value in (
        ("The cell size", cell_m),
        ("The height noise", sigma_m),
        ("The shoulder width", shoulder_width_m),
        ("The averaging length", average_m),
        ("The pavement width", pavement_width_m),
    ):
        if not (np.isfinite(value) and value > 0.0):
            raise SettingsError(f"{name} is {value:g} m, but must be a positive number.")
    if not (np.isfinite(correlation_m) and correlation_m >= 0.0 and 0.0 <= nugget <= 1.0):
        raise SettingsError(
            f"The correlation length is {correlation_m:g} m and the white share {nugget:g}: the "
            "first must be 0 or more, the second from 0 to 1."
        )
    return 0.0 if correlation_m > 0.0 and nugget == 1.0 else float(nugget)


class _Stretch(NamedTuple):
    """What is averaged for a station, metres."""

    cell_m: float
    width_m: float
    average_m: float
    pavement_m: float


class _CellNoise(NamedTuple):
    """Noise of a cell; its parts as in `analysis.shoulder.values.Noise`."""

    sigma_m: float
    correlation_m: float
    nugget: float


def _errors(
    place: _Stretch, noise: _CellNoise, edge_se_m: float, hinge_se_m: float
) -> tuple[float, float, float]:
    """Standard errors of shoulder slope (points), edge drop (mm) and pavement slope (points)."""
    cell_m, width_m, average_m, pavement_m = place
    sigma_m, correlation_m, nugget = noise
    box = cell_m * np.array(SLANT)
    guard = 0.5 * box.sum() + 0.25
    inner = -min(max(0.5 * pavement_m - guard, cell_m), PAVEMENT_M)
    outer = width_m + BEYOND_HINGE_M
    bins = int(np.ceil(_BINS_PER_CELL * (outer - inner) / cell_m))
    bins = min(max(bins, 40), 240)
    size = (outer - inner) / bins
    x = inner + (np.arange(bins) + 0.5) * size
    design = np.column_stack(
        [
            np.ones(bins),
            x,
            smeared_ramp(x, box),
            -smeared_step(x, box),
            smeared_ramp(x - width_m, box),
            smeared_step(x - width_m, box),
        ]
    )
    lines = line_correlation(
        x[:, None] - x, average_m, cell_m=cell_m, correlation_m=correlation_m, nugget=nugget
    )
    tight = np.zeros(6)
    tight[5] = 1.0 / max(_HINGE_KINK * hinge_se_m, 1e-9) ** 2
    covariance = line_covariance(
        design, sigma_m, cells=average_m * size / cell_m**2, lines=lines, known=tight
    )
    # an edge elsewhere by d turns into a step of the breakover times d
    slope = np.array([0.0, 100.0, 100.0, 0.0, 0.0, 0.0])
    drop_se = 1000.0 * np.sqrt(covariance[3, 3] + (_BREAKOVER * edge_se_m) ** 2)
    return (
        float(np.sqrt(slope @ covariance @ slope)),
        float(drop_se),
        100.0 * float(np.sqrt(covariance[1, 1])),
    )


def line_covariance(
    design: Floats,
    sigma_m: float,
    *,
    cells: float = 1.0,
    lines: Floats | None = None,
    known: Floats | None = None,
) -> Floats:
    """Covariance of least squares through means of lines of cells.

    Parameters
    ----------
    design : (b, p)
        A row per line.
    sigma_m : float
        Noise of one cell.
    cells : float
        Cells in each line.
    lines : (b, b), optional
        Mean correlation of different cells of two lines; none where left out.
    known : (p,), optional
        What is known of the parameters beforehand: one over their variance.

    Returns
    -------
    (p, p) ndarray
        Of the estimate that weighs all cells alike, for noise as it is.
    """
    normal = cells * design.T @ design
    prior = np.diag(np.zeros(design.shape[1]) if known is None else known * sigma_m**2)
    inverse = np.linalg.inv(normal + prior)
    scatter = normal + prior
    if lines is not None:
        weighed = cells * design
        scatter = scatter + weighed.T @ lines @ weighed
    return np.asarray(sigma_m**2 * inverse @ scatter @ inverse)


def _break_errors(cell_m: float, given: bool) -> tuple[float, float]:
    if given:
        return _GIVEN_SE_M, _GIVEN_SE_M
    return _EDGE_SE_CELLS * cell_m, _HINGE_SE_CELLS * cell_m


def _blocks(s: Floats) -> NDArray[np.int64]:
    """Number the stretches of 200 m."""
    return np.asarray((s - s[0]) / _BLOCK_M if s.size else s, dtype=np.int64)


def _usual_width(breaks: Breaks) -> Floats:
    """Median shoulder width over each 200 m, at all its stations that have a shoulder, (n, 2)."""
    width = breaks.hinge - breaks.edge
    block = _blocks(breaks.s)
    out = np.full(width.shape, np.nan)
    given = _given(breaks)
    for side in (0, 1):
        for number in np.unique(block):
            here = (block == number) & np.isfinite(width[:, side])
            if here.any():
                out[here, side] = np.median(width[here, side])
    return np.where(given, width, out)


def _given(breaks: Breaks) -> NDArray[np.bool_]:
    """Where a person or a layer gave both edge and hinge."""
    return np.asarray((breaks.edge_source == Source.GIVEN) & (breaks.hinge_source == Source.GIVEN))


def _certainty(slope_se: float, difference_pct: float) -> float:
    """Chance to lie on the right side of halfway between two slopes."""
    if not np.isfinite(slope_se):
        return 0.5
    return float(ndtr(0.5 * difference_pct / slope_se))


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _down(value: float) -> float:
    """Round down to a tenth, or to two digits below one."""
    step = 0.1 if value >= 1.0 else 0.05
    return max(float(np.floor(value / step + 1e-9)) * step, 0.05)
