"""Reaches added up between stations, as a screening adds up those that it found."""

import numpy as np

from analysis.earthwork.areas import AreasAlong
from analysis.earthwork.balance import Balance, balances


def balances_between(s, areas, sides, firsts, lasts, limits, **given) -> tuple[Balance, ...]:
    """Reaches from half way before their first station to half way behind their last one."""
    s, firsts, lasts = np.asarray(s), np.asarray(firsts), np.asarray(lasts)
    middle = np.concatenate([s[:1], 0.5 * (s[1:] + s[:-1]), s[-1:]])
    values = {"worst_drop_mm": np.full(firsts.size, np.nan), "worst_drop_se": np.zeros(firsts.size)}
    ends_m = given.pop("ends_m", np.column_stack([middle[firsts], middle[lasts + 1]]))
    roads = np.zeros(firsts.size, dtype=int)
    return balances([AreasAlong(s, areas)], roads, sides, ends_m, limits, **{**values, **given})
