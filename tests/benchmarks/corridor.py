"""Time and memory of reading the ground along a road.

Run from the top of the repository: ``python -m tests.benchmarks.corridor``, with lengths in
kilometres if others than 3 and 100 are wanted. Grids are made in a temporary folder: one tile
of 3 km, and a virtual mosaic of it for longer roads.
"""

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from analysis.corridor.ribbon import read_corridor
from analysis.road.roadline import make_road, to_road
from analysis.terrain.grid import open_terrain

CELL_M = 0.5
TILE_M, TILE_HEIGHT_M = 3000.0, 300.0
WAVE_M, SWING_M = 1500.0, 60.0
EAST, NORTH = 400_000.0, 5_000_000.0


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def write_tile(folder: Path) -> Path:
    """A valley floor with cell noise; its two ends fit together."""
    from analysis.terrain.geofiles import rasterio

    rows, cols = int(TILE_HEIGHT_M / CELL_M), int(TILE_M / CELL_M)
    x = np.arange(cols) * CELL_M
    y = np.arange(rows)[:, None] * CELL_M
    z = 300.0 + 3.0 * np.sin(2 * np.pi * x / TILE_M) + 0.02 * y
    z += np.random.default_rng(0).normal(0.0, 0.02, z.shape)
    path = folder / "tile.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=cols,
        height=rows,
        count=1,
        dtype="float32",
        crs="EPSG:32610",
        transform=rasterio.Affine(CELL_M, 0, EAST, 0, -CELL_M, NORTH),
        tiled=True,
        compress="deflate",
    ) as sink:
        sink.write(z.astype("float32"), 1)
        sink.units = ["metre"]
    return path


def write_mosaic(tile: Path, length_m: float) -> Path:
    """Lay the tile end to end as often as the road needs."""
    from analysis.terrain.geofiles import CRS

    count = int(np.ceil((length_m + 100.0) / TILE_M))
    rows, cols = int(TILE_HEIGHT_M / CELL_M), int(TILE_M / CELL_M)
    sources = "".join(
        f"<SimpleSource><SourceFilename relativeToVRT='1'>{tile.name}</SourceFilename>"
        f"<SourceBand>1</SourceBand><SrcRect xOff='0' yOff='0' xSize='{cols}' ySize='{rows}'/>"
        f"<DstRect xOff='{i * cols}' yOff='0' xSize='{cols}' ySize='{rows}'/></SimpleSource>"
        for i in range(count)
    )
    path = tile.with_name(f"mosaic{count}.vrt")
    path.write_text(
        f"<VRTDataset rasterXSize='{count * cols}' rasterYSize='{rows}'>"
        f"<SRS>{CRS.from_epsg(32610).to_wkt()}</SRS>"
        f"<GeoTransform>{EAST},{CELL_M},0,{NORTH},0,{-CELL_M}</GeoTransform>"
        f"<VRTRasterBand dataType='Float32' band='1'><UnitType>metre</UnitType>{sources}"
        "</VRTRasterBand></VRTDataset>"
    )
    return path


def winding_road(length_m: float):
    x = np.arange(0.0, length_m + 200.0, 10.0) + 20.0
    y = SWING_M * np.sin(2 * np.pi * x / WAVE_M) - TILE_HEIGHT_M / 2
    road = make_road("winding", np.column_stack([EAST + x, NORTH + y]))
    keep = road.distance <= length_m
    return make_road("winding", road.xy[keep])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("km", nargs="*", type=float, default=[3.0, 100.0])
    parser.add_argument("--half-width", type=float, default=15.0)
    parser.add_argument("--piece-km", type=float, help="walk the road in pieces of this length")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        tile = write_tile(Path(name))
        for km in options.km:
            terrain = open_terrain(write_mosaic(tile, km * 1000.0))
            road = winding_road(km * 1000.0)
            before = peak_mb()
            best, cells, points = np.inf, 0, 0
            for _ in range(3 if km <= 10 else 1):
                start = time.perf_counter()
                cells, points = 0, 0
                piece = (options.piece_km or km) * 1000.0
                for s0 in np.arange(0.0, road.length_m, piece):
                    found, ribbon = read_corridor(
                        terrain, road, options.half_width, s_range=(s0, s0 + piece)
                    )
                    cells, points = cells + len(found), points + ribbon.z.size
                    del found, ribbon
                best = min(best, time.perf_counter() - start)
            print(
                f"read_corridor {km:g} km: {best:.2f} s, {cells:,} cells, {points:,} points, "
                f"peak {peak_mb():.0f} MB (before: {before:.0f} MB)"
            )
        rng = np.random.default_rng(0)
        road = winding_road(3000.0)
        s = rng.uniform(0, road.length_m, 1_000_000)
        x = np.interp(s, road.distance, road.xy[:, 0]) + rng.uniform(-10, 10, s.size)
        y = np.interp(s, road.distance, road.xy[:, 1]) + rng.uniform(-10, 10, s.size)
        start = time.perf_counter()
        to_road(road, x, y)
        print(f"to_road, 1,000,000 points: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main()
