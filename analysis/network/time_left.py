"""How long a job will still take, told from how far it has come."""

from __future__ import annotations

import time

__all__ = ["TimeLeft", "span_text"]

_SURE_S, _SURE_SHARE = 3.0, 0.01
"""Before so much time and work nothing can be told."""


class TimeLeft:
    """Tells the time left from the shares that are reported; those done before don't count.

    Parameters
    ----------
    now
        The clock, seconds; for tests.
    """

    def __init__(self, now: float | None = None) -> None:
        self._start = time.monotonic() if now is None else now
        self._first: float | None = None

    def text(self, share: float, now: float | None = None) -> str:
        """Say how long it will still take at this share; empty where nothing can be told."""
        now = time.monotonic() if now is None else now
        if self._first is None:
            # a job that goes on where it was begins far on
            self._first, self._start = share, now
        gone, done = now - self._start, share - self._first
        if gone < _SURE_S or done < _SURE_SHARE or share >= 1.0:
            return ""
        return f"{span_text(gone * (1.0 - share) / done)} left"


def span_text(seconds: float) -> str:
    """Write a time roughly.

    >>> span_text(40.0), span_text(200.0), span_text(4000.0), span_text(2e5)
    ('40 s', '3 min', '1 h 7 min', '55 h')
    """
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours < 10 else f"{hours} h"
