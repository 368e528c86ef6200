"""What reads each kind of file, and what it says."""

from __future__ import annotations

import os
import signal
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.common.errors import VergelineError
from analysis.common.limits import read_limits
from analysis.findings.geopackage import read_findings
from analysis.findings.readings import read_readings
from analysis.road.read_roads import read_roads
from analysis.study.inputs import read_extras, read_rates, read_widths
from analysis.study.job import job_of
from analysis.terrain.grid import Terrain, open_terrain, reading

__all__ = ["READERS", "Outcome", "in_a_child", "told"]


def _grid(path: Path, _: Terrain) -> None:
    grid = open_terrain(path)
    with reading(grid) as window:
        window(0, min(grid.rows, 500), 0, min(grid.cols, 500))


def _findings(path: Path, _: Terrain) -> None:
    found = read_findings(path)
    if "centreline" in found.run:
        job_of(found, str(path))


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


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a child that read a file ended: "read", "refused", "fault", "hang" or "crash"."""

    ended: str
    said: str


def in_a_child(kind: str, path: Path, grid: Terrain, patience_s: int = 60) -> Outcome:
    """Read a file in a process of its own, so that a crash is an outcome (POSIX only)."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        signal.alarm(patience_s)
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        code = 3
        try:
            said = told(kind, path, grid)
            code = 2 if said else 0
        except BaseException as error:
            said = f"{type(error).__name__}: {error}"
        os.write(into, said.encode(errors="replace")[:60_000])
        os._exit(code)
    os.close(into)
    with os.fdopen(out, "rb") as pipe:
        said = pipe.read().decode()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        hung = os.WTERMSIG(status) == signal.SIGALRM
        return Outcome("hang" if hung else "crash", f"signal {os.WTERMSIG(status)}")
    return Outcome({0: "read", 2: "refused"}.get(os.WEXITSTATUS(status), "fault"), said)
