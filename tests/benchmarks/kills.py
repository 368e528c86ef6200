"""Kill a network job again and again, at any moment, and see whether anything is lost or left.

Run on demand: ``python -m tests.benchmarks.kills [count] [seconds]``. A job is started, killed
(SIGKILL) after a random time up to so many seconds, and started again, over and over; whenever it
ends by itself its findings are compared with those of an undisturbed run, to the last bit, the
folder is looked through for leftovers, and the next job begins.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.long_road import write_long_road
from tests.builders.same_findings import differences

__all__ = ["main"]

JOB = """
import sys
from analysis import Settings, open_terrain
from analysis.network.engine import screen_network
from analysis.road.roadline import make_road
from analysis.study import pieces
from tests.benchmarks.long_road import centreline
pieces.PIECE_M, pieces.WHOLE_M, pieces.OVERLAP_M = 260.0, 300.0, 60.0
lines = {"long": centreline(1100.0, 20.0), "short": centreline(140.0, 1160.0)}
roads = [make_road(name, xy) for name, xy in lines.items()]
grid = open_terrain(sys.argv[1])
screen_network(grid, roads, sys.argv[2], Settings(spacing_m=20.0, half_width_m=12.0))
"""


def main(kills: int, most_s: float) -> None:
    """Print how many jobs were killed, ended, and differed."""
    dice = random.Random(5)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        grid = write_long_road(folder / "long.tif", 1400.0)
        places = [folder / part for part in ("whole", "killed")]
        for place in places:
            place.mkdir()
        whole, out = (place / "out.gpkg" for place in places)
        words = [sys.executable, "-c", JOB, str(grid)]
        subprocess.run([*words, str(whole)], check=True)
        killed = ended = wrong = left = 0
        while killed < kills:
            job = subprocess.Popen([*words, str(out)], stderr=subprocess.DEVNULL)
            end = time.monotonic() + dice.uniform(0.0, most_s)
            while job.poll() is None and time.monotonic() < end:
                time.sleep(0.005)
            if job.poll() is None:
                job.send_signal(signal.SIGKILL)
                killed += 1
            if job.wait() == 0:
                ended += 1
                wrong += bool(differences(whole, out))
                left += len([p for p in out.parent.iterdir() if p != out])
                out.unlink()
            print(f"\r{killed} killed, {ended} ended", end="", flush=True)
    print(
        f"\n{killed} kills, {ended} jobs came to their end: {wrong} differ, {left} files left over"
    )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 200,
        float(sys.argv[2]) if len(sys.argv) > 2 else 6.0,
    )
