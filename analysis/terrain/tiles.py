"""A folder of tiles taken as one grid: put side by side without copying a height.

Gaps between tiles are unknown ground, each tile has its own code for "no value", and where tiles
overlap the later one by name stands. They must lie on one lattice: heights that were moved by part
of a cell to fit would no longer be those that were measured.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from xml.sax.saxutils import escape

from analysis.common.errors import TerrainError
from analysis.common.given_files import check_given
from analysis.terrain.grid_units import units_stated

__all__ = ["is_tiles", "joined_tiles", "tiles_checksum"]

ENDINGS = (".tif", ".tiff", ".asc", ".vrt", ".img", ".bil", ".flt", ".dem")
"""How the names of tiles end."""

OFF_CELLS = 0.02
"""Tiles lie on one lattice if no corner is farther off it than this, in cells."""

NODATA = -3.0e38
"""Code for "no value" between tiles; far from any height."""


@dataclass(frozen=True, slots=True)
class _Tile:
    """One tile: its file, place (west, north) and size, and what its band says."""

    path: str
    corner: tuple[float, float]
    cell: tuple[float, float]
    shape: tuple[int, int]
    block: tuple[int, int]
    kind: str
    nodata: float | None
    scale: tuple[float, float]
    says: tuple[str, ...]
    crs: str


def is_tiles(path: str | os.PathLike[str]) -> bool:
    """Whether a grid is a folder of tiles; folders that are a grid of their own are none."""
    return os.path.isdir(path) and bool(_files(os.fspath(path)))


def tiles_checksum(path: str | os.PathLike[str]) -> str:
    """Fingerprint of a folder of tiles: their names, sizes and times of change."""
    mark = hashlib.sha256()
    for name in _files(os.fspath(path)):
        held = os.stat(name)
        mark.update(f"{Path(name).name} {held.st_size} {held.st_mtime_ns}\n".encode())
    return f"sha256 of names, sizes and times:{mark.hexdigest()}"


def joined_tiles(path: str | os.PathLike[str]) -> str:
    """What the map library opens for a folder: its tiles side by side.

    Raises
    ------
    TerrainError
        A tile can't be read, or differs from the others in coordinate system, cell size, lattice,
        units or kind of band.
    """
    folder = os.fspath(path)
    return _joined(folder, tuple((name, os.stat(name).st_mtime_ns) for name in _files(folder)))


def _files(folder: str) -> list[str]:
    with os.scandir(folder) as entries:
        names = [e.path for e in entries if e.name.lower().endswith(ENDINGS) and e.is_file()]
    return sorted(names)


@lru_cache(maxsize=4)
def _joined(folder: str, files: tuple[tuple[str, int], ...]) -> str:
    tiles = [_tile(name) for name, _ in files]
    first = tiles[0]
    for tile in tiles[1:]:
        _check_alike(first, tile)
    return _text(tiles)


def _tile(path: str) -> _Tile:
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    check_given(path, "The tile", TerrainError)
    try:
        with rasterio.open(path) as held:
            t = held.transform
            if t.b or t.d or t.a <= 0.0 or t.e >= 0.0:
                raise TerrainError(
                    f"The tile {path} is turned or mirrored; warp it to rows that run east."
                )
            return _Tile(
                os.path.abspath(path),
                (t.c, t.f),
                (t.a, -t.e),
                (held.height, held.width),
                held.block_shapes[0],
                held.dtypes[0],
                None if held.nodata is None else float(held.nodata),
                (held.scales[0], held.offsets[0]),
                tuple(words for words, _ in units_stated(held) if words.strip()),
                held.crs.to_wkt() if held.crs else "",
            )
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The tile {path} can't be read as a raster; fetch it again, or take it out of the "
            "folder."
        ) from error


def _check_alike(first: _Tile, tile: _Tile) -> None:
    """Refuse a tile that can't stand beside the first one."""
    what = ""
    if tile.crs != first.crs:
        what = "another coordinate system"
    elif any(abs(a / b - 1.0) > 1e-6 for a, b in zip(tile.cell, first.cell, strict=True)):
        what = "another cell size"
    elif (tile.says and first.says and tile.says != first.says) or tile.scale != first.scale:
        what = "another unit of heights"
    elif any(abs(at - round(at)) > OFF_CELLS for at in _place(first, tile)):
        what = "cells that lie between those"
    if what:
        raise TerrainError(
            f"The tile {tile.path} has {what} than {Path(first.path).name}; warp all tiles to one "
            "grid, or take it out of the folder."
        )


def _place(first: _Tile, tile: _Tile) -> tuple[float, float]:
    """Rows and columns from the corner of one tile to that of another."""
    return (
        (first.corner[1] - tile.corner[1]) / first.cell[1],
        (tile.corner[0] - first.corner[0]) / first.cell[0],
    )


def _text(tiles: Sequence[_Tile]) -> str:
    """Tiles side by side as a VRT (GDAL's virtual format)."""
    first = tiles[0]
    places = [tuple(round(at) for at in _place(first, tile)) for tile in tiles]
    top, left = (min(place[k] for place in places) for k in (0, 1))
    rows, cols = (
        max(place[k] + tile.shape[k] for place, tile in zip(places, tiles, strict=True)) - low
        for k, low in enumerate((top, left))
    )
    wide = any(t.kind not in ("uint8", "int16", "uint16", "float32") for t in tiles)
    west = first.corner[0] + left * first.cell[0]
    north = first.corner[1] - top * first.cell[1]
    size = min(max(t.block[0], 128) for t in tiles), min(max(t.block[1], 128) for t in tiles)
    sources = "".join(
        _source(tile, place[0] - top, place[1] - left)
        for tile, place in zip(tiles, places, strict=True)
    )
    unit = next((words for tile in tiles for words in tile.says), "")
    return (
        f'<VRTDataset rasterXSize="{cols}" rasterYSize="{rows}">'
        f"<SRS>{escape(first.crs)}</SRS>"
        f"<GeoTransform>{west!r}, {first.cell[0]!r}, 0, {north!r}, 0, {-first.cell[1]!r}"
        "</GeoTransform>"
        f'<VRTRasterBand dataType="{"Float64" if wide else "Float32"}" band="1" '
        f'blockXSize="{min(size[1], 512)}" blockYSize="{min(size[0], 512)}">'
        f"<NoDataValue>{NODATA!r}</NoDataValue><UnitType>{escape(unit)}</UnitType>"
        f"<Scale>{first.scale[0]!r}</Scale><Offset>{first.scale[1]!r}</Offset>"
        f"{sources}</VRTRasterBand></VRTDataset>"
    )


def _source(tile: _Tile, row: int, col: int) -> str:
    rows, cols = tile.shape
    none = ""
    if tile.nodata is not None:
        none = f"<NODATA>{'nan' if math.isnan(tile.nodata) else repr(tile.nodata)}</NODATA>"
    return (
        '<ComplexSource><SourceFilename relativeToVRT="0">'
        f"{escape(tile.path)}</SourceFilename><SourceBand>1</SourceBand>"
        f'<SourceProperties RasterXSize="{cols}" RasterYSize="{rows}" '
        f'DataType="Float32" BlockXSize="{tile.block[1]}" BlockYSize="{tile.block[0]}"/>'
        f'<SrcRect xOff="0" yOff="0" xSize="{cols}" ySize="{rows}"/>'
        f'<DstRect xOff="{col}" yOff="{row}" xSize="{cols}" ySize="{rows}"/>'
        f"{none}</ComplexSource>"
    )
