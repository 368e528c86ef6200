"""Simulated field campaigns on unseen roads: `python -m tests.benchmarks.campaigns [--count N]`.

Roads of seeds that are used nowhere else are screened once; then campaigns are drawn, read with a
board half a point off, and judged. Counted is how often the bound that a campaign states holds the
true share that the screening missed, and the board's interval its bias.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from analysis import open_terrain, screen
from analysis.common.verdicts import Verdict
from analysis.findings.checkplan import CheckOrder
from analysis.road.roadline import make_road
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain
from tests.benchmarks.roads import true_failing
from tests.builders.campaign import Frame, campaign, invented_frame, of_rows, pooled, true_share

__all__ = ["screened_frame"]

SEEDS = (9101, 9102, 9103, 9104, 9105)
BIAS_POINTS = 0.5


def screened_frame(seed: int, length_m: float = 1500.0, sigma_m: float = 0.03) -> Frame:
    """Screen an unseen road, with a noise that leaves something to miss, beside its truth."""
    spec = random_spec(seed, "ordinary", length_m=length_m)
    scene = make_scene(spec, sigma_m=sigma_m, seed=seed)
    handed = scene.roads[0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "terrain.tif"
        write_terrain(scene, path, compress=False)
        study = screen(open_terrain(str(path)), [make_road(f"Road {seed}", handed.xy)])
    table = study.findings.stations
    truth = handed.truth(study.roads[0].s)
    limits = study.limits
    kept = np.isin(truth.kind, ("shoulder", "no edge"))
    side = (table["side"] == "right").astype(int)
    row = np.searchsorted(study.roads[0].s, table["distance_m"].astype(float) - 1e-6)
    fails = true_failing(truth, limits)
    step = np.clip(-truth.edge_drop_mm, 0.0, limits.shape.high_shoulder_mm.value)
    stands = truth.retained_mm - step > limits.water.retained_mm.value
    use = kept[row, side]
    pick = row[use], side[use]
    return Frame(
        of_rows(table.where(use)),
        fails[pick],
        truth.shoulder_slope_pct[pick],
        truth.edge_drop_mm[pick],
        stands[pick],
    )


def told(name: str, frame: Frame, count: int, **errors: float) -> str:
    """One line: how often the bounds and the interval held."""
    verdicts = frame.findings.stations["verdict"]
    wrong = {Verdict.SHEDS: true_share(frame, Verdict.SHEDS)}
    if (verdicts == Verdict.WONT_SHED).any():
        wrong[Verdict.WONT_SHED] = 1.0 - true_share(frame, Verdict.WONT_SHED)
    held = dict.fromkeys(wrong, 0)
    bias = errors.get("bias_points", 0.0)
    within, whole, bounds, factors, read = 0, 0, [], [], []
    judged = np.isin(verdicts, list(wrong))
    all_wrong = sum(wrong[v] * float((verdicts[judged] == v).mean()) for v in wrong)
    for seed in range(count):
        made = campaign(frame, CheckOrder(seed=seed), **errors)
        read.append(len(made.plan.places))
        for rate in made.check.rates:
            if not rate.road and not rate.surface:
                held[rate.verdict] += wrong[rate.verdict] <= rate.most
                if rate.verdict == Verdict.SHEDS:
                    bounds.append(rate.most)
        whole += all_wrong <= made.check.wrong_most
        (board,) = made.check.summary.boards
        within += board.low <= bias <= board.high
        factors.append(made.check.summary.noise.factor)
    shares = (
        wrong[Verdict.SHEDS],
        np.mean(bounds),
        *(held.get(v, np.nan) / count for v in (Verdict.SHEDS, Verdict.WONT_SHED)),
        whole / count,
        within / count,
    )
    told = " | ".join(f"{100.0 * share:.1f}" for share in shares)
    places, factor = np.mean(read), np.nanmedian(factors)
    return f"| {name} | {len(frame.fails)} | {places:.0f} | {told} | {factor:.2f} |"


HEAD = (
    "| frame | station sides | places | truly missed % | mean bound % | bound held % | "
    "false alarms' bound held % | all judged, bound held % | "
    "board's bias in its interval % | median noise factor |"
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.campaigns")
    parser.add_argument("--count", type=int, default=1000)
    options = parser.parse_args()
    start = time.perf_counter()
    roads = pooled([screened_frame(seed) for seed in SEEDS])
    print(HEAD, f"|{'---|' * 10}", sep="\n")
    print(told("unseen roads, board 0.5 off", roads, options.count, bias_points=BIAS_POINTS))
    print(told("unseen roads, board true", roads, options.count))
    for missed in (0.01, 0.05, 0.15):
        frame = invented_frame(missed, seed=round(1000 * missed))
        name = f"invented roads, {100 * missed:g} % missed in stretches of 60 m"
        print(told(name, frame, options.count))
    sys.stdout.write(f"\n{options.count} campaigns each, {time.perf_counter() - start:.0f} s\n")


if __name__ == "__main__":
    main()
