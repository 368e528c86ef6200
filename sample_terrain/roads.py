"""Invented roads: the two of the sample valley, and unseen ones drawn at random."""

import numpy as np

from sample_terrain.axis import Piece
from sample_terrain.spec import Driveway, Hole, Obstacle, Roadside, Spec, Stretch, Superelevation

__all__ = ["RANDOM_KINDS", "lane", "random_spec", "valley_road"]

LEFT, RIGHT = 0, 1

RANDOM_KINDS = (
    "ordinary",
    "width change",
    "one-sided",
    "kerbed",
    "no shoulder",
    "cut and fill",
    "superelevated",
    "paved part",
    "crown off-centre",
    "gravel",
    "cluttered",
)
"""Kinds of road that `random_spec` draws."""


def _fill(begin: float, height: float) -> Roadside:
    return Roadside(begin, 1 / 3, height, 0.0, -0.04, 0.0, -0.04)


def _cut(begin: float, *, depth: float = 0.6, run: float = 4.0) -> Roadside:
    return Roadside(begin, 1 / 4, depth, 0.4, 1 / 2, run, 0.12)


def _curve(spiral: float, arc: float, radius: float) -> tuple[Piece, Piece, Piece]:
    k = 1.0 / radius
    return Piece(spiral, 0.0, k), Piece(arc, k, k), Piece(spiral, k, 0.0)


def valley_road() -> Spec:
    """Return the main road of the sample: 3 km with every defect once or more."""
    return Spec(
        name="Velmarrow Road",
        pieces=(
            Piece(300),
            *_curve(70, 120, 220),
            Piece(200),
            *_curve(60, 110, -160),
            Piece(260),
            *_curve(80, 200, 350),
            Piece(180),
            *_curve(70, 150, -260),
            Piece(300),
            *_curve(60, 150, 400),
            Piece(390),
        ),
        heading_deg=84.0,
        grades=(
            (0, 0.020),
            (600, 0.035),
            (1100, 0.010),
            (1600, -0.030),
            (2300, -0.045),
            (2600, -0.020),
            (2800, 0.010),
            (3040, 0.025),
        ),
        widths=((0, 7.0), (1180, 7.0), (1280, 6.2), (2640, 6.2), (2740, 7.8)),
        superelevations=(
            Superelevation(295, 565, 0.05, 70),
            Superelevation(755, 995, -0.08, 65),
            Superelevation(1250, 1610, 0.04, 70),
            Superelevation(1785, 2085, -0.05, 70),
            Superelevation(2380, 2650, 0.03, 60),
        ),
        shoulder=(
            ((0, 1.5), (1240, 1.5), (1300, 1.8), (2600, 1.8), (2680, 1.4)),
            ((0, 1.8), (520, 1.8), (580, 1.5), (2060, 1.5), (2120, 2.0)),
        ),
        margin=(0.006, 0.008),
        roadside=(
            (_cut(0), _fill(500, 1.6), _cut(1000), _fill(1560, 1.4), _cut(2060)),
            (_fill(0, 1.5), _cut(480), _fill(1180, 2.0), _cut(2050, depth=0.7)),
        ),
        stretches=(
            Stretch("flat", LEFT, 70, 190),
            Stretch("rutted", RIGHT, 120, 220),
            Stretch("too steep", RIGHT, 250, 335),
            Stretch("scarce", RIGHT, 385, 485),
            Stretch("eroded", LEFT, 570, 660),
            Stretch("flat", RIGHT, 660, 750),
            Stretch("reversed", LEFT, 825, 925),
            Stretch("breakover", RIGHT, 830, 920),
            Stretch("lip", LEFT, 1010, 1100),
            Stretch("reversed", RIGHT, 1060, 1165),
            Stretch("blocked ditch", LEFT, 1130, 1240),
            Stretch("flat", RIGHT, 1360, 1460),
            Stretch("scarce", LEFT, 1625, 1720),
            Stretch("high", RIGHT, 1645, 1730),
            Stretch("eroded", LEFT, 1880, 1970),
            Stretch("lip", RIGHT, 2095, 2185),
            Stretch("rutted", LEFT, 2120, 2220),
            Stretch("flat", RIGHT, 2230, 2370, 0.005),
            Stretch("reversed", RIGHT, 2470, 2565),
            Stretch("blocked ditch", RIGHT, 2650, 2780),
            Stretch("kerb", LEFT, 2680, 2760),
            Stretch("no shoulder", LEFT, 2790, 2870),
            Stretch("eroded", RIGHT, 2820, 2905),
            Stretch("flat", LEFT, 2900, 2990),
            Stretch("ridge", RIGHT, 2930, 3005),
        ),
        driveways=(
            Driveway(RIGHT, 610),
            Driveway(LEFT, 1290, 8.0, 0.0),
            Driveway(LEFT, 2300, 5.0, 0.02),
        ),
        holes=(Hole(1752, 1790, 2.0, 11.0), Hole(2395, 2430, -12.0, -2.5)),
        obstacles=(
            Obstacle("bush", 262.0, -5.0, 0.5, 0.6),
            Obstacle("bush", 1015.0, 5.6, 0.7, 0.8),
            Obstacle("car", 1210.0, 4.4, 1.4),
            Obstacle("bush", 1571.0, -4.8, 0.4, 0.5),
            Obstacle("bush", 2705.0, 5.7, 0.6, 0.7),
        ),
    )


def lane() -> Spec:
    """Return the side road of the sample: a narrow lane of 800 m."""
    return Spec(
        name="Quillhanger Lane",
        pieces=(Piece(180), *_curve(50, 80, -140), Piece(150), *_curve(50, 90, 180), Piece(140)),
        grades=((0, 0.0), (200, 0.04), (500, 0.05), (840, 0.015)),
        widths=((0, 5.4),),
        superelevations=(Superelevation(180, 362, -0.06, 55), Superelevation(510, 702, 0.05, 55)),
        shoulder=(((0, 1.2),), ((0, 1.4),)),
        margin=(0.004, 0.007),
        roadside=((_cut(0, depth=0.5),), (_fill(0, 0.9), _cut(400, depth=0.5))),
        stretches=(
            Stretch("scarce", LEFT, 60, 150),
            Stretch("reversed", RIGHT, 80, 165),
            Stretch("flat", LEFT, 225, 320),
            Stretch("lip", RIGHT, 385, 470),
            Stretch("rutted", LEFT, 400, 490),
            Stretch("eroded", RIGHT, 560, 650),
            Stretch("flat", LEFT, 715, 800),
        ),
        driveways=(Driveway(RIGHT, 690, 5.0),),
    )


def random_spec(
    seed: int,
    kind: str = "ordinary",
    *,
    length_m: float | None = None,
    shoulder_width_m: float | None = None,
    defects: tuple[str, ...] = ("flat", "reversed", "high", "lip", "rutted", "eroded", "scarce"),
    failing_share: float = 0.4,
) -> Spec:
    """Draw an unseen road.

    Parameters
    ----------
    seed : int
    kind : str
        One of `RANDOM_KINDS`.
    length_m : float, optional
        Length of the handed-out part; default drawn from 500 to 1500 m.
    shoulder_width_m : float, optional
        Default drawn from 1.2 to 2.5 m for each side.
    defects : tuple of str
        Kinds of stretches to draw from; empty for a sound road.
    failing_share : float
        Rough share of the length that gets a defect.

    Returns
    -------
    Spec
    """
    if kind not in RANDOM_KINDS:
        raise ValueError(f"unknown kind {kind!r}; choose from {', '.join(RANDOM_KINDS)}")
    rng = np.random.default_rng([seed, RANDOM_KINDS.index(kind)])
    lead = 20.0
    total = (length_m or float(rng.integers(500, 1501))) + 2 * lead
    pieces, bends = _random_alignment(rng, total, tight=kind == "superelevated")
    width = float(rng.uniform(6.0, 8.0)) if kind != "gravel" else float(rng.uniform(6.0, 7.0))
    widths = [(0.0, width)]
    if kind == "width change":
        at = float(rng.uniform(0.25, 0.6)) * total
        change = 2.0 if width < 7.0 else -2.0
        widths = [(0.0, width), (at, width), (at + 100.0, width + change)]
    shoulders = [
        shoulder_width_m or round(float(rng.uniform(1.2, 2.5)), 2),
        shoulder_width_m or round(float(rng.uniform(1.2, 2.5)), 2),
    ]
    if kind == "one-sided":
        shoulders[int(rng.integers(2))] = 0.0
    crown = (
        float(rng.uniform(0.8, 1.4) * rng.choice([-1, 1])) if kind == "crown off-centre" else 0.0
    )
    steep = 0.02 if kind != "gravel" else 0.04
    roadside = tuple(_random_roadside(rng, total, kind) for _ in (0, 1))
    supers = tuple(
        Superelevation(b - 5.0, e + 5.0, r, (0.35 * (e - b)) if e - b < 180 else 65.0)
        for b, e, r in bends
    )
    side_stretches: list[Stretch] = []
    for side in (0, 1):
        if shoulders[side] > 0:
            side_stretches += _random_stretches(
                rng, side, total, kind, defects, failing_share, bends
            )
    driveways: tuple[Driveway, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    holes: tuple[Hole, ...] = ()
    if kind == "cluttered":
        driveways = tuple(
            Driveway(
                int(rng.integers(2)),
                float(q),
                float(rng.uniform(4, 8)),
                float(rng.uniform(-0.02, 0.03)),
            )
            for q in np.arange(90.0, total - 60.0, 170.0) + rng.uniform(-40, 40)
        )
        obstacles = tuple(
            Obstacle(
                str(rng.choice(["bush", "bush", "car"])),
                float(q),
                float(rng.choice([-1, 1]) * (0.5 * width + rng.uniform(0.3, 1.8))),
                float(rng.uniform(0.3, 1.4)),
                float(rng.uniform(0.4, 0.9)),
            )
            for q in np.arange(50.0, total - 40.0, 60.0) + rng.uniform(-15, 15)
        )
        at = float(rng.uniform(0.3, 0.7)) * total
        side = float(rng.choice([-1, 1]))
        lo, hi = sorted((side * 2.5, side * 12.0))
        holes = (Hole(at, at + 35.0, lo, hi),)
    grade0 = float(rng.uniform(-0.05, 0.05))
    return Spec(
        name=f"Unseen {kind} {seed}",
        pieces=pieces,
        heading_deg=float(rng.uniform(0, 360)),
        grades=((0.0, grade0), (0.5 * total, float(rng.uniform(-0.05, 0.05))), (total, -grade0)),
        widths=tuple(widths),
        crown=((0.0, crown),),
        cross_slope=steep,
        superelevations=supers,
        shoulder=tuple(((0.0, w),) for w in shoulders),
        margin=(float(rng.uniform(0.0, 0.01)), float(rng.uniform(0.0, 0.01))),
        unpaved=kind == "gravel",
        roadside=roadside,
        stretches=tuple(side_stretches),
        driveways=driveways,
        obstacles=obstacles,
        holes=holes,
    )


def _random_alignment(
    rng: np.random.Generator, total: float, *, tight: bool
) -> tuple[tuple[Piece, ...], list[tuple[float, float, float]]]:
    """Draw straights and curves; return them with (begin, end, rate) of each banked curve."""
    pieces: list[Piece] = []
    bends = []
    at = 0.0
    turn = float(rng.choice([-1.0, 1.0]))
    while total - at > 330.0:
        straight = float(rng.uniform(70, 160))
        radius = float(rng.uniform(150, 260)) if tight else float(rng.uniform(300, 900))
        spiral = float(rng.uniform(55, 80))
        arc = float(rng.uniform(60, 120))
        rate = float(rng.uniform(0.06, 0.08)) if tight else min(0.06, 12.0 / radius)
        pieces += [Piece(straight), *_curve(spiral, arc, turn * radius)]
        begin = at + straight
        at = begin + 2 * spiral + arc
        if rate > 0.025:
            bends.append((begin, at, turn * rate))
        turn = -turn
    pieces.append(Piece(total - at))
    return tuple(pieces), bends


def _random_roadside(rng: np.random.Generator, total: float, kind: str) -> tuple[Roadside, ...]:
    def one(begin: float, fill: bool) -> Roadside:
        if fill:
            return _fill(begin, float(rng.uniform(0.6, 2.5)))
        return Roadside(
            begin,
            1.0 / float(rng.uniform(2.5, 5.0)),
            float(rng.uniform(0.4, 0.9)),
            float(rng.uniform(0.3, 0.8)),
            1.0 / float(rng.uniform(1.5, 3.0)),
            float(rng.uniform(2.0, 6.0)),
            float(rng.uniform(-0.05, 0.15)),
        )

    fill = bool(rng.integers(2))
    runs = [one(0.0, fill)]
    if kind == "cut and fill":
        for q in np.arange(150.0, total, 180.0):
            fill = not fill
            runs.append(one(float(q + rng.uniform(-30, 30)), fill))
    return tuple(runs)


def _random_stretches(
    rng: np.random.Generator,
    side: int,
    total: float,
    kind: str,
    defects: tuple[str, ...],
    share: float,
    bends: list[tuple[float, float, float]],
) -> list[Stretch]:
    """Draw stretches one after another; gaps between them make the sound part."""
    out: list[Stretch] = []
    special = {"kerbed": "kerb", "no shoulder": "no shoulder", "paved part": "paved part"}.get(kind)
    at = 30.0 + float(rng.uniform(0, 60))
    turn_special = special is not None
    queue: list[str] = []
    while True:
        length = float(rng.uniform(70, 130))
        if at + length > total - 30.0:
            return out
        if turn_special:
            out.append(Stretch(str(special), side, at, at + length))
            turn_special = False
        else:
            if defects:
                if not queue:
                    queue = [str(d) for d in rng.permutation(list(defects))]
                name = queue.pop()
                sign = 1.0 if side else -1.0
                high_side = any(
                    b < at + length and at < e and sign * rate < 0 for b, e, rate in bends
                )
                if high_side and name not in ("rutted", "eroded", "scarce"):
                    # beside a banked-up edge these would be a matter of opinion
                    wanted = [d for d in defects if d in ("rutted", "eroded", "scarce")]
                    name = str(rng.choice(wanted)) if wanted else ""
                if name:
                    out.append(_random_defect(rng, name, side, at, at + length))
            turn_special = special is not None
        at += length + float(rng.uniform(0.6, 1.4)) * length * (1.0 - share) / share


def _random_defect(
    rng: np.random.Generator, name: str, side: int, begin: float, end: float
) -> Stretch:
    low, high = {
        "flat": (0.003, 0.01),
        "reversed": (-0.03, -0.015),
        "high": (0.05, 0.08),
        "lip": (0.055, 0.08),
        "rutted": (0.05, 0.065),
        "ridge": (0.05, 0.065),
        "eroded": (0.065, 0.085),
        "scarce": (0.06, 0.08),
        "blocked ditch": (0.08, 0.18),
    }[name]
    return Stretch(name, side, begin, end, float(rng.uniform(low, high)))
