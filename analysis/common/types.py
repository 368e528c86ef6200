"""Names for the types that nearly every room passes on."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Floats", "Progress", "RoadProgress", "on_road", "share_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Told the share done, from 0 to 1, and a few words; raises `Cancelled` to stop the work.
Progress = Callable[[float, str], None]

# The same for a job on many roads, which also says which road it is at.
RoadProgress = Callable[[float, str, str], None]


def on_road(progress: RoadProgress | None, road: str) -> Progress | None:
    """How work on one of many roads tells its progress."""
    return None if progress is None else lambda share, words: progress(share, words, road)


def share_of(progress: Progress | None, start: float, end: float) -> Progress:
    """How a part of a job tells its progress: shares from `start` to `end`."""

    def tell(share: float, words: str) -> None:
        if progress is not None:
            progress(start + (end - start) * share, words)

    return tell
