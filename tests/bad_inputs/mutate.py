"""Good files spoilt at random, again and again: none may crash, hang or end in a traceback."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.terrain.grid import open_terrain
from tests.bad_inputs.cases import good_files
from tests.bad_inputs.readers import in_children

__all__ = ["SOURCES", "mutated", "run"]

SOURCES = {
    "tif": ("grid", "tif", ".tif"),
    "geojson": ("road", "geojson", ".geojson"),
    "gpkg": ("road", "gpkg", ".gpkg"),
    "mask": ("mask", "mask", ".gpkg"),
    "edges": ("edges", "gpkg", ".gpkg"),
    "shp": ("road", "shp", ".shp"),
    "fgb": ("road", "fgb", ".fgb"),
    "maskfgb": ("mask", "maskfgb", ".fgb"),
    "edgesfgb": ("edges", "fgb", ".fgb"),
    "findings": ("findings", "findings", ".gpkg"),
    "limits": ("limits", "limits", ".toml"),
    "rates": ("rates", "rates", ".toml"),
    "widths": ("widths", "widths", ".csv"),
    "readings": ("readings", "readings", ".csv"),
    "las": ("points", "las", ".las"),
    "laz": ("points", "laz", ".laz"),
}
"""By name: what reads the file, which good file it is made from, and its ending."""

_BESIDE = (".shp", ".shx", ".dbf", ".prj")


def mutated(whole: bytes, rng: np.random.Generator) -> bytes:
    """Return a file with a bit, bytes or a run of it changed, moved or cut off."""
    data, size = bytearray(whole), len(whole)
    at, length = int(rng.integers(size)), int(rng.integers(1, 400))
    match int(rng.integers(6)):
        case 0:
            data[at] ^= 1 << int(rng.integers(8))
        case 1:
            for place in rng.integers(size, size=int(rng.integers(2, 60))):
                data[place] = int(rng.integers(256))
        case 2:
            data[at : at + length] = bytes(min(length, size - at))
        case 3:
            del data[max(at, 1) :]
        case 4:
            begin = int(rng.integers(size))
            data[at : at + length] = whole[begin : begin + length]
        case _:
            data[at % min(size, 4096)] = int(rng.integers(256))
    return bytes(data)


def run(
    name: str, count: int, folder: Path, *, seed: int = 0, tell: Callable[[str], None] = print
) -> Counter[str]:
    """Spoil one kind of file `count` times; returns how often each outcome came.

    Parameters
    ----------
    name : str
        A key of `SOURCES`.
    count : int
    folder : path
        An empty one to work in.
    seed : int
        Of the first; the k-th has ``seed + k``, so that any can be made again.
    tell : callable
        Hears of every crash, hang and fault.
    """
    kind, good, ending = SOURCES[name]
    files = good_files(folder)
    grid, path = open_terrain(files["tif"]), folder / f"mutated{ending}"
    endings = _BESIDE if ending == ".shp" else (ending,)
    whole = {each: files[good].with_suffix(each).read_bytes() for each in endings}

    def spoil(number: int) -> Path:
        rng = np.random.default_rng(number)
        for each, content in whole.items():
            path.with_suffix(each).write_bytes(content)
        # of the files that make up one, any may be spoilt, mostly the first
        spoilt = endings[int(rng.choice(len(endings)))] if rng.random() < 0.5 else ending
        path.with_suffix(spoilt).write_bytes(mutated(whole[spoilt], rng))
        return path

    counted = Counter[str]()
    for number, outcome in in_children(kind, range(seed, seed + count), spoil, grid):
        counted[outcome.ended] += 1
        if outcome.ended not in ("read", "refused"):
            tell(f"{name} {number}: {outcome.ended}: {outcome.said[:300]}")
    return counted
