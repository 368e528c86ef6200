"""A person who asks a running job to stop."""

from analysis.common.errors import Cancelled
from analysis.common.types import Progress

WORDS = "that is enough"


def stop_from(share: float) -> Progress:
    """A progress function that stops the job once this share is done."""

    def progress(done: float, _words: str) -> None:
        if done >= share:
            raise Cancelled(WORDS)

    return progress
