"""Compiled shares of what lies by the border of two bins; imported only for real cells."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["BORDER", "all_shares", "bin_shares"]

BORDER = 0.25
# So near to a border, in bins, a cell belongs to both: as the break it is seen from moves by a
# hair, no cell leaves one bin for the other all at once.


@compiled
def bin_shares(across: float, border: float = BORDER) -> tuple[int, int, float]:
    """Bin of a place counted in bins, the other bin that is nearest, and the share of that one.

    It has one nearer than `border` to their common border.

    >>> bin_shares(2.5), bin_shares(3.0)
    ((2, 3, 0.0), (3, 2, 0.5))
    """
    own = int(np.floor(across))
    within = across - own
    near = 1.0 - within if within >= 0.5 else within
    return own, own + 1 if within >= 0.5 else own - 1, 0.5 * max(1.0 - near / border, 0.0)


@compiled
def all_shares(across: Any, border: float, own: Any, other: Any, share: Any) -> None:
    """Fill in what `bin_shares` gives of each place (n,)."""
    for i in range(across.size):
        own[i], other[i], share[i] = bin_shares(across[i], border)
