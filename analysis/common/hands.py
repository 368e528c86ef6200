"""How many threads a process computes with, and work that is done beside other work."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["hands", "in_advance", "started"]

_Value = TypeVar("_Value")


def hands() -> int:
    """Threads that this process may compute with: the compiler's own setting, or all cores.

    Workers are told one, see `analysis.network.crews`: there are as many of them as cores.
    """
    told = os.environ.get("NUMBA_NUM_THREADS", "")
    if told.isdigit() and int(told) > 0:
        return int(told)
    affinity = getattr(os, "sched_getaffinity", None)  # not everywhere
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def started(work: Callable[[], _Value]) -> Callable[[], _Value]:
    """Begin work in a thread of its own; call what is returned to wait for what comes of it.

    With one thread to compute with, it is done when it is waited for.
    """
    return work if hands() < 2 else _begun(work)


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


def _begun(work: Callable[[], _Value]) -> Callable[[], _Value]:
    pool = ThreadPoolExecutor(1)
    future = pool.submit(work)
    pool.shutdown(wait=False)
    return future.result
