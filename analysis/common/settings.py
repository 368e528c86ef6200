"""What a person sets before a screening: widths, spacing, lengths; checked where they are made."""

import json
import math
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

from analysis.common.errors import SettingsError
from analysis.common.limits import SURFACES

__all__ = ["RoadWidths", "Settings"]

_WIDTHS = {"pavement_width_m": (2.0, 60.0), "shoulder_width_m": (0.2, 10.0)}


@dataclass(frozen=True, slots=True)
class RoadWidths:
    """Nominal widths of one road, metres; None where those of all roads hold.

    Raises
    ------
    SettingsError
        With one sentence that names the road and the values it may have.
    """

    road: str
    pavement_width_m: float | None = None
    shoulder_width_m: float | None = None

    def __post_init__(self) -> None:
        """Refuse values that can't be measured with."""
        for name, (low, high) in _WIDTHS.items():
            if getattr(self, name) is not None:
                _check(name, getattr(self, name), low, high, of=f' of "{self.road}"')


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of one screening; lengths in metres.

    Attributes
    ----------
    spacing_m
        Distance between stations.
    average_m
        Length of road that one measurement averages over; "auto" takes the least length that
        tells a good slope from a failing one, road by road.
    pavement_width_m, shoulder_width_m
        Nominal widths: where the search for the edges starts, and what is used where the terrain
        shows none. What a table of widths or an edge line gives (`Extras`) isn't searched for, and
        wins over both.
    road_widths
        The same for single roads that are built otherwise, at most one entry a road.
    surface
        What the shoulders are made of: gravel, earth or turf.
    noise_m
        Standard deviation of the heights; None estimates it from the pavement.
    points_per_m2
        Density of the ground points that the grid was joined of to triangles; None estimates from
        the grid itself how it was made.
    search_m
        How far the given centreline may lie off.
    half_width_m
        How far to each side of the centreline the terrain is read.
    paved
        False for a gravel or earth road: its shoulder need only be as steep as the road itself.
    find_edges
        False measures at the nominal widths without searching.

    Raises
    ------
    SettingsError
        With one sentence that names the setting and the values it may have.
    """

    spacing_m: float = 10.0
    average_m: float | Literal["auto"] = 20.0
    pavement_width_m: float = 7.0
    shoulder_width_m: float = 1.5
    surface: str = "gravel"
    noise_m: float | None = None
    points_per_m2: float | None = None
    search_m: float = 3.0
    half_width_m: float = 16.0
    paved: bool = True
    find_edges: bool = True
    road_widths: tuple[RoadWidths, ...] = ()

    def __post_init__(self) -> None:
        """Refuse values that can't be measured with."""
        for name, low, high in (
            ("spacing_m", 0.5, 1000.0),
            *((name, *bounds) for name, bounds in _WIDTHS.items()),
            ("search_m", 0.0, 15.0),
            ("half_width_m", 3.0, 100.0),
        ):
            _check(name, getattr(self, name), low, high)
        if self.average_m != "auto":
            _check("average_m", self.average_m, 1.0, 1000.0, also=' or "auto"')
        if self.noise_m is not None:
            _check("noise_m", self.noise_m, 0.0005, 1.0)
        if self.points_per_m2 is not None:
            _check("points_per_m2", self.points_per_m2, 0.05, 10_000.0, unit="points per m²")
        if self.surface not in SURFACES:
            raise SettingsError(
                f"The surface {self.surface!r} isn't known: choose one of {', '.join(SURFACES)}."
            )
        twice = {own.road for own in self.road_widths}
        if len(twice) < len(self.road_widths):
            raise SettingsError("A road has widths of its own twice: give them once.")
        needed = self._needed_half_width_m()
        if self.half_width_m < needed:
            raise SettingsError(
                f"The terrain is read {self.half_width_m:g} m to each side, but half the pavement, "
                f"the shoulder and the search need {needed:g} m: raise half_width_m."
            )

    def _needed_half_width_m(self) -> float:
        """How far the terrain must be read for the widest road."""
        roads = (self.widths_of(name) for name in ("", *(own.road for own in self.road_widths)))
        return max(pavement / 2.0 + shoulder for pavement, shoulder in roads) + self.search_m

    def widths_of(self, road: str) -> tuple[float, float]:
        """Nominal widths of pavement and shoulder of a road, metres.

        >>> Settings(road_widths=(RoadWidths("Mill Lane", 5.5),)).widths_of("Mill Lane")
        (5.5, 1.5)
        """
        own = self.own_widths(road)
        pavement, shoulder = own.pavement_width_m, own.shoulder_width_m
        return (
            self.pavement_width_m if pavement is None else pavement,
            self.shoulder_width_m if shoulder is None else shoulder,
        )

    def own_widths(self, road: str) -> RoadWidths:
        """What a road has of its own."""
        return next((own for own in self.road_widths if own.road == road), RoadWidths(road))

    def with_own_widths(self, road: str, **widths: float | None) -> "Settings":
        """The same with other widths of one road, read as far out as these need.

        `widths` are named as in `RoadWidths`; one that isn't named stays. Without either the road
        has none of its own any more.

        Raises
        ------
        SettingsError
            As when they are made.
        """
        held = self.own_widths(road)
        own = RoadWidths(road, **{name: getattr(held, name) for name in _WIDTHS} | widths)
        others = tuple(other for other in self.road_widths if other.road != road)
        added = () if own == RoadWidths(road) else (own,)
        return self.changed(road_widths=tuple(sorted((*others, *added), key=lambda w: w.road)))

    def changed(self, **values: Any) -> "Settings":
        """The same with other values, read as far out as these need.

        Raises
        ------
        SettingsError
            As when they are made.
        """
        made = replace(self, **{"half_width_m": 100.0, **values})
        if "half_width_m" in values:
            return made
        needed = float(math.ceil(made._needed_half_width_m()))
        return replace(made, half_width_m=max(self.half_width_m, needed))

    def roads_apart(self, other: "Settings") -> frozenset[str] | None:
        """Roads that other settings change by their own widths alone; None: more is other."""
        if replace(self, road_widths=()) != replace(other, road_widths=()):
            return None
        names = {own.road for own in (*self.road_widths, *other.road_widths)}
        return frozenset(n for n in names if self.widths_of(n) != other.widths_of(n))

    def to_json(self) -> str:
        """Return the settings as JSON text, for the run record."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> "Settings":
        """Settings from a run record; keys of a later version are left out.

        Raises
        ------
        SettingsError
            If the text isn't a record of settings.
        """
        try:
            values = json.loads(text)
            known = {key: values[key] for key in _names(cls) if key in values}
            known["road_widths"] = tuple(
                RoadWidths(**{key: own[key] for key in _names(RoadWidths) if key in own})
                for own in values.get("road_widths", ())
            )
            return cls(**known)
        except (ValueError, TypeError, AttributeError) as error:
            if isinstance(error, SettingsError):
                raise
            raise SettingsError(
                "The settings in this file can't be read: screen the road again."
            ) from error


def _names(made: type) -> list[str]:
    return [f.name for f in fields(made)]


def _check(
    name: str,
    value: object,
    low: float,
    high: float,
    *,
    of: str = "",
    also: str = "",
    unit: str = "m",
) -> None:
    number = value if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if not low <= number <= high:
        raise SettingsError(
            f"{name}{of} is {value}, but must be a number from {low:g} to {high:g} {unit}{also}."
        )
