"""A crew's programme: stretches, what each road and treatment takes, and days on a calendar.

Nothing is reckoned anew here: the sums are those of the work plan, shared out so that the parts
add up to the whole.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from analysis.common.errors import SettingsError
from analysis.common.limits import Limits
from analysis.earthwork.costs import Costs, Rates, costs_of
from analysis.earthwork.work_reach import WorkReach
from analysis.earthwork.workplan import WorkItem, WorkPlan, plan, stretch_loads

__all__ = ["Calendar", "DayPart", "Programme", "Share", "Stretch", "WorkDay", "item_shares"]
__all__ += ["programme"]

_MONTHS = 12
_LOOK_AHEAD_DAYS = 400
"""No working day in longer than a year: the calendar has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Reaches worked together under one traffic control for each side that has work.

    `low_m` to `high_m` are the limits of work; `moving_h` is the way there from what was worked
    before and along it; loads are whole, rounded up once for the stretch; `crew_h` is all of it.
    """

    number: int
    road: str
    items: tuple[WorkItem, ...]
    low_m: float
    high_m: float
    setups: int
    setup_h: float
    moving_h: float
    import_loads: int
    away_loads: int
    water_m3: float
    crew_h: float

    @property
    def sides(self) -> tuple[str, ...]:
        """Sides with work, in the order that they are worked in."""
        return tuple(dict.fromkeys(item.reach.side for item in self.items))

    @property
    def rank(self) -> int:
        """Rank of its most urgent reach; 0 where none has one."""
        return min((item.reach.rank for item in self.items if item.reach.rank > 0), default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What a part of the plan takes; NaN = unknown.

    Set-ups, ways and the rounding up of loads are shared out by time and by load among the reaches
    of a stretch, so that the shares of all parts add up to the plan.
    """

    name: str
    reaches: int = 0
    length_m: float = 0.0
    cut_m3_bank: float = 0.0
    fill_m3_compacted: float = 0.0
    import_m3_loose: float = 0.0
    import_t: float = 0.0
    away_m3_loose: float = 0.0
    import_loads: float = 0.0
    away_loads: float = 0.0
    water_m3: float = 0.0
    ditch_m: float = 0.0
    grader_h: float = 0.0
    roller_h: float = 0.0
    truck_h: float = 0.0
    setups: float = 0.0
    crew_h: float = 0.0
    crew_days: float = 0.0
    costs: Costs = field(default_factory=lambda: Costs("", (), ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Calendar:
    """When crews work.

    Parameters
    ----------
    start : date
        First day that may be worked.
    crews : int
        Crews at work at a time, each with its own plant.
    season : (int, int)
        First and last month of the season, 1 to 12; (10, 4) runs over the turn of the year.
    weekdays : frozenset of int
        Days worked, Monday is 0.
    free : frozenset of date
        Days that aren't worked.
    """

    start: date
    crews: int = 1
    season: tuple[int, int] = (1, _MONTHS)
    weekdays: frozenset[int] = frozenset(range(5))
    free: frozenset[date] = frozenset()

    def __post_init__(self) -> None:
        """Refuse what no day could be found by."""
        if not (isinstance(self.crews, int) and 1 <= self.crews <= 100):
            raise SettingsError(f"The number of crews is {self.crews}; give 1 to 100.")
        if not all(1 <= month <= _MONTHS for month in self.season):
            raise SettingsError(
                f"The season is {self.season[0]} to {self.season[1]}; give months from 1 to 12."
            )
        if not self.weekdays or not self.weekdays <= frozenset(range(7)):
            raise SettingsError("No weekday is worked; give at least one, Monday is 0.")

    def is_worked(self, day: date) -> bool:
        """Whether crews work on a day."""
        first, last = self.season
        inside = (
            first <= day.month <= last if first <= last else day.month >= first or day.month <= last
        )
        return inside and day.weekday() in self.weekdays and day not in self.free

    def on_or_after(self, day: date) -> date:
        """First day worked that isn't before `day`."""
        for ahead in range(_LOOK_AHEAD_DAYS):
            if self.is_worked(day + timedelta(days=ahead)):
                return day + timedelta(days=ahead)
        raise SettingsError(
            "The calendar has no working day within a year: widen the season or take out days off."
        )


@dataclass(frozen=True, slots=True)
class DayPart:
    """A stretch, or the part of one that is worked on a day; `share` is that of its time."""

    stretch: Stretch
    hours: float
    share: float
    again: bool
    """Whether it was begun on a day before, and traffic control is set up once more."""


@dataclass(frozen=True, slots=True)
class WorkDay:
    """What one crew does on a day."""

    day: date
    crew: int
    parts: tuple[DayPart, ...]

    @property
    def hours(self) -> float:
        """Working hours that are filled."""
        return sum(part.hours for part in self.parts)

    @property
    def loads(self) -> float:
        """Truck loads that come and go."""
        return sum(p.share * (p.stretch.import_loads + p.stretch.away_loads) for p in self.parts)

    @property
    def water_m3(self) -> float:
        """Water to bring if it is dry."""
        return sum(part.share * part.stretch.water_m3 for part in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """A plan with its stretches, what its parts take, and its days (none without a calendar)."""

    plan: WorkPlan
    stretches: tuple[Stretch, ...]
    whole: Share
    by_treatment: tuple[Share, ...]
    by_road: tuple[Share, ...]
    days: tuple[WorkDay, ...] = ()
    calendar: Calendar | None = None

    @property
    def last_day(self) -> date | None:
        """Day on which all is done; None without a calendar."""
        return max((day.day for day in self.days), default=None)


def programme(
    reaches: Sequence[WorkReach],
    limits: Limits,
    rates: Rates | None = None,
    *,
    calendar: Calendar | None = None,
    traffic_plan: str = "",
) -> Programme:
    """Plan the work on reaches and say what its parts take and when it is done.

    Raises
    ------
    SettingsError
        If the calendar has no working days, or traffic control takes a whole shift.
    """
    rates = rates or Rates()
    made = plan(reaches, limits, rates, traffic_plan=traffic_plan)
    stretches = _stretches_of(made, limits)
    parts = [own for stretch in stretches for own in item_shares(stretch, limits, rates)]

    def by(key: Callable[[WorkReach], str]) -> tuple[Share, ...]:
        names = dict.fromkeys(key(item.reach) for item, _ in parts)
        return tuple(
            _sum_of(name, [own for item, own in parts if key(item.reach) == name], limits, rates)
            for name in names
        )

    return Programme(
        plan=made,
        stretches=stretches,
        whole=_sum_of("all", [own for _, own in parts], limits, rates),
        by_treatment=tuple(sorted(by(lambda reach: reach.treatment), key=lambda own: own.name)),
        by_road=by(lambda reach: reach.road),
        days=() if calendar is None else _days(stretches, calendar, limits),
        calendar=calendar,
    )


def _stretches_of(made: WorkPlan, limits: Limits) -> tuple[Stretch, ...]:
    grouped: dict[int, list[WorkItem]] = {}
    moving_m: dict[int, float] = {}
    before: WorkItem | None = None
    for item in made.items:
        grouped.setdefault(item.stretch, []).append(item)
        way = 0.0
        if before is not None and before.reach.road == item.reach.road:
            way = abs(item.start_m - before.end_m)
        moving_m[item.stretch] = moving_m.get(item.stretch, 0.0) + way
        before = item
    return tuple(
        _stretch(number, items, moving_m[number], limits) for number, items in grouped.items()
    )


def _stretch(number: int, items: Sequence[WorkItem], moving_m: float, limits: Limits) -> Stretch:
    ends = [end for item in items for end in (item.start_m, item.end_m)]
    coming, going = stretch_loads(items)
    setups = len({item.reach.side for item in items})
    setup_h = setups * limits.work.setup_h.value
    moving_h = moving_m / 1000.0 / limits.work.move_speed_kmh.value
    return Stretch(
        number=number,
        road=items[0].reach.road,
        items=tuple(items),
        low_m=min(ends),
        high_m=max(ends),
        setups=setups,
        setup_h=setup_h,
        moving_h=moving_h,
        import_loads=coming,
        away_loads=going,
        water_m3=sum(item.water_m3 for item in items),
        crew_h=sum(item.crew_h for item in items) + setup_h + moving_h,
    )


def item_shares(stretch: Stretch, limits: Limits, rates: Rates) -> list[tuple[WorkItem, Share]]:
    """Each item of a stretch with its own amounts and its share of what the stretch shares."""
    items, shift_h = stretch.items, limits.work.shift_h.value
    times = _parts_of_one([item.crew_h for item in items])
    coming = _parts_of_one([item.import_loads for item in items])
    going = _parts_of_one([item.away_loads for item in items])
    found = []
    for item, time, came, went in zip(items, times, coming, going, strict=True):
        crew_h = item.crew_h + time * (stretch.setup_h + stretch.moving_h)
        shaped = item.grader_passes > 0.0
        loads, away = came * stretch.import_loads, went * stretch.away_loads
        own = Share(
            name="",
            reaches=1,
            length_m=item.work_length_m,
            cut_m3_bank=item.reach.cut_m3_bank if shaped else 0.0,
            fill_m3_compacted=item.reach.fill_m3_compacted if shaped else 0.0,
            import_m3_loose=item.import_m3_loose,
            import_t=item.import_t,
            away_m3_loose=item.away_m3_loose,
            import_loads=loads,
            away_loads=away,
            water_m3=item.water_m3,
            ditch_m=item.ditch_m,
            grader_h=item.grader_h + item.ditch_h,
            roller_h=item.roller_h,
            truck_h=(loads + away) * item.truck_cycle_h,
            setups=time * stretch.setups,
            crew_h=crew_h,
            crew_days=crew_h / shift_h,
        )
        found.append((item, replace(own, costs=_costs_of(own, limits, rates))))
    return found


def _parts_of_one(amounts: Sequence[float]) -> list[float]:
    total = sum(amounts)
    if not total > 0.0:
        return [1.0 / len(amounts)] * len(amounts)
    return [amount / total for amount in amounts]


_ADDED = tuple(name for name in Share.__dataclass_fields__ if name not in ("name", "costs"))


def _sum_of(name: str, parts: Sequence[Share], limits: Limits, rates: Rates) -> Share:
    sums = {key: sum(getattr(own, key) for own in parts) for key in _ADDED}
    added = replace(Share(name=name), **sums)
    return replace(added, costs=_costs_of(added, limits, rates))


def _costs_of(own: Share, limits: Limits, rates: Rates) -> Costs:
    return costs_of(
        rates,
        grader_per_h=own.grader_h,
        roller_per_h=own.roller_h,
        truck_per_h=own.truck_h,
        water_per_m3=own.water_m3,
        material_per_t=own.import_t,
        traffic_control_per_setup=own.setups,
        crew_per_day=own.crew_h / limits.work.shift_h.value,
    )


def _days(stretches: Sequence[Stretch], calendar: Calendar, limits: Limits) -> tuple[WorkDay, ...]:
    """Stretches in their order, each by the crew that is free first.

    A stretch that doesn't fit into what is left of a day waits for the next, since traffic control
    is taken in over night; one that is longer than a day goes on, set up anew every day.
    """
    shift_h, setup_h = limits.work.shift_h.value, limits.work.setup_h.value
    if stretches and setup_h >= shift_h:
        raise SettingsError(
            f"Setting up traffic control takes {setup_h:g} h of a shift of {shift_h:g} h, which "
            "leaves no time to work: change one of the two limits."
        )
    first = calendar.on_or_after(calendar.start)
    now = [first] * calendar.crews
    room = [shift_h] * calendar.crews
    filled: dict[tuple[date, int], list[DayPart]] = {}

    def next_day(crew: int) -> None:
        now[crew] = calendar.on_or_after(now[crew] + timedelta(days=1))
        room[crew] = shift_h

    for stretch in stretches:
        # Whoever is free first; on one day, whoever has more of it left.
        crew = min(range(calendar.crews), key=lambda k: (now[k], -room[k], k))
        left, again = stretch.crew_h, False
        if left > room[crew] + 1e-9 and room[crew] < shift_h:
            next_day(crew)
        while True:
            once_more = setup_h if again else 0.0
            hours = min(left + once_more, room[crew])
            share = (hours - once_more) / stretch.crew_h if stretch.crew_h > 0.0 else 1.0
            part = DayPart(stretch, hours, share, again)
            filled.setdefault((now[crew], crew), []).append(part)
            left -= hours - once_more
            room[crew] -= hours
            if not left > 1e-9:
                break
            again = True
            next_day(crew)
    return tuple(
        WorkDay(day, crew + 1, tuple(parts))
        for (day, crew), parts in sorted(filled.items(), key=lambda own: own[0])
    )
