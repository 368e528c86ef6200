"""A long road measured in pieces, so that its length costs no memory.

A piece is looked at a little beyond its ends, where the search has no neighbours to lean on, and
what is found beyond them is left out. The pieces of a road follow from its length alone: whoever
screens it, in one go, with many workers or again after it was stopped, measures the same pieces
and so finds the same to the last bit. What a whole road teaches (how the grid was made, how the
strips of its points stand to each other, what its shoulders are like) isn't learnt piece by piece:
the first is told beforehand from samples all along it, the second from all its points, the third
afterwards from all that was measured.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from itertools import islice, pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import NoGroundError, VergelineError
from analysis.common.hands import ABREAST, abreast, started
from analysis.common.memory import share_freed
from analysis.common.station_arrays import joined, stations_of
from analysis.common.types import Bools, Floats, Progress, share_of, shares_of_one
from analysis.corridor.door import as_made, no_ground, read, smeared
from analysis.corridor.grain import estimate_grain
from analysis.corridor.points import strips_along
from analysis.corridor.repeated import put_together
from analysis.corridor.ribbon import no_heights, none_read
from analysis.corridor.values import Case, Cells, Grain, Ground, Strips, Unread
from analysis.edges.values import end_to_end
from analysis.road.roadline import Tracker
from analysis.shoulder.values import Why
from analysis.study.corrections import given_breaks
from analysis.study.measuring import level_ground, run
from analysis.verdict.door import believe
from analysis.verdict.values import Measured

__all__ = [
    "OVERLAP_M",
    "PIECE_M",
    "WHOLE_M",
    "Piece",
    "PieceFound",
    "Taught",
    "look_at",
    "measure_piece",
    "measured_of",
    "pieces_of",
    "put_pieces_together",
    "taught_by",
]

PIECE_M, WHOLE_M = 4000.0, 6000.0
"""Usual length of a piece, and the longest road that is one piece."""

OVERLAP_M = 200.0
"""At least so much beyond its ends a piece is looked at: 90 % of the edges that two neighbours find
where they meet then lie within 0.05 of their error of each other, under a noise of 45 mm within
0.27 (with 250 m 0.18), and 90 % of all else within 0.15 (`tests.benchmarks.seams`, 12 km in pieces
of 2 km)."""

STOP_M = 60.0
"""Pieces are read from and to multiples of this, so that the blocks of road that their sections
and planes are taken over lie alike in neighbouring pieces: they are 5 and mostly 15 m long."""

SAMPLES, SAMPLE_M = 5, 300.0
"""How a grid was made is told from so many stretches all along a long road."""

READING = 0.35
"""Share of a piece's progress that is for reading it."""

_Rows = TypeVar("_Rows")


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of a road: stations that are looked at, and those that are kept.

    `low` to `high` is the ground that is read, `start` to `stop` the part of it that is the
    piece's own, metres along the road.
    """

    look: slice
    keep: slice
    low: float
    high: float
    start: float
    stop: float


@dataclass(frozen=True, slots=True)
class Taught:
    """What a long road as a whole teaches of its pieces; None: each tells it of itself.

    Attributes
    ----------
    grain
        How the grid was made.
    strips
        What the strips of its points have in common.
    """

    grain: Grain | None = None
    strips: Strips | None = None


@dataclass(frozen=True, slots=True)
class PieceFound:
    """What was measured on a piece, its own stations only.

    Attributes
    ----------
    measured, box_m
        At the stations that are kept.
    ground
        The piece's own ground; None where nobody asked for it.
    grain, every, cell_m
        How the grid was made.
    known
        Whether there is any ground where it looked.
    """

    measured: Measured
    box_m: Floats
    ground: Ground | None
    grain: Grain
    every: int
    cell_m: float
    known: bool


def pieces_of(case: Case) -> tuple[Piece, ...]:
    """Cut a road into pieces of about `PIECE_M`; a short one is a whole."""
    s, length = case.s, case.road.length_m
    count = 1 if length <= WHOLE_M else round(length / PIECE_M)
    bounds = np.linspace(0.0, length, count + 1)
    out = []
    for start, stop in pairwise(bounds.tolist()):
        low = max(0.0, np.floor((start - OVERLAP_M) / STOP_M) * STOP_M)
        high = min(length, np.ceil((stop + OVERLAP_M) / STOP_M) * STOP_M)
        look = np.searchsorted(s, [low, high + 1e-9])
        keep = np.searchsorted(s, [start, stop if stop < length else np.inf])
        ends = float(low), float(high), start, stop
        out.append(Piece(slice(*look.tolist()), slice(*keep.tolist()), *ends))
    return tuple(out)


def taught_by(case: Case, pieces: Sequence[Piece]) -> Taught:
    """Learn what a whole road teaches of its pieces.

    Raises
    ------
    TerrainError
        No point anywhere near the road, or a file can't be read.
    """
    if len(pieces) == 1:
        return Taught()
    if case.extras.points is not None:
        return Taught(strips=strips_along(case))
    return Taught(_grain_by_samples(case))


def _grain_by_samples(case: Case) -> Grain | None:
    """Tell from samples how the grid under a long road was made."""
    if case.settings.points_per_m2 is not None:
        return None
    length, found = case.road.length_m, []
    for middle in (np.arange(SAMPLES) + 0.5) * length / SAMPLES:
        try:
            part = read(case, span=(middle - 0.5 * SAMPLE_M, middle + 0.5 * SAMPLE_M))
        except NoGroundError:
            continue
        if len(part.cells):
            found.append(part.cells)
    return estimate_grain(put_together(_end_to_end(found))) if found else None


def look_at(
    case: Case, piece: Piece, taught: Taught, progress: Progress | None = None
) -> tuple[Case, Ground]:
    """Read the ground that a piece is looked at on; return it after the case of its stations.

    Parameters are those of `measure_piece`.
    """
    case = replace(case, strips=taught.strips)
    if piece.keep.stop - piece.keep.start == len(case.s):
        return case, read(case, progress)
    here = stations_of(case, piece.look)
    try:
        return here, read(here, progress, span=(piece.low, piece.high))
    except NoGroundError:
        return here, no_ground(case, (piece.low, piece.high))


def measure_piece(
    case: Case,
    piece: Piece,
    taught: Taught,
    *,
    ground: bool = False,
    looked: Callable[[], tuple[Case, Ground]] | None = None,
    progress: Progress | None = None,
) -> PieceFound:
    """Measure one piece of a road.

    Parameters
    ----------
    case
        The whole road.
    piece
        One of `pieces_of`.
    taught
        What the whole road teaches, as `taught_by` tells.
    ground
        Whether to hand back the piece's ground.
    looked
        Gives what `look_at` does, where that was begun before.
    progress
        Called with the share done and a few words; may raise `Cancelled`.
    """
    whole = piece.keep.stop - piece.keep.start == len(case.s)
    report = share_of(progress, 0.0, READING)
    here, found = look_at(case, piece, taught, report) if looked is None else looked()
    here, found = as_made(here, found, taught.grain)
    fixed = given_breaks(case.road, case.s, case.extras)
    fixed = fixed if whole else stations_of(fixed, piece.look)
    report = share_of(progress, READING, 1.0)
    measured = run(here, found, fixed, believing=whole, progress=report)
    found = level_ground(here, found, measured)
    kept = found if ground else None
    if not whole:
        first = piece.look.start
        inner = slice(piece.keep.start - first, piece.keep.stop - first)
        measured = _own_water(_own_stations(measured, inner, piece), piece)
        here = stations_of(here, inner)
        kept = _own_ground(found, piece) if ground else None
    cells = found.cells
    made = here.grain, cells.every, cells.cell_m
    return PieceFound(measured, here.box_m, kept, *made, len(cells) > 0)


def put_pieces_together(case: Case, parts: Sequence[PieceFound]) -> tuple[Case, Measured]:
    """Put the pieces of a road together: its case as the grid was made, and what was measured.

    Raises
    ------
    NoGroundError
        All of them lie in gaps of the grid, or where it can't be read.
    """
    if not any(part.known for part in parts):
        files = {
            reason.file
            for part in parts
            for reason in part.measured.shoulder.measures.reason.ravel()
            if reason is not None and reason.kind == Why.UNREAD
        }
        if files:
            raise none_read(case.grid, case.road.name, sorted(files))
        raise no_heights(case.grid, case.road, case.settings.half_width_m)
    if case.extras.points is None:
        known = next(part for part in parts if part.known)
        case = smeared(case, known.grain, known.every)
    case = replace(case, box_m=np.concatenate([part.box_m for part in parts]), grain=parts[0].grain)
    if len(parts) == 1:
        return case, parts[0].measured
    measured = joined([part.measured for part in parts])
    lines = [part.measured.breaks.along() for part in parts]
    measured = replace(measured, breaks=end_to_end(measured.breaks, lines))
    waters = [part.measured.water for part in parts]
    ditch = replace(
        measured.water.ditch,
        crossings=np.concatenate([water.ditch.crossings for water in waters]),
        sags=_rows_joined([water.ditch.sags for water in waters]),
    )
    water = replace(
        measured.water, ditch=ditch, ponds=_rows_joined([water.ponds for water in waters])
    )
    between = [part.measured.between for part in parts if part.measured.between is not None]
    told = believe(case, measured.shoulder.measures, joined(between) if between else None)
    return case, replace(measured, water=water, beliefs=told[0], between=told[1])


def measured_of(
    cases: Iterable[Case], progress: Iterable[Progress], pieces_abreast: int = ABREAST
) -> Iterator[tuple[Case, Callable[[], Ground], Measured] | VergelineError]:
    """Measure whole roads, some pieces at a time where there are hands; their ground is kept.

    Call what is given for the ground: it may still be put together beside other work. `progress` is
    told how far each road is; may raise `Cancelled`. For a road that can't be
    measured the error that says why is given.
    """
    share_freed()
    begun: deque[tuple[Case, int]] = deque()

    def works() -> Iterator[Callable[[Callable[[], None]], PieceFound | VergelineError]]:
        for case, report in zip(cases, progress, strict=False):
            report(0.0, "reading the terrain")
            try:
                pieces = pieces_of(case)
                # once for all pieces and samples, not for each of them
                prepared = replace(case, tracker=Tracker(case.road))
                taught = _beginning_to_teach(prepared, pieces)
            except VergelineError as error:
                begun.append((case, 1))
                yield partial(_given, error)
                continue
            begun.append((case, len(pieces)))
            reports = shares_of_one(report, [piece.stop - piece.start for piece in pieces])
            for piece, told in zip(pieces, reports, strict=True):
                yield partial(_measured, prepared, piece, taught, told)

    coming = abreast(works(), pieces_abreast)
    for first in coming:
        case, count = begun.popleft()
        yield _road_of(case, [first, *islice(coming, count - 1)])


def _beginning_to_teach(case: Case, pieces: Sequence[Piece]) -> Callable[[], Taught]:
    """Begin to learn what a whole road teaches, where its pieces can be read before that is known.

    Raises what `taught_by` does, at once or when it is asked for.
    """
    if _read_before_taught(case):
        return cache(started(partial(taught_by, case, pieces)))
    taught = taught_by(case, pieces)
    return lambda: taught


def _read_before_taught(case: Case) -> bool:
    """Whether what is read of a piece doesn't hang on what the whole road teaches."""
    return case.extras.points is None


def _road_of(
    case: Case, found: Sequence[PieceFound | VergelineError]
) -> tuple[Case, Callable[[], Ground], Measured] | VergelineError:
    """Put a road together, unless a piece of it or all of it can't be measured."""
    parts = [part for part in found if isinstance(part, PieceFound)]
    failed = [part for part in found if isinstance(part, VergelineError)]
    if failed:
        return failed[0]
    grounds = [part.ground for part in parts if part.ground]

    def join() -> Ground:
        joined_ground = _joined_ground(grounds)
        # whoever keeps the function doesn't keep the ground twice
        grounds.clear()
        return joined_ground

    ground = cache(started(join))
    try:
        case, measured = put_pieces_together(case, parts)
    except VergelineError as error:
        return error
    return case, ground, measured


def _given(error: VergelineError, _check: Callable[[], None]) -> VergelineError:
    return error


def _measured(
    case: Case,
    piece: Piece,
    taught: Callable[[], Taught],
    report: Progress,
    check: Callable[[], None],
) -> PieceFound | VergelineError:
    def tell(share: float, words: str) -> None:
        check()
        report(share, words)

    looked: Callable[[], tuple[Case, Ground]] | None = None
    try:
        if _read_before_taught(case):
            # handed over once, so that nobody holds what was read any longer
            looked = [look_at(case, piece, Taught(), share_of(tell, 0.0, READING))].pop
        return measure_piece(case, piece, taught(), ground=True, looked=looked, progress=tell)
    except VergelineError as error:
        return error


def _own_stations(measured: Measured, inner: slice, piece: Piece) -> Measured:
    """What was measured at the piece's own stations, with its own part of the breaks' line."""
    stop = np.inf if piece.high == piece.stop else piece.stop
    line = measured.breaks.line_within(piece.start, stop)
    between = measured.between
    if between is not None:
        between = between.within(piece.start, stop)
    measured = stations_of(measured, inner)
    return replace(measured, breaks=end_to_end(measured.breaks, [line]), between=between)


def _own_water(measured: Measured, piece: Piece) -> Measured:
    """Leave out ponds, sags and crossings that begin on another piece: that one tells of them."""
    water = measured.water
    crossings, sags = water.ditch.crossings, water.ditch.sags

    def own(begin: Floats) -> Bools:
        return (begin >= piece.start) & ((begin < piece.stop) | (piece.high == piece.stop))

    begins = crossings[:, 1] if len(crossings) else np.empty(0)
    ditch = replace(
        water.ditch,
        crossings=crossings[own(begins)] if len(crossings) else crossings,
        sags=_rows(sags, own(sags.from_s)),
    )
    ponds = _rows(water.ponds, own(water.ponds.from_s))
    # which cell of the ribbon belongs to which pond isn't asked any more
    ponds = replace(ponds, labels=np.zeros((0, 0), dtype=np.int32))
    return replace(measured, water=replace(water, ditch=ditch, ponds=ponds))


_WHOLE = ("labels", "chance")
"""Fields of `Ponds` that aren't about single ponds."""


def _rows(held: _Rows, chosen: Bools) -> _Rows:
    """The chosen rows of a dataclass of columns, which may be arrays or tuples."""
    made: dict[str, Any] = {}
    for field in fields(held):  # type: ignore[arg-type]
        column = getattr(held, field.name)
        if isinstance(column, tuple):
            made[field.name] = tuple(v for v, kept in zip(column, chosen, strict=True) if kept)
        elif field.name not in _WHOLE:
            made[field.name] = column[chosen]
    return replace(held, **made)  # type: ignore[type-var]


def _rows_joined(parts: Sequence[_Rows]) -> _Rows:
    """Rows of several dataclasses of columns, one after another."""
    made: dict[str, Any] = {}
    for field in fields(parts[0]):  # type: ignore[arg-type]
        columns = [getattr(part, field.name) for part in parts]
        if isinstance(columns[0], tuple):
            made[field.name] = tuple(v for column in columns for v in column)
        elif field.name not in _WHOLE:
            made[field.name] = np.concatenate(columns)
    return replace(parts[0], **made)  # type: ignore[type-var]


def _own_ground(ground: Ground, piece: Piece) -> Ground:
    """The ground from where the piece starts to where it stops."""
    stop = np.nextafter(piece.stop, np.inf) if piece.high == piece.stop else piece.stop
    ribbon = ground.ribbon
    here = slice(*np.searchsorted(ribbon.s, [piece.start, stop]).tolist())
    ribbon = replace(ribbon, s=ribbon.s[here], z=ribbon.z[here])
    return replace(ground.between(piece.start, stop), ribbon=ribbon)


def _joined_ground(parts: Sequence[Ground]) -> Ground:
    """Ground of pieces that lie end to end."""
    if len(parts) == 1:
        return parts[0]
    ribbons = [part.ribbon for part in parts]
    ribbon = replace(
        ribbons[0],
        s=np.concatenate([ribbon.s for ribbon in ribbons]),
        z=np.concatenate([ribbon.z for ribbon in ribbons]),
    )
    left = [part.made_up for part in parts if part.made_up is not None]
    cells = _end_to_end([part.cells for part in parts])
    unread = Unread.joined([part.unread for part in parts if part.unread is not None])
    return Ground(cells, ribbon, _end_to_end(left) if left else None, unread)


def _end_to_end(parts: Sequence[Cells]) -> Cells:
    """Cells of several stretches of one road."""
    first = max(parts, key=len)

    def column(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(part, name) for part in parts])

    bright: Floats | None = None
    if any(part.intensity is not None for part in parts):
        columns = (part.intensity for part in parts)
        unknown = (np.full(len(part), np.nan) for part in parts)
        bright = np.concatenate(
            [u if c is None else c for c, u in zip(columns, unknown, strict=True)]
        )
    level: Floats | None = None
    if any(part.shared_m is not None for part in parts):
        shares = (part.shared_m for part in parts)
        level = np.concatenate(
            [np.zeros(len(p)) if v is None else v for v, p in zip(shares, parts, strict=True)]
        )
    s, o, z, row, col = (column(name) for name in ("s", "o", "z", "row", "col"))
    return replace(first, s=s, o=o, z=z, row=row, col=col, intensity=bright, shared_m=level)
