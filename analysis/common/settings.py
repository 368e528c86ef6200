"""What a person sets before a screening: widths, spacing, lengths; checked where they are made."""

import json
import math
from dataclasses import asdict, dataclass, fields
from typing import Literal

from analysis.common.errors import SettingsError
from analysis.common.limits import SURFACES

__all__ = ["Settings"]


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
        shows none.
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

    def __post_init__(self) -> None:
        """Refuse values that can't be measured with."""
        for name, low, high in (
            ("spacing_m", 0.5, 1000.0),
            ("pavement_width_m", 2.0, 60.0),
            ("shoulder_width_m", 0.2, 10.0),
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
        needed = self.pavement_width_m / 2.0 + self.shoulder_width_m + self.search_m
        if self.half_width_m < needed:
            raise SettingsError(
                f"The terrain is read {self.half_width_m:g} m to each side, but half the pavement, "
                f"the shoulder and the search need {needed:g} m: raise half_width_m."
            )

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
            known = {f.name for f in fields(cls)}
            return cls(**{key: value for key, value in values.items() if key in known})
        except (ValueError, TypeError, AttributeError) as error:
            if isinstance(error, SettingsError):
                raise
            raise SettingsError(
                "The settings in this file can't be read: screen the road again."
            ) from error


def _check(
    name: str, value: object, low: float, high: float, *, also: str = "", unit: str = "m"
) -> None:
    number = value if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if not low <= number <= high:
        raise SettingsError(
            f"{name} is {value}, but must be a number from {low:g} to {high:g} {unit}{also}."
        )
