"""Write the sample: `python -m sample_terrain [--out DIR]`."""

import argparse
import csv
from pathlib import Path

import numpy as np

from analysis.common.limits import default_limits, write_limits
from sample_terrain.scene import Scene, write_roads, write_terrain
from sample_terrain.valley import make_valley

SPACING_M = 10.0
AVERAGE_M = 20.0

DIGITS = {"_m2": 4, "_pct": 3, "_mm": 1, "_m": 3, "_u": 3, "_o": 3, "s": 3}


def _text(name: str, value: object) -> str:
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, float):
        if not np.isfinite(value):
            return ""
        digits = next((d for end, d in DIGITS.items() if name.endswith(end)), 4)
        return f"{round(value, digits) + 0.0:.{digits}f}"
    return str(value)


def write_truth(scene: Scene, path: Path) -> int:
    """Write the truth of all roads of a scene, a row per station and side; return the rows."""
    rows: list[dict[str, object]] = []
    for road in scene.roads:
        stations = np.arange(0.0, road.length_m, SPACING_M)
        rows += road.truth(stations, average_m=AVERAGE_M).rows(road.name)
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(rows[0])
        table.writerows([_text(k, v) for k, v in row.items()] for row in rows)
    return len(rows)


def main() -> None:
    """Write terrain, centrelines, truth and the default limits."""
    parser = argparse.ArgumentParser(
        prog="python -m sample_terrain", description="Write the sample valley and its truth."
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(__file__).parent / "data",
        help="folder for the four files (default: the package's own)",
    )
    out = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    scene = make_valley()
    write_terrain(scene, out / "terrain.tif")
    roads = out / "roads.gpkg"
    roads.unlink(missing_ok=True)
    write_roads(scene, roads)
    count = write_truth(scene, out / "truth.csv")
    write_limits(default_limits("gravel"), out / "limits.toml")
    print(f"{out}: grid {scene.z.shape[0]} × {scene.z.shape[1]}, {count} rows of truth")


if __name__ == "__main__":
    main()
