"""The sample valley: its two roads in one grid, with hills around them to look at."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from sample_terrain.axis import Axis
from sample_terrain.cells import Frame, cell_means, correlated_noise, frame_around, spoil
from sample_terrain.roads import lane, valley_road
from sample_terrain.scene import Scene, SceneRoad, wander
from sample_terrain.spec import Spec, build_surface
from sample_terrain.surface import Surface

__all__ = ["CELL_M", "NOISE", "make_valley"]

CELL_M = 0.5
NOISE = {"sigma_m": 0.02, "correlation_m": 0.6, "nugget": 0.7}
"""20 mm in all, three tenths of its variance correlated as exp(-d / 0.6 m)."""

SEED = 7
ERROR_M = 1.5
INNER_M, OUTER_M = 26.0, 36.0
STRIP_M = 170.0
"""Beyond this distance from both roads nothing was surveyed; keeps the file small."""

STEP_M = 8.0
HEIGHT_QUANTUM_M = 1.0 / 512.0
"""Heights are kept to about 2 mm: a tenth of the noise, and half the size of the file."""


def _place_lane(main: Spec, side: Spec) -> Spec:
    """Start the lane off the main road where its driveway would be, going away from it."""
    from dataclasses import replace

    at = 1570.0
    axis = main.axis()
    surface = build_surface(main)
    x, y = axis.to_map(np.array(at), np.array(30.0))
    heading = 90.0 - float(np.degrees(np.interp(at, axis.s, axis.heading))) + 78.0
    z = float(surface.height(np.array(at), np.array(30.0)))
    return replace(side, start_xy=(float(x), float(y)), heading_deg=heading, start_height_m=z + 0.4)


def _surroundings(roads: list[tuple[Axis, Surface]], frame: Frame, seed: int) -> NDArray:
    """Natural ground (rows, cols): the roadside carried outward, hills on top, NaN far off."""
    rng = np.random.default_rng([seed, 1])
    rows = int(np.ceil(frame.rows * frame.cell_m / STEP_M)) + 2
    cols = int(np.ceil(frame.cols * frame.cell_m / STEP_M)) + 2
    x, y = np.meshgrid(
        frame.west + (np.arange(cols) - 0.5) * STEP_M,
        frame.north - (np.arange(rows) - 0.5) * STEP_M,
    )
    known = np.full(x.shape, np.nan)
    away = np.full(x.shape, np.inf)
    main_o = np.zeros(x.shape)
    for k, (axis, surface) in enumerate(roads):
        s, o = axis.to_road(x, y)
        if k == 0:
            main_o = o
        on = (s > 0) & (s < axis.length_m) & (np.abs(o) < OUTER_M)
        nearer = on & (np.abs(o) < away)
        known[nearer] = surface.height(s, o)[nearer]
        end = np.maximum(np.maximum(-s, s - axis.length_m), 0.0)
        away = np.minimum(away, np.hypot(o, end))
    z = _carry(known)
    rise = np.maximum(gaussian_filter(away, 2.0) - OUTER_M, 0.0)
    side = gaussian_filter(np.where(main_o < 0, 1.0, -1.0), 4.0)
    hill = np.where(side > 0, 0.22, 0.09) * side * rise
    waves = np.zeros(x.shape)
    for length, height in ((210.0, 2.4), (120.0, 1.3), (64.0, 0.6)):
        rough = gaussian_filter(rng.standard_normal(x.shape), length / STEP_M / 4.0, mode="wrap")
        waves += height * rough / rough.std()
    z = z + hill + waves * np.minimum(rise / 60.0, 1.0)
    far = gaussian_filter(away, 1.0)
    cx, cy = frame.centres()
    r = (frame.north - cy) / STEP_M + 0.5
    c = (cx - frame.west) / STEP_M + 0.5
    out = np.empty((frame.rows, frame.cols))
    for begin in range(0, frame.rows, 256):
        rr, cc = np.meshgrid(r[begin : begin + 256], c, indexing="ij")
        part = map_coordinates(z, [rr, cc], order=3, mode="nearest")
        part[map_coordinates(far, [rr, cc], order=1, mode="nearest") > STRIP_M] = np.nan
        out[begin : begin + 256] = part
    return out


def _carry(known: NDArray) -> NDArray:
    """Extend known heights over the whole array, smoother the farther out."""
    have = np.isfinite(known).astype(float)
    value = np.where(have > 0, known, 0.0)
    out = np.full(known.shape, np.nan)
    blended = np.zeros(known.shape)
    weight = np.zeros(known.shape)
    for width, share in ((2.0, 1.0), (5.0, 1e-2), (12.0, 1e-4), (40.0, 1e-6)):
        mass = gaussian_filter(have, width, mode="constant")
        level = gaussian_filter(value, width, mode="constant")
        ok = mass > 1e-9
        blended[ok] += share * level[ok]
        weight[ok] += share * mass[ok]
    out = np.where(weight > 0, blended / np.maximum(weight, 1e-300), np.nanmean(known))
    return out


def make_valley(seed: int = SEED) -> Scene:
    """Make the sample scene: 0.5 m cells, two roads, hills.

    Parameters
    ----------
    seed : int
        Of noise, hills and the wandering of the handed-out centrelines.

    Returns
    -------
    Scene
    """
    main = valley_road()
    specs = [main, _place_lane(main, lane())]
    rng = np.random.default_rng(seed)
    parts = [(spec.axis(), build_surface(spec)) for spec in specs]
    frame = frame_around([axis for axis, _ in parts], 120.0, CELL_M)
    z = _surroundings(parts, frame, seed)
    noise = correlated_noise(z.shape, CELL_M, rng, **NOISE)
    noisy = np.zeros(z.shape)
    # the main road last, so that it wins where both corridors meet
    for spec, (axis, surface) in reversed(list(zip(specs, parts, strict=True))):
        own, s, o = cell_means(axis, surface, frame, half_width_m=OUTER_M)
        spoil(own, s, o, spec, axis, frame)
        on = np.isfinite(s)
        share = np.clip((OUTER_M - np.abs(o)) / (OUTER_M - INNER_M), 0.0, 1.0)
        ends = np.minimum(s, axis.length_m - s) / 8.0
        share = np.minimum(share, np.clip(ends, 0.0, 1.0))
        share = share * share * (3.0 - 2.0 * share)
        z[on] = z[on] + share[on] * (own[on] - z[on])
        noisy[on] = np.maximum(noisy[on], share[on])
    z += noisy * noise
    z = np.round(z / HEIGHT_QUANTUM_M) * HEIGHT_QUANTUM_M
    roads = tuple(
        SceneRoad(spec.name, wander(spec, axis, ERROR_M, rng), spec, axis)
        for spec, (axis, _) in zip(specs, parts, strict=True)
    )
    return Scene(z, frame, roads)
