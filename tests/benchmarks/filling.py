"""How fast a ribbon is filled, whether others agree, and which ponds are found in noise.

Run ``python -m tests.benchmarks.filling`` for all, ``... speed``, ``... ponds`` for one part,
or ``... GRID`` to compare fillings on a real grid of any GDAL format.
"""

import sys
import time

import numpy as np
import pyflwdir
from scipy.ndimage import label, maximum
from scipy.ndimage import sum as total
from skimage.morphology import reconstruction

from analysis.corridor.values import Ribbon
from analysis.shoulder.values import Noise
from analysis.water.chance import NoiseMaker
from analysis.water.filling import fill_ribbon
from tests.builders.plain_road import DITCH, SECTION_U, SECTION_Z, STEP, plain_breaks, plain_road
from tests.builders.waters import ponds_of

EIGHT = np.ones((3, 3))


def timed(function, *args, **kwargs):
    start = time.perf_counter()
    result = function(*args, **kwargs)
    return result, time.perf_counter() - start


def long_ribbon(length_m=100_000.0, sigma_m=0.02):
    """Rolling road with ditches and noise, 60 offsets."""
    s = np.arange(round(length_m / STEP)) * STEP
    o = (np.arange(60) - 29.5) * STEP
    z = (
        np.interp(np.abs(o), SECTION_U, SECTION_Z)[None, :]
        + (3.0 * np.sin(s / 400.0) + np.sin(s / 61.0))[:, None]
    )
    z += np.random.default_rng(0).normal(scale=sigma_m, size=z.shape)
    return Ribbon(s=s, o=o, z=z, step_s=STEP, step_o=STEP)


def speed():
    ribbon = long_ribbon()
    z = ribbon.z
    fill_ribbon(z[:200])  # compiles
    _, seconds = timed(fill_ribbon, z)
    print(f"100 km at 0.5 m, {z.shape[0]} x {z.shape[1]} cells: filled in {seconds:.2f} s")
    holed = z.copy()
    holed[::97, 20:24] = np.nan
    _, seconds = timed(fill_ribbon, holed)
    print(f"  with {np.isnan(holed).sum()} unknown cells: {seconds:.2f} s")
    part = np.ascontiguousarray(z[:20_000])
    ours, mine = timed(fill_ribbon, part)
    seed = part.copy()
    seed[1:-1, 1:-1] = part.max()
    theirs, other = timed(reconstruction, seed, part, method="erosion", footprint=EIGHT)
    print(
        f"  10 km: {mine:.2f} s; skimage reconstruction {other:.2f} s, "
        f"largest difference {np.abs(ours - theirs).max():.1e} m"
    )
    single = part.astype(np.float32)
    (flood, _), other = timed(pyflwdir.dem.fill_depressions, single, nodata=-9999.0)
    print(
        f"  10 km: pyflwdir fill_depressions {other:.2f} s (compiling included), "
        f"largest difference {np.abs(fill_ribbon(single) - flood).max():.1e} m"
    )
    breaks = plain_breaks(float(ribbon.s[-1]))
    n = breaks.s.size
    noise = Noise(np.full(n, 0.02), np.zeros(n), np.ones(n), "made")
    ponds, seconds = timed(ponds_of, ribbon, breaks, noise)
    print(f"  ponds of 100 km over five averages: {seconds:.1f} s, {len(ponds)} found")


def scene(seed, sigma_m, grade, correlation_m=0.0, nugget=1.0, length_m=3000.0):
    """A road with a dent, a plug or a lip every 60 m; true depths from the ground without noise."""
    rng = np.random.default_rng(seed)
    parts = []
    for at in np.arange(60.0, length_m - 60.0, 60.0):
        side = rng.choice([-1.0, 1.0])
        kind = rng.integers(0, 3)
        if kind == 0:
            along, across = rng.uniform(1.0, 12.0), rng.uniform(0.5, 0.8)
            deep = sigma_m * rng.uniform(3.0, 8.0) + 0.05 * across + grade * along

            def part(s, o, at=at, side=side, along=along, across=across, deep=deep):
                r2 = ((s - at) / along) ** 2 + ((o - side * 4.25) / across) ** 2
                return -deep * np.exp(-r2)

        elif kind == 1:
            along, high = rng.uniform(2.0, 8.0), sigma_m * rng.uniform(3.5, 10.0) + 0.02

            def part(s, o, at=at, side=side, along=along, high=high):
                across = np.abs(o - side * DITCH) < 1.8
                return high * np.exp(-(((s - at) / along) ** 4)) * across

        else:
            along, high = rng.uniform(8.0, 20.0), sigma_m * rng.uniform(4.0, 8.0) + 0.06

            def part(s, o, at=at, side=side, along=along, high=high):
                across = np.interp(side * o, [3.5, 5.0, 5.01, 7.5], [0.0, 1.0, 1.0, 0.0])
                return high * np.exp(-(((s - at) / along) ** 8)) * across

        parts.append(part)

    def ground(s, o):
        return sum(p(s, o) for p in parts)

    ribbon, breaks, _ = plain_road(length_m, grade=grade, shape=ground)
    clean = ribbon.z.copy()
    maker = NoiseMaker(STEP, correlation_m, nugget, seed=seed)
    ribbon.z[:] += sigma_m * maker.block(*clean.shape, STEP, STEP)
    n = breaks.s.size
    noise = Noise(np.full(n, sigma_m), np.full(n, correlation_m), np.full(n, nugget), "made")
    return ribbon, breaks, noise, clean


def score(clean, sigma_m, ponds):
    """Tell what share of the true ponds deeper than 3 sigma is found, and what isn't true."""
    depth = fill_ribbon(clean) - clean
    names, count = label(depth > 0, EIGHT)
    index = np.arange(1, count + 1)
    area = total(np.ones_like(depth), names, index)
    deep = (maximum(depth, names, index) > 3.0 * sigma_m) & (area >= 4)
    reported = total(ponds.labels > 0, names, index)
    volume = total(depth, names, index)
    covered = total(np.where(ponds.labels > 0, depth, 0.0), names, index)
    true = np.array([depth[ponds.labels == p + 1].max(initial=0.0) for p in range(len(ponds))])
    real = true > 3.0 * sigma_m
    error = ponds.depth_mm[real] / (1000.0 * true[real]) - 1.0
    return np.array(
        [
            deep.sum(),
            area[deep].sum(),
            area[deep & (reported > 0)].sum(),
            reported[deep].sum(),
            volume[deep].sum(),
            covered[deep].sum(),
            len(ponds),
            (true < 0.2 * sigma_m).sum(),
            np.nansum(error),
            np.nansum(error**2),
            np.isfinite(error).sum(),
        ]
    )


def ponds():
    print("ponds deeper than 3 sigma, by area; 9 km per row, one dent, plug or lip every 60 m")
    print("  sigma corr grade |  ponds found  area  water | listed dry | depth error mean  sd")
    whole = np.zeros(11)
    for sigma, correlation, nugget in ((0.01, 0, 1), (0.02, 0, 1), (0.04, 0, 1), (0.02, 2, 0.5)):
        for grade in (0.002, 0.01, 0.03):
            row = np.zeros(11)
            for seed in range(3):
                ribbon, breaks, noise, clean = scene(seed, sigma, grade, correlation, nugget)
                row += score(clean, sigma, ponds_of(ribbon, breaks, noise))
            if correlation == 0:
                whole += row
            report(f"  {sigma:5.2f} {correlation:4g} {grade:5.3f}", row)
    report("  white noise, all ", whole)
    print("noise alone, 20 km per row: ponds listed")
    for sigma in (0.01, 0.04):
        for correlation, nugget in ((0, 1), (2, 0.4)):
            counts = []
            for grade in (0.0, 0.002, 0.01, 0.03):
                listed = 0
                for seed in (100, 101):
                    ribbon, breaks, _ = plain_road(10_000.0, grade=grade)
                    maker = NoiseMaker(STEP, correlation, nugget, seed=seed)
                    ribbon.z[:] += sigma * maker.block(*ribbon.z.shape, STEP, STEP)
                    n = breaks.s.size
                    noise = Noise(
                        np.full(n, sigma), np.full(n, correlation), np.full(n, nugget), "made"
                    )
                    listed += len(ponds_of(ribbon, breaks, noise))
                counts.append(listed)
            print(f"  sigma {sigma:.2f} corr {correlation:g}: grades 0, 0.2, 1, 3 %: {counts}")


def report(name, row):
    n, area, found, covered, volume, water, listed, dry, error, square, m = row
    mean = error / max(m, 1)
    spread = np.sqrt(max(square / max(m, 1) - mean**2, 0.0))
    print(
        f"{name} | {n:5.0f} {found / area:6.3f} {covered / area:5.3f} {water / volume:6.3f} |"
        f" {listed:6.0f} {dry:3.0f} | {mean:+16.3f} {spread:.3f}"
    )


def compare(path):
    """Fill a real grid with all three and print the largest differences."""
    from analysis.terrain.geofiles import rasterio

    with rasterio.open(path) as grid:
        z = grid.read(1, masked=True).filled(np.nan).astype(np.float64)
    known = np.isfinite(z)
    free = ~known
    free[0] = free[-1] = True
    free[:, 0] = free[:, -1] = True
    ours, mine = timed(fill_ribbon, z, holes_drain=True)
    top = np.nanmax(z) + 1.0
    mask = np.where(known, z, -1e9)
    theirs, other = timed(
        reconstruction, np.where(free, mask, top), mask, method="erosion", footprint=EIGHT
    )
    single = np.where(known, z, -9999.0).astype(np.float32)
    flood, _ = pyflwdir.dem.fill_depressions(single, nodata=-9999.0)
    exact = np.where(known, single.astype(np.float64), np.nan)
    again = fill_ribbon(exact, holes_drain=True)
    print(
        f"{z.shape[0]} x {z.shape[1]} cells, {(~known).sum()} unknown; {mine:.2f} s, {other:.2f} s"
    )
    print(f"  to skimage reconstruction: {np.abs(ours - theirs)[known].max():.1e}")
    print(f"  to pyflwdir fill_depressions: {np.abs(again - flood)[known].max():.1e}")


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["speed", "ponds"]
    for what in wanted:
        {"speed": speed, "ponds": ponds}.get(what, lambda what=what: compare(what))()
