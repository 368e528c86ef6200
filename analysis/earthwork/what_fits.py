"""What fits: of all reaches with work, those that mend most harm with the means there are.

Reaches share traffic control and loads, so that one more beside others costs less than one alone.
That makes a knapsack with fixed charges, solved as an integer programme (`scipy.optimize.milp`).
Harm counts class by class, as reaches are ranked: no amount of lesser harm outweighs an edge
drop-off at the safety limit. What was chosen is then planned anew, by itself, and never takes more
than there is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from analysis.common.errors import SettingsError
from analysis.common.limits import Limits
from analysis.common.types import Bools, Floats
from analysis.earthwork.costs import Rates, costs_of
from analysis.earthwork.knapsack import NEAR, Knapsack, choose, choose_greedily
from analysis.earthwork.work_reach import WorkReach
from analysis.earthwork.workplan import WorkItem, WorkPlan, plan

__all__ = ["Fit", "Means", "what_fits"]

_LAST_CLASS = 9
"""Reaches that harm nobody, yet have work, come behind all others, the longest first."""
_TIME_S = 0.6
"""To choose in; half of it when chosen anew."""
_ROUNDS, _FILLS = 2, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What there is to work with; None = no limit."""

    crew_days: float | None = None
    loads: float | None = None
    money: float | None = None

    def __post_init__(self) -> None:
        """Refuse means that are no number of 0 or more, and none at all."""
        for name in (f.name for f in fields(self)):
            value = getattr(self, name)
            if value is not None and not 0.0 <= value < 1e15:
                raise SettingsError(
                    f"The means {name.replace('_', ' ')} are {value!r}; give a number of 0 or more."
                )
        if not self.given:
            raise SettingsError("Say what there is to work with: crew days, loads or money.")

    @property
    def given(self) -> dict[str, float]:
        """Those that are limited."""
        every = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: float(value) for name, value in every.items() if value is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What fits and what is left over.

    Attributes
    ----------
    plan
        The work on what was chosen.
    left
        Reaches with work that don't fit, the most harmful first; and `unknown`, those whose
        quantities aren't known, so that nobody can say whether they would.
    used, means
        By "crew_days", "loads", "money": what the plan takes, and what there is.
    harm, harm_all
        Sum over the chosen, and over all reaches with work, by class of harm.
    greedy_harm
        What taking one reach after the other would have mended, to compare.
    """

    plan: WorkPlan
    left: tuple[WorkReach, ...]
    unknown: tuple[WorkReach, ...]
    used: dict[str, float]
    means: Means
    harm: dict[int, float]
    harm_all: dict[int, float]
    greedy_harm: dict[int, float]

    @property
    def spare(self) -> dict[str, float]:
        """What is left of the means."""
        return {name: there - self.used[name] for name, there in self.means.given.items()}


def what_fits(
    reaches: Sequence[WorkReach],
    limits: Limits,
    means: Means,
    rates: Rates | None = None,
    *,
    traffic_plan: str = "",
) -> Fit:
    """Choose the reaches that mend most harm with given means.

    Parameters
    ----------
    reaches : sequence of WorkReach
        Those without work are passed over.
    limits : Limits
    means : Means
        Crew days, loads (that come and that go), money.
    rates : Rates, optional
        Needed where money is given.

    Raises
    ------
    SettingsError
        If money is given but no rate.
    """
    rates = rates or Rates()
    whole = plan(reaches, limits, rates, traffic_plan=traffic_plan)
    if means.money is not None and whole.costs.total is None and whole.items:
        raise SettingsError("Money is given but no rate to spend it at: give a file of unit rates.")
    taken_by = _use_of(limits, rates, means)
    known = [item for item in whole.items if all(map(math.isfinite, taken_by.item(item)))]
    unknown = tuple(i.reach for i in whole.items if not all(map(math.isfinite, taken_by.item(i))))

    def planned(rows: Bools) -> WorkPlan:
        chosen = [item.reach for item, keep in zip(known, rows, strict=True) if keep]
        return plan(chosen, limits, rates, traffic_plan=traffic_plan)

    sack = _sack_of(known, taken_by, means)
    ways: list[tuple[tuple[float, ...], Bools, WorkPlan]] = []
    for way in (choose, lambda room, _time_s: choose_greedily(room)):
        rows, made = _until_it_fits(way, sack, planned, taken_by)
        ways.append((sack.mended(rows), rows, made))
    (_, rows, made), (_, greedy, _) = max(ways, key=lambda own: own[0]), ways[1]
    left = [item.reach for item, keep in zip(known, rows, strict=True) if not keep]
    return Fit(
        plan=made,
        left=tuple(sorted(left, key=lambda r: (_class_of(r), -_harm_of(r)))),
        unknown=unknown,
        used=dict(zip(means.given, taken_by.plan(made), strict=True)),
        means=means,
        harm=_by_class(sack, rows),
        harm_all=_by_class(sack, np.ones(len(rows), dtype=bool)),
        greedy_harm=_by_class(sack, greedy),
    )


def _by_class(sack: Knapsack, rows: Bools) -> dict[int, float]:
    known = np.unique(sack.klass)
    return dict(zip(known.tolist(), sack.mended(rows), strict=True))


def _class_of(reach: WorkReach) -> int:
    return reach.harm_class if reach.harm_class > 0 else _LAST_CLASS


def _harm_of(reach: WorkReach) -> float:
    """Harm of a reach; its length where it does none or a file doesn't tell."""
    return reach.harm if reach.harm_class > 0 and reach.harm > 0.0 else reach.length_m


@dataclass(frozen=True, slots=True)
class _Use:
    """What of each of the given means is taken: by an item, a set-up, a load, a whole plan."""

    item: Callable[[WorkItem], list[float]]
    setup: list[float]
    load: Callable[[float], list[float]]
    plan: Callable[[WorkPlan], list[float]]


def _use_of(limits: Limits, rates: Rates, means: Means) -> _Use:
    work, named = limits.work, list(means.given)

    def pick(crew_h: float, loads: float, money: float | None) -> list[float]:
        amounts = {"crew_days": crew_h / work.shift_h.value, "loads": loads, "money": money or 0.0}
        return [amounts[name] for name in named]

    def item(own: WorkItem) -> list[float]:
        money = costs_of(
            rates,
            grader_per_h=own.grader_h + own.ditch_h,
            roller_per_h=own.roller_h,
            water_per_m3=own.water_m3,
            material_per_t=own.import_t,
            crew_per_day=own.crew_h / work.shift_h.value,
        ).total
        unknown = math.isnan(own.import_t) or math.isnan(own.away_m3_loose)
        return pick(own.crew_h, math.nan if unknown else 0.0, money)

    setup_h = work.setup_h.value
    setup = costs_of(
        rates, traffic_control_per_setup=1.0, crew_per_day=setup_h / work.shift_h.value
    )

    def load(cycle_h: float) -> list[float]:
        return pick(0.0, 1.0, costs_of(rates, truck_per_h=cycle_h).total)

    def whole(made: WorkPlan) -> list[float]:
        sums = made.totals
        return pick(sums.crew_h, float(sums.import_loads + sums.away_loads), made.costs.total)

    return _Use(item, pick(setup_h, 0.0, setup.total), load, whole)


def _sack_of(items: Sequence[WorkItem], use: _Use, means: Means) -> Knapsack:
    """Reaches as things; set-ups by stretch and side, loads that come and that go by stretch."""
    there = np.array(list(means.given.values()))
    groups = {
        key: k for k, key in enumerate(dict.fromkeys((i.stretch, i.reach.side) for i in items))
    }
    pools = {key: 2 * k for k, key in enumerate(dict.fromkeys(i.stretch for i in items))}
    cycle = items[0].truck_cycle_h if items else 0.0
    width = len(there)
    return Knapsack(
        harm=np.array([_harm_of(item.reach) for item in items], dtype=float),
        klass=np.array([_class_of(item.reach) for item in items], dtype=np.intp),
        takes=np.array([use.item(item) for item in items], dtype=float).reshape(-1, width),
        group=np.array([groups[i.stretch, i.reach.side] for i in items], dtype=np.intp),
        group_takes=np.tile(np.array(use.setup, dtype=float), (len(groups), 1)),
        pool=np.array([(at := pools[i.stretch], at + 1) for i in items], dtype=np.intp).reshape(
            -1, 2
        ),
        parts=np.array([(i.import_loads, i.away_loads) for i in items], dtype=float).reshape(-1, 2),
        pool_takes=np.tile(np.array(use.load(cycle), dtype=float), (2 * len(pools), 1)),
        there=there,
        things=tuple(item.reach for item in items),
    )


def _until_it_fits(
    way: Callable[[Knapsack, float], Bools],
    sack: Knapsack,
    planned: Callable[[Bools], WorkPlan],
    use: _Use,
) -> tuple[Bools, WorkPlan]:
    """Choose and plan; where the plan takes more than was reckoned, reckon and choose anew.

    Between reaches that are left out the way is longer and runs are shorter, and a stretch may fall
    apart into two. In the end what mends least goes until it fits, and what still fits comes.
    """
    room = replace(sack)
    for number in range(_ROUNDS):
        rows = way(room, _TIME_S / (1 + number))
        made = planned(rows)
        if _is_enough(np.array(use.plan(made)), sack):
            break
        room = _as_planned(sack, rows, made, use)
    each = room.takes + (room.parts[:, :, None] * room.pool_takes[room.pool]).sum(axis=1)
    order = np.lexsort((room.worth(), -room.klass))
    while rows.any() and not _is_enough(used := np.array(use.plan(made)), sack):
        over = used > sack.there + NEAR
        going = [i for i in order if rows[i] and (each[i] > 0.0)[over].any()]
        rows = _without_fewest(
            rows, going, replace(room, there=sack.there - used + room.used(rows))
        )
        made = planned(rows)
    for number in range(_FILLS):
        unseen = np.array(use.plan(made)) - room.used(rows)
        margin = 0.01 * number * (sack.there - np.array(use.plan(made)))
        more = choose_greedily(replace(room, there=sack.there - unseen - margin), rows)
        if more.sum() == rows.sum():
            break
        again = planned(more)
        if _is_enough(np.array(use.plan(again)), sack):
            rows, made = more, again
        else:
            room = _as_planned(room, more, again, use)
    return rows, made


def _without_fewest(rows: Bools, going: Sequence[int], sack: Knapsack) -> Bools:
    """Take out the first of some things, no more of them than must go; at least one does."""
    low, high = 1, len(going)
    while low < high:
        middle = (low + high) // 2
        less = rows.copy()
        less[list(going[:middle])] = False
        low, high = (low, middle) if sack.fits(less) else (middle + 1, high)
    less = rows.copy()
    less[list(going[:low])] = False
    return less


def _as_planned(sack: Knapsack, rows: Bools, made: WorkPlan, use: _Use) -> Knapsack:
    """Knapsack with what the chosen take in a plan of their own, the others in proportion."""
    own = {id(item.reach): use.item(item) for item in made.items}
    takes = sack.takes.copy()
    chosen = np.flatnonzero(rows)
    takes[chosen] = [own[id(sack.things[i])] for i in chosen]
    before, after = sack.takes[chosen].sum(axis=0), takes[chosen].sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(before > 0.0, after / before, 1.0)
    takes[~rows] *= ratio
    return replace(sack, takes=takes)


def _is_enough(used: Floats, sack: Knapsack) -> bool:
    return bool(np.all(used <= sack.there + NEAR))
