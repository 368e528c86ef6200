"""How true volumes and treatments are: `python -m tests.benchmarks.material [--roads N]`.

Unseen roads with known truth are screened; cut and fill are compared with the truth station by
station and in sums over stretches, the treatment by length of failing shoulder.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits, default_limits
from analysis.common.settings import Settings
from analysis.earthwork.areas import Areas
from analysis.road.roadline import make_road
from analysis.study import screening
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain
from sample_terrain.truth import Truth
from tests.builders.reaches import balances_between

KINDS = ("ordinary", "width change", "one-sided", "cut and fill", "superelevated", "cluttered")
STRETCH = 4
"""Stations in a stretch whose volumes are summed."""


def screened(
    seed: int, kind: str, *, cell_m: float = 0.5, sigma_m: float = 0.02
) -> tuple[screening.Study, Truth]:
    """Screen one unseen road; return the study and the truth at its stations."""
    spec = random_spec(seed, kind, length_m=900.0)
    scene = make_scene(spec, cell_m=cell_m, sigma_m=sigma_m, seed=seed)
    handed = scene.roads[0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "terrain.tif"
        write_terrain(scene, path, compress=False)
        grid = open_terrain(str(path))
        road = make_road(spec.name, handed.xy)
        study = screening.screen(grid, [road], Settings())
    return study, handed.truth(study.roads[0].s, average_m=20.0)


def station_rows(study: screening.Study, truth: Truth) -> dict[str, NDArray]:
    """Errors and standard errors of cut, fill and net at stations that are one kind throughout."""
    found = study.roads[0].judged.areas
    use = ~truth.edge_of_stretch & (truth.kind == "shoulder") & np.isfinite(found.cut_m2)
    return {
        "cut": (found.cut_m2 - truth.cut_m2)[use],
        "fill": (found.fill_m2 - truth.fill_m2)[use],
        "net": (found.cut_m2 - found.fill_m2 - truth.cut_m2 + truth.fill_m2)[use],
        "cut_se": found.cut_se[use],
        "fill_se": found.fill_se[use],
        "net_se": found.net_se[use],
        "cause": truth.cause[use],
        "cut_true": truth.cut_m2[use],
        "fill_true": truth.fill_m2[use],
    }


def stretch_rows(study: screening.Study, truth: Truth, limits: Limits) -> NDArray:
    """Cut and fill of stretches of good stations: true, found, error of either, (k, 6)."""
    part = study.roads[0]
    found: Areas = part.judged.areas
    rows = []
    good = ~truth.edge_of_stretch & (truth.kind == "shoulder") & np.isfinite(found.cut_m2)
    for side in (0, 1):
        firsts = [
            i
            for i in range(1, part.s.size - STRETCH - 1, STRETCH // 2)
            if good[i : i + STRETCH, side].all() and truth.fails[i : i + STRETCH, side].any()
        ]
        if not firsts:
            continue
        lasts = [i + STRETCH - 1 for i in firsts]
        made = balances_between(part.s, found, side, firsts, lasts, limits)
        for i, b in zip(firsts, made, strict=True):
            lengths = 0.5 * (part.s[i + 1 : i + STRETCH + 1] - part.s[i - 1 : i + STRETCH - 1])
            here = slice(i, i + STRETCH)
            rows.append(
                (
                    truth.cut_m2[here, side] @ lengths, b.cut_m3_bank, b.cut_se_m3,
                    truth.fill_m2[here, side] @ lengths, b.fill_m3_compacted, b.fill_se_m3,
                )
            )  # fmt: skip
    return np.array(rows).reshape(-1, 6)


def treatment_rows(study: screening.Study, truth: Truth) -> list[tuple[str, str, str, str]]:
    """Cause, true and found treatment, and finding, at each failing station."""
    part = study.roads[0]
    found = np.full(truth.fails.shape, "none", dtype=object)
    label = np.full(truth.fails.shape, "none", dtype=object)
    for reach in part.reaches:
        found[reach.i0 : reach.i1 + 1, reach.side] = reach.treatment
        label[reach.i0 : reach.i1 + 1, reach.side] = reach.finding
    use = truth.fails & truth.treatment_clear & ~truth.edge_of_stretch
    return list(zip(truth.cause[use], truth.treatment[use], found[use], label[use], strict=True))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--roads", type=int, default=12)
    parser.add_argument("--first", type=int, default=700)
    parser.add_argument("--cell", type=float, default=0.5)
    parser.add_argument("--sigma", type=float, default=0.02)
    options = parser.parse_args()
    limits = default_limits("gravel")
    started = time.perf_counter()
    stations, stretches, treatments = [], [], []
    for k in range(options.roads):
        study, truth = screened(
            options.first + k, KINDS[k % len(KINDS)], cell_m=options.cell, sigma_m=options.sigma
        )
        stations.append(station_rows(study, truth))
        stretches.append(stretch_rows(study, truth, limits))
        treatments += treatment_rows(study, truth)
    pooled = {name: np.concatenate([r[name] for r in stations]) for name in stations[0]}
    print(f"{options.roads} roads, cells {options.cell} m, noise {1000 * options.sigma:.0f} mm")
    print("stations, m²:  cause             n   cut: true  bias   rms  mean se |"
          " fill: true  bias   rms  mean se | net z")  # fmt: skip
    for cause in ("all", *sorted(set(pooled["cause"]))):
        u = np.ones(pooled["cut"].size, bool) if cause == "all" else pooled["cause"] == cause
        row = [f"{cause:<20}{int(u.sum()):6d} "]
        for what in ("cut", "fill"):
            e, q = pooled[what][u], pooled[f"{what}_se"][u]
            row.append(
                f"{pooled[what + '_true'][u].mean():9.4f}{e.mean():8.4f}"
                f"{np.sqrt(np.mean(e**2)):8.4f}{np.sqrt(np.mean(q**2)):8.4f} |"
            )
        z = pooled["net"][u] / pooled["net_se"][u]
        row.append(f"{np.sqrt(np.mean(z**2)):6.2f}")
        print(" " * 14, *row)
    rows = np.concatenate(stretches)
    for what, k in (("cut", 0), ("fill", 3)):
        true, found, se = rows[:, k : k + 3].T
        big = true > 0.8
        z = (found - true)[big] / se[big]
        off = np.abs(found - true)[big]
        close = (off <= 0.05 * true[big]) | (off <= 2.0 * se[big])
        print(
            f"stretches of {10 * STRETCH} m with {what} over 0.8 m³: {int(big.sum())}; total found "
            f"{found[big].sum():.1f} of {true[big].sum():.1f} m³; z mean {z.mean():+.2f}, spread "
            f"{z.std():.2f}; within 5 % or 2 se: {100 * close.mean():.0f} %"
        )
    total = len(treatments)
    right = sum(t in f for _, t, f, _ in treatments)
    open_ = sum("can't tell" in f for _, _, f, _ in treatments)
    decided = max(total - open_, 1)
    print(
        f"treatment right on {100 * right / decided:.1f} % of {10 * decided} m decided, can't tell "
        f"on {100 * open_ / max(total, 1):.1f} % of {10 * total} m"
    )
    wrong: dict[tuple[str, str, str, str], int] = {}
    for row in treatments:
        if row[1] not in row[2]:
            wrong[row] = wrong.get(row, 0) + 1
    for (cause, true, found, label), count in sorted(wrong.items(), key=lambda x: -x[1]):
        print(f"   {10 * count:5d} m {cause}: {true} taken for {found} ({label})")
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
