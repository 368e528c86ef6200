"""How far neighbouring pieces of a road differ about their seam, in standard errors.

Run on demand: ``python -m tests.benchmarks.seams [km]``. Each piece is measured with all that it
looks at, and the stations within 20 m of a seam are compared between the two that meet there.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from analysis import Extras, Settings, default_limits, open_terrain
from analysis.common.types import Floats
from analysis.corridor.door import lay_out
from analysis.corridor.values import Case
from analysis.road.roadline import make_road
from analysis.study import pieces
from tests.benchmarks.long_road import centreline, write_long_road
from tests.benchmarks.speed import RUNS_IN

__all__ = ["differences_at_seams", "long_case"]

AROUND = 2
"""Stations to each side of a seam."""

VALUES = ("pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm", "rut_mm")
ERRORS = ("pavement_slope_se", "shoulder_slope_se", "edge_drop_se", "rut_se")


def long_case(folder: Path, length_m: float) -> Case:
    """A road of plain geometry, its line up to 0.8 m off."""
    grid = open_terrain(write_long_road(folder / f"seams_{length_m:g}.tif", length_m))
    xy = centreline(length_m - 60.0, 30.0)
    xy[:, 1] += 0.8 * np.sin(np.arange(len(xy)) / 3.0)
    road = make_road("long", xy)
    return lay_out(grid, road, Settings(), default_limits("gravel"), Extras())


def differences_at_seams(case: Case) -> dict[str, Floats]:
    """Differences at all seams in standard errors, by what is measured."""
    cut = pieces.pieces_of(case)
    taught = pieces.taught_by(case, cut)
    looks = [replace(piece, keep=piece.look, start=piece.low, stop=piece.high) for piece in cut]
    found = [pieces.measure_piece(case, piece, taught).measured for piece in looks]
    out: dict[str, list[Floats]] = {}
    for (before, after), (one, other) in zip(pairwise(cut), pairwise(found), strict=True):
        at = np.arange(after.keep.start - AROUND, after.keep.start + AROUND)
        i, j = at - before.look.start, at - after.look.start
        for name in ("edge", "hinge"):
            pair = (one.breaks, i), (other.breaks, j)
            out.setdefault(name, []).append(_apart(pair, name, f"{name}_se"))
        for name, error in zip(VALUES, ERRORS, strict=True):
            pair = (one.shoulder.measures, i), (other.shoulder.measures, j)
            out.setdefault(name, []).append(_apart(pair, name, error))
    return {name: np.concatenate(parts) for name, parts in out.items()}


def _apart(pair: object, name: str, error: str) -> Floats:
    (one, i), (other, j) = pair  # type: ignore[misc]
    off = np.abs(getattr(one, name)[i] - getattr(other, name)[j])
    return np.asarray(off / getattr(one, error)[i]).ravel()


def main(km: float) -> None:
    """Print how far pieces differ."""
    RUNS_IN.mkdir(exist_ok=True)
    for name, off in differences_at_seams(long_case(RUNS_IN, 1000.0 * km)).items():
        known = off[np.isfinite(off)]
        print(
            f"{name:<20} {len(known):4} values: median {np.median(known):.3f}, 90 % within "
            f"{np.quantile(known, 0.9):.3f}, at most {known.max():.3f} standard errors"
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
