"""Good files spoilt at random, again and again: none may crash, hang or end in a traceback."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.terrain.grid import open_terrain
from tests.bad_inputs.cases import good_files
from tests.bad_inputs.readers import in_a_child

__all__ = ["SOURCES", "mutated", "run"]

SOURCES = {
    "tif": ("grid", "tif", ".tif"),
    "gpkg": ("road", "gpkg", ".gpkg"),
    "edges": ("edges", "gpkg", ".gpkg"),
    "shp": ("road", "shp", ".shp"),
    "fgb": ("road", "fgb", ".fgb"),
    "findings": ("findings", "findings", ".gpkg"),
}
"""By name: what reads the file, which good file it is made from, and its ending."""


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
    grid, whole = open_terrain(files["tif"]), files[good].read_bytes()
    path, counted = folder / f"mutated{ending}", Counter[str]()
    for beside in (".shx", ".dbf", ".prj"):
        if ending == ".shp":
            path.with_suffix(beside).write_bytes(files["shp"].with_suffix(beside).read_bytes())
    for number in range(seed, seed + count):
        path.write_bytes(mutated(whole, np.random.default_rng(number)))
        outcome = in_a_child(kind, path, grid)
        counted[outcome.ended] += 1
        if outcome.ended not in ("read", "refused"):
            tell(f"{name} {number}: {outcome.ended}: {outcome.said}")
    return counted
