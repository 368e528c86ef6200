"""Memory that is free goes back to the system, so that stages of a job don't add up."""

import os
import sys

import numpy as np
import pytest

from analysis.common.memory import give_back


@pytest.mark.skipif(sys.platform != "linux", reason="reads what this process holds from /proc")
def test_freed_memory_is_given_back() -> None:
    def held_mb() -> float:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20

    # below the size that the C library asks the system for one by one, with something left on top
    blocks = [np.ones(8_000) for _ in range(2_000)]
    top = blocks.pop()
    before = held_mb()
    blocks.clear()
    give_back()
    assert held_mb() < before - 100.0 and len(top)
