"""What an invented road looks like: a description in the words of the trade, and its surface."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sample_terrain.axis import Axis, Piece, build_axis
from sample_terrain.surface import ROW_STEP_M, SIDE_FIELDS, Surface

__all__ = [
    "DEFECTS",
    "Driveway",
    "Hole",
    "Obstacle",
    "Roadside",
    "Spec",
    "Stretch",
    "Superelevation",
    "blend",
    "build_surface",
    "built_slope",
    "required_slope",
    "stretch_share",
    "too_flat",
]

DEFECTS = {
    "flat": "flat",
    "reversed": "reversed",
    "high": "high",
    "lip": "high",
    "rutted": "rutted",
    "eroded": "eroded edge",
    "scarce": "eroded edge",
    "ridge": "rutted",
    "too steep": "too steep",
    "breakover": "breakover",
    "blocked ditch": "blocked ditch",
}
"""Finding that each kind of stretch should lead to; kinds not listed are no defect."""

AMOUNTS = {
    "flat": 0.008,  # cross slope
    "reversed": -0.02,  # cross slope
    "too steep": 0.12,  # cross slope
    "breakover": 0.04,  # cross slope, beside a pavement that is banked up
    "high": 0.06,  # m above the pavement
    "lip": 0.06,  # m
    "rutted": 0.055,  # m
    "ridge": 0.055,  # m
    "eroded": 0.075,  # m
    "scarce": 0.065,  # m below the pavement
    "blocked ditch": 0.15,  # m, what is left of the depth below the pavement edge
    "kerb": 0.12,  # m
    "paved part": 0.8,  # m of the shoulder
    "no shoulder": 0.0,
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A run of one side where something is different.

    Attributes
    ----------
    kind : str
        One of `DEFECTS`, or "kerb", "paved part" or "no shoulder".
    side : int
        0 left, 1 right.
    begin_m, end_m : float
        Along the true axis; the tapers lie inside.
    amount : float, optional
        Size in the unit of the kind (see `AMOUNTS`); None takes the usual one.
    taper_m : float
        Length over which it starts and ends.
    """

    kind: str
    side: int
    begin_m: float
    end_m: float
    amount: float | None = None
    taper_m: float = 10.0

    @property
    def size(self) -> float:
        """The amount, or the usual one of this kind."""
        return AMOUNTS[self.kind] if self.amount is None else self.amount


@dataclass(frozen=True, slots=True)
class Superelevation:
    """Pavement falling one way; `rate` is a fraction, positive where the right side is low."""

    begin_m: float
    end_m: float
    rate: float
    runoff_m: float = 60.0


@dataclass(frozen=True, slots=True)
class Roadside:
    """What lies outside the hinge from `begin_m` on.

    A cut has a ditch (`bottom_m` > 0) and a back slope that rises; on a fill `depth_m` is the
    height of the fill, and the ground beyond its toe goes on at `natural`.
    """

    begin_m: float
    foreslope: float = 1 / 4
    depth_m: float = 0.6
    bottom_m: float = 0.4
    back: float = 1 / 3
    back_run_m: float = 4.0
    natural: float = 0.1


@dataclass(frozen=True, slots=True)
class Driveway:
    """A side access across the shoulder and the ditch (culverted)."""

    side: int
    at_m: float
    width_m: float = 6.0
    slope: float = 0.01


@dataclass(frozen=True, slots=True)
class Hole:
    """Cells without data, in true distance and offset (right positive)."""

    begin_m: float
    end_m: float
    from_o_m: float
    to_o_m: float


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A bush or a parked car left in the grid."""

    kind: str
    at_m: float
    o_m: float
    height_m: float = 0.6
    radius_m: float = 0.7


@dataclass(frozen=True, slots=True)
class Spec:
    """A road. Lengths in metres, slopes as fractions, knots as (distance, value) pairs.

    Attributes
    ----------
    pieces : tuple of Piece
        Alignment.
    grades : knots
        Grade along the road, straight lines between the knots: parabolic sags and crests.
    widths : knots
        Pavement width, symmetrical about the axis.
    crown : knots
        Offset of the crown from the middle of the pavement, right positive.
    cross_slope : float
        Pavement cross slope of the normal crown.
    shoulder : pair of knots
        Shoulder width left and right; 0 is none.
    margin : pair of float
        What a sound shoulder has over the slope that it is built to, left and right.
    least_slope, over_pavement, breakover, most_slope : float
        Rule for the slope to build: pavement + `over_pavement`, at least `least_slope`, never
        more than `breakover` beyond the pavement (common practice: 2 % beside 4 %), nor steeper
        than `most_slope` unless the pavement itself is.
    crown_most : float
        Beyond this the pavement is the low side of a curve, where no more is required than that
        the shoulder follows it; the road is built steeper there all the same.
    tolerance : float
        How much flatter than required a shoulder may be.
    level_slope : float
        What falls towards an unpaved road by less is as good as level.
    unpaved : bool
        A gravel road: the shoulder goes on at the pavement's slope, no edge can be seen.
    """

    name: str
    pieces: tuple[Piece, ...]
    start_xy: tuple[float, float] = (412_000.0, 5_510_000.0)
    heading_deg: float = 80.0
    start_height_m: float = 142.0
    grades: tuple[tuple[float, float], ...] = ((0.0, 0.01),)
    widths: tuple[tuple[float, float], ...] = ((0.0, 7.0),)
    crown: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    cross_slope: float = 0.02
    superelevations: tuple[Superelevation, ...] = ()
    shoulder: tuple[tuple[tuple[float, float], ...], ...] = (((0.0, 1.5),), ((0.0, 1.5),))
    margin: tuple[float, float] = (0.006, 0.006)
    least_slope: float = 0.04
    over_pavement: float = 0.02
    breakover: float = 0.08
    most_slope: float = 0.08
    crown_most: float = 0.025
    tolerance: float = 0.01
    level_slope: float = 0.02
    unpaved: bool = False
    roadside: tuple[tuple[Roadside, ...], ...] = ((Roadside(0.0),), (Roadside(0.0),))
    stretches: tuple[Stretch, ...] = ()
    driveways: tuple[Driveway, ...] = ()
    holes: tuple[Hole, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    lead_m: float = field(default=20.0)

    @property
    def length_m(self) -> float:
        """Length of the true axis."""
        return sum(p.length_m for p in self.pieces)

    def axis(self) -> Axis:
        """Return the true axis."""
        return build_axis(self.pieces, self.start_xy, self.heading_deg)


def blend(x: NDArray) -> NDArray:
    """Rise smoothly from 0 at x <= 0 to 1 at x >= 1."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def stretch_share(stretch: Stretch, s: NDArray) -> NDArray:
    """Return 0..1, how fully the stretch holds at distances `s`."""
    taper = max(stretch.taper_m, 1e-6)
    return np.minimum(blend((s - stretch.begin_m) / taper), blend((stretch.end_m - s) / taper))


def built_slope(spec: Spec, pavement: NDArray) -> NDArray:
    """Return the slope (fraction) that shoulders are built to beside a pavement's (fraction)."""
    return _within_limits(spec, pavement + spec.over_pavement, pavement)


def required_slope(spec: Spec, pavement: NDArray, shoulder: NDArray | None = None) -> NDArray:
    """Return the required shoulder slope (fraction) beside a pavement cross slope (fraction).

    On the low side of a curve the shoulder needs only to follow the pavement, and everywhere on an
    unpaved road. On the high side of one it may also drain over the road: a `shoulder` that lies so
    has to stay in the road's plane.
    """
    over = 0.0 if spec.unpaved else spec.over_pavement
    crown = np.minimum(pavement, spec.crown_most) + over
    outward = _within_limits(spec, np.maximum(crown, pavement), pavement)
    if shoulder is None or not spec.unpaved:
        return outward
    over_road = (shoulder <= -spec.level_slope) & (pavement <= -spec.level_slope)
    return np.where(over_road, pavement, outward)


def too_flat(spec: Spec, shoulder: NDArray, required: NDArray) -> NDArray:
    """Return where a shoulder (fractions) falls less than required by more than is tolerated."""
    return shoulder < required - spec.tolerance


def _within_limits(spec: Spec, wanted: NDArray, pavement: NDArray) -> NDArray:
    wanted = np.minimum(np.maximum(wanted, spec.least_slope), pavement + spec.breakover)
    return np.minimum(wanted, np.maximum(spec.most_slope, pavement))


def _knots(knots: tuple[tuple[float, float], ...], s: NDArray) -> NDArray:
    at, value = np.array(knots, float).T
    return np.interp(s, at, value)


def _profile(spec: Spec, s: NDArray) -> NDArray:
    """Height of the crown: the grade integrated exactly between its knots."""
    nodes = np.unique(np.concatenate([s, [k[0] for k in spec.grades]]))
    grade = _knots(spec.grades, nodes)
    rise = np.concatenate([[0.0], np.cumsum(0.5 * (grade[1:] + grade[:-1]) * np.diff(nodes))])
    return spec.start_height_m + np.interp(s, nodes, rise - np.interp(0.0, nodes, rise))


def _pavement_slopes(spec: Spec, s: NDArray) -> tuple[NDArray, NDArray]:
    """Return left and right pavement cross slopes; both halves turn as one beyond the crown."""
    left = np.full(s.shape, spec.cross_slope)
    right = left.copy()
    for e in spec.superelevations:
        share = np.minimum(blend((s - e.begin_m) / e.runoff_m), blend((e.end_m - s) / e.runoff_m))
        rate = abs(e.rate)
        high = -(rate + spec.cross_slope) * share
        low = max(rate - spec.cross_slope, 0.0) * share
        left += low if e.rate < 0 else high
        right += high if e.rate < 0 else low
    return left, right


def build_surface(spec: Spec) -> Surface:
    """Return the ground of a road.

    Parameters
    ----------
    spec : Spec

    Returns
    -------
    Surface
        Its table has a row each `ROW_STEP_M` metres of the true axis.
    """
    s = np.arange(int(np.ceil(spec.length_m / ROW_STEP_M)) + 1) * ROW_STEP_M
    columns = [_profile(spec, s), _knots(spec.crown, s)]
    half = 0.5 * _knots(spec.widths, s)
    pavements = _pavement_slopes(spec, s)
    for side in (0, 1):
        sign = 1.0 if side else -1.0
        v = {name: np.zeros(s.shape) for name in SIDE_FIELDS}
        v["edge"] = half - sign * columns[1]
        v["pavement"] = pavements[side]
        v["width"] = _knots(spec.shoulder[side], s)
        sound = built_slope(spec, v["pavement"]) + spec.margin[side]
        v["slope"] = v["pavement"].copy() if spec.unpaved else sound
        _outside(spec.roadside[side], s, v)
        for stretch in spec.stretches:
            if stretch.side == side:
                _apply(stretch, s, v)
        for d in spec.driveways:
            if d.side == side:
                reach = np.abs(s - d.at_m) - 0.5 * d.width_m
                v["drive"] = np.maximum(v["drive"], 1.0 - blend(reach / 1.5))
                v["drive_slope"] = np.where(v["drive"] > 0, d.slope, v["drive_slope"])
        columns += [v[name] for name in SIDE_FIELDS]
    return Surface(np.ascontiguousarray(np.column_stack(columns)))


def _outside(runs: tuple[Roadside, ...], s: NDArray, v: dict[str, NDArray]) -> None:
    names = {
        "fore": "foreslope",
        "depth": "depth_m",
        "bottom": "bottom_m",
        "back": "back",
        "back_run": "back_run_m",
        "natural": "natural",
    }
    for field_name, attribute in names.items():
        value = np.full(s.shape, getattr(runs[0], attribute))
        for run in runs[1:]:
            share = blend((s - run.begin_m) / 25.0)
            value += share * (getattr(run, attribute) - value)
        v[field_name] = value


def _apply(stretch: Stretch, s: NDArray, v: dict[str, NDArray]) -> None:
    share = stretch_share(stretch, s)
    inside = share > 0
    size = stretch.size
    width = v["width"]
    match stretch.kind:
        case "flat" | "reversed" | "too steep" | "breakover":
            v["slope"] += share * (size - v["slope"])
        case "high":
            v["drop"] -= share * size
        case "scarce":
            v["drop"] += share * size
        case "lip":
            v["lip_height"] += share * size
            v["lip_width"][inside] = 0.6 * width[inside]
        case "rutted":
            # what the wheel pressed out stands as a low ridge on the outer side
            v["rut_depth"] += share * size
            v["rut_at"][inside] = 0.42 * width[inside]
            v["rut_half"][inside] = np.minimum(0.42, 0.3 * width[inside])
            v["ridge_height"] += share * 0.35 * size
            v["ridge_at"][inside] = 0.8 * width[inside]
            v["ridge_half"][inside] = 0.2 * width[inside]
        case "ridge":
            v["ridge_height"] += share * size
            v["ridge_at"][inside] = 0.7 * width[inside]
            v["ridge_half"][inside] = np.minimum(0.45, 0.3 * width[inside])
        case "eroded":
            v["worn_depth"] += share * size
            v["worn_width"][inside] = 0.3 * width[inside]
        case "blocked ditch":
            v["depth"] += share * (size - v["depth"])
            v["bottom"] += share * (1.2 - v["bottom"])
        case "kerb":
            v["kerb"] += share * size
            v["slope"] += share * (0.02 - v["slope"])
        case "paved part":
            paved = share * np.minimum(size, 0.6 * width)
            v["edge"] += paved
            v["width"] -= paved
        case "no shoulder":
            v["width"] *= 1.0 - share
        case _:
            raise ValueError(f"unknown kind of stretch {stretch.kind!r}")
