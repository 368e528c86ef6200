"""What is said of a real road: `python -m tests.benchmarks.judged GRID LINE [options]`.

Counts station sides by finding and verdict, lists contradictions, and exits with 1 where a step up
is called a high shoulder although somebody knows that the road is kerbed (`--kerbed`).
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from analysis import Settings, open_terrain, read_roads, screen
from analysis.common.verdicts import Finding
from tests.builders.agreement import contradictions


def main() -> int:
    """Screen, count, compare."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.judged")
    parser.add_argument("grid")
    parser.add_argument("line")
    parser.add_argument("--pavement-width", type=float, default=7.0)
    parser.add_argument("--shoulder-width", type=float, default=1.5)
    parser.add_argument("--search", type=float, default=3.0)
    parser.add_argument("--vertical-unit")
    parser.add_argument("--kerbed", action="store_true", help="kerbs are known to stand all along")
    given = parser.parse_args()
    grid = open_terrain(given.grid, vertical_unit=given.vertical_unit)
    settings = Settings(
        pavement_width_m=given.pavement_width,
        shoulder_width_m=given.shoulder_width,
        search_m=given.search,
    )
    study = screen(grid, read_roads(given.line, grid), settings)
    table = study.findings.stations
    said = Counter(zip(table["finding"], table["verdict"], strict=True))
    for (finding, verdict), count in said.most_common():
        print(f"{count:5d}  {finding}, {verdict}")
    against = contradictions(study)
    print(*against, f"{len(against)} contradictions", sep="\n")
    high = sum(count for (finding, _), count in said.items() if finding == Finding.HIGH)
    return 1 if against or (given.kerbed and high) else 0


if __name__ == "__main__":
    sys.exit(main())
