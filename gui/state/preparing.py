"""Compiling the calculation ahead, the first time the program runs on a machine.

Compiling holds the interpreter's lock for tenths of a second at a time, a minute long. Done here,
in a process of its own, it leaves the window alone: what it compiles goes into the cache that this
process loads from. ``python -m gui.state.preparing`` is that process; setting up runs it too.
"""

from __future__ import annotations

import contextlib
import logging
import math
import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gui.state.runner import Progress

__all__ = ["begin", "is_needed", "leave_it", "prepare", "stand_back", "words"]

log = logging.getLogger("vergeline")

LOOK_EVERY_S = 0.1

_one_at_a_time = threading.Lock()
_tried = threading.Event()


def words() -> str:
    """Return what a person is told meanwhile."""
    from PySide6.QtCore import QCoreApplication

    return QCoreApplication.translate(
        "preparing", "Preparing the calculation: this takes about a minute, the first time only"
    )


def is_needed() -> bool:
    """Whether a screening would have to compile first; loads the compiler to find out."""
    from analysis.study.warm_up import is_first_run

    return not _tried.is_set() and is_first_run()


def leave_it() -> None:
    """Compile nothing ahead in this process: the window has seen to it."""
    _tried.set()


def command() -> list[str]:
    """Return what starts the process that compiles."""
    return [sys.executable, "-m", "gui.state.preparing"]


def prepare(progress: Progress) -> None:
    """Compile whatever a screening needs, or wait until another job has.

    Where that fails nothing is lost: the screening then compiles for itself, only less smoothly.

    Raises
    ------
    Cancelled
        If the person called the job off.
    """
    while not _one_at_a_time.acquire(timeout=LOOK_EVERY_S):
        progress(math.nan, words())
    try:
        if is_needed():
            progress(math.nan, words())
            # A packed program has no interpreter to start.
            if not getattr(sys, "frozen", False):
                _run(command(), progress)
            _tried.set()
    finally:
        _one_at_a_time.release()


def stand_back(steps: int) -> None:
    """Let other processes go first, by so many of the system's own steps, where it has any."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(steps)


def begin(
    start: Sequence[str],
    orders: int = subprocess.DEVNULL,
    answers: int = subprocess.DEVNULL,
    *,
    buffered: bool = True,
) -> subprocess.Popen[bytes]:
    """Start a process that runs this program's own modules; `OSError` if the system refuses."""
    top = str(Path(__file__).parents[2])
    path = os.pathsep.join(part for part in (top, os.environ.get("PYTHONPATH", "")) if part)
    return subprocess.Popen(
        start,
        -1 if buffered else 0,
        env={**os.environ, "PYTHONPATH": path},
        stdin=orders,
        stdout=answers,
        stderr=subprocess.DEVNULL,
        # No console window flashes up where the system would open one.
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


def _run(start: Sequence[str], progress: Progress) -> None:
    try:
        process = begin(start)
    except OSError as error:
        log.warning("compiling ahead could not be started: %s", error)
        return
    try:
        while process.poll() is None:
            progress(math.nan, words())
            time.sleep(LOOK_EVERY_S)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    if process.returncode != 0:
        log.warning("compiling ahead ended with code %d", process.returncode)


def main() -> None:
    """Screen the sample, which needs every kernel that a screening needs; keep nothing else."""
    if not is_needed():
        return
    stand_back(5)
    from analysis.common.limits import default_limits
    from analysis.common.settings import Settings
    from analysis.road.read_roads import read_roads
    from analysis.study.inputs import sample_files
    from analysis.study.screening import screen
    from analysis.terrain.grid import open_terrain

    terrain_path, road_path = sample_files()
    terrain = open_terrain(terrain_path)
    roads = read_roads(road_path, terrain)
    screen(terrain, roads, Settings(), default_limits("gravel"))


if __name__ == "__main__":
    main()
