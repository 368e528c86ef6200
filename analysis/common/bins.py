"""Places counted in bins: which they belong to, without a jump at the border of two."""

from __future__ import annotations

import numpy as np

from analysis.common.types import Floats, Indices

__all__ = ["shares_of"]


def shares_of(across: Floats, border: float) -> tuple[Indices, Indices, Floats]:
    """Share places among bins.

    Parameters
    ----------
    across : (n,)
        Places, counted in bins.
    border : float
        How near to the border of two bins a place belongs to both, in bins.

    Returns
    -------
    own, other : (n,) int64
        The bin of each place and the other one that is nearest.
    share : (n,)
        How much of it belongs to the other: a half right on the border.

    Examples
    --------
    >>> shares_of(np.array([2.5, 2.95]), 0.1)
    (array([2, 2]), array([3, 3]), array([0.  , 0.25]))
    """
    from analysis.common.bin_kernels import all_shares

    own, other = (np.empty(across.shape, dtype=np.int64) for _ in range(2))
    share = np.empty(across.shape)
    all_shares(np.ascontiguousarray(across, dtype=np.float64), border, own, other, share)
    return own, other, share
