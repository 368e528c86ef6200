"""What is really there, told along the centreline that was handed out."""

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numba import njit
from numpy.typing import NDArray

from sample_terrain.axis import Axis
from sample_terrain.spec import (
    DEFECTS,
    Spec,
    build_surface,
    required_slope,
    stretch_share,
    too_flat,
)
from sample_terrain.surface import EDGE_FACE_M, Surface

__all__ = ["Truth", "hull_gaps", "line_position", "section_truth", "tell_truth", "true_volumes"]

ACROSS = 96
"""Points across a shoulder where the true ground is looked at."""

CLEAR_M = 0.5 * EDGE_FACE_M
"""Where the face of a step at the edge has ended."""

ALONG = 21
"""Sections within the averaging length."""

RECOVERY = 0.8
"""Share of cut material that can be used again (an assumption of the sample)."""

COMPACTED_PER_BANK = 0.95
"""Compacted volume from one bank volume of sand and gravel (value from memory)."""

THIN_M = 0.005
"""A shortage that leaves the shoulder this much too low on average is still enough."""

EROSION_M = 0.05
"""Drop from which a washed-out edge is filled with new material whatever the balance."""


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth at stations of the handed-out centreline; arrays (n,) or (n, 2) left, right.

    Unless marked `_at` values are means over the averaging length about the station. Offsets
    `u` count outward from the handed-out line, `axis_o` is right positive; slopes are percent,
    falling outward positive; drop is positive where the shoulder is lower. Straightedge values
    are the largest gap to the convex hull of the shoulder's surface (rut: hull above, ridge:
    hull below). Retained water stands between crown and hinge. `cut_m2` and
    `fill_m2` are means of the areas between ground and target line of single sections, from the
    edge to the hinge; the cut goes on at the same slope outside a hinge that stands too high.
    """

    s: NDArray  # along the handed-out line
    true_s: NDArray  # (n, 2) along the true axis, at the pavement edge
    axis_o: NDArray
    edge_u: NDArray
    hinge_u: NDArray  # NaN: no shoulder
    ditch_u: NDArray  # NaN: no ditch
    pavement_slope_pct: NDArray
    shoulder_slope_pct: NDArray
    shoulder_slope_at_pct: NDArray
    required_pct: NDArray
    edge_drop_mm: NDArray
    edge_drop_at_mm: NDArray
    rut_mm: NDArray
    ridge_mm: NDArray
    retained_mm: NDArray
    cut_m2: NDArray
    fill_m2: NDArray
    grade_pct: NDArray
    ditch_depth_m: NDArray
    defect: NDArray  # finding that should come out, or "none"
    cause: NDArray  # kind of stretch in the description
    fails: NDArray  # bool: water won't leave, or the shoulder itself is faulty
    ditch_blocked: NDArray  # bool
    treatment: NDArray
    treatment_clear: NDArray  # bool: not near the border between reshape and replenish
    edge_of_stretch: NDArray  # bool: the averaging length isn't all of one kind
    kind: NDArray  # "shoulder", "no shoulder", "kerb", "driveway", "hole", "no edge"
    average_m: float

    def rows(self, road: str) -> list[dict[str, object]]:
        """Return one record per station and side."""
        out = []
        for i in range(len(self.s)):
            for side, word in enumerate(("left", "right")):
                row: dict[str, object] = {"road": road, "side": word}
                for f in fields(self):
                    value = getattr(self, f.name)
                    if f.name == "average_m":
                        continue
                    cell = value[i] if value.ndim == 1 else value[i, side]
                    row[f.name] = cell.item() if hasattr(cell, "item") else cell
                out.append(row)
        return out


@njit(cache=True)
def hull_gaps(x, z):  # pragma: no cover - compiled
    """Largest gap of each row of heights to its upper and its lower convex hull.

    Parameters
    ----------
    x : (k,) array, ascending
    z : (m, k) array

    Returns
    -------
    (m, 2) array : under the upper hull (rut), above the lower hull (ridge)
    """
    m, k = z.shape
    out = np.zeros((m, 2))
    keep = np.empty(k, np.int64)
    for r in range(m):
        for which in range(2):
            sign = 1.0 if which == 0 else -1.0
            top = 0
            for i in range(k):
                while top >= 2:
                    a, b = keep[top - 2], keep[top - 1]
                    bend = (x[b] - x[a]) * (z[r, i] - z[r, a]) - (z[r, b] - z[r, a]) * (x[i] - x[a])
                    if sign * bend >= 0.0:
                        top -= 1
                    else:
                        break
                keep[top] = i
                top += 1
            worst = 0.0
            for j in range(top - 1):
                a, b = keep[j], keep[j + 1]
                for i in range(a + 1, b):
                    line = z[r, a] + (z[r, b] - z[r, a]) * (x[i] - x[a]) / (x[b] - x[a])
                    worst = max(worst, sign * (line - z[r, i]))
            out[r, which] = worst
    return out


def _frame(xy: NDArray, s: NDArray, chord_m: float) -> tuple[NDArray, NDArray]:
    """Points (n, 2) and directions (n, 2) of a polyline, directions over a chord."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])

    def point(q: NDArray) -> NDArray:
        q = np.clip(q, 0.0, at[-1])
        return np.column_stack([np.interp(q, at, xy[:, 0]), np.interp(q, at, xy[:, 1])])

    chord = point(s + 0.5 * chord_m) - point(s - 0.5 * chord_m)
    return point(s), chord / np.hypot(chord[:, 0], chord[:, 1])[:, None]


def line_position(
    axis: Axis,
    xy: NDArray,
    s: NDArray,
    target: Callable[[NDArray], NDArray],
    *,
    chord_m: float = 5.0,
) -> tuple[NDArray, NDArray]:
    """Return where normals of the handed-out line meet a line that runs along the road.

    Parameters
    ----------
    axis : Axis
    xy : (m, 2) array
        The handed-out centreline.
    s : (n,) array
        Stations on it.
    target : callable
        Offset from the true axis (right positive) at true distances (n,).

    Returns
    -------
    o, true_s : (n,) arrays
        Offset from the handed-out line, right positive, and true distance there.
    """
    base, along = _frame(xy, s, chord_m)
    right = np.column_stack([along[:, 1], -along[:, 0]])
    o = np.zeros(len(s))
    for _ in range(30):
        p = base + o[:, None] * right
        true_s, true_o = axis.to_road(p[:, 0], p[:, 1])
        miss = target(true_s) - true_o
        o += miss
        if np.abs(miss).max(initial=0.0) < 1e-7:
            break
    return o, true_s


def section_truth(surface: Surface, spec: Spec, s: NDArray, side: int) -> dict[str, NDArray]:
    """Return the true numbers of single sections.

    Parameters
    ----------
    surface, spec : Surface, Spec
    s : (m,) array
        True distances.
    side : int
        0 left, 1 right.

    Returns
    -------
    dict of (m,) arrays
        slope, pavement, required (fractions); drop, rut, ridge, retained (m); cut, fill (m2);
        NaN where there is no shoulder.
    """
    width = surface.value("width", s, side)
    here = width > 0.05
    w = np.where(here, width, 1.0)
    x = (np.arange(ACROSS) + 0.5) / ACROSS
    edge_z = surface.edge_height(s, side)
    # least squares of evenly spread points just clear of a step at the edge, in closed form
    t = CLEAR_M + (w - CLEAR_M)[:, None] * x
    relative = surface.outward(s[:, None], side, t) - edge_z[:, None]
    mean_t = t.mean(axis=1)
    spread = ((t - mean_t[:, None]) ** 2).sum(axis=1)
    fall = ((t - mean_t[:, None]) * relative).sum(axis=1) / spread
    at_edge = relative.mean(axis=1) - fall * mean_t
    pavement = surface.value("pavement", s, side)
    required = required_slope(spec, pavement, -fall)
    t = w[:, None] * x
    target = -required[:, None] * t
    gap = surface.outward(s[:, None], side, t) - edge_z[:, None] - target
    # the straightedge lies on the shoulder alone, hinge to just clear of a step at the edge
    across = CLEAR_M + (w - CLEAR_M)[:, None] * np.linspace(0.0, 1.0 - 1e-6, ACROSS)
    whole = surface.outward(s[:, None], side, across) - edge_z[:, None]
    gaps = hull_gaps(np.linspace(0.0, 1.0, ACROSS), np.ascontiguousarray(whole))
    retained = _retained(surface, s, side, w)
    out = {
        "slope": -fall,
        "drop": -at_edge,
        "rut": gaps[:, 0],
        "ridge": gaps[:, 1],
        "retained": retained,
        "cut": np.maximum(gap, 0.0).mean(axis=1) * w
        + _wedge(surface, s, side, w, edge_z, required),
        "fill": np.maximum(-gap, 0.0).mean(axis=1) * w,
    }
    for value in out.values():
        value[~here] = np.nan
    out["pavement"] = pavement
    out["required"] = required
    return out


def _wedge(
    surface: Surface, s: NDArray, side: int, width: NDArray, edge_z: NDArray, required: NDArray
) -> NDArray:
    """Area of what stands above the target line outside the hinge until the ground falls to it.

    A shoulder cut down to its slope would leave this standing as a bank that holds water; where
    the ground never falls to the line within 8 m nothing is cut.
    """
    step = 0.02
    beyond = (np.arange(400) + 0.5) * step
    t = width[:, None] + beyond
    gap = surface.outward(s[:, None], side, t) - edge_z[:, None] + required[:, None] * t
    standing = np.logical_and.accumulate(gap > 0.0, axis=1)
    area = np.where(standing, gap, 0.0).sum(axis=1) * step
    return np.where(standing[:, -1], 0.0, area)


def _retained(surface: Surface, s: NDArray, side: int, width: NDArray) -> NDArray:
    """Depth of water that the section holds between crown and hinge."""
    edge = surface.value("edge", s, side)
    depth = surface.value("depth", s, side)
    fore = surface.value("fore", s, side)
    reach = width + np.maximum(depth / fore, 0.5)
    inner = -CLEAR_M - (edge - CLEAR_M)[:, None] * np.linspace(1.0, 0.0, 12)[None, :]
    shoulder = width[:, None] * np.concatenate([[1e-6, 0.02], np.linspace(0.04, 1.0, 60)])
    outer = width[:, None] + (reach - width)[:, None] * np.linspace(0.02, 1.0, 30)
    t = np.concatenate([inner, shoulder, outer], axis=1)
    z = surface.outward(s[:, None], side, t)
    inward = np.maximum.accumulate(z, axis=1)
    outward = np.maximum.accumulate(z[:, ::-1], axis=1)[:, ::-1]
    held = np.minimum(inward, outward) - z
    return held[:, : inner.shape[1] + shoulder.shape[1]].max(axis=1)


def _kinds(spec: Spec, s: NDArray, side: int) -> tuple[NDArray, NDArray, NDArray]:
    """Index of the stretch (-1 none) at the middle of each row, and if rows are of one kind."""
    main = np.full(s.shape, -1)
    pure = np.ones(s.shape[0], bool)
    strongest = np.zeros(s.shape)
    for i, stretch in enumerate(spec.stretches):
        if stretch.side != side:
            continue
        share = stretch_share(stretch, s)
        main[share > np.maximum(strongest, 0.5)] = i
        strongest = np.maximum(strongest, share)
        pure &= (share.min(axis=1) >= 1.0) | (share.max(axis=1) <= 0.0)
    centre = main[:, s.shape[1] // 2]
    return centre, pure, strongest


def tell_truth(
    spec: Spec, axis: Axis, xy: NDArray, s: NDArray, *, average_m: float = 20.0
) -> Truth:
    """Return the truth at stations `s` of the handed-out centreline.

    Parameters
    ----------
    spec, axis : Spec, Axis
    xy : (m, 2) array
        Handed-out centreline.
    s : (n,) array
        Stations on it, metres from its first vertex.
    average_m : float
        Averaging length along the road; 0 looks at single sections.

    Returns
    -------
    Truth
    """
    surface = build_surface(spec)
    n = len(s)
    axis_o, _ = line_position(axis, xy, s, surface.crown_offset)
    shape = (n, 2)
    number = {
        f.name: np.full(shape, np.nan)
        for f in fields(Truth)
        if f.name not in ("s", "axis_o", "average_m")
    }
    words = {
        name: np.full(shape, "none", object) for name in ("defect", "cause", "treatment", "kind")
    }
    flags = {
        name: np.zeros(shape, bool)
        for name in ("fails", "ditch_blocked", "edge_of_stretch", "treatment_clear")
    }
    number.update(words)
    number.update(flags)
    span = np.linspace(-0.5, 0.5, ALONG) * average_m
    for side in (0, 1):
        _fill_side(spec, axis, surface, xy, s, side, span, number)
    return Truth(s=s, axis_o=axis_o, average_m=average_m, **number)


def _fill_side(
    spec: Spec,
    axis: Axis,
    surface: Surface,
    xy: NDArray,
    s: NDArray,
    side: int,
    span: NDArray,
    out: dict[str, NDArray],
) -> None:
    sign = 1.0 if side else -1.0

    def line(*parts: str) -> Callable[[NDArray], NDArray]:
        def offset(q: NDArray) -> NDArray:
            return surface.crown_offset(q) + sign * sum(surface.value(p, q, side) for p in parts)

        return offset

    def ditch(q: NDArray) -> NDArray:
        hinge_below = surface.edge_height(q, side) - surface.outward(
            q, side, surface.value("width", q, side) + 1e-9
        )
        fall = np.maximum(surface.value("depth", q, side) - hinge_below, 0.0)
        run = fall / surface.value("fore", q, side)
        middle = run + 0.5 * surface.value("bottom", q, side)
        return line("edge", "width")(q) + sign * middle

    edge_o, true_s = line_position(axis, xy, s, line("edge"))
    hinge_o, _ = line_position(axis, xy, s, line("edge", "width"))
    ditch_o, _ = line_position(axis, xy, s, ditch)
    width = surface.value("width", true_s, side)
    here = width > 0.05
    out["true_s"][:, side] = true_s
    out["edge_u"][:, side] = sign * edge_o
    out["hinge_u"][:, side] = np.where(here, sign * hinge_o, np.nan)
    has_ditch = surface.value("back", true_s, side) > 0
    out["ditch_u"][:, side] = np.where(has_ditch, sign * ditch_o, np.nan)
    out["ditch_depth_m"][:, side] = np.where(
        has_ditch, surface.value("depth", true_s, side), np.nan
    )
    q = true_s[:, None] + span[None, :]
    part = section_truth(surface, spec, q.ravel(), side)
    mean = {k: v.reshape(q.shape).mean(axis=1) for k, v in part.items()}
    at = section_truth(surface, spec, true_s, side)
    out["pavement_slope_pct"][:, side] = 100 * mean["pavement"]
    out["shoulder_slope_pct"][:, side] = 100 * mean["slope"]
    out["shoulder_slope_at_pct"][:, side] = 100 * at["slope"]
    out["required_pct"][:, side] = 100 * mean["required"]
    out["edge_drop_mm"][:, side] = 1000 * mean["drop"]
    out["edge_drop_at_mm"][:, side] = 1000 * at["drop"]
    for name in ("rut", "ridge", "retained"):
        out[f"{name}_mm"][:, side] = 1000 * mean[name]
    out["cut_m2"][:, side] = mean["cut"]
    out["fill_m2"][:, side] = mean["fill"]
    rise = surface.edge_height(true_s + 1.0, side) - surface.edge_height(true_s - 1.0, side)
    out["grade_pct"][:, side] = 50.0 * rise

    main, pure, _ = _kinds(spec, q, side)
    names = np.array([*(x.kind for x in spec.stretches), "none"], object)[main]
    out["cause"][:, side] = names
    found = np.array([DEFECTS.get(x, "none") for x in names], object)
    if spec.unpaved:
        # where a banked curve begins a shoulder in the road's plane lies level with it
        flat = too_flat(spec, part["slope"], part["required"]).reshape(q.shape)
        level = (names == "none") & flat.all(axis=1)
        found[level] = np.where(mean["slope"] < 0.0, "reversed", "flat")[level]
        pure &= flat.all(axis=1) | ~flat.any(axis=1)
    kind = np.full(len(s), "no edge" if spec.unpaved else "shoulder", object)
    kind[names == "kerb"] = "kerb"
    kind[~here] = "no shoulder"
    found[~here & (found != "blocked ditch")] = "none"
    edge_mixed = ~pure | (here != (surface.value("width", q, side) > 0.05).all(axis=1))
    for d in spec.driveways:
        if d.side == side:
            reach = np.abs(true_s - d.at_m)
            edge_mixed |= reach < 0.5 * d.width_m + 1.5 + span[-1]
            kind[reach < 0.5 * d.width_m + 1.5] = "driveway"
    inner = sign * (surface.value("edge", true_s, side))
    outer = inner + sign * width
    for h in spec.holes:
        covers = (h.from_o_m < np.maximum(inner, outer)) & (h.to_o_m > np.minimum(inner, outer))
        inside = (q > h.begin_m) & (q < h.end_m)
        kind[covers & inside[:, len(span) // 2]] = "hole"
        edge_mixed |= covers & inside.any(axis=1) & ~inside.all(axis=1)
    blocked = found == "blocked ditch"
    fails = np.isin(found, list(set(DEFECTS.values()) - {"blocked ditch"}))
    usable = np.isin(kind, ("shoulder", "no edge"))
    found[~usable & ~blocked] = "none"
    fails &= usable
    balance = RECOVERY * COMPACTED_PER_BANK * mean["cut"] - mean["fill"] + THIN_M * width
    low = np.nan_to_num(mean["drop"]) > EROSION_M
    work = np.where(low | (balance < 0), "replenish", "reshape").astype(object)
    work[~fails] = "none"
    sure = (np.abs(balance) > 0.01) & (np.abs(np.nan_to_num(mean["drop"]) - EROSION_M) > 0.008)
    out["treatment_clear"][:, side] = ~fails | sure | (low & (balance < -0.01))
    out["defect"][:, side] = found
    out["kind"][:, side] = kind
    out["fails"][:, side] = fails
    out["ditch_blocked"][:, side] = blocked
    out["treatment"][:, side] = work
    out["edge_of_stretch"][:, side] = edge_mixed


def true_volumes(
    spec: Spec, side: int, begin_m: float, end_m: float, *, step_m: float = 0.5
) -> tuple[float, float]:
    """Return cut and fill in cubic metres between two true distances (areas as in `Truth`)."""
    surface = build_surface(spec)
    count = max(int(np.ceil((end_m - begin_m) / step_m)), 1)
    s = begin_m + (np.arange(count) + 0.5) * (end_m - begin_m) / count
    part = section_truth(surface, spec, s, side)
    length = (end_m - begin_m) / count
    return (float(np.nansum(part["cut"]) * length), float(np.nansum(part["fill"]) * length))
