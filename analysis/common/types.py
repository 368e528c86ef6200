"""Names for the types that nearly every room passes on."""

import threading
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Floats", "Indices", "Progress", "RoadProgress", "on_road", "share_of"]
__all__ += ["shares_of_one"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.int64]

# Told the share done, from 0 to 1, and a few words; raises `Cancelled` to stop the work.
Progress = Callable[[float, str], None]

# The same for a job on many roads, which also says which road it is at.
RoadProgress = Callable[[float, str, str], None]


def on_road(progress: RoadProgress | None, road: str) -> Progress | None:
    """How work on one of many roads tells its progress."""
    return None if progress is None else lambda share, words: progress(share, words, road)


def shares_of_one(
    progress: Callable[..., None] | None, sizes: Sequence[float]
) -> list[Callable[..., None]]:
    """How parts that are done side by side, in threads of their own, tell the progress of a job.

    Each counts by its size. Calls come one at a time, with whatever else is told beside the share.
    """
    whole, done, one_at_a_time = sum(sizes), [0.0] * len(sizes), threading.Lock()

    def part(number: int) -> Callable[..., None]:
        def tell(share: float, *words: str) -> None:
            if progress is not None:
                with one_at_a_time:
                    done[number] = max(done[number], sizes[number] * share)
                    progress(sum(done) / whole, *words)

        return tell

    return [part(number) for number in range(len(sizes))]


def share_of(progress: Progress | None, start: float, end: float) -> Progress:
    """How a part of a job tells its progress: shares from `start` to `end`."""

    def tell(share: float, words: str) -> None:
        if progress is not None:
            progress(start + (end - start) * share, words)

    return tell
