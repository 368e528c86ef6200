"""Units and coordinate systems of a terrain grid: what one step and one height are in metres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from analysis.common.errors import TerrainCrsError, TerrainError
from analysis.common.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = [
    "VERTICAL_UNITS",
    "linear_unit",
    "source_crs",
    "units_stated",
    "utm_zone",
    "vertical_unit_of",
]

VERTICAL_UNITS = {"metre": 1.0, "foot": METRES_PER_FOOT, "us-foot": METRES_PER_US_SURVEY_FOOT}
"""The vertical units a person can give, in metres."""

_UNIT_WORDS = {
    word: metres
    for metres, words in (
        (1.0, "m, metre, metres, meter, meters"),
        (0.01, "cm, centimetre, centimeter"),
        (0.001, "mm, millimetre, millimeter"),
        (METRES_PER_FOOT, "ft, foot, feet"),
        (METRES_PER_FOOT, "international foot, international feet, foot international"),
        (METRES_PER_US_SURVEY_FOOT, "us foot, us feet, us ft, ft us, ftus, foot us, survey foot"),
        (METRES_PER_US_SURVEY_FOOT, "us survey foot, us survey feet, u.s. survey foot"),
    )
    for word in words.split(", ")
}
_SAYS_NOTHING = ("", "unknown", "none", "n/a", "-")
_UNIT_TAGS = ("vertical_units", "vertical_unit", "z_units", "z_unit", "elevation_units")


def source_crs(dataset: Any, path: str, given: str | None) -> CRS:
    """Return the coordinate system of a file, or the one a person gave.

    Raises
    ------
    TerrainError
        There is none, or the given one is not known.
    """
    from analysis.terrain import geofiles

    if given is not None:
        try:
            return geofiles.CRS.from_user_input(given)
        except geofiles.rasterio.errors.CRSError as error:
            raise TerrainError(
                f'The coordinate system "{given}" is not known; give it as EPSG:number or as WKT.'
            ) from error
    if not dataset.crs:
        raise TerrainCrsError(
            f"The terrain grid {path} has no coordinate system; put a .prj file beside it, or "
            "give the coordinate system (such as EPSG:32610; --crs on the command line)."
        )
    found: CRS = dataset.crs
    return found


def linear_unit(crs: CRS, path: str) -> float:
    """Return the length of one unit of a plane coordinate system in metres.

    Raises
    ------
    TerrainError
        The coordinate system has no unit of length.
    """
    if crs.is_projected:
        return float(crs.linear_units_factor[1])
    axes = _axes(crs)
    unit = _axis_unit(axes[0]) if axes else None
    if unit is None:
        raise TerrainError(
            f"The terrain grid {path} has a coordinate system without a unit of length; "
            "reproject it to a plane in metres or feet."
        )
    return unit


def vertical_unit_of(
    stated: Sequence[tuple[str, str]], crs: CRS, given: str | None, path: str
) -> tuple[float, str, bool]:
    """Settle the unit of the heights.

    Parameters
    ----------
    stated
        Words that may name a unit, and where each stands in the file; the first counts.
    crs, given, path
        Coordinate system, the unit that a person gave, and the file.

    Returns
    -------
    metres : float
        Length of one unit.
    source : str
        Where it comes from, in words.
    sure : bool
        False when it was assumed.

    Raises
    ------
    TerrainError
        Unknown unit, given or in the file.
    """
    if given is not None and given not in VERTICAL_UNITS:
        raise TerrainError(
            f'The vertical unit "{given}" is not known; give metre, foot or us-foot.'
        )
    found = _stated_unit(stated, crs, path, strict=given is None)
    if given is not None:
        metres, note = VERTICAL_UNITS[given], f"given: {given}"
        if found is not None and abs(found[0] / metres - 1.0) > 1e-4:
            note += f" (against the {found[1]})"
        return metres, note, True
    if found is not None:
        return (*found, True)
    if crs.is_geographic:
        return 1.0, "assumed metre: the file doesn't say and the grid is in degrees", False
    metres = linear_unit(crs, path)
    names = {round(value, 9): name for name, value in VERTICAL_UNITS.items()}
    name = names.get(round(metres, 9), f"{metres:g} m")
    return metres, f"assumed {name}, the unit of the coordinate system: the file doesn't say", False


def units_stated(dataset: Any) -> list[tuple[str, str]]:
    """Return the words of a raster that may name the unit of its heights, and where they stand."""
    stated = [(dataset.units[0] or "", "the unit of the band")]
    for tags in (dataset.tags(1), dataset.tags()):
        stated += [
            (value, f"the tag {key}") for key, value in tags.items() if key.lower() in _UNIT_TAGS
        ]
    return stated


def _stated_unit(
    stated: Sequence[tuple[str, str]], crs: CRS, path: str, *, strict: bool
) -> tuple[float, str] | None:
    for words, where in stated:
        if words.strip().lower() in _SAYS_NOTHING:
            continue
        metres = _unit_from_words(words)
        if metres is not None:
            return metres, f"file: {where} says {words}"
        if strict:
            raise TerrainError(
                f'The terrain grid {path} gives its heights in "{words}", which is not a known '
                "unit of length; give the vertical unit as metre, foot or us-foot "
                "(--vertical-unit on the command line)."
            )
    upward = [axis for axis in _axes(crs) if axis.get("direction") == "up"]
    metres = _axis_unit(upward[0]) if upward else None
    return None if metres is None else (metres, "file: vertical part of the coordinate system")


def _axes(crs: CRS) -> list[dict[str, Any]]:
    """Return the axes of all parts of a coordinate system, horizontal first."""
    try:
        parts = crs.to_dict(projjson=True)
    except Exception:  # a system too odd for PROJ to describe simply has no axes
        return []
    axes: list[dict[str, Any]] = []
    for part in parts.get("components", [parts]):
        whole = part.get("source_crs", part)
        axes += whole.get("coordinate_system", {}).get("axis", [])
    return axes


def _axis_unit(axis: dict[str, Any]) -> float | None:
    unit = axis.get("unit")
    if isinstance(unit, dict):
        factor = unit.get("conversion_factor")
        return None if factor is None else float(factor)
    return _unit_from_words(str(unit)) if unit else None


def _unit_from_words(words: str) -> float | None:
    return _UNIT_WORDS.get(" ".join(words.lower().replace("_", " ").replace("-", " ").split()))


def utm_zone(dataset: Any, source: CRS, path: str) -> CRS:
    """Return the UTM zone (WGS 84) of the middle of a grid.

    Raises
    ------
    TerrainError
        The grid lies beyond 84 degrees north or 80 degrees south.
    """
    from analysis.terrain import geofiles

    west, south, east, north = dataset.bounds
    lon, lat = geofiles.rasterio.warp.transform(
        source, geofiles.CRS.from_epsg(4326), [(west + east) / 2], [(south + north) / 2]
    )
    if not (-80.0 <= lat[0] <= 84.0 and math.isfinite(lon[0])):
        raise TerrainError(
            f"The terrain grid {path} lies outside the UTM zones; reproject it to a plane in "
            "metres."
        )
    zone = int((lon[0] + 180.0) // 6.0) % 60 + 1
    return geofiles.CRS.from_epsg((32600 if lat[0] >= 0 else 32700) + zone)
