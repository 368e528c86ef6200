"""Rival sets of edge and hinge: what the doubt about them makes of all that is measured."""

from __future__ import annotations

import numpy as np

from analysis.common.types import Floats
from analysis.edges.values import Breaks

__all__ = ["LEAST_SHARE", "sets_of", "with_rivals"]


LEAST_SHARE = 0.01
"""Rival hinges less likely than this aren't asked for."""


def sets_of(breaks: Breaks, side: int) -> Floats:
    """Sets of edge and hinge, (n, 3, 4): see `Breaks`; where none compete, the one found."""
    if breaks.hinge_ways is not None:
        return breaks.hinge_ways[:, side]
    sets = np.zeros((breaks.s.size, 3, 4))
    sets[:, 0, 2], sets[:, 0, 3] = breaks.hinge_se[:, side], 1.0
    return sets


def with_rivals(mean: Floats, spread: Floats, beta: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Mix the fits of the sets found with those of their rivals.

    Parameters
    ----------
    mean, spread : (n, p), (n, p, p)
        Parameters and covariances with edge and hinge about where they were found.
    beta, share : (n, r, p), (n, r)
        Parameters with each of r rival sets, NaN where there is none, and how likely each set is,
        which the search told from all along the road.

    Returns
    -------
    (n, p), (n, p, p)
        Mean and covariance of the mixture. Rivals are fitted to the same cells: how far they lie
        apart holds their noise already, so that all count as unsure as those found.
    """
    found = np.asarray(np.isfinite(mean).all(axis=1))
    told = np.asarray(np.isfinite(beta).all(axis=2)) & found[:, None]
    share = np.where((share > 0.0) & told, share, 0.0)
    off = np.where(told[:, :, None], beta - mean[:, None], 0.0)
    moved = np.einsum("nk,nkj->nj", share, off)
    apart = np.einsum("nk,nki,nkj->nij", share, off, off)
    return mean + moved, spread + apart - moved[:, :, None] * moved[:, None, :]
