"""Works for a process that calculates: the process imports them by name."""

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.common.errors import HeightUnitError
from analysis.common.types import Floats
from analysis.terrain.grid import Terrain, read_window


def number_of_process(_progress: Any) -> int:
    return os.getpid()


def same(progress: Any, value: Any) -> Any:
    progress(0.25, "judging", "Low Road")
    return value


def heights(_progress: Any, terrain: Terrain) -> tuple[int, Floats]:
    return os.getpid(), read_window(terrain, 0, terrain.rows, 0, terrain.cols)


def wait(progress: Callable[..., None], note: str, *, heeding: bool = True) -> None:
    Path(note).write_text(str(os.getpid()))
    while True:
        if heeding:
            progress(0.5, "judging")
        time.sleep(0.005)


def wait_deaf(progress: Callable[..., None], note: str) -> None:
    wait(progress, note, heeding=False)


def write_note(progress: Callable[..., None], note: str) -> None:
    """Write until called off, and then take a while to clear up."""
    place = Path(note)
    place.write_text("begun")
    try:
        while True:
            progress(0.5, "judging")
            time.sleep(0.005)
    finally:
        time.sleep(0.3)
        place.unlink()


def doubt(_progress: Any) -> None:
    raise HeightUnitError("The heights look like feet: say so, and screen again.")


def fault(_progress: Any, kind: type[Exception]) -> None:
    raise kind("deep inside")


def odd_fault(_progress: Any) -> None:
    class Odd(Exception):
        pass

    raise Odd("that no pickle holds")


def die(_progress: Any, number: int) -> None:
    os.kill(os.getpid(), number)
    signal.pause()


def chatter(_progress: Any) -> str:
    """Print, as libraries do, and look for an order that is none of ours."""
    os.write(1, b"a library says hello")
    print("and again", flush=True)
    return os.read(0, 10).decode()


def die_screening(progress: Any, _order: Any) -> None:
    die(progress, signal.SIGKILL)
