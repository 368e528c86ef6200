"""Names for the types that nearly every room passes on."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Floats", "Progress"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Told the share done, from 0 to 1, and a few words; raises `Cancelled` to stop the work.
Progress = Callable[[float, str], None]
