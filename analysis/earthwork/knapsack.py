"""A knapsack with fixed charges: things to choose from that share what is set up and rounded up.

Solved as an integer programme (`scipy.optimize.milp`), class by class, and greedily to compare.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Bools, Floats

__all__ = ["NEAR", "Knapsack", "choose", "choose_greedily"]

NEAR = 1e-6
"""More than there is by less than this is none: amounts are sums of many."""
_EPS = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knapsack:
    """Things to choose from, with what they share.

    Attributes
    ----------
    harm : (n,)
        What is mended by taking a thing; 0 or more.
    klass : (n,) int
        Class of harm, the lowest first.
    takes : (n, k)
        Of each of k means.
    group, group_takes : (n,) int, (m, k)
        What is set up once for all things of a group that are taken.
    pool, parts, pool_takes : (n, q) int, (n, q), (p, k)
        Parts of one that are added up over a pool and rounded up, and what each whole one takes; a
        thing has parts in q pools.
    there : (k,)
        Means.
    things
        What they are, where that matters.
    """

    harm: Floats
    klass: NDArray[np.intp]
    takes: Floats
    group: NDArray[np.intp]
    group_takes: Floats
    pool: NDArray[np.intp]
    parts: Floats
    pool_takes: Floats
    there: Floats
    things: tuple[object, ...] = ()

    def used(self, taken: Bools) -> Floats:
        """(k,) what a choice takes."""
        opened = np.unique(self.group[taken])
        wholes = _whole(self.pooled(taken))
        return np.asarray(
            self.takes[taken].sum(axis=0)
            + self.group_takes[opened].sum(axis=0)
            + (wholes[:, None] * self.pool_takes).sum(axis=0)
        )

    def fits(self, taken: Bools) -> bool:
        """Whether there is enough for a choice."""
        return bool(np.all(self.used(taken) <= self.there + NEAR))

    def mended(self, taken: Bools) -> tuple[float, ...]:
        """Harm mended in each class, the worst class first: compare as a tuple."""
        return tuple(
            float(self.harm[taken & (self.klass == k)].sum()) for k in np.unique(self.klass)
        )

    def worth(self) -> Floats:
        """(n,) harm for what a thing takes alone, as a share of what there is."""
        alone = self.takes + self.group_takes[self.group]
        alone = alone + (self.parts[:, :, None] * self.pool_takes[self.pool]).sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.nan_to_num(alone / self.there, nan=0.0, posinf=np.inf)
        return np.asarray(self.harm / np.maximum(share.max(axis=1, initial=0.0), 1e-12))

    def pooled(self, taken: Bools) -> Floats:
        """(p,) parts that a choice puts into each pool."""
        pool, parts = self.pool[taken].ravel(), self.parts[taken].ravel()
        sums = np.bincount(pool, weights=parts, minlength=len(self.pool_takes))
        return np.asarray(sums, dtype=np.float64)


def choose_greedily(sack: Knapsack, taken: Bools | None = None) -> Bools:
    """Take one thing after the other, as long as it fits, beside what is `taken` already.

    By class, and within it by harm for what a thing takes alone, as a share of what there is.

    Returns
    -------
    (n,) bool
    """
    taken = np.zeros(len(sack.harm), dtype=bool) if taken is None else taken.copy()
    used, pooled = sack.used(taken), sack.pooled(taken)
    opened = np.zeros(len(sack.group_takes), dtype=bool)
    opened[sack.group[taken]] = True
    worth = sack.worth()
    for i in np.lexsort((-worth, sack.klass)):
        group, pool = sack.group[i], sack.pool[i]
        wholes = _whole(pooled[pool] + sack.parts[i]) - _whole(pooled[pool])
        more = sack.takes[i] + wholes @ sack.pool_takes[pool]
        if not opened[group]:
            more = more + sack.group_takes[group]
        if not taken[i] and np.all(used + more <= sack.there + _EPS):
            used, taken[i], opened[group] = used + more, True, True
            pooled[pool] += sack.parts[i]
    return taken


def _whole(amounts: Floats) -> Floats:
    return np.ceil(amounts - 1e-6)


def choose(sack: Knapsack, time_s: float = 0.8) -> Bools:
    """Choose what mends most harm, class by class; never less than `choose_greedily`.

    Returns
    -------
    (n,) bool

    Notes
    -----
    A knapsack with fixed charges: maximise the harm of the things taken, x = 0 or 1, where a thing
    asks for its group, x <= y, and a pool for whole ones, sum(parts x) <= z (Nemhauser and Wolsey
    1988, Integer and Combinatorial Optimization, ch. I.1; from memory). One class after the other,
    each keeping what the ones before it mended.
    """
    best = choose_greedily(sack)
    kept: list[tuple[Floats, float]] = []
    classes = [klass for klass in np.unique(sack.klass) if sack.harm[sack.klass == klass].any()]
    ends = time.monotonic() + time_s
    for number, klass in enumerate(classes):
        gain = np.where(sack.klass == klass, sack.harm, 0.0)
        left_s = (ends - time.monotonic()) / (len(classes) - number)
        found = _solve(sack, gain, kept, left_s) if left_s > 0.0 else None
        if found is None:
            break
        if sack.fits(found):
            # What the solver had no reason to take yet may still fit.
            found = choose_greedily(sack, found & (sack.klass <= klass))
            best = found if _no_less(sack.mended(found), sack.mended(best)) else best
        kept.append((gain, float(gain[best].sum())))
    return best


def _no_less(one: Sequence[float], other: Sequence[float]) -> bool:
    """Whether one choice mends at least as much as another, but for rounding."""
    for mine, its in zip(one, other, strict=True):
        if not math.isclose(mine, its, rel_tol=1e-6):
            return mine > its
    return True


def _solve(
    sack: Knapsack, gain: Floats, kept: Sequence[tuple[Floats, float]], time_s: float
) -> Bools | None:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array, csr_array, hstack

    n, m, p = len(sack.harm), len(sack.group_takes), len(sack.pool_takes)
    pooled = bool(sack.pool_takes.any() and sack.parts.any())
    p = p if pooled else 0
    rows = np.arange(n)
    every, one = np.repeat(rows, sack.pool.shape[1]), np.ones(n)
    asks = hstack(
        [
            coo_array((one, (rows, rows)), shape=(n, n)),
            coo_array((-one, (rows, sack.group)), shape=(n, m)),
            coo_array((n, p)),
        ]
    )
    there = csr_array(np.concatenate([sack.takes, sack.group_takes, sack.pool_takes[:p]]).T)
    rules = [
        LinearConstraint(csr_array(asks), -np.inf, 0.0),
        LinearConstraint(there, -np.inf, sack.there),
    ]
    if pooled:
        wholes = hstack(
            [
                coo_array((sack.parts.ravel(), (sack.pool.ravel(), every)), shape=(p, n)),
                coo_array((p, m)),
                coo_array((-np.ones(p), (np.arange(p), np.arange(p))), shape=(p, p)),
            ]
        )
        rules.append(LinearConstraint(csr_array(wholes), -np.inf, 0.0))
    # Harm may span many powers of ten, which a solver's tolerances don't.
    scale = float(gain.max())
    for before, amount in kept:
        held = np.concatenate([before / before.max(), np.zeros(m + p)])
        rules.append(
            LinearConstraint(csr_array(held[None, :]), amount / before.max() - 1e-6, np.inf)
        )
    found = milp(
        np.concatenate([-gain / scale, np.zeros(m + p)]),
        integrality=np.concatenate([np.ones(n), np.zeros(m), np.ones(p)]),
        bounds=Bounds(0.0, np.concatenate([np.ones(n + m), np.full(p, np.inf)])),
        constraints=rules,
        options={"time_limit": time_s, "mip_rel_gap": 1e-5},
    )
    return None if found.x is None else np.asarray(found.x[:n] > 0.5)
