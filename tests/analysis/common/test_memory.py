"""Memory that is free goes back to the system, so that stages of a job don't add up."""

import os
import subprocess
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


FAULTS = """
import resource, sys, threading
import numpy as np
from analysis.common.memory import share_freed

def fetched(what):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    thread = threading.Thread(target=what)
    thread.start()
    thread.join()
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

if sys.argv[1] == "share":
    share_freed()
first, second = (fetched(lambda: np.ones(2_000_000)) for _ in range(2))
print(first, second)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the GNU C library's own way")
def test_a_thread_takes_what_another_one_freed() -> None:
    """An array of 16 MB is fetched from the system once (getrusage), not once by each thread."""
    run = subprocess.run(
        [sys.executable, "-c", FAULTS, "share"], capture_output=True, text=True, check=True
    )
    first, second = (int(word) for word in run.stdout.split())
    assert second < 0.2 * first
