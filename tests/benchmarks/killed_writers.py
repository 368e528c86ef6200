"""Writers killed at every moment of their work, and whether anything was lost or left over.

python -m tests.benchmarks.killed_writers --count 200

A child saves findings over findings again and again and is killed (SIGKILL) after a random while;
another does the same with a table. Afterwards the file must be one of the two whole ones, as told
by reading it, and the next run must clear what the killed one left beside it. With anything lost or
left over, the command ends with 1.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from analysis.findings.exports import write_csv
from analysis.findings.geopackage import Findings, read_findings, write_findings
from tests.builders.small_study import small_study

__all__ = ["main"]

Write = Callable[[Findings, Path], object]


def _killed(write: Write, versions: list[Findings], path: Path, after_s: float) -> None:
    """Let a child write the versions in turn, and kill it after a while."""
    child = os.fork()
    if child == 0:
        try:
            while True:
                for version in versions:
                    write(version, path)
        finally:
            os._exit(1)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the writer ended by itself"


def _whole_findings(path: Path) -> int:
    """Which of the versions a file is; anything else raises."""
    return int(read_findings(path).run["version"])


def _whole_table(path: Path) -> int:
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    assert all(line.count(",") >= lines[0].count(",") for line in lines)
    return len(lines)


def _spoilt(write: Write, whole: Callable[[Path], int], count: int, rng: random.Random) -> Counter:
    """Kill `count` writers; counts of what was found after each."""
    study = small_study().findings
    versions = [replace(study, run={**study.run, "version": number}) for number in (1, 2)]
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / ("a.gpkg" if write is write_findings else "a.csv")
        begun = time.monotonic()
        write(versions[0], path)
        once_s = time.monotonic() - begun
        known = {whole(path)}
        write(versions[1], path)
        known.add(whole(path))
        for _ in range(count):
            _killed(write, versions, path, rng.uniform(0.0, 3.0 * once_s))
            found["killed"] += 1
            found["left a part"] += len(list(Path(name).iterdir())) > 1
            try:
                found["lost"] += whole(path) not in known
            except Exception as error:
                print(f"lost: {type(error).__name__}: {error}")
                found["lost"] += 1
            write(versions[0], path)
            found["left over"] += len(list(Path(name).iterdir())) > 1
    return found


def main() -> int:
    """Do what the words of the command say."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=200, help="kills of each kind of writer")
    parser.add_argument("--seed", type=int, default=0)
    words = parser.parse_args()
    rng, bad = random.Random(words.seed), 0
    writers: tuple[tuple[str, Write, Callable[[Path], int]], ...] = (
        ("findings", write_findings, _whole_findings),
        ("table", write_csv, _whole_table),
    )
    for name, write, whole in writers:
        found = _spoilt(write, whole, words.count, rng)
        print(
            f"{name}: {found['killed']} killed, {found['left a part']} of them with a part beside "
            f"the file; {found['lost']} lost, {found['left over']} left over after the next run.",
            flush=True,
        )
        bad += found["lost"] + found["left over"]
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
