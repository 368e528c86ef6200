"""Names for the types that nearly every room passes on."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Floats", "Progress", "share_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Told the share done, from 0 to 1, and a few words; raises `Cancelled` to stop the work.
Progress = Callable[[float, str], None]


def share_of(progress: Progress | None, start: float, end: float, name: str = "") -> Progress:
    """How a part of a job tells its progress: shares from `start` to `end`, its `name` before."""

    def tell(share: float, words: str) -> None:
        if progress is not None:
            progress(start + (end - start) * share, f"{name}: {words}" if name else words)

    return tell
