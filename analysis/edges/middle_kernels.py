"""Compiled loops of the search for the road's middle; imported only when a road is searched.

The functions compute and check nothing: `analysis.edges.middle` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Regressions", "weigh_sections"]


class Regressions(NamedTuple):
    """Regressions of a section, one for each pair of ways in which its two sides may go on.

    Pairs stand in the order of the left way, then the right one. All regressions share their
    columns but the last two: that of the left way, then that of the right one.

    Attributes
    ----------
    pick : (m, p) int
        Columns of each.
    whiten, start : (m, p, p), (m, p)
        Lower triangles that make independent numbers of what pulls at the columns, and what is
        added to these.
    weight, prior : (m,)
    """

    pick: Any
    whiten: Any
    start: Any
    weight: Any
    prior: Any


@compiled
def weigh_sections(
    pull: Any, square: Any, regressions: Regressions, value: Any, least: Any
) -> None:
    """Log evidence of sections, and their least square misfit.

    What the regressions share is reckoned once for each section, and what the pairs with one left
    way share once for each of these.

    Parameters
    ----------
    pull : (b, q)
        Products of the heights with all columns.
    square : (b,)
        Sum of their squares.
    regressions : Regressions
    value, least : (b,)
        Filled.
    """
    pick, whiten, start, weight, prior = regressions
    pairs, size = pick.shape
    ways = int(np.sqrt(pairs))
    shared = size - 2
    own = np.empty(shared + 1)
    found = np.empty(pairs)
    for b in range(pull.shape[0]):
        base = 0.0
        for r in range(shared):
            own[r] = pull[b, pick[0, r]]
        for r in range(shared):
            number = start[0, r]
            for c in range(r + 1):
                number += whiten[0, r, c] * own[c]
            base += number * number
        most = -np.inf
        best = -np.inf
        for left in range(ways):
            m = left * ways
            own[shared] = pull[b, pick[m, shared]]
            number = start[m, shared]
            for c in range(shared + 1):
                number += whiten[m, shared, c] * own[c]
            before = base + number * number
            for right in range(ways):
                m = left * ways + right
                number = start[m, size - 1]
                for c in range(shared + 1):
                    number += whiten[m, size - 1, c] * own[c]
                number += whiten[m, size - 1, size - 1] * pull[b, pick[m, size - 1]]
                explained = before + number * number - prior[m]
                best = max(best, explained)
                found[m] = 0.5 * explained + weight[m]
                most = max(most, found[m])
        total = 0.0
        for m in range(pairs):
            total += np.exp(found[m] - most)
        value[b] = most + np.log(total) - 0.5 * square[b]
        least[b] = square[b] - best
