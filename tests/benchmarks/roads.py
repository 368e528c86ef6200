"""One unseen road through the whole measuring chain, compared with its truth."""

import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits, default_limits
from analysis.common.required_slope import required_slope
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.edges.find_breaks import find
from analysis.edges.values import Breaks, Overrides
from analysis.road.roadline import make_road
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Measures, Noise, Status
from analysis.study.screening import screen
from analysis.study.values import RoadStudy
from analysis.terrain.grid import open_terrain
from analysis.verdict.labelling import FINDINGS
from sample_terrain.roads import random_spec
from sample_terrain.scene import Scene, make_scene, write_terrain
from sample_terrain.spec import Spec, Stretch
from sample_terrain.truth import Truth
from tests.benchmarks.bound import cramer_rao

__all__ = ["Case", "run_case"]

PLANE_CAUSES = ("none", "flat", "reversed", "high", "scarce", "blocked ditch", "paved part")
"""Causes that leave the shoulder a plane, so that its slope and drop are no matter of fitting."""

BOUND_STATIONS = 3
"""Stations of each side whose bound is reckoned; one where thousands of cells hang together."""

SPACING_M = 10.0


@dataclass(frozen=True, slots=True)
class Case:
    """One road of the benchmark."""

    kind: str = "ordinary"
    seed: int = 1
    cell_m: float = 0.5
    sigma_m: float = 0.02
    correlation_m: float = 0.0
    nugget: float = 1.0
    width_m: float | None = 1.5
    error_m: float = 1.5
    length_m: float = 600.0
    average_m: float = 20.0
    group: str = "grid"


def _spec(case: Case) -> Spec:
    """Return the road of a case; "spread" has slopes spread evenly about the failing line.

    Real roads are mostly sound or plainly failing, and a probability near one half can't be
    checked where no shoulder is near the line.
    """
    if case.group != "spread":
        return random_spec(
            case.seed, case.kind, length_m=case.length_m, shoulder_width_m=case.width_m
        )
    spec = random_spec(
        case.seed, case.kind, length_m=case.length_m, shoulder_width_m=case.width_m, defects=()
    )
    rng = np.random.default_rng([case.seed, 99])
    pieces = [
        Stretch("flat", side, at, at + 60.0, float(rng.uniform(-0.02, 0.08)), 8.0)
        for side in (0, 1)
        for at in np.arange(0.0, case.length_m, 60.0)
    ]
    return replace(spec, stretches=tuple(pieces))


def true_failing(truth: Truth, limits: Limits) -> NDArray[np.bool_]:
    """Water that won't leave by the true numbers: too flat, too high, or water standing.

    What a step up within its limit holds isn't standing water.
    """
    required = required_slope(truth.pavement_slope_pct, limits.shape).pct
    low = truth.shoulder_slope_pct < required - limits.shape.slope_shortfall_points.value
    high = truth.edge_drop_mm < -limits.shape.high_shoulder_mm.value
    step = np.clip(-truth.edge_drop_mm, 0.0, limits.shape.high_shoulder_mm.value)
    pond = truth.retained_mm - step > limits.water.retained_mm.value
    return low | high | pond


def _with_known_breaks(
    case: Case, study: RoadStudy, truth: Truth
) -> tuple[Breaks, Noise, Measures]:
    """Measure once more with the true edges, hinges and crown."""
    fixed = Overrides(edge=truth.edge_u, hinge=truth.hinge_u, axis=truth.axis_o)
    breaks = find(study.case, study.ground, fixed)
    noise = estimate_noise(study.ground.cells, breaks)
    measures, _ = measure_sides(
        study.ground.cells,
        breaks,
        noise,
        average_m=case.average_m,
        box_m=study.case.box_m,
        smear_se_m2=study.case.grain.smear_se_m2,
    )
    return breaks, noise, measures


def run_case(case: Case) -> dict[str, object]:
    """Screen one unseen road.

    Returns
    -------
    dict
        Flat arrays over stations and sides, for `tests.benchmarks.accuracy` to pool.
    """
    spec = _spec(case)
    scene = make_scene(
        spec,
        cell_m=case.cell_m,
        sigma_m=case.sigma_m,
        correlation_m=case.correlation_m,
        nugget=case.nugget,
        centreline_error_m=case.error_m,
        seed=case.seed,
    )
    handed = scene.roads[0]
    limits = default_limits("gravel")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "terrain.tif"
        write_terrain(scene, path, compress=False)
        grid = open_terrain(str(path))
        road = make_road(spec.name, handed.xy)
        settings = Settings(
            spacing_m=SPACING_M, average_m=case.average_m, shoulder_width_m=case.width_m or 1.5
        )
        start = time.perf_counter()
        study = screen(grid, [road], settings, limits).roads[0]
        seconds = time.perf_counter() - start
    s = study.s
    truth = handed.truth(s, average_m=case.average_m)
    chains = {
        "found": (study.breaks, study.measured.shoulder.noise, study.measures),
        "known": _with_known_breaks(case, study, truth),
    }
    inside = (s > 0.5 * case.average_m) & (s < handed.length_m - 0.5 * case.average_m)
    inside = np.repeat(inside[:, None], 2, axis=1)
    plane = np.isin(truth.cause, PLANE_CAUSES) & ~truth.edge_of_stretch
    plane &= np.isin(truth.kind, ("shoulder", "no edge")) & inside
    out: dict[str, object] = {"case": case, "seconds": seconds}
    out["plane"] = plane.ravel()
    out["shoulder"] = (np.isin(truth.kind, ("shoulder", "no edge")) & inside).ravel()
    out["kind"] = truth.kind.ravel()
    out["pure"] = (~truth.edge_of_stretch & inside).ravel()
    out["cause"] = truth.cause.ravel()
    out["defect"] = truth.defect.ravel()
    out["fails"] = truth.fails.ravel()
    for name, value in _bounds(case, scene, truth, plane).items():
        out[f"bound_{name}"] = np.broadcast_to(value, plane.shape).ravel()
    for how, (breaks, noise, m) in chains.items():
        out[f"{how}_ok"] = (m.status == Status.OK).ravel()
        out[f"{how}_slope"] = (m.shoulder_slope_pct - truth.shoulder_slope_pct).ravel()
        out[f"{how}_slope_se"] = m.shoulder_slope_se.ravel()
        out[f"{how}_drop"] = (m.edge_drop_mm - truth.edge_drop_mm).ravel()
        out[f"{how}_drop_se"] = m.edge_drop_se.ravel()
        out[f"{how}_pavement"] = (m.pavement_slope_pct - truth.pavement_slope_pct).ravel()
        out[f"{how}_pavement_se"] = m.pavement_slope_se.ravel()
        out[f"{how}_rut"] = (m.rut_mm - truth.rut_mm).ravel()
        out[f"{how}_rut_se"] = m.rut_se.ravel()
        out[f"{how}_edge"] = (breaks.edge - truth.edge_u).ravel()
        out[f"{how}_sigma"] = float(np.nanmedian(noise.sigma_m))
    out["edge_found"] = (study.breaks.edge_source == Source.FOUND).ravel()
    out["edge_se"] = study.breaks.edge_se.ravel()
    out["hinge"] = (study.breaks.hinge - truth.hinge_u).ravel()
    out["hinge_se"] = study.breaks.hinge_se.ravel()
    out["kerb"] = study.measured.shoulder.kerb.ravel()
    out["p"] = study.judged.judgement.p_wont_shed.ravel()
    out["true_wont"] = true_failing(truth, limits).ravel()
    out["finding"] = study.judged.judgement.finding.astype(str).ravel()
    out["label"] = np.array(FINDINGS, object)[study.judged.labels].astype(str).ravel()
    return out


def _bounds(
    case: Case, scene: Scene, truth: Truth, plane: NDArray[np.bool_]
) -> dict[str, NDArray[np.float64]]:
    """Bound of each side, (2,), from a few of its stations (root of the mean variance)."""
    out = {name: np.full(2, np.nan) for name in ("slope", "drop", "pavement")}
    count = 1 if case.correlation_m > 0 and case.cell_m < 0.5 else BOUND_STATIONS
    for side in (0, 1):
        rows = np.flatnonzero(plane[:, side] & np.isfinite(truth.hinge_u[:, side]))
        if len(rows) == 0:
            continue
        found = [
            cramer_rao(
                scene,
                scene.roads[0],
                float(truth.true_s[i, side]),
                side,
                average_m=case.average_m,
                sigma_m=case.sigma_m,
                correlation_m=case.correlation_m,
                nugget=case.nugget,
            )
            for i in rows[np.linspace(0, len(rows) - 1, count + 2)[1:-1].astype(int)]
        ]
        for name, value in out.items():
            value[side] = np.sqrt(np.mean([f[name] ** 2 for f in found]))
    return out
