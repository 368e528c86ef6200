"""Days as they are written everywhere: ISO 8601, such as 2026-04-12."""

from __future__ import annotations

from datetime import date

from analysis.common.errors import SettingsError

__all__ = ["read_day"]


def read_day(text: str, what: str) -> date:
    """Return the day that a text names.

    Raises
    ------
    SettingsError
        If it names none; `what` says in the sentence whose day it is.
    """
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise SettingsError(f"{what} is {text!r}; write a day such as 2026-04-12.") from None
