"""What work costs at the user's own unit rates; nothing is priced that no rate was given for."""

from __future__ import annotations

from dataclasses import dataclass, fields

from analysis.common.errors import SettingsError

__all__ = ["Costs", "Rates", "costs_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """The user's unit rates; None = not given, and then no cost is shown for it."""

    currency: str = ""
    grader_per_h: float | None = None
    roller_per_h: float | None = None
    truck_per_h: float | None = None
    water_per_m3: float | None = None
    material_per_t: float | None = None
    traffic_control_per_setup: float | None = None
    crew_per_day: float | None = None

    def __post_init__(self) -> None:
        """Refuse a rate that isn't a number of 0 or more."""
        for f in fields(self):
            value = getattr(self, f.name)
            if value is None or (f.name == "currency" and isinstance(value, str)):
                continue
            wanted = f.name != "currency" and type(value) in (int, float)
            if not (wanted and 0.0 <= value < 1e15):
                raise SettingsError(
                    f"The rate {f.name} is {value!r}; give a number of 0 or more, or leave it out."
                )


@dataclass(frozen=True, slots=True)
class Costs:
    """Cost per kind, of the rates that were given; `total` covers only these."""

    currency: str
    parts: tuple[tuple[str, float], ...]
    missing: tuple[str, ...]

    @property
    def total(self) -> float | None:
        """Sum of the parts; None where no rate was given."""
        return sum(cost for _, cost in self.parts) if self.parts else None


_COST_KINDS = {
    "grader_per_h": "grader",
    "roller_per_h": "roller",
    "truck_per_h": "trucks",
    "water_per_m3": "water",
    "material_per_t": "material",
    "traffic_control_per_setup": "traffic control",
    "crew_per_day": "crew",
}


def costs_of(rates: Rates, **amounts: float) -> Costs:
    """Costs of amounts, each called by the rate that it is priced at."""
    lines = [(_COST_KINDS[name], getattr(rates, name), amount) for name, amount in amounts.items()]
    parts = tuple((kind, rate * amount) for kind, rate, amount in lines if rate is not None)
    return Costs(rates.currency, parts, tuple(kind for kind, rate, _ in lines if rate is None))
