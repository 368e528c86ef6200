"""Accuracy on surveys as they are made: `python -m tests.benchmarks.surveys [--only WORDS]`.

Roads are drawn, hit by points with sideways error, joined to triangles and read at cell centres,
grown over, bridged, laid in strips or resampled, then screened and compared with the truth.
"""

import argparse
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.surveyed import (
    Survey,
    drawn,
    gridded,
    screened,
    screened_points,
    settings_for,
    spread,
    surveyed,
)

__all__ = ["run_survey", "survey_cases"]

PLANE = ("none", "flat", "reversed", "high", "scarce")
"""Causes that leave the shoulder a plane, so that slope and drop have one true value."""


LEAST_RUT_MM, MOST_NONE_MM = 30.0, 2.0
"""What counts as rutted, and as not."""

ROADS = 4
"""Roads of each group: a spread of z is known to some 0.06 then, in twenty minutes on two cores."""


def survey_cases(roads: int = ROADS) -> list[Survey]:
    """Return the surveys of a full run, `roads` of each group; seeds are used nowhere else."""
    plain = Survey()
    groups = {
        **{
            f"triangles, {n} per m², 0.5 m": replace(plain, density=float(n))
            for n in (4, 8, 12, 20)
        },
        "triangles, 4 per m², 1 m, shoulder 2 m": replace(
            plain, density=4.0, cell_m=1.0, width_m=2.0
        ),
        "means, 20 per m², 0.5 m": replace(plain, density=20.0, gridding="means"),
        "grass on a third": replace(plain, grass_share=1.0 / 3.0),
        "bridged holes": replace(plain, holes=True),
        "strips 20 mm apart": replace(plain, strip_mm=20.0),
        "bilinear twice": replace(plain, again="bilinear twice"),
        "repeated twice": replace(plain, again="repeated twice"),
        "turned 30°": replace(plain, again="turned 30°"),
        "cut and fill": replace(plain, kind="cut and fill"),
        "gravel road": replace(plain, kind="gravel"),
        **{
            f"points themselves, {n} per m²": replace(plain, density=float(n), itself=True)
            for n in (4, 8, 20)
        },
    }
    return [
        replace(survey, seed=8000 + 50 * k + i, group=name)
        for k, (name, survey) in enumerate(groups.items())
        for i in range(roads)
    ]


def run_survey(survey: Survey) -> dict[str, Any]:
    """Screen one survey and set it beside the truth; arrays (n, 2) of the stations inside."""
    spec, points = surveyed(survey)
    scene = gridded(survey, spec, points)
    road = scene.roads[0]
    told = settings_for(survey, paved=not spec.unpaved)
    if survey.itself:
        found = screened_points(survey, points, road.xy, told)
    else:
        found = screened(scene.z, scene.frame, road.xy, told)
    # the truth knows the axis where it lies, not where the grid was turned to
    handed = drawn(survey, spec)
    s = found["station_m"][:, 0].astype(float)
    truth = handed.truth(s, average_m=20.0)
    inside = (s > 10.0) & (s < handed.length_m - 10.0)
    shoulder = np.isin(truth.kind, ("shoulder", "no edge")) & inside[:, None]
    plane = shoulder & np.isin(truth.cause, PLANE) & ~truth.edge_of_stretch
    bridged = np.zeros(plane.shape, dtype=bool)
    for hole in spec.holes:
        side = int(hole.from_o_m > 0.0)
        bridged[:, side] |= (truth.true_s[:, side] > hole.begin_m) & (
            truth.true_s[:, side] < hole.end_m
        )
    whole = shoulder & ~truth.edge_of_stretch & ~bridged
    return {
        "survey": survey,
        "plane": plane & ~bridged,
        "shoulder": whole,
        "bridged": bridged & shoulder,
        "fails": truth.fails,
        "cause": truth.cause,
        "slope": found["shoulder_slope_pct"] - truth.shoulder_slope_pct,
        "slope se": found["shoulder_slope_se"],
        "drop": found["edge_drop_mm"] - truth.edge_drop_mm,
        "drop se": found["edge_drop_se"],
        "rutted": whole & (truth.rut_mm > LEAST_RUT_MM),
        "no rut": whole & (truth.rut_mm < MOST_NONE_MM),
        "rut": found["rut_mm"] - truth.rut_mm,
        "rut se": found["rut_se"],
        "edge": np.abs(found["edge_offset_m"]) - truth.edge_u,
        "verdict": found["verdict"].astype(str),
        "finding": found["finding"].astype(str),
        "p": found["p_wont_shed"],
    }


HEAD = (
    "survey", "n", "slope bias", "slope z", "beyond 3 %", "drop bias", "drop z", "edge RMSE m",
    "rutted", "rutted z", "no rut z", "rut beyond 3 %",
    "sound accused %", "sound open %", "failing found %", "bridged decided",
)  # fmt: skip

WITH_ERROR = ("slope bias", "slope z", "drop bias", "drop z")


def row_with_errors(name: str, found: Sequence[dict[str, Any]]) -> list[str]:
    """Return a row of the table as text, with standard errors where they are asked for.

    Stations of one road aren't independent: roads are left out one at a time (jackknife; Efron and
    Tibshirani 1993, An Introduction to the Bootstrap, chapter 11).
    """
    text = [f"{cell:.2f}" if isinstance(cell, float) else str(cell) for cell in row(name, found)]
    n = len(found)
    if n < 3:
        return text
    without = [row(name, [*found[:i], *found[i + 1 :]]) for i in range(n)]
    for k in (HEAD.index(column) for column in WITH_ERROR):
        part = np.array([cells[k] for cells in without], dtype=float)
        text[k] += f" ± {np.sqrt((n - 1) * part.var()):.2f}"
    return text


def row(name: str, found: Sequence[dict[str, Any]]) -> list[object]:
    """Pool the roads of one group into a row of the table."""

    def pooled(key: str, where: str) -> NDArray:
        return np.concatenate([r[key][r[where]] for r in found])

    z = {k: pooled(k, "plane") / pooled(f"{k} se", "plane") for k in ("slope", "drop")}
    ruts = {k: pooled("rut", k) / pooled("rut se", k) for k in ("rutted", "no rut")}
    told = np.concatenate([*ruts.values()])
    verdict, finding = pooled("verdict", "shoulder"), pooled("finding", "shoulder")
    fails = pooled("fails", "shoulder")
    open_ = np.isin(verdict, ("can't tell", "no data")) | np.isin(
        finding, ("can't tell", "no data")
    )
    accused = ~open_ & (finding != "none")
    bridged = pooled("verdict", "bridged")
    known = np.isfinite(z["slope"])
    return [
        name,
        int(known.sum()),
        float(np.nanmean(pooled("slope", "plane"))),
        spread(z["slope"]),
        100.0 * float((np.abs(z["slope"][known]) > 3.0).mean()),
        float(np.nanmean(pooled("drop", "plane"))),
        spread(z["drop"]),
        float(np.sqrt(np.nanmean(pooled("edge", "shoulder") ** 2))),
        int(np.isfinite(ruts["rutted"]).sum()),
        spread(ruts["rutted"]),
        spread(ruts["no rut"]),
        100.0 * float((np.abs(told[np.isfinite(told)]) > 3.0).mean()),
        100.0 * float(accused[~fails].mean()),
        100.0 * float(open_[~fails].mean()),
        100.0 * float(accused[fails & ~open_].mean()) if (fails & ~open_).any() else np.nan,
        int(np.isin(bridged, ("sheds", "won't shed")).sum()),
    ]


PREFACE = """# Accuracy on surveys as they are made

Made by `python -m tests.benchmarks.surveys --out tests/benchmarks/SURVEYS.md` (seeds are fixed and
used nowhere else), {roads} roads of each kind. Unseen roads of 600 m are hit by points with 20 mm
of noise and 80 mm of sideways error, joined to triangles and read at cell centres unless said
otherwise; 0.5 m cells, shoulders of 1.5 m, a line 1.5 m off, averages over 20 m.

- *n*: station sides whose shoulder is a plane; *bias* and *z* (spread of error over stated error, 1
  is honest) of their slopes in points and edge drops in mm, each ± how far another lot of as many
  roads would have it, told by leaving out one road at a time; *beyond 3*: slopes farther off than
  three stated errors; *edge RMSE*: of found edges.
- *rutted*: station sides with a rut over 30 mm, most of them on rutted stretches, some beside
  washed-out edges; *z* of their ruts and of those where there is none, and all beyond 3.
- *sound accused*, *sound open*: of sound sides, those called faulty and those left as can't tell;
  *failing found*: of decided failing ones; *bridged decided*: sides in holes bridged by facets
  that were decided all the same.
- Strips meet along the whole road at a place drawn anywhere over it: on the pavement they are found
  and brought level, on a shoulder or by its edge as far as shapes make them likely.
"""


def main() -> None:
    """Print the table; optionally write it to a file."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.surveys")
    parser.add_argument("--only", default="", help="groups whose name has these words")
    parser.add_argument("--roads", type=int, default=ROADS, help="roads of each group")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="write the Markdown table here as well")
    options = parser.parse_args()
    start = time.perf_counter()
    cases = [s for s in survey_cases(options.roads) if options.only in s.group]
    os.environ["NUMBA_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
    lines = [f"| {' | '.join(HEAD)} |", f"|{'---|' * len(HEAD)}"]
    sys.stdout.write("\n".join([*lines, ""]))
    with ProcessPoolExecutor(options.workers) as pool:
        # kinds come out as they are done: a run that is broken off has told what it had
        for name, found in groupby(pool.map(run_survey, cases), lambda r: r["survey"].group):
            lines.append(f"| {' | '.join(row_with_errors(name, list(found)))} |")
            sys.stdout.write(f"{lines[-1]}\n")
            sys.stdout.flush()
            if options.out:
                text = "\n".join([PREFACE.format(roads=options.roads), *lines]) + "\n"
                options.out.write_text(text, encoding="utf-8")
    seconds = time.perf_counter() - start
    sys.stdout.write(f"\n{len(cases)} roads in {seconds:.0f} s\n")


if __name__ == "__main__":
    main()
