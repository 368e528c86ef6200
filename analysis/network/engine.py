"""The whole job on many roads: pieces handed out, results kept, roads put together and written."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common.errors import RoadError, VergelineError
from analysis.common.limits import Limits, default_limits
from analysis.common.memory import give_back
from analysis.common.settings import Settings
from analysis.common.types import RoadProgress
from analysis.corridor.values import Extras
from analysis.findings.geopackage import write_in_parts
from analysis.network.crews import Crew, own_crew
from analysis.network.found import Found, RankedParts, put_together
from analysis.network.spool import Spool, kept, read_back
from analysis.network.tasks import Common, Failed, Item, Result, in_tasks, name_of
from analysis.road.roadline import Road
from analysis.road.vectors import touches
from analysis.study.job import run_record
from analysis.study.pieces import pieces_of, taught_by
from analysis.study.road_rows import failed_roads
from analysis.study.warm_up import note_run
from analysis.terrain.grid import Terrain, checksum, files_of
from analysis.terrain.point_grid import is_plane_of, plane_of
from analysis.terrain.tiles import is_tiles

__all__ = ["Done", "screen_network"]


@dataclass(frozen=True, slots=True)
class Done:
    """How a job ended.

    Attributes
    ----------
    roads : int
        How many were screened.
    length_m : float
        Their length.
    failed
        Names of roads that couldn't be, and why.
    resumed_m : float
        Length that had been measured before by a job that was ended.
    """

    roads: int
    length_m: float
    failed: tuple[tuple[str, str], ...]
    resumed_m: float


def screen_network(
    grid: Terrain,
    roads: Sequence[Road],
    out: str | os.PathLike[str],
    settings: Settings | None = None,
    limits: Limits | None = None,
    *,
    extras: Extras | None = None,
    sources: Mapping[str, Any] | None = None,
    crew: Crew = own_crew,
    progress: RoadProgress | None = None,
) -> Done:
    """Screen roads and write the findings, whatever their number and length.

    What is measured is kept in a folder beside `out` until that is written: started again with the
    same inputs, a job that was ended goes on from there, and finds the same to the last bit.

    Parameters
    ----------
    grid, roads, settings, limits, extras, sources
        As for `study.screening.screen`. Roads that don't touch the grid are recorded as such.
    out
        GeoPackage for the findings.
    crew
        Who measures: `crews.own_crew`, `process_crew` or `cluster_crew`.
    progress
        Called with the share of the roads' length that is done, a few words and a road's name;
        raise `Cancelled` to stop.

    Raises
    ------
    VergelineError
        Nothing can be measured at all, or results can't be kept or written.
    """
    started = time.perf_counter()
    settings = settings or Settings()
    limits = limits or default_limits(settings.surface)
    if not roads:
        raise RoadError("There is no road to screen: choose a layer with at least one centreline.")
    extras = extras or Extras()
    if extras.points is not None and grid.held is not None:
        # a grid in memory is nobody else's: each piece makes its own
        grid = plane_of(extras.points)
    common = Common(grid, settings, limits, extras)
    job = _Job(common, roads, Path(out), progress)
    job.measure(crew)
    done = job.write(sources or {}, started)
    note_run()
    return done


class _Job:
    """A job that is under way."""

    def __init__(
        self, common: Common, roads: Sequence[Road], out: Path, progress: RoadProgress | None
    ) -> None:
        self.common, self.roads, self.out, self.progress = common, roads, out, progress
        self.spool = Spool(out, _mark_of(common, roads))
        self.failed = {
            k: f'The road "{road.name}" doesn\'t touch the terrain grid.'
            for k, road in enumerate(roads)
            if not touches(common.grid, road.xy)
        }
        self.total_m = sum(road.length_m for k, road in enumerate(roads) if k not in self.failed)
        self.done_m = self.resumed_m = 0.0
        # pieces that are still to come, by road
        self.missing: dict[int, int] = {}

    def measure(self, crew: Crew) -> None:
        """Have all pieces measured that weren't, and put each road together that is complete."""
        self.report(None, "measuring roads", "")
        for task, results in crew(self.common, in_tasks(self._items())):
            for item, result in zip(task.items, results, strict=True):
                self._take(item, result)
            self.report(None, "measuring roads", task.roads[0].name)

    def write(self, sources: Mapping[str, Any], started: float) -> Done:
        """Write the findings of all roads."""
        give_back()
        numbers = [k for k in range(len(self.roads)) if k not in self.failed]
        failed = tuple((self.roads[k].name, why) for k, why in sorted(self.failed.items()))
        if not numbers:
            self.spool.clear()
            rest = f" (and {len(failed) - 1} more roads likewise)" if len(failed) > 1 else ""
            raise RoadError(f"No road can be screened: {failed[0][1]}{rest}")
        parts = RankedParts([self._reading(number) for number in numbers])
        record = run_record(self.common.case(self.roads[numbers[0]]), parts.told, sources)
        record["roads_failed"] = [f"{name}: {why}" for name, why in failed]
        record["seconds"] = round(time.perf_counter() - started, 3)
        lost = failed_roads([self.roads[k] for k in self.failed], list(self.failed.values()))
        unit_m = self.common.grid.xy_unit_m
        lines = [self.roads[k].xy / unit_m for k in self.failed]

        def tell(share: float, words: str) -> None:
            self.report(0.98 + 0.02 * share, words, "")

        write_in_parts(parts, record, self.out, lost=(lost, lines), progress=tell)
        self.spool.clear()
        length = sum(self.roads[number].length_m for number in numbers)
        return Done(len(numbers), length, failed, self.resumed_m)

    def _items(self) -> Iterator[tuple[Item, Road]]:
        """Pieces that are still to be measured."""
        for number, road in enumerate(self.roads):
            if number in self.failed:
                continue
            if name_of(number) in self.spool:
                held = self._result(number)
                if isinstance(held, Failed):
                    self.failed[number] = held.sentence
                self._count(road.length_m, resumed=True)
                continue
            try:
                case = self.common.case(road)
                pieces = pieces_of(case)
                taught = taught_by(case, pieces)
            except VergelineError as error:
                self._fail(number, str(error))
                continue
            items = [Item(number, k, piece, taught) for k, piece in enumerate(pieces)]
            there = [item for item in items if name_of(number, item.number) in self.spool]
            self.missing[number] = len(items) - len(there)
            for item in there:
                self._count(item.piece.stop - item.piece.start, resumed=True)
            if not self.missing[number]:
                self._finish(number)
            for item in items:
                if item not in there:
                    yield item, road

    def _take(self, item: Item, result: Result) -> None:
        """Keep what was measured on a piece."""
        number = item.road
        self._count(item.piece.stop - item.piece.start)
        if number in self.failed:
            return
        if isinstance(result, Failed):
            self._fail(number, result.sentence, count=False)
            return
        self.spool.put(name_of(number, item.number), result)
        self.missing[number] -= 1
        if not self.missing[number]:
            self._finish(number)

    def _finish(self, number: int) -> None:
        """Put a road together whose pieces are all measured."""
        case = self.common.case(self.roads[number])
        names = [name_of(number, k) for k in range(len(pieces_of(case)))]
        if len(names) > 1:
            give_back()
        try:
            found = put_together(case, [self._holding(name) for name in names])
        except VergelineError as error:
            self._fail(number, str(error), count=False)
            return
        self.spool.put(name_of(number), kept(found))
        self.spool.drop(names)

    def _fail(self, number: int, sentence: str, *, count: bool = True) -> None:
        self.failed[number] = sentence
        self.spool.put(name_of(number), kept(Failed(sentence)))
        if count:
            self._count(self.roads[number].length_m)

    def _holding(self, name: str) -> Callable[[], bytes]:
        def get() -> bytes:
            held = self.spool.get(name)
            if held is None:
                raise _gone(self.spool)
            return held

        return get

    def _result(self, number: int) -> Any:
        held = self.spool.get(name_of(number))
        if held is None:
            raise _gone(self.spool)
        return read_back(held)

    def _reading(self, number: int) -> Callable[[], Found]:
        def get() -> Found:
            found: Found = self._result(number)
            return found

        return get

    def _count(self, length_m: float, *, resumed: bool = False) -> None:
        self.done_m += length_m
        self.resumed_m += length_m if resumed else 0.0

    def report(self, share: float | None, words: str, road: str) -> None:
        """Tell the share done, by default that of the roads' length."""
        if self.progress is not None:
            done = 0.98 * min(1.0, self.done_m / max(self.total_m, 1e-9))
            self.progress(done if share is None else share, words, road)


def _gone(spool: Spool) -> VergelineError:
    return VergelineError(
        f"What was measured is no longer whole in {spool.folder}: start again, and leave that "
        "folder alone while the job runs."
    )


def _mark_of(common: Common, roads: Sequence[Road]) -> str:
    """What tells a job from any other: all that goes into it, and the version that does it."""
    mark = hashlib.sha256()
    grid = common.grid
    _feed(mark, [grid.path, grid.crs_wkt, grid.transform, grid.rows, grid.cols, grid.z_unit_m])
    if Path(grid.path).is_file() or is_tiles(grid.path):
        _feed(mark, [checksum(grid.path), os.stat(grid.path).st_mtime_ns])
        of_points = common.extras.points is not None and is_plane_of(common.extras.points, grid)
        for path in () if of_points else files_of(grid):
            with suppress(OSError):  # a tile that is gone is told when it is read
                _feed(mark, [path, os.path.getsize(path), os.stat(path).st_mtime_ns])
    _feed(mark, [common.settings.to_json(), common.limits, common.extras, list(roads)])
    points, image = common.extras.points, common.extras.image
    for path in [*(() if points is None else points.paths), *([image] if image else [])]:
        if os.path.exists(path):
            _feed(mark, [path, os.path.getsize(path), os.stat(path).st_mtime_ns])
    record = run_record_version()
    _feed(mark, [record])
    return mark.hexdigest()


def run_record_version() -> str:
    """Version of this program and of the libraries that the numbers come from."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        own = version("vergeline")
    except PackageNotFoundError:
        own = "not installed"
    return f"{own} numpy {np.__version__}"


def _feed(mark: Any, value: Any) -> None:
    """Add a value to a sum, whatever it is made of."""
    if isinstance(value, np.ndarray):
        mark.update(f"{value.dtype}{value.shape}".encode())
        held = repr(value.tolist()).encode() if value.dtype == object else value.tobytes()
        mark.update(held)
    elif is_dataclass(value) and not isinstance(value, type):
        mark.update(type(value).__name__.encode())
        for field in fields(value):
            _feed(mark, getattr(value, field.name))
    elif isinstance(value, Mapping):
        for key in value:
            _feed(mark, key)
            _feed(mark, value[key])
    elif isinstance(value, list | tuple):
        mark.update(f"[{len(value)}".encode())
        for part in value:
            _feed(mark, part)
    else:
        mark.update(f"{value!r};".encode())
