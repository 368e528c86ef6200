"""What reads each kind of file, and what it says."""

from __future__ import annotations

import json
import os
import signal
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from analysis.common.errors import VergelineError
from analysis.common.limits import read_limits
from analysis.findings.geopackage import read_findings
from analysis.findings.handing_out import ENDINGS, Outputs, hand_out
from analysis.findings.readings import read_readings
from analysis.road.read_roads import read_roads
from analysis.study.inputs import read_extras, read_rates, read_widths
from analysis.study.job import job_of
from analysis.terrain.grid import Terrain, open_terrain, reading
from analysis.terrain.point_grid import grid_of
from analysis.terrain.points import ground_points, open_points
from gui.state.loaded import road_index

__all__ = ["READERS", "Outcome", "in_children", "told"]


def _grid(path: Path, _: Terrain) -> None:
    grid = open_terrain(path)
    with reading(grid) as window:
        window(0, min(grid.rows, 500), 0, min(grid.cols, 500))


def _findings(path: Path, _: Terrain) -> None:
    """All that is done with findings: a job, the index of the window, every export."""
    found = read_findings(path)
    if "centreline" in found.run:
        job_of(found, str(path))
    road_index(found.stations)
    with TemporaryDirectory(dir=path.parent) as name:
        folder = Path(name)
        places = {kind: str(folder / f"{kind}{ending}") for kind, ending in ENDINGS.items()}
        del places["pdf"], places["geopackage"]
        hand_out(found, Outputs(**places, sheets=str(folder / "sheets")))


def _points(path: Path, _: Terrain) -> None:
    survey = open_points([path])
    for _chunk in ground_points(survey):
        pass
    grid_of(survey)


READERS: dict[str, Callable[[Path, Terrain], Any]] = {
    "grid": _grid,
    "road": lambda path, grid: read_roads(path, grid),
    "mask": lambda path, grid: read_extras(grid, mask=str(path)),
    "edges": lambda path, grid: read_extras(grid, edges=str(path)),
    "culverts": lambda path, grid: read_extras(grid, culverts=str(path)),
    "findings": _findings,
    "limits": lambda path, _: read_limits(path),
    "rates": lambda path, _: read_rates(path),
    "widths": lambda path, _: read_widths(path),
    "readings": lambda path, _: read_readings(path),
    "points": _points,
}


def told(kind: str, path: Path, grid: Terrain) -> str:
    """Sentence with which a file is refused, without its folder; empty where it is read."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            READERS[kind](path, grid)
        except VergelineError as error:
            return str(error).replace(f"{path.parent}{os.sep}", "")
    return ""


_PATIENCE_S = 60
_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a child that read a file ended: "read", "refused", "fault", "hang" or "crash"."""

    ended: str
    said: str


def in_children(
    kind: str, numbers: range, make: Callable[[int], Path], grid: Terrain
) -> Iterator[tuple[int, Outcome]]:
    """Make and read file after file in a child (POSIX only), so that a crash is an outcome.

    Another child goes on where one ended early.
    """
    while numbers:
        at_once, done = numbers[:_AT_ONCE], 0
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(out)
            _read_all(kind, at_once, make, grid, into)
        os.close(into)
        with os.fdopen(out, encoding="utf-8") as pipe:
            for text in pipe:
                yield at_once[done], Outcome(*json.loads(text))
                done += 1
        _, status = os.waitpid(child, 0)
        if done < len(at_once):
            signalled = os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0
            hung = signalled == signal.SIGALRM
            yield at_once[done], Outcome("hang" if hung else "crash", f"signal {signalled}")
            done += 1
        numbers = numbers[done:]


def _read_all(
    kind: str, numbers: range, make: Callable[[int], Path], grid: Terrain, into: int
) -> None:
    """What the child does; it never returns."""
    try:
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        with os.fdopen(into, "w", encoding="utf-8", errors="replace") as pipe:
            for number in numbers:
                path = make(number)
                signal.alarm(_PATIENCE_S)
                try:
                    said = told(kind, path, grid)
                    ended = "refused" if said else "read"
                except BaseException as error:
                    ended, said = "fault", f"{type(error).__name__}: {error}"
                signal.alarm(0)
                pipe.write(json.dumps([ended, said[:60_000]]) + "\n")
                pipe.flush()
    finally:
        os._exit(0)
