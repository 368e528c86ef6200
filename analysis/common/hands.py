"""How many threads a process computes with, and work that is done beside other work."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import ContextVar
from itertools import islice
from typing import TypeVar

import numpy as np

from analysis.common.errors import Cancelled
from analysis.common.types import Floats

__all__ = ["ABREAST", "abreast", "each_by_hands", "hands", "in_advance", "product_alone", "started"]

ABREAST = 2
"""So many long works are done side by side at most: each holds its own memory, and spreads over
more hands by itself."""

_ALONE = (2**13, 2**17)
"""Multiplications of a product of a vector or a matrix with a matrix that their library does in
one thread: OpenBLAS (interface/gemv.c, gemm.c) spreads 9,216 and 262,144 of them over all cores."""

_Value = TypeVar("_Value")
_Item = TypeVar("_Item")

_BESIDE: ContextVar[Callable[[], int]] = ContextVar("works side by side")
"""How many works `abreast` does at the moment, as one of them sees it."""


def hands() -> int:
    """Threads that whoever asks may compute with: the compiler's own setting, or all cores.

    Workers are told one, see `analysis.network.crews`: there are as many of them as cores. So have
    works that are done side by side their share: more threads than cores wait for each other.
    """
    beside = _BESIDE.get(None)
    return _all_hands() if beside is None else max(1, _all_hands() // max(1, beside()))


def _all_hands() -> int:
    told = os.environ.get("NUMBA_NUM_THREADS", "")
    if told.isdigit() and int(told) > 0:
        return int(told)
    affinity = getattr(os, "sched_getaffinity", None)  # not everywhere
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def product_alone(left: Floats, right: Floats) -> Floats:
    """Product of two matrices, or of one and a vector, in this thread alone.

    Where several threads multiply at once, the library's own would wait for each other at full
    power: that took a third of a screening's processor time.
    """
    out = np.empty((*left.shape[:-1], *right.shape[1:]))
    most = _ALONE[min(left.ndim, right.ndim) - 1]
    if right.ndim == 1 or (left.ndim == 2 and left.shape[0] > right.shape[1]):
        rows = max(most // max(right.size, 1), 1)
        for first in range(0, left.shape[0], rows):
            part = slice(first, first + rows)
            np.matmul(left[part], right, out=out[part])
        return out
    columns = max(most // max(left.size, 1), 1)
    for first in range(0, right.shape[1], columns):
        part = slice(first, first + columns)
        np.matmul(left, right[:, part], out=out[..., part])
    return out


def started(work: Callable[[], _Value]) -> Callable[[], _Value]:
    """Begin work in a thread of its own; call what is returned to wait for what comes of it.

    With one thread to compute with, it is done when it is waited for.
    """
    return work if hands() < 2 else _begun(work)


def each_by_hands(work: Callable[[_Item], _Value], items: Iterable[_Item]) -> list[_Value]:
    """Do a work on each item, as many at once as there are hands: its loops let go of Python.

    >>> each_by_hands(abs, [-1, 2])
    [1, 2]
    """
    count = hands()
    if count < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(work, items))


def in_advance(works: Iterable[Callable[[], _Value]]) -> Iterator[Callable[[], _Value]]:
    """Give work that waits for files, in its order; the next is done while the last is used.

    Call what is given to wait for what comes of it. The first is done then, in the same thread.
    """
    held: Callable[[], _Value] | None = None
    for work in works:
        if held is None:
            held = work
            continue
        following = _begun(work)
        yield held
        held = following
    if held is not None:
        yield held


def abreast(
    works: Iterable[Callable[[Callable[[], None]], _Value]], most: int = ABREAST
) -> Iterator[_Value]:
    """Do long works side by side, as many as there are hands but so many at most, in their order.

    Each is handed a function to call now and then: it raises `Cancelled` once nobody waits for the
    works any more. The works themselves are taken in the thread of whoever asks for results. They
    share the hands, and the last one has those of the others once these are done.
    """
    waiting, over = iter(works), threading.Event()
    left = _Counted()

    def check() -> None:
        if over.is_set():
            raise Cancelled

    count = min(most, hands())
    if count < 2:
        for work in waiting:
            yield work(check)
        return
    under_way: deque[Future[_Value]] = deque()

    def do(work: Callable[[Callable[[], None]], _Value]) -> _Value:
        _BESIDE.set(lambda: min(left.number, count))
        try:
            return work(check)
        finally:
            left.add(-1)

    with ThreadPoolExecutor(count) as pool:
        try:
            while True:
                # one more stands ready for whoever is done before the first one is
                for work in islice(waiting, count + 1 - len(under_way)):
                    left.add(1)
                    under_way.append(pool.submit(do, work))
                if not under_way:
                    return
                yield under_way.popleft().result()
        finally:
            over.set()
            for future in under_way:
                future.cancel()


class _Counted:
    """A number that several threads count."""

    def __init__(self) -> None:
        self.number, self._one_by_one = 0, threading.Lock()

    def add(self, more: int) -> None:
        with self._one_by_one:
            self.number += more


def _begun(work: Callable[[], _Value]) -> Callable[[], _Value]:
    pool = ThreadPoolExecutor(1)
    future = pool.submit(work)
    pool.shutdown(wait=False)
    return future.result
