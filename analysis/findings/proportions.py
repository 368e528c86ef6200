"""Shares of a whole by a sample of it: exact intervals, and how large the sample must be."""

from __future__ import annotations

import math

from scipy.special import betaincinv

from analysis.common.errors import SettingsError

__all__ = ["exact_interval", "most_share", "places_needed"]

_MOST_PLACES = 100_000


def exact_interval(count: int, of: int, certainty: float = 0.95) -> tuple[float, float]:
    """Interval of a share by `count` found among `of` looked at, both ends.

    Parameters
    ----------
    count, of : int
    certainty : float
        Each end is passed by half of what this leaves.

    Notes
    -----
    Clopper and Pearson (1934), Biometrika 26, 404-413: quantiles of beta distributions, which the
    tails of the binomial are. Nothing looked at tells nothing: from 0 to 1.

    >>> low, high = exact_interval(3, 20)
    >>> round(low, 4), round(high, 4)
    (0.0321, 0.3789)
    """
    tail = 0.5 * (1.0 - certainty)
    low = float(betaincinv(count, of - count + 1, tail)) if count > 0 else 0.0
    high = float(betaincinv(count + 1, of - count, 1.0 - tail)) if count < of else 1.0
    return low, high


def most_share(count: int, of: int, certainty: float = 0.95) -> float:
    """Greatest share that `count` found among `of` looked at leaves open, with that certainty.

    The upper end of a one-sided interval of the same kind as `exact_interval`.

    >>> round(most_share(0, 59), 4)
    0.0495
    """
    return float(betaincinv(count + 1, of - count, certainty)) if count < of else 1.0


def places_needed(share: float, certainty: float = 0.95, misses: int = 0) -> int:
    """Least number of places among which `misses` still leave at most `share` open.

    Raises
    ------
    SettingsError
        If share or certainty don't lie between 0 and 1, or it would take over 100,000 places.

    >>> places_needed(0.05)
    59
    """
    for name, value in (("share", share), ("certainty", certainty)):
        if not 0.0 < value < 1.0:
            raise SettingsError(f"The {name} to show is {value:g}; give one between 0 and 1.")
    if misses < 0:
        raise SettingsError(f"The misses to allow for are {misses}; give 0 or more.")
    low, high = misses, 2 * misses + 2
    while most_share(misses, high, certainty) > share:
        low, high = high, 2 * high
        if low > _MOST_PLACES:
            raise SettingsError(
                f"To show at most {100 * share:g} % takes over {_MOST_PLACES:,} places: ask for a "
                "larger share or less certainty."
            )
    while high - low > 1:
        middle = math.floor((low + high) / 2)
        if most_share(misses, middle, certainty) > share:
            low = middle
        else:
            high = middle
    return high
