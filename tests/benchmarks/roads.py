"""One unseen road through the whole measuring chain, compared with its truth."""

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis import screening, surfaces, terrain
from analysis.breaks import Overrides, find_breaks
from analysis.limits import Limits, default_limits
from analysis.reaches import DEFECTS, FINDINGS
from analysis.roadline import make_road
from analysis.settings import Settings
from sample_terrain.roads import random_spec
from sample_terrain.scene import Scene, make_scene, write_terrain
from sample_terrain.truth import Truth
from tests.benchmarks.bound import cramer_rao

__all__ = ["Case", "run_case"]

PLANE_CAUSES = ("none", "flat", "reversed", "high", "scarce", "blocked ditch", "paved part")
"""Causes that leave the shoulder a plane, so that its slope and drop are no matter of fitting."""

BOUND_STATIONS = 3


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


def _true_failing(truth: Truth, limits: Limits) -> NDArray[np.bool_]:
    """Water that won't leave by the true numbers: too flat, too high, or water standing."""
    low = truth.shoulder_slope_pct < truth.required_pct - limits.slope_shortfall_points.value
    high = truth.edge_drop_mm < -limits.high_shoulder_mm.value
    pond = truth.retained_mm > limits.retained_mm.value
    return low | high | pond


def _measured(
    case: Case, study: screening.RoadStudy, truth: Truth, kind: str
) -> tuple[surfaces.Measures, surfaces.Noise, NDArray]:
    if kind == "found":
        return study.measures, study.noise, study.breaks.edge
    overrides = Overrides(edge=truth.edge_u, hinge=truth.hinge_u, axis=truth.axis_o)
    breaks = find_breaks(
        study.cells,
        study.ribbon,
        study.s,
        pavement_width_m=7.0,
        shoulder_width_m=case.width_m or 1.5,
        search_m=3.0,
        box_m=study.box_m,
        average_m=case.average_m,
        overrides=overrides,
    )
    noise = surfaces.estimate_noise(study.cells, breaks)
    measures, _ = surfaces.measure(
        study.cells, breaks, noise, average_m=case.average_m, box_m=study.box_m
    )
    return measures, noise, breaks.edge


def run_case(case: Case) -> dict[str, object]:
    """Screen one unseen road.

    Returns
    -------
    dict
        Flat arrays over stations and sides, for `tests.benchmarks.accuracy` to pool.
    """
    spec = random_spec(case.seed, case.kind, length_m=case.length_m, shoulder_width_m=case.width_m)
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
    settings = Settings(
        average_m=case.average_m,
        shoulder_width_m=case.width_m or 1.5,
        half_width_m=16.0,
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "terrain.tif"
        write_terrain(scene, path, compress=False)
        grid = terrain.open_terrain(str(path))
        start = time.perf_counter()
        study = screening.screen(grid, [make_road(spec.name, handed.xy)], settings, limits).roads[0]
        seconds = time.perf_counter() - start
    truth = handed.truth(study.s, average_m=case.average_m)
    inside = (study.s > 0.5 * case.average_m) & (study.s < handed.length_m - 0.5 * case.average_m)
    inside = np.repeat(inside[:, None], 2, axis=1)
    plane = np.isin(truth.cause, PLANE_CAUSES) & ~truth.edge_of_stretch
    plane &= np.isin(truth.kind, ("shoulder",)) & inside
    out: dict[str, object] = {"case": case, "seconds": seconds}
    out["plane"] = plane.ravel()
    out["shoulder"] = (np.isin(truth.kind, ("shoulder", "no edge")) & inside).ravel()
    out["kind"] = truth.kind.ravel()
    out["pure"] = (~truth.edge_of_stretch & inside).ravel()
    out["cause"] = truth.cause.ravel()
    out["defect"] = truth.defect.ravel()
    out["fails"] = truth.fails.ravel()
    out["bound_slope"], out["bound_drop"] = _bounds(case, scene, truth, plane)
    for how in ("found", "known"):
        measures, noise, edge = _measured(case, study, truth, how)
        ok = measures.status == surfaces.OK
        out[f"{how}_ok"] = ok.ravel()
        out[f"{how}_slope"] = (measures.shoulder_slope_pct - truth.shoulder_slope_pct).ravel()
        out[f"{how}_slope_se"] = measures.shoulder_slope_se.ravel()
        out[f"{how}_drop"] = (measures.edge_drop_mm - truth.edge_drop_mm).ravel()
        out[f"{how}_drop_se"] = measures.edge_drop_se.ravel()
        out[f"{how}_rut"] = (measures.rut_mm - truth.rut_mm).ravel()
        out[f"{how}_edge"] = (edge - truth.edge_u).ravel()
        out[f"{how}_sigma"] = float(np.nanmedian(noise.sigma_m))
    out["edge_found"] = (study.breaks.edge_source == 1).ravel()
    out["edge_se"] = study.breaks.edge_se.ravel()
    out["hinge"] = (study.breaks.hinge - truth.hinge_u).ravel()
    out["kerb"] = study.breaks.kerb.ravel()
    judged = study.judgement
    out["p"] = judged.p_wont_shed.ravel()
    out["true_wont"] = _true_failing(truth, limits).ravel()
    out["finding"] = judged.finding.astype(str).ravel()
    out["label"] = np.array(FINDINGS, object)[study.labels].astype(str).ravel()
    out["accused"] = np.isin(out["finding"], DEFECTS)
    return out


def _bounds(case: Case, scene: Scene, truth: Truth, plane: NDArray) -> tuple[float, float]:
    """Mean bound over a few stations of both sides (root of the mean variance)."""
    found: list[dict[str, float]] = []
    for side in (0, 1):
        rows = np.flatnonzero(plane[:, side] & np.isfinite(truth.hinge_u[:, side]))
        for i in (
            rows[np.linspace(0, len(rows) - 1, BOUND_STATIONS).astype(int)] if len(rows) else ()
        ):
            found.append(
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
            )
    if not found:
        return np.nan, np.nan
    return (
        float(np.sqrt(np.mean([f["slope"] ** 2 for f in found]))),
        float(np.sqrt(np.mean([f["drop"] ** 2 for f in found]))),
    )
