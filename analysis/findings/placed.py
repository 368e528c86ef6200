"""Places of findings on the earth, and files that replace others only when they are whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.errors import OutputError
from analysis.common.outputs import is_disk_full, replacing
from analysis.common.types import Floats

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["DEGREE_DECIMALS", "beside", "check_placed", "degrees_of", "is_placed", "layer_at"]
__all__ += ["metres_per_unit", "shape_of", "write_text"]

# Seven decimals of a degree are about a centimetre; more would only claim precision.
DEGREE_DECIMALS = 7


def check_placed(findings: Findings) -> None:
    """Refuse findings that have no place on the earth.

    Raises
    ------
    OutputError
        If there is no coordinate system, or a local one.
    """
    if not findings.crs_wkt:
        raise OutputError(
            "These findings have no coordinate system, so they can't be placed in WGS 84; "
            "screen again on a terrain that has one."
        )
    if not is_placed(findings):
        raise OutputError(
            "The coordinate system of these findings is a local one without a place on the earth, "
            "so they can't be placed in WGS 84; screen again on a terrain that has a real one."
        )


def is_placed(findings: Findings) -> bool:
    """Whether the coordinate system is one that leads to WGS 84."""
    from analysis.terrain.geofiles import CRS, rasterio

    try:
        found = CRS.from_wkt(findings.crs_wkt)
    except rasterio.errors.CRSError:
        return False
    return bool(found.is_projected or found.is_geographic)


def metres_per_unit(crs_wkt: str) -> float:
    """Length of the unit of coordinates; 1 where there is no coordinate system to say."""
    from analysis.terrain.geofiles import CRS, rasterio

    try:
        found = CRS.from_wkt(crs_wkt)
        return float(found.linear_units_factor[1]) if found.is_projected else 1.0
    except rasterio.errors.CRSError:
        return 1.0


@contextmanager
def layer_at(path: str | os.PathLike[str], **options: Any) -> Iterator[Any]:
    """Open a layer beside `path` that replaces it once it is whole."""
    from analysis.terrain.geofiles import fiona

    with beside(path) as part:
        # Touching the file first gives the plain reason (permission, no space) before GDAL's own.
        part.touch()
        part.unlink()
        try:
            with fiona.open(part, "w", **options) as layer:
                yield layer
        except RuntimeError as error:
            # what the library raises where a place can't be brought into degrees
            raise OutputError(
                f"{path} can't be written: a place in these findings lies outside their own "
                "coordinate system; take a copy that is whole, or screen again."
            ) from error


def shape_of(kind: str, points: Floats, least: int) -> dict[str, Any] | None:
    """Return the geometry, or None (unlocated) where a position is unknown or too few are left."""
    if len(np.atleast_2d(points)) < least or not np.isfinite(points).all():
        return None
    plain = points.tolist()
    return {"type": kind, "coordinates": [plain] if kind == "Polygon" else plain}


def degrees_of(findings: Findings, xy: Floats) -> Floats:
    """(n, 2) coordinates as longitude and latitude in WGS 84, NaN where they can't be placed."""
    from analysis.terrain.geofiles import CRS, rasterio

    if not is_placed(findings):
        return np.full(xy.shape, np.nan)
    # The transformation gives infinity for what it can't place, and trips over NaN.
    known = np.isfinite(xy).all(axis=1)
    placed = np.full(xy.shape, np.nan)
    if known.any():
        source, target = CRS.from_wkt(findings.crs_wkt), CRS.from_epsg(4326)
        placed[known] = np.transpose(rasterio.warp.transform(source, target, *xy[known].T))
    return np.where(np.isfinite(placed), np.round(placed, DEGREE_DECIMALS), np.nan)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a text (UTF-8) beside its place, and put it there when it is whole."""
    with beside(path) as part:
        part.write_text(text, encoding="utf-8", newline="")


@contextmanager
def beside(path: str | os.PathLike[str], ending: str = ".part") -> Iterator[Path]:
    """Place beside `path`, so ending, for a file that replaces it once it is whole."""
    from analysis.terrain.geofiles import fiona

    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{target} is a folder; choose a file name.")
    try:
        with replacing(target, ending=ending) as part:
            yield part
    except (OSError, fiona.errors.FionaError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        if is_disk_full(error, target.parent):
            reason = "the disk is full"
        raise OutputError(
            f"{target} can't be written ({reason}); check that the folder is there and writable."
        ) from error
