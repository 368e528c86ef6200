"""How true the measurements are: `python -m tests.benchmarks.accuracy [--quick] [--out FILE]`.

Unseen roads with known truth are drawn over a grid of cell sizes, noise, shoulder widths and
centreline errors, and over every kind of road; the whole chain is run on each, and the result is
compared with the truth and with the Cramér–Rao bound.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_terrain.roads import RANDOM_KINDS
from tests.benchmarks.roads import Case, run_case

Row = dict[str, Any]

NOISES = (
    (0.010, 0.0, 1.0),
    (0.020, 0.0, 1.0),
    (0.030, 0.0, 1.0),
    (0.060, 0.0, 1.0),
    (0.020, 1.0, 0.5),
    (0.040, 1.0, 0.5),
)


def full_cases() -> list[Case]:
    """Return the cases of a full run."""
    cases = []
    seed = 100
    for cell, (sigma, length, nugget), width, error in product(
        (0.25, 0.5, 1.0), NOISES, (1.0, 2.0, 3.0), (0.0, 1.5, 3.0)
    ):
        seed += 1
        cases.append(
            Case(
                "ordinary", seed, cell, sigma, length, nugget, width, error, 500.0 + 40 * (seed % 6)
            )
        )
    for kind in RANDOM_KINDS:
        for extra in range(4):
            seed += 1
            cases.append(
                Case(
                    kind,
                    seed,
                    width_m=None,
                    error_m=(1.5, 3.0)[extra % 2],
                    length_m=900.0,
                    group="kind",
                )
            )
    for _ in range(12):
        seed += 1
        cases.append(Case("ordinary", seed, length_m=1000.0, group="reference"))
    for cell, sigma, width in product((0.5, 1.0), (0.02, 0.04), (1.5, 2.5)):
        for _ in range(3):
            seed += 1
            cases.append(
                Case("ordinary", seed, cell, sigma, width_m=width, length_m=900.0, group="spread")
            )
    return cases


def quick_cases() -> list[Case]:
    """Return a thin cut through the same grid."""
    cases = [Case("ordinary", 900 + k, length_m=800.0, group="reference") for k in range(4)]
    cases += [
        Case("ordinary", 910, 0.25),
        Case("ordinary", 911, 1.0, width_m=2.0),
        Case("ordinary", 912, sigma_m=0.06, width_m=2.0),
        Case("ordinary", 913, sigma_m=0.02, correlation_m=1.0, nugget=0.5),
        Case("ordinary", 914, width_m=1.0),
        Case("ordinary", 915, width_m=3.0, error_m=3.0),
        Case("ordinary", 916, error_m=0.0),
    ]
    cases += [
        Case(kind, 930 + k, width_m=None, error_m=3.0, group="kind")
        for k, kind in enumerate(RANDOM_KINDS)
    ]
    cases += [
        Case("ordinary", 950 + k, sigma_m=(0.02, 0.04)[k % 2], length_m=900.0, group="spread")
        for k in range(6)
    ]
    return cases


def _pool(rows: Sequence[Row], name: str, where: str | None = None) -> NDArray:
    parts = [np.asarray(r[name])[r[where]] if where else np.asarray(r[name]) for r in rows]
    return np.concatenate(parts) if parts else np.empty(0)


def measure_quality(rows: Sequence[Row], how: str, what: str) -> dict[str, float]:
    """RMSE, bias, spread of z, coverage and the ratio to the bound, on plane shoulders."""
    error, se, bound = [], [], []
    for r in rows:
        use = r["plane"] & r[f"{how}_ok"] & np.isfinite(r[f"{how}_{what}"])
        error.append(r[f"{how}_{what}"][use])
        se.append(r[f"{how}_{what}_se"][use])
        bound.append(r[f"bound_{what}"][use])
    e, q, b = np.concatenate(error), np.concatenate(se), np.concatenate(bound)
    if len(e) == 0:
        return dict.fromkeys(("n", "rmse", "bias", "z", "in68", "in95", "bound", "ratio"), np.nan)
    z = e / q
    return {
        "n": len(e),
        "rmse": float(np.sqrt(np.mean(e**2))),
        "bias": float(np.mean(e)),
        "z": float(np.std(z)),
        "in68": 100 * float(np.mean(np.abs(z) < 1.0)),
        "in95": 100 * float(np.mean(np.abs(z) < 1.96)),
        "bound": float(np.sqrt(np.mean(b**2))),
        "ratio": float(np.sqrt(np.mean((e / b) ** 2))),
    }


def verdict_quality(rows: Sequence[Row], name: str) -> dict[str, float]:
    """Recall and false alarms among decided stations, and the share left open, in percent."""
    use = [r["pure"] & (r["kind"] == "shoulder") for r in rows]
    fails = np.concatenate([r["fails"][u] for r, u in zip(rows, use, strict=True)])
    words = np.concatenate([r[name][u] for r, u in zip(rows, use, strict=True)])
    open_ = np.isin(words, ("can't tell", "no data"))
    accused = ~open_ & (words != "none")
    decided_fail, decided_sound = fails & ~open_, ~fails & ~open_
    return {
        "recall": 100 * float(accused[decided_fail].mean()) if decided_fail.any() else np.nan,
        "false": 100 * float(accused[decided_sound].mean()) if decided_sound.any() else np.nan,
        "open": 100 * float(open_.mean()) if len(open_) else np.nan,
        "all": 100 * float(accused[fails].mean()) if fails.any() else np.nan,
    }


def edge_quality(rows: Sequence[Row]) -> dict[str, float]:
    """RMSE of found edges and hinges in metres and, for the edge, in cells; share found."""
    where = [r["shoulder"] & np.isfinite(r["found_edge"]) for r in rows]
    found = [u & r["edge_found"] for r, u in zip(rows, where, strict=True)]
    e = np.concatenate([r["found_edge"][u] for r, u in zip(rows, found, strict=True)])
    c = np.concatenate(
        [np.full(u.sum(), r["case"].cell_m) for r, u in zip(rows, found, strict=True)]
    )
    q = np.concatenate([r["edge_se"][u] for r, u in zip(rows, found, strict=True)])
    h = np.concatenate([r["hinge"][u] for r, u in zip(rows, where, strict=True)])
    h = h[np.isfinite(h)]
    total = sum(int(u.sum()) for u in where)
    return {
        "edge": float(np.sqrt(np.mean(e**2))) if len(e) else np.nan,
        "cells": float(np.sqrt(np.mean((e / c) ** 2))) if len(e) else np.nan,
        "z": float(np.sqrt(np.mean((e / np.maximum(q, 1e-6)) ** 2))) if len(e) else np.nan,
        "hinge": float(np.sqrt(np.mean(h**2))) if len(h) else np.nan,
        "share": 100 * len(e) / max(total, 1),
    }


def reliability(rows: Sequence[Row]) -> list[tuple[float, float, int]]:
    """Mean probability, share that came true and count in ten bins of P(won't shed)."""
    p, true = [], []
    for r in rows:
        use = r["shoulder"] & np.isfinite(r["p"])
        p.append(r["p"][use])
        true.append(r["true_wont"][use])
    pp, tt = (np.concatenate([np.empty(0), *part]) for part in (p, true))
    which = np.minimum((pp * 10).astype(int), 9)
    return [
        (float(pp[which == k].mean()), float(tt[which == k].mean()), int((which == k).sum()))
        if (which == k).any()
        else (np.nan, np.nan, 0)
        for k in range(10)
    ]


def _line(cells: Sequence[object]) -> str:
    def text(v: object) -> str:
        if isinstance(v, float):
            return "–" if not np.isfinite(v) else f"{v:.2f}" if abs(v) < 10 else f"{v:.1f}"
        return str(v)

    return "| " + " | ".join(text(v) for v in cells) + " |"


HEAD = (
    "roads", "n", "slope RMSE", "bound", "ratio", "known ratio", "bias", "z", "68 %", "95 %",
    "drop RMSE", "bound", "ratio", "known ratio", "bias", "z", "68 %", "95 %",
    "edge m", "edge cells", "hinge m", "found %", "recall", "false", "open", "recall of all",
)  # fmt: skip


def table(groups: dict[str, list[Row]]) -> list[str]:
    """Return Markdown lines, one row for each group of roads."""
    lines = [_line(HEAD), "|" + "---|" * len(HEAD)]
    for name, rows in groups.items():
        if not rows:
            continue
        slope, drop = (measure_quality(rows, "found", w) for w in ("slope", "drop"))
        slope_known, drop_known = (measure_quality(rows, "known", w) for w in ("slope", "drop"))
        edge, verdict = edge_quality(rows), verdict_quality(rows, "finding")
        lines.append(
            _line(
                (
                    name, slope["n"],
                    slope["rmse"], slope["bound"], slope["ratio"], slope_known["ratio"],
                    slope["bias"], slope["z"], slope["in68"], slope["in95"],
                    drop["rmse"], drop["bound"], drop["ratio"], drop_known["ratio"],
                    drop["bias"], drop["z"], drop["in68"], drop["in95"],
                    edge["edge"], edge["cells"], edge["hinge"], edge["share"],
                    verdict["recall"], verdict["false"], verdict["open"], verdict["all"],
                )
            )
        )  # fmt: skip
    return lines


CAUSE_HEAD = (
    "cause", "n", "found %", "open %", "named right %", "mostly called",
    "slope bias", "slope RMSE", "drop bias", "drop RMSE", "rut bias", "rut RMSE", "rut z",
)  # fmt: skip


def cause_table(rows: Sequence[Row]) -> list[str]:
    """Return Markdown lines, one for each cause: what was found there, errors of what was measured.

    Slope and drop are those of the straight line through the true ground from edge to hinge, also
    where that ground is no plane (rutted, lip, eroded).
    """
    pure = [r["pure"] & r["shoulder"] for r in rows]

    def pooled(name: str) -> NDArray:
        return np.concatenate([np.asarray(r[name])[u] for r, u in zip(rows, pure, strict=True)])

    cause, defect, finding = pooled("cause"), pooled("defect"), pooled("finding")
    errors = {name: pooled(f"found_{name}") for name in ("slope", "drop", "rut")}
    z = errors["rut"] / np.maximum(pooled("found_rut_se"), 1e-9)
    lines = [_line(CAUSE_HEAD), "|" + "---|" * len(CAUSE_HEAD)]
    for name in np.unique(cause):
        here = cause == name
        open_ = np.isin(finding[here], ("can't tell", "no data"))
        hit = ~open_ & (finding[here] != "none")
        right = hit & (finding[here] == defect[here])
        words, counts = np.unique(finding[here][hit], return_counts=True)
        cells: list[object] = [
            name,
            int(here.sum()),
            100 * float(hit.mean()),
            100 * float(open_.mean()),
            100 * float(right.sum() / max(hit.sum(), 1)),
            words[np.argmax(counts)] if len(words) else "–",
        ]
        for error in errors.values():
            e = error[here & np.isfinite(error)]
            cells += [float(e.mean()), float(np.sqrt(np.mean(e**2)))] if len(e) else [np.nan] * 2
        e = z[here & np.isfinite(z)]
        cells.append(float(e.std()) if len(e) else np.nan)
        lines.append(_line(cells))
    return lines


def _grouped(rows: Sequence[Row], key: Callable[[Case], str]) -> dict[str, list[Row]]:
    out: dict[str, list[Row]] = {}
    for r in rows:
        out.setdefault(key(r["case"]), []).append(r)
    return out


def _noise_name(c: Case) -> str:
    kind = "white" if c.correlation_m == 0 else f"half correlated over {c.correlation_m:g} m"
    return f"σ {1000 * c.sigma_m:g} mm {kind}"


PREFACE = """# Accuracy on roads with known truth

Made by `python -m tests.benchmarks.accuracy --out tests/benchmarks/ACCURACY.md` (seeds are fixed,
so the same code gives the same table).

Unseen roads are drawn at random, turned into a terrain grid of cell means with noise, and screened
with a centreline that wanders off the true axis. Averaging length 20 m, a station each 10 m; the
chain is told a pavement width of 7 m and the nominal shoulder width, and finds the rest.

- *slope, drop*: cross slope of the shoulder (points of percent) and edge drop (mm) against the
  straight line through the true ground, at stations where the shoulder is a plane and all of one
  kind within the averaging length.
- *bound*: Cramér–Rao bound, the least standard error that any unbiased estimate can have when the
  breaks are **known**; *ratio*: RMSE over the bound; *known ratio*: the same when the true edges
  and hinges are given to the tool.
- *z*: spread of error over stated standard error (1 is honest); *68 %*, *95 %*: share of errors
  within 1 and 1.96 standard errors.
- *edge m, edge cells, hinge m*: RMSE of found breaks; *found %*: share of edges found rather than
  nominal.
- *recall, false*: share of failing and of sound stations called faulty, among those decided;
  *open*: share left as can't tell; *recall of all*: open ones counted as missed.
"""

PUBLISHED = """
### Beside published figures

Pavement cross slope measured here, with the noise of elevation quality levels (smooth-surface
repeatability of the USGS Lidar Base Specification, from memory: 30 mm for level 0, 60 mm for
levels 1 and 2).
"""

PUBLISHED_NOTES = """
- Suggested tolerance ±0.2 points; mobile lidar met it (Famili, dissertation, Clemson 2020).
- Mean deviation 0.19 and 0.18 points for terrain models from mobile photogrammetry and drone lidar
  (Transportation Research Record 2023, doi 10.1177/03611981231157730).
- Sparse lidar of 2003 (0.4 points per m², grid of 1.5 m): cross slope "cannot practically be
  estimated" (Iowa DOT, publications.iowa.gov/21034).
"""


def published_table(rows: Sequence[Row]) -> list[str]:
    """Return Markdown lines with pavement slope errors at the noise of published quality levels."""
    head = ("like", "cell m", "σ mm", "n", "pavement slope RMSE", "bound", "bias", "z")
    lines = [_line(head), "|" + "---|" * len(head)]
    for name, cell, sigma in (
        ("quality level 0", 0.5, 0.03),
        ("quality level 1", 0.5, 0.06),
        ("quality level 2", 1.0, 0.06),
        ("drone or mobile survey", 0.25, 0.01),
    ):
        here = [
            r
            for r in rows
            if r["case"].cell_m == cell
            and r["case"].sigma_m == sigma
            and r["case"].correlation_m == 0
        ]
        if here:
            q = measure_quality(here, "found", "pavement")
            cells = [q["n"], q["rmse"], q["bound"], q["bias"], q["z"]]
            lines.append(_line([name, cell, f"{1000 * sigma:g}", *cells]))
    return lines


def verdict_table(groups: dict[str, list[Row]]) -> list[str]:
    """Return Markdown lines that compare station by station and reach by reach."""
    head = ("roads", "judged by", "recall", "false", "open", "recall of all")
    lines = [_line(head), "|" + "---|" * len(head)]
    for name, rows in groups.items():
        for word, column in (("station", "finding"), ("reach", "label")):
            if rows:
                q = verdict_quality(rows, column)
                lines.append(_line([name, word, q["recall"], q["false"], q["open"], q["all"]]))
    return lines


def report(rows: list[Row]) -> str:
    """Return the Markdown text of all tables."""
    grid = [r for r in rows if r["case"].group == "grid"]
    kinds = [r for r in rows if r["case"].group == "kind"]
    reference = [r for r in rows if r["case"].group == "reference"]
    spread = [r for r in rows if r["case"].group == "spread"]
    others = [r for r in rows if r["case"].group != "spread"]
    white = [r for r in grid if r["case"].correlation_m == 0]
    lines: list[str] = []

    def section(title: str, groups: dict[str, list[Row]]) -> None:
        lines.extend(["", f"### {title}", "", *table(groups)])

    section(
        "0.5 m cells, σ 20 mm white, shoulder 1.5 m, centreline 1.5 m off", {"reference": reference}
    )
    section("By cell size", _grouped(grid, lambda c: f"{c.cell_m:g} m cells"))
    section("By noise", _grouped(grid, _noise_name))
    section("By shoulder width", _grouped(grid, lambda c: f"{c.width_m:g} m shoulder"))
    section("By error of the centreline", _grouped(grid, lambda c: f"{c.error_m:g} m off"))
    section(
        "By cell size and white noise",
        _grouped(white, lambda c: f"{c.cell_m:g} m, σ {1000 * c.sigma_m:g} mm"),
    )
    section("By kind of road", _grouped(kinds, lambda c: c.kind))
    section("All together", {"grid": grid, "all": others})
    lines += ["", "### Single stations and whole reaches", ""]
    lines += verdict_table({"reference": reference, "grid": grid, "kinds": kinds, "all": others})
    lines += [*PUBLISHED.splitlines(), "", *published_table(grid), *PUBLISHED_NOTES.splitlines()]
    for title, group in (("slopes spread evenly", spread), ("roads as they are", others)):
        lines += ["", f"### Does P(won't shed) come true? ({title})", ""]
        lines += [_line(["P from", "mean P", "came true", "n"]), "|---|---|---|---|"]
        for k, (p, came, n) in enumerate(reliability(group)):
            lines.append(_line([f"{k / 10:.1f}", p, came, n]))
    lines += ["", "### By cause (pure stretches, all roads)", "", *cause_table(others)]
    return "\n".join(lines).strip() + "\n"


def run(cases: Sequence[Case], workers: int) -> list[Row]:
    """Run all cases, in as many processes."""
    if workers == 1:
        return [run_case(c) for c in cases]
    os.environ["NUMBA_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(run_case, cases, chunksize=2))


def main() -> None:
    """Run and print; optionally write the tables to a file."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.accuracy", description="Measure against known truth."
    )
    parser.add_argument("--quick", action="store_true", help="a thin cut, under a minute")
    parser.add_argument("--out", type=Path, help="write the Markdown tables here as well")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument(
        "--group",
        action="append",
        choices=("grid", "kind", "reference", "spread"),
        help="only these roads; all but spread are roads as they are (may be repeated)",
    )
    parser.add_argument("--every", type=int, default=1, help="only every so manieth of them")
    parser.add_argument("--seeds", type=int, default=0, help="added to each seed: unseen roads")
    options = parser.parse_args()
    start = time.perf_counter()
    cases = quick_cases() if options.quick else full_cases()
    if options.group:
        cases = [case for case in cases if case.group in options.group]
    cases = [replace(case, seed=case.seed + options.seeds) for case in cases[:: options.every]]
    rows = run(cases, options.workers)
    text = report(rows)
    sys.stdout.write(text)
    sys.stdout.write(f"\n{len(cases)} roads in {time.perf_counter() - start:.0f} s\n")
    if options.out:
        options.out.write_text(f"{PREFACE}\n{text}", encoding="utf-8")


if __name__ == "__main__":
    main()
