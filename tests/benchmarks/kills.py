"""Kill a network job again and again, at any moment, and see whether anything is lost or left.

Run on demand: ``python -m tests.benchmarks.kills [count]``. A job is started, killed (SIGKILL) at a
random moment, and started again, over and over; whenever it ends by itself its findings are
compared with those of an undisturbed run, to the last bit, the folder is looked through for
leftovers, and the next job begins. Jobs are forked from a process that has everything loaded, so
that kills hit their work and not their start; moments are drawn over the time of a whole job.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

import pytest

from analysis import Settings, open_terrain
from analysis.network.engine import screen_network
from analysis.road.roadline import make_road
from analysis.study import pieces
from tests.benchmarks.long_road import centreline, write_long_road
from tests.builders.same_findings import differences

__all__ = ["main"]

SETTINGS = Settings(
    spacing_m=20.0, half_width_m=10.0, noise_m=0.015, points_per_m2=8.0, find_edges=False
)


def _job(grid: Path, out: Path) -> None:
    """A road of three pieces and a short one; what can be given isn't measured, to be quick."""
    lines = {"long": centreline(400.0, 20.0), "short": centreline(140.0, 460.0)}
    roads = [make_road(name, xy) for name, xy in lines.items()]
    screen_network(open_terrain(grid), roads, out, SETTINGS)


def _ends_by_itself(grid: Path, out: Path, after_s: float) -> bool:
    """Let a child do the job, and kill it after a while; tell whether it ended before."""
    child = os.fork()
    if child == 0:
        try:
            _job(grid, out)
            os._exit(0)
        finally:
            os._exit(1)
    end = time.monotonic() + after_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            assert status == 0, "a job failed by itself"
            return True
        time.sleep(0.002)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return status == 0


def main(kills: int) -> int:
    """Print how many jobs were killed, ended, and differed; 1 with anything lost or left."""
    dice = random.Random(5)
    killed = ended = wrong = left = 0
    with tempfile.TemporaryDirectory() as name, pytest.MonkeyPatch.context() as patch:
        for what, value in (("PIECE_M", 130.0), ("WHOLE_M", 150.0), ("OVERLAP_M", 20.0)):
            patch.setattr(pieces, what, value)
        folder = Path(name)
        grid = write_long_road(folder / "long.tif", 700.0)
        whole, out = folder / "whole" / "out.gpkg", folder / "killed" / "out.gpkg"
        for place in (whole, out):
            place.parent.mkdir()
            _job(grid, place)
        out.unlink()
        begun = time.monotonic()
        assert _ends_by_itself(grid, out, 600.0)
        once_s = time.monotonic() - begun
        out.unlink()
        while killed < kills:
            if not _ends_by_itself(grid, out, dice.uniform(0.0, once_s)):
                killed += 1
                if killed % 50 == 0:
                    print(f"{killed} kills, {ended} jobs came to their end", flush=True)
                continue
            ended += 1
            wrong += bool(differences(whole, out))
            left += len([path for path in out.parent.iterdir() if path != out])
            out.unlink()
    print(f"{killed} kills, {ended} jobs came to their end: {wrong} differ, {left} files left over")
    return int(wrong + left > 0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
