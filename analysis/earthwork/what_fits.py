"""What fits: of all reaches with work, those that mend most harm with the means there are.

Reaches share traffic control and loads, so that one more beside others costs less than one alone.
That makes a knapsack with fixed charges, solved as an integer programme (`scipy.optimize.milp`).
Harm counts class by class, as reaches are ranked: no amount of lesser harm outweighs an edge
drop-off at the safety limit. What was chosen is then planned anew, by itself, and never takes more
than there is.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import SettingsError
from analysis.common.limits import Limits
from analysis.common.types import Bools, Floats
from analysis.earthwork.costs import Rates, costs_of
from analysis.earthwork.work_reach import WorkReach
from analysis.earthwork.workplan import WorkItem, WorkPlan, plan

__all__ = ["Fit", "Knapsack", "Means", "choose", "choose_greedily", "what_fits"]

_LAST_CLASS = 9
"""Reaches that harm nobody, yet have work, come behind all others, the longest first."""
_TIME_S = 0.8
"""For all classes of harm; the best that is found by then is taken."""
_EPS, _NEAR = 1e-9, 1e-6


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knapsack:
    """Things to choose from, with what they share.

    Attributes
    ----------
    harm : (n,)
        What is mended by taking a thing; 0 or more.
    klass : (n,) int
        Class of harm, the lowest first.
    takes : (n, k)
        Of each of k means.
    group, group_takes : (n,) int, (m, k)
        What is set up once for all things of a group that are taken.
    pool, parts, pool_takes : (n, q) int, (n, q), (p, k)
        Parts of one that are added up over a pool and rounded up, and what each whole one takes; a
        thing has parts in q pools.
    there : (k,)
        Means.
    """

    harm: Floats
    klass: NDArray[np.intp]
    takes: Floats
    group: NDArray[np.intp]
    group_takes: Floats
    pool: NDArray[np.intp]
    parts: Floats
    pool_takes: Floats
    there: Floats

    def used(self, taken: Bools) -> Floats:
        """(k,) what a choice takes."""
        opened = np.unique(self.group[taken])
        wholes = _whole(self.pooled(taken))
        return np.asarray(
            self.takes[taken].sum(axis=0)
            + self.group_takes[opened].sum(axis=0)
            + (wholes[:, None] * self.pool_takes).sum(axis=0)
        )

    def fits(self, taken: Bools) -> bool:
        """Whether there is enough for a choice."""
        return bool(np.all(self.used(taken) <= self.there + _NEAR))

    def mended(self, taken: Bools) -> tuple[float, ...]:
        """Harm mended in each class, the worst class first: compare as a tuple."""
        return tuple(
            float(self.harm[taken & (self.klass == k)].sum()) for k in np.unique(self.klass)
        )

    def worth(self) -> Floats:
        """(n,) harm for what a thing takes alone, as a share of what there is."""
        alone = self.takes + self.group_takes[self.group]
        alone = alone + (self.parts[:, :, None] * self.pool_takes[self.pool]).sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.nan_to_num(alone / self.there, nan=0.0, posinf=np.inf)
        return np.asarray(self.harm / np.maximum(share.max(axis=1, initial=0.0), 1e-12))

    def pooled(self, taken: Bools) -> Floats:
        """(p,) parts that a choice puts into each pool."""
        pool, parts = self.pool[taken].ravel(), self.parts[taken].ravel()
        sums = np.bincount(pool, weights=parts, minlength=len(self.pool_takes))
        return np.asarray(sums, dtype=np.float64)


def choose_greedily(sack: Knapsack, taken: Bools | None = None) -> Bools:
    """Take one thing after the other, as long as it fits, beside what is `taken` already.

    By class, and within it by harm for what a thing takes alone, as a share of what there is.

    Returns
    -------
    (n,) bool
    """
    taken = np.zeros(len(sack.harm), dtype=bool) if taken is None else taken.copy()
    used, pooled = sack.used(taken), sack.pooled(taken)
    opened = np.zeros(len(sack.group_takes), dtype=bool)
    opened[sack.group[taken]] = True
    worth = sack.worth()
    for i in np.lexsort((-worth, sack.klass)):
        group, pool = sack.group[i], sack.pool[i]
        wholes = _whole(pooled[pool] + sack.parts[i]) - _whole(pooled[pool])
        more = sack.takes[i] + wholes @ sack.pool_takes[pool]
        if not opened[group]:
            more = more + sack.group_takes[group]
        if not taken[i] and np.all(used + more <= sack.there + _EPS):
            used, taken[i], opened[group] = used + more, True, True
            pooled[pool] += sack.parts[i]
    return taken


def _whole(amounts: Floats) -> Floats:
    return np.ceil(amounts - 1e-6)


def choose(sack: Knapsack) -> Bools:
    """Choose what mends most harm, class by class; never less than `choose_greedily`.

    Returns
    -------
    (n,) bool

    Notes
    -----
    A knapsack with fixed charges: maximise the harm of the things taken, x = 0 or 1, where a thing
    asks for its group, x <= y, and a pool for whole ones, sum(parts x) <= z (Nemhauser and Wolsey
    1988, Integer and Combinatorial Optimization, ch. I.1; from memory). One class after the other,
    each keeping what the ones before it mended.
    """
    best = choose_greedily(sack)
    kept: list[tuple[Floats, float]] = []
    classes = [klass for klass in np.unique(sack.klass) if sack.harm[sack.klass == klass].any()]
    ends = time.monotonic() + _TIME_S
    for number, klass in enumerate(classes):
        gain = np.where(sack.klass == klass, sack.harm, 0.0)
        left_s = (ends - time.monotonic()) / (len(classes) - number)
        found = _solve(sack, gain, kept, left_s) if left_s > 0.0 else None
        if found is None:
            break
        if sack.fits(found):
            # What the solver had no reason to take yet may still fit.
            found = choose_greedily(sack, found & (sack.klass <= klass))
            best = found if _no_less(sack.mended(found), sack.mended(best)) else best
        kept.append((gain, float(gain[best].sum())))
    return best


def _no_less(one: Sequence[float], other: Sequence[float]) -> bool:
    """Whether one choice mends at least as much as another, but for rounding."""
    for mine, its in zip(one, other, strict=True):
        if not math.isclose(mine, its, rel_tol=1e-6):
            return mine > its
    return True


def _solve(
    sack: Knapsack, gain: Floats, kept: Sequence[tuple[Floats, float]], time_s: float
) -> Bools | None:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array, csr_array, hstack

    n, m, p = len(sack.harm), len(sack.group_takes), len(sack.pool_takes)
    pooled = bool(sack.pool_takes.any() and sack.parts.any())
    p = p if pooled else 0
    rows = np.arange(n)
    every, one = np.repeat(rows, sack.pool.shape[1]), np.ones(n)
    asks = hstack(
        [
            coo_array((one, (rows, rows)), shape=(n, n)),
            coo_array((-one, (rows, sack.group)), shape=(n, m)),
            coo_array((n, p)),
        ]
    )
    there = csr_array(np.concatenate([sack.takes, sack.group_takes, sack.pool_takes[:p]]).T)
    rules = [
        LinearConstraint(csr_array(asks), -np.inf, 0.0),
        LinearConstraint(there, -np.inf, sack.there),
    ]
    if pooled:
        wholes = hstack(
            [
                coo_array((sack.parts.ravel(), (sack.pool.ravel(), every)), shape=(p, n)),
                coo_array((p, m)),
                coo_array((-np.ones(p), (np.arange(p), np.arange(p))), shape=(p, p)),
            ]
        )
        rules.append(LinearConstraint(csr_array(wholes), -np.inf, 0.0))
    # Harm may span many powers of ten, which a solver's tolerances don't.
    scale = float(gain.max())
    for before, amount in kept:
        held = np.concatenate([before / before.max(), np.zeros(m + p)])
        rules.append(
            LinearConstraint(csr_array(held[None, :]), amount / before.max() - 1e-6, np.inf)
        )
    found = milp(
        np.concatenate([-gain / scale, np.zeros(m + p)]),
        integrality=np.concatenate([np.ones(n), np.zeros(m), np.ones(p)]),
        bounds=Bounds(0.0, np.concatenate([np.ones(n + m), np.full(p, np.inf)])),
        constraints=rules,
        options={"time_limit": time_s, "mip_rel_gap": 1e-5},
    )
    return None if found.x is None else np.asarray(found.x[:n] > 0.5)


# -- reaches -----------------------------------------------------------------------------------


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
    for way in (choose, choose_greedily):
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
    )


def _until_it_fits(
    way: Callable[[Knapsack], Bools],
    sack: Knapsack,
    planned: Callable[[Bools], WorkPlan],
    use: _Use,
) -> tuple[Bools, WorkPlan]:
    """Choose and plan; where ways and loads took more than reckoned, what mends least goes.

    Between reaches that are left out the way is longer, and a stretch may fall apart into two.
    """
    rows = way(sack)
    each = sack.takes + (sack.parts[:, :, None] * sack.pool_takes[sack.pool]).sum(axis=1)
    order = np.lexsort((sack.worth(), -sack.klass))
    made = planned(rows)
    while rows.any() and not _is_enough(used := np.array(use.plan(made)), sack):
        rows, over = rows.copy(), used - sack.there
        for i in order:
            if rows[i] and np.any((each[i] > 0.0) & (over > _NEAR)):
                rows[i], over = False, over - each[i]
        made = planned(rows)
    # What went may have freed more than was over.
    unseen = np.maximum(np.array(use.plan(made)) - sack.used(rows), 0.0)
    more = choose_greedily(replace(sack, there=sack.there - 1.05 * unseen), rows)
    if more.sum() > rows.sum() and _is_enough(np.array(use.plan(again := planned(more))), sack):
        return more, again
    return rows, made


def _is_enough(used: Floats, sack: Knapsack) -> bool:
    return bool(np.all(used <= sack.there + _NEAR))
