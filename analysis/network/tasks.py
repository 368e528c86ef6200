"""What one worker does: it measures pieces of roads and hands the results back as bytes."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analysis.common.errors import Cancelled, VergelineError
from analysis.common.hands import in_advance
from analysis.common.limits import Limits
from analysis.common.memory import share_freed
from analysis.common.settings import Settings
from analysis.corridor.door import lay_out
from analysis.corridor.values import Case, Extras, Ground
from analysis.network.spool import kept
from analysis.road.roadline import Road
from analysis.shoulder.values import Sections
from analysis.study import pieces
from analysis.study.pieces import Piece, PieceFound, Taught, look_at, measure_piece
from analysis.terrain.grid import Terrain

__all__ = [
    "Common",
    "Failed",
    "Item",
    "Result",
    "Task",
    "in_tasks",
    "name_of",
    "work",
    "work_through",
]


@dataclass(frozen=True, slots=True)
class Common:
    """What all roads of a job share."""

    grid: Terrain
    settings: Settings
    limits: Limits
    extras: Extras

    def case(self, road: Road) -> Case:
        """Lay out one of the roads."""
        return lay_out(self.grid, road, self.settings, self.limits, self.extras)


@dataclass(frozen=True, slots=True)
class Item:
    """One piece of one road, by their numbers, and what that road teaches of it."""

    road: int
    number: int
    piece: Piece
    taught: Taught


@dataclass(frozen=True, slots=True)
class Task:
    """Pieces that are measured one after another, and the roads that they belong to."""

    items: tuple[Item, ...]
    roads: tuple[Road, ...]

    @property
    def length_m(self) -> float:
        """Length of road in it."""
        return sum(item.piece.stop - item.piece.start for item in self.items)


@dataclass(frozen=True, slots=True)
class Failed:
    """Why a road can't be screened, in a sentence."""

    sentence: str


Result = bytes | Failed


def name_of(road: int, piece: int | None = None) -> str:
    """Name that the result of a road, or of a piece of it, is kept by."""
    return f"r{road:06d}" if piece is None else f"r{road:06d}p{piece:05d}"


def in_tasks(items: Iterable[tuple[Item, Road]]) -> Iterator[Task]:
    """Put short roads together, so that a task is worth its way to a worker."""
    held: list[tuple[Item, Road]] = []
    length = 0.0
    for item, road in items:
        held.append((item, road))
        length += item.piece.stop - item.piece.start
        if length >= 0.5 * pieces.PIECE_M:
            yield _task(held)
            held, length = [], 0.0
    if held:
        yield _task(held)


def _task(held: Sequence[tuple[Item, Road]]) -> Task:
    return Task(tuple(item for item, _ in held), tuple(road for _, road in held))


def work(common: Common, task: Task) -> list[Result]:
    """Measure the pieces of a task; one that can't be measured doesn't keep the others from it.

    Returns
    -------
    list of bytes or Failed
        For each piece what `spool.kept` makes of its `PieceFound`, without sections, and of those.
    """
    ((_, results),) = work_through(common, [task])
    return results


def work_through(common: Common, tasks: Iterable[Task]) -> Iterator[tuple[Task, list[Result]]]:
    """Do tasks one after another as `work` does: the next piece is read while one is measured."""
    share_freed()
    waiting: deque[Task] = deque()

    def looks() -> Iterator[Callable[[], tuple[Case, Ground]]]:
        for task in tasks:
            waiting.append(task)
            for item, road in zip(task.items, task.roads, strict=True):
                yield partial(_look, common, item, road)

    coming = in_advance(looks())
    # a look is begun one piece ahead, so that its task is there by then
    for looked in coming:
        task = waiting.popleft()
        results = []
        for item, road in zip(task.items, task.roads, strict=True):
            results.append(_measured(common, item, road, looked))
            if len(results) < len(task.items):
                looked = next(coming)
        yield task, results


def _look(common: Common, item: Item, road: Road) -> tuple[Case, Ground]:
    return look_at(common.case(road), item.piece, item.taught)


def _measured(
    common: Common, item: Item, road: Road, looked: Callable[[], tuple[Case, Ground]]
) -> Result:
    try:
        case = common.case(road)
        found = measure_piece(case, item.piece, item.taught, looked=looked)
    except VergelineError as error:
        return Failed(str(error))
    except (Cancelled, MemoryError):
        raise
    except Exception as error:
        first_line = (str(error).strip().splitlines() or [""])[0]
        return Failed(
            f'The road "{road.name}" met a fault of the program itself ({type(error).__name__}: '
            f"{first_line}); please report it."
        )
    return kept(*_apart(found))


def _apart(found: PieceFound) -> tuple[PieceFound, tuple[Sections, Sections | None]]:
    """A piece without its sections, which are large, and these: of stations and between them."""
    shoulder = found.measured.shoulder
    sections = shoulder.sections
    none = np.empty((len(sections.s), 2, 0))
    told = {
        name: getattr(sections, name) for name in ("height_m", "se_m", "ground_m", "shape_se_m")
    }
    bare = replace(sections, **{name: none for name, of in told.items() if of is not None})
    between, others = found.measured.between, None
    if between is not None:
        between, others = replace(between, sections=None), between.sections
    measured = replace(found.measured, shoulder=replace(shoulder, sections=bare), between=between)
    return replace(found, measured=measured), (sections, others)
