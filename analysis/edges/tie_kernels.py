"""Compiled loops that tie breaks along the road; imported only when a road is really searched.

The functions compute and check nothing: `analysis.edges.tied_breaks`,
`analysis.edges.second_look` and `analysis.edges.crowns` prepare their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["LEAP", "tie_crown", "tie_line", "tie_pairs"]

_FLOOR = 1e-300
# What is left of the likeliness of a state, however unlikely it is.

LEAP = 1e-9
"""How likely a break is to be at any one other place in the next block, as where a lay-by begins.
It counts only where no usual move leads from one block's candidates to those of the next, so that
what comes out there doesn't hang on rounding."""

_ROWS = 32
# Most places that are moved at once.


@compiled
def _lay_moves(kernel: Any, turned: bool, band: Any) -> None:
    """Lay a kernel (2r + 1,), or the kernel turned, along the diagonal of (t, t + 2r)."""
    size = kernel.size
    for i in range(band.shape[0]):
        for k in range(size):
            band[i, i + k] = kernel[size - 1 - k] if turned else kernel[k]


@compiled
def _move(padded: Any, band: Any, moved: Any) -> None:
    """Convolve every column with a kernel that was laid, some rows at a time.

    `padded` has as many rows of 0 as the kernel reaches before and after those of `moved`.
    """
    rows, reach = band.shape
    for i in range(0, moved.shape[0], rows):
        np.dot(band, padded[i : i + reach], moved[i : i + rows])


@compiled
def _line_forward(seen: Any, kernel: Any, start: Any, switch: Any, work: Any, post: Any) -> None:
    """Let `post` hold what each block and those before it say."""
    blocks, p, m = seen.shape
    band, padded, moved, before = work
    ahead, ones, r = before.reshape(before.size), np.ones(p * m), kernel.shape[1] // 2
    for b in range(blocks):
        if b > 0:
            padded[r : r + p] = post[b - 1]
            _lay_moves(kernel[b], True, band)
            _move(padded, band, moved)
            np.dot(moved, switch, before)
            for i in range(p):
                for q in range(m):
                    before[i, q] += LEAP * start[q]
        else:
            before[:] = start
        new, told = post[b].reshape(p * m), seen[b].reshape(p * m)
        for j in range(p * m):
            new[j] = ahead[j] * told[j] + _FLOOR
        scale = 1.0 / np.dot(new, ones)
        for j in range(p * m):
            new[j] *= scale


@compiled
def _line_backward(seen: Any, kernel: Any, start: Any, switch: Any, work: Any, post: Any) -> None:
    """Bring in what all later blocks say."""
    blocks, p, m = seen.shape
    band, padded, moved, back = work
    to, most, ones, r = switch.T.copy(), np.empty(m), np.ones(p * m), kernel.shape[1] // 2
    given = padded.reshape(padded.size)[r * m : (r + p) * m]
    behind = back.reshape(back.size)
    back[:] = 1.0
    for b in range(blocks - 2, -1, -1):
        told, new = seen[b + 1].reshape(p * m), post[b].reshape(p * m)
        for j in range(p * m):
            given[j] = behind[j] * told[j]
        _lay_moves(kernel[b + 1], False, band)
        _move(padded, band, moved)
        np.dot(moved, to, back)
        leap = 0.0
        for i in range(p):
            for q in range(m):
                leap += LEAP * start[q] * given[i * m + q]
        for i in range(p):
            for q in range(m):
                back[i, q] += leap
        most[:] = back[0]
        for i in range(1, p):
            for q in range(m):
                most[q] = max(most[q], back[i, q])
        scale = 1.0 / most.max()
        for j in range(p * m):
            behind[j] = behind[j] * scale + _FLOOR
            new[j] *= behind[j]
        scale = 1.0 / np.dot(new, ones)
        for j in range(p * m):
            new[j] *= scale


@compiled
def tie_line(seen: Any, kernel: Any, start: Any, switch: Any, post: Any) -> None:
    """Posterior of a place and a mode in every block (forward-backward).

    Parameters
    ----------
    seen : (b, p, m)
        Evidence of place and mode; the greatest of each block is 1.
    kernel : (b, 2r + 1)
        How likely each move from the block before is, from r places inward to r outward.
    start : (m,)
        Probability of each mode, in the first block and where a break leaps.
    switch : (m, m)
        Probability of going from one mode to another; rows sum to 1.
    post : (b, p, m)
        Result; sums to 1 in each block.
    """
    _, p, m = seen.shape
    r = kernel.shape[1] // 2
    # products of matrices so small that none is dealt out to threads
    parts = (p + _ROWS - 1) // _ROWS
    rows = (p + parts - 1) // parts
    band, padded = np.zeros((rows, rows + 2 * r)), np.zeros((rows * parts + 2 * r, m))
    work = band, padded, np.empty((rows * parts, m)), np.empty((rows * parts, m))
    _line_forward(seen, kernel, start, switch, work, post)
    _line_backward(seen, kernel, start, switch, work, post)


@compiled
def _spread(source: Any, kernel: Any, target: Any, work: Any) -> None:
    """Convolve (p, q) with the kernel both ways."""
    p, q = source.shape
    r = kernel.size // 2
    for i in range(p):
        for j in range(q):
            work[i, j] = 0.0
            target[i, j] = 0.0
    for i in range(p):
        for k in range(-r, r + 1):
            m = i + k
            if m >= 0 and m < p:
                g = kernel[k + r]
                for j in range(q):
                    work[i, j] += g * source[m, j]
    for i in range(p):
        for j in range(q):
            total = 0.0
            for k in range(max(-r, -j), min(r, q - 1 - j) + 1):
                total += kernel[k + r] * work[i, j + k]
            target[i, j] = total


@compiled
def _spread_line(source: Any, kernel: Any, target: Any) -> None:
    p = source.size
    r = kernel.size // 2
    for i in range(p):
        total = 0.0
        for k in range(max(-r, -i), min(r, p - 1 - i) + 1):
            total += kernel[k + r] * source[i + k]
        target[i] = total


@compiled
def _given_up(source: Any, ends: Any, kernel: Any, sums: Any, line: Any) -> None:
    """How likely shoulders (p, q) end, each at its own hinge, moved on: `line` (p,)."""
    p, q = source.shape
    for i in range(p):
        sums[i] = 0.0
        for j in range(q):
            sums[i] += source[i, j] * ends[i, j]
    _spread_line(sums, kernel, line)


@compiled
def _pairs_forward(
    seen: Any, seen_none: Any, ends: Any, kernel: Any, switch: float, post: Any, none: Any
) -> None:
    """Let `post` and `none` hold what each block and those before it say."""
    blocks, p, q = seen.shape
    moved, work = np.empty((p, q)), np.empty((p, q))
    line, sums, ended = np.empty(p), np.empty(p), np.empty(p)
    with_one, without = np.sqrt(1.0 - switch), np.sqrt(switch)
    for b in range(blocks):
        if b > 0:
            _spread(post[b - 1], kernel, moved, work)
            _spread_line(none[b - 1], kernel, line)
            _given_up(post[b - 1], ends, kernel, sums, ended)
        total = 0.0
        for i in range(p):
            for j in range(q):
                if b == 0:
                    before = ends[i, j] * with_one
                else:
                    before = moved[i, j] * (1.0 - switch) + line[i] * switch * ends[i, j]
                post[b, i, j] = before * seen[b, i, j]
                total += post[b, i, j]
            before = without if b == 0 else line[i] * (1.0 - switch) + ended[i] * switch
            none[b, i] = before * seen_none[b, i]
            total += none[b, i]
        scale = 1.0 / total if total > 0.0 else 0.0
        for i in range(p):
            none[b, i] = none[b, i] * scale + 1e-300
            for j in range(q):
                post[b, i, j] = post[b, i, j] * scale + 1e-300


@compiled
def _pairs_backward(
    seen: Any, seen_none: Any, ends: Any, kernel: Any, switch: float, post: Any, none: Any
) -> None:
    """Bring in the message of all later blocks."""
    blocks, p, q = seen.shape
    moved, work = np.empty((p, q)), np.empty((p, q))
    line, sums, ended = np.empty(p), np.empty(p), np.empty(p)
    # the road ends as it began
    back, back_none = ends * np.sqrt(1.0 - switch), np.full(p, np.sqrt(switch))
    given, given_none = np.empty((p, q)), np.empty(p)
    for b in range(blocks - 1, -1, -1):
        if b < blocks - 1:
            for i in range(p):
                given_none[i] = back_none[i] * seen_none[b + 1, i]
                for j in range(q):
                    given[i, j] = back[i, j] * seen[b + 1, i, j]
            _spread(given, kernel, moved, work)
            _spread_line(given_none, kernel, line)
            _given_up(given, ends, kernel, sums, ended)
            for i in range(p):
                back_none[i] = (1.0 - switch) * line[i] + switch * ended[i]
                for j in range(q):
                    back[i, j] = (1.0 - switch) * moved[i, j] + switch * line[i] * ends[i, j]
        top = max(back.max(), back_none.max())
        total = 0.0
        for i in range(p):
            back_none[i] = back_none[i] / top + 1e-300
            none[b, i] *= back_none[i]
            total += none[b, i]
            for j in range(q):
                back[i, j] = back[i, j] / top + 1e-300
                post[b, i, j] *= back[i, j]
                total += post[b, i, j]
        for i in range(p):
            none[b, i] /= total
            for j in range(q):
                post[b, i, j] /= total


@compiled
def tie_pairs(
    seen: Any, seen_none: Any, ends: Any, kernel: Any, switch: float, post: Any, none: Any
) -> None:
    """Posterior of edge and hinge in every block, given all blocks (forward-backward).

    It is the same from either end of the road: what is known of a hinge beforehand counts by half
    where its shoulder begins and by half where it ends.

    Parameters
    ----------
    seen, seen_none : (b, p, q), (b, p)
        Evidence with a shoulder and without one; the greatest of each block is 1.
    ends : (p, q)
        Root of the probability of a hinge beforehand, for each edge; rows of squares sum to 1.
    kernel : (2r + 1,)
        How far a break moves from one block to the next, inward as likely as outward.
    switch : float
        Probability that a shoulder begins or ends from one block to the next.
    post, none : (b, p, q), (b, p)
        Results; they sum to 1 in each block.
    """
    _pairs_forward(seen, seen_none, ends, kernel, switch, post, none)
    _pairs_backward(seen, seen_none, ends, kernel, switch, post, none)


@compiled
def _moved_on(source: Any, kernel: Any, switch: float, moved: Any, out: Any) -> None:
    """Move two states (2, p) by a kernel (p, p), and let either turn into the other one."""
    p = source.shape[1]
    for k in range(2):
        for j in range(p):
            moved[k, j] = 0.0
        for i in range(p):
            for j in range(p):
                moved[k, j] += source[k, i] * kernel[i, j]
    for j in range(p):
        out[0, j] = (1.0 - switch) * moved[0, j] + switch * moved[1, j]
        out[1, j] = (1.0 - switch) * moved[1, j] + switch * moved[0, j]


@compiled
def tie_crown(seen: Any, blank: Any, kernel: Any, start: Any, switch: float, post: Any) -> None:
    """Posterior of a place with a kink or without one in every block (forward-backward).

    Parameters
    ----------
    seen, blank : (b, p), (b,)
        Evidence of a kink at each place, and of none.
    kernel : (p, p)
        How likely each place follows on each; rows sum to 1.
    start : (p,)
        Probability of each place in the first block.
    switch : float
        Probability that the kink begins or ends from one block to the next.
    post : (b, 2, p)
        Result; sums to 1 in each block.
    """
    blocks, p = seen.shape
    to = np.empty((p, p))
    state, moved, given = np.empty((2, p)), np.empty((2, p)), np.empty((2, p))
    for i in range(p):
        state[0, i] = state[1, i] = 0.5 * start[i]
        for j in range(p):
            to[j, i] = kernel[i, j]
    for b in range(blocks):
        if b > 0:
            _moved_on(given, kernel, switch, moved, state)
        total = 0.0
        for i in range(p):
            given[0, i], given[1, i] = state[0, i] * seen[b, i], state[1, i] * blank[b]
            total += given[0, i] + given[1, i]
        for k in range(2):
            for i in range(p):
                given[k, i] /= total
                post[b, k, i] = given[k, i]
    for i in range(p):
        state[0, i] = state[1, i] = 1.0
    for b in range(blocks - 2, -1, -1):
        for i in range(p):
            given[0, i], given[1, i] = state[0, i] * seen[b + 1, i], state[1, i] * blank[b + 1]
        _moved_on(given, to, switch, moved, state)
        most, total = 0.0, 0.0
        for k in range(2):
            for i in range(p):
                most = max(most, state[k, i])
        for k in range(2):
            for i in range(p):
                state[k, i] /= most
                post[b, k, i] *= state[k, i]
                total += post[b, k, i]
        for k in range(2):
            for i in range(p):
                post[b, k, i] /= total
