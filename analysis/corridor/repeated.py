"""Grids whose cells were cut into smaller ones of the same height: put together again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats
from analysis.corridor.lattice import from_first, places_of
from analysis.corridor.values import Cells

__all__ = ["put_together"]


MOST_TIMES = 8
"""Cells cut finer than this are left as they are."""

NEARLY_ALL = 0.98
"""Share of neighbours that must be alike: where ground is really level, others are too."""


def put_together(cells: Cells) -> Cells:
    """Put cells together that only repeat each other's height; the same cells where none do.

    Two neighbours in a row are alike then, but for every k-th pair; and so in the columns. A grid
    whose heights are all alike anyway (rounded, or level) isn't touched.
    """
    if len(cells) == 0:
        return cells
    cuts = _cuts(cells)
    if cuts[0] is None or cuts[1] is None or cuts[0][0] != cuts[1][0]:
        return cells
    times, first_col = cuts[0]
    first_row = cuts[1][1]
    row, col = (
        (part - first) // times for part, first in ((cells.row, first_row), (cells.col, first_col))
    )
    stride = int(col.max() - col.min()) + 1
    block = (row - row.min()).astype(np.int64) * stride + (col - col.min())
    _, own, member, count = np.unique(
        block, return_index=True, return_inverse=True, return_counts=True
    )
    # a block at the end of the corridor may lack some of its cells, and so its middle
    whole = count == times**2
    # and in a hairpin some of them may belong to the other leg
    about = np.bincount(member, cells.s) / count
    apart = np.abs(cells.s - about[member]) > times * cells.cell_m
    whole &= np.bincount(member, apart) == 0

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(member, values)[whole] / times**2)

    s = mean(cells.s)
    order = np.argsort(s, kind="stable")
    own = own[whole]
    return replace(
        cells,
        s=s[order],
        o=mean(cells.o)[order],
        z=cells.z[own][order],
        row=(row[own] * times + first_row)[order].astype(np.int32),
        col=(col[own] * times + first_col)[order].astype(np.int32),
        cell_m=times * cells.cell_m,
        intensity=None if cells.intensity is None else mean(cells.intensity)[order],
        every=times,
    )


def _cuts(cells: Cells) -> list[tuple[int, int] | None]:
    """How many neighbours repeat each other, and where some of them begin: in rows, in columns."""
    from analysis.corridor.lattice_kernels import count_alike

    (row, first_row), (col, first_col) = (
        from_first(part.astype(np.int64)) for part in (cells.row, cells.col)
    )
    places = places_of(row, col)

    def counted(along: bool, times: int) -> NDArray[np.int64]:
        out = np.zeros((times, 2), dtype=np.int64)
        count_alike(row, col, cells.z, places, along, out)
        return out

    return [_cut(partial(counted, True), first_col), _cut(partial(counted, False), first_row)]


def _cut(counted: Callable[[int], NDArray[np.int64]], first: int) -> tuple[int, int] | None:
    """How many neighbours in a line repeat each other, and the place where some of them begin.

    `counted` gives the pairs, and those alike, by what is left of the place of the second cell,
    counted from `first`, when it is divided by a number.
    """
    ((beside, alike),) = counted(1)
    if beside < 100:
        return None
    share = float(alike / beside)
    times = round(1.0 / max(1.0 - share, 1e-9))
    if not 2 <= times <= MOST_TIMES:
        return None
    # pairs across a cut
    pairs = np.roll(counted(times), first, axis=0)
    cut = 1.0 - pairs[:, 1] / pairs[:, 0]
    begin = int(cut.argmax())
    others = np.delete(cut, begin)
    if cut[begin] < NEARLY_ALL or others.max() > 1.0 - NEARLY_ALL:
        return None
    return times, begin
