"""Thousands of files of every kind spoilt at random, and counts of how reading each ended.

python -m tests.benchmarks.mutations                   # 3000 of each kind
python -m tests.benchmarks.mutations las --count 500   # of one
python -m tests.benchmarks.mutations las --seed 1234 --count 1   # one of them again

Every crash, hang (over a minute) and fault (a traceback) is told with the number by which it can be
made again; with any, the command ends with 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.bad_inputs.mutate import SOURCES, run

__all__ = ["main"]

_ENDS = ("read", "refused", "fault", "hang", "crash")


def main() -> int:
    """Do what the words of the command say."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kinds", nargs="*", metavar="kind", help=f"of {', '.join(SOURCES)}")
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=0)
    words = parser.parse_args()
    strange = sorted(set(words.kinds) - set(SOURCES))
    if strange:
        parser.error(f"{', '.join(strange)} isn't a kind; use {', '.join(SOURCES)}")
    print(f"{'kind':10}" + "".join(f"{end:>9}" for end in _ENDS) + f"{'seconds':>9}", flush=True)
    bad = 0
    for kind in words.kinds or SOURCES:
        begun = time.monotonic()
        with tempfile.TemporaryDirectory() as name:
            counted = run(kind, words.count, Path(name), seed=words.seed)
        spent = time.monotonic() - begun
        row = "".join(f"{counted[end]:9d}" for end in _ENDS)
        print(f"{kind:10}{row}{spent:9.0f}", flush=True)
        bad += counted.total() - counted["read"] - counted["refused"]
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
