"""A grid read around what can't be read: a tile that is cut off or gone takes nothing else along.

Where the map library trips over a file, the rest of the same window is read all the same, in ever
smaller parts. What can't be read is unknown, and whoever reads is told where and which file it is.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple
from xml.etree import ElementTree

import numpy as np

from analysis.common.types import Bools, Floats

__all__ = ["LEAST_CELLS", "Lost", "Patchy", "broken_part"]

LEAST_CELLS = 32
"""Parts of so many rows or columns aren't cut any further: each try costs a look at the file."""

Lost = Callable[[str, Bools], None]
"""Told the name of a file that can't be read, and which cells of a window it takes along."""

Rows = Callable[[int, int, int, int], Floats]
"""Reads rows and columns (half-open) of a grid; they lie inside of it."""


class Patchy:
    """Reads windows of one grid that is held open, for as long as it is.

    Parameters
    ----------
    view
        The grid as the map library opened it.
    read
        Reads a window of it or raises one of `errors`.
    errors
        What the map library raises for a file that can't be read.
    name
        What a file is called that the library doesn't name.
    """

    def __init__(
        self, view: Any, read: Rows, errors: tuple[type[BaseException], ...], name: str
    ) -> None:
        self.view, self.read, self.errors, self.name = view, read, errors, name
        # tiles that can't be opened, and where they lie
        self.gone: dict[str, list[Part]] = {}

    def window(self, row0: int, row1: int, col0: int, col1: int, lost: Lost) -> Floats:
        """Read a window; NaN where nothing is known, of which `lost` is told what can't be read."""
        broken: dict[str, Bools] = {}
        z = np.full((row1 - row0, col1 - col0), np.nan)

        def mark(name: str, part: Part) -> None:
            broken.setdefault(name, np.zeros(z.shape, dtype=bool))[part.within(row0, col0)] = True

        def fill(part: Part) -> None:
            """Read a part around what is gone; halve what can't be read, mark the last of it."""
            for name, places in self.gone.items():
                for place in places:
                    shared = part.shared_with(place)
                    if shared is not None:
                        mark(name, shared)
                        for rest in part.around(shared):
                            fill(rest)
                        return
            here = part.within(row0, col0)
            try:
                z[here] = self.read(*part)
                return
            except self.errors as error:
                name = broken_part(error) or self.name
            try:
                z[here] = self.read(*part)
            except self.errors:
                halves = part.halves()
                if not halves:
                    mark(name, part)
                for half in halves:
                    fill(half)
                return
            # it complains of a tile that it can't open once only, and what comes behind that in its
            # list is then left out without a word
            if name in self.gone:
                z[here] = np.nan
                mark(name, part)
                return
            places = _places(self.view, name)
            if places:
                self.gone[name] = places
                z[here] = np.nan
                fill(part)

        fill(Part(row0, row1, col0, col1))
        for name, cells in broken.items():
            lost(name, cells)
        return z


class Part(NamedTuple):
    """Rows and columns of a grid, half-open."""

    row0: int
    row1: int
    col0: int
    col1: int

    def within(self, row: int, col: int) -> tuple[slice, slice]:
        """The same in a window that begins at a row and a column."""
        return (slice(self.row0 - row, self.row1 - row), slice(self.col0 - col, self.col1 - col))

    def shared_with(self, other: Part) -> Part | None:
        """What both have; None where that is nothing."""
        row0, col0 = max(self.row0, other.row0), max(self.col0, other.col0)
        row1, col1 = min(self.row1, other.row1), min(self.col1, other.col1)
        return Part(row0, row1, col0, col1) if row1 > row0 and col1 > col0 else None

    def around(self, inner: Part) -> list[Part]:
        """What is left without a part of it."""
        parts = (
            Part(self.row0, inner.row0, self.col0, self.col1),
            Part(inner.row1, self.row1, self.col0, self.col1),
            Part(inner.row0, inner.row1, self.col0, inner.col0),
            Part(inner.row0, inner.row1, inner.col1, self.col1),
        )
        return [part for part in parts if part.row1 > part.row0 and part.col1 > part.col0]

    def halves(self) -> tuple[Part, ...]:
        """Its two halves; none of what is as small as `LEAST_CELLS`."""
        row0, row1, col0, col1 = self
        if max(row1 - row0, col1 - col0) <= LEAST_CELLS:
            return ()
        if col1 - col0 > row1 - row0:
            middle = _halfway(col0, col1)
            return Part(row0, row1, col0, middle), Part(row0, row1, middle, col1)
        middle = _halfway(row0, row1)
        return Part(row0, middle, col0, col1), Part(middle, row1, col0, col1)


def _halfway(start: int, stop: int) -> int:
    """A row or column about halfway where blocks are likely to meet: a multiple of a power of 2."""
    middle, step = (start + stop) // 2, 1
    while True:
        wider = 2 * step
        at = (middle + step) // wider * wider
        if not start < at < stop or abs(at - middle) > (stop - start) // 4:
            return (middle + step // 2) // step * step
        step = wider


def _places(view: Any, name: str) -> list[Part]:
    """What a file fills of a grid of tiles: all of it where nobody knows; nothing of a single one.

    A single file that is read at the second try was out of reach for a moment.
    """
    text = view.tags(ns="xml:VRT").get("xml:VRT", "")
    if not text:
        return []
    found = []
    for source in ElementTree.fromstring(text).iterfind("VRTRasterBand[@band='1']/*"):
        path, place = source.findtext("SourceFilename"), source.find("DstRect")
        if path is not None and place is not None and Path(path).name == name:
            col, row, cols, rows = (
                float(place.get(key, "0")) for key in ("xOff", "yOff", "xSize", "ySize")
            )
            ends = (math.floor(row), math.ceil(row + rows), math.floor(col), math.ceil(col + cols))
            found.append(Part(*ends))
    return found or [Part(0, view.height, 0, view.width)]


_NAMES = (
    re.compile(r"(.+?), band \d+: "),
    re.compile(r"[`'\"](.+?)['\"] not recognized"),
    re.compile(r"(.+?\.\w+): "),
)


def broken_part(error: BaseException) -> str:
    """Name of the file that couldn't be read, which may be one of many; empty if nobody says."""
    said = str(error.__cause__ or "")
    found = next((match for name in _NAMES if (match := name.match(said))), None)
    return Path(found[1]).name if found else ""
