"""What counts as failing, and what the work is reckoned with: each limit with its source.

A limit is never a bare number: it carries its unit, where it comes from and a note. The
defaults are kept in ``resources/limits.toml``; a user's file overrides any of them.
"""

# ruff: noqa: RUF009 - each limit's range stands beside its name through field metadata
from __future__ import annotations

import difflib
import itertools
import math
import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np
import tomli_w

from analysis.common.errors import LimitsError
from analysis.common.given_files import read_text
from analysis.common.outputs import replacing

__all__ = [
    "SURFACES",
    "DecisionLimits",
    "FieldLimits",
    "Limit",
    "LimitSpec",
    "Limits",
    "MaterialLimits",
    "ShapeLimits",
    "WaterLimits",
    "WorkLimits",
    "default_limits",
    "limit_specs",
    "limits_from_toml",
    "limits_to_toml",
    "read_limits",
    "write_limits",
]

SURFACES = ("gravel", "earth", "turf")

_COMMON = "common"
_GONE = ("loose_lift_mm", "grader_efficiency")
"""Limits of earlier versions: a file that still names them is read without them."""
_HEADER = (
    "# Limits and work settings. Each entry: value, unit, source, note.\n"
    "# A plain number (rut_mm = 25) changes the value only. Left out = the default.\n\n"
)


@dataclass(frozen=True, slots=True)
class Limit:
    """One number to judge or reckon by.

    Parameters
    ----------
    value : float
        The number, in `unit`.
    unit : str
        Its unit, fixed per limit.
    source : str
        Where the number comes from, and how far that was checked.
    note : str
        What it does, and when to change it.
    """

    value: float
    unit: str
    source: str
    note: str


@dataclass(frozen=True, slots=True)
class LimitSpec:
    """What a limit may be: its name, group, title, unit and allowed range (both ends allowed)."""

    name: str
    group: str
    title: str
    unit: str
    low: float
    high: float

    @property
    def allowed(self) -> str:
        """The allowed range in words, such as ``0 to 20 %``."""
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()


def _spec(title: str, unit: str, low: float, high: float) -> Any:
    return field(metadata={"title": title, "unit": unit, "low": low, "high": high})


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeLimits:
    """What a shoulder must be like across; percent slopes are positive falling outward."""

    shoulder_over_pavement_points: Limit = _spec(
        "Shoulder steeper than pavement by", "points", 0.0, 10.0
    )
    normal_crown_most_pct: Limit = _spec("Steepest normal crown", "%", 0.0, 6.0)
    low_side_over_pavement_points: Limit = _spec(
        "Low side of a curve steeper than pavement by", "points", 0.0, 10.0
    )
    unpaved_over_surface_points: Limit = _spec(
        "Shoulder of a gravel road steeper than it by", "points", 0.0, 10.0
    )
    unpaved_over_road_least_pct: Limit = _spec(
        "Least fall over a banked gravel road", "%", 0.0, 10.0
    )
    shoulder_least_pct: Limit = _spec("Least shoulder slope", "%", 0.0, 15.0)
    shoulder_most_pct: Limit = _spec("Steepest shoulder to build", "%", 0.0, 25.0)
    breakover_most_points: Limit = _spec("Most breakover at the edge", "points", 0.0, 20.0)
    slope_shortfall_points: Limit = _spec("Slope tolerance below required", "points", 0.0, 5.0)
    slope_excess_points: Limit = _spec("Slope tolerance beyond steepest", "points", 0.0, 10.0)
    edge_drop_mm: Limit = _spec("Edge drop-off to act on", "mm", 0.0, 300.0)
    edge_drop_low_mm: Limit = _spec("Drop-off severity: low from", "mm", 0.0, 300.0)
    edge_drop_medium_mm: Limit = _spec("Drop-off severity: medium from", "mm", 0.0, 300.0)
    edge_drop_high_mm: Limit = _spec("Drop-off severity: high from", "mm", 0.0, 300.0)
    edge_drop_safety_mm: Limit = _spec("Drop-off that comes before all else", "mm", 0.0, 300.0)
    high_shoulder_mm: Limit = _spec("High shoulder to act on", "mm", 0.0, 300.0)
    rut_mm: Limit = _spec("Rut to act on", "mm", 0.0, 300.0)
    ridge_mm: Limit = _spec("Ridge to act on", "mm", 0.0, 300.0)
    straightedge_m: Limit = _spec("Straightedge length", "m", 0.5, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterLimits:
    """How much water may stand, and what a ditch must be like."""

    retained_mm: Limit = _spec("Water held by a section to act on", "mm", 0.0, 500.0)
    pond_mm: Limit = _spec("Pond depth to act on", "mm", 0.0, 500.0)
    ditch_least_grade_pct: Limit = _spec("Least ditch grade", "%", 0.0, 10.0)
    ditch_least_depth_m: Limit = _spec("Least ditch depth below the edge", "m", 0.0, 3.0)
    grade_over_cross_slope_most: Limit = _spec(
        "Grade over cross slope before water runs along", "ratio", 0.1, 20.0
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionLimits:
    """How sure a verdict must be, and what a mistake costs."""

    visit_cost: Limit = _spec("Cost of a wasted visit", "relative", 0.0, 1e9)
    miss_cost: Limit = _spec("Cost of a missed defect", "relative", 0.0, 1e9)
    certainty: Limit = _spec("Probability that settles a verdict", "", 0.5, 0.999)
    shortest_reach_m: Limit = _spec("Shortest workable reach", "m", 0.0, 1000.0)
    log_odds_shift: Limit = _spec("Shift of the log odds that water stays", "", -5.0, 5.0)

    @property
    def act_at_probability(self) -> float:
        """Probability of a defect from which acting costs less than leaving it.

        Acting on a sound shoulder wastes `visit_cost`; leaving a defect costs `miss_cost`.
        Expected costs are equal at p = visit / (visit + miss). NaN where both are zero.
        """
        visit, miss = self.visit_cost.value, self.miss_cost.value
        return visit / (visit + miss) if visit + miss > 0.0 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class MaterialLimits:
    """How material is reckoned: yield, states, density, haul and foreslope."""

    erosion_replenish_mm: Limit = _spec(
        "Edge drop that always needs new material", "mm", 0.0, 500.0
    )
    recovery: Limit = _spec("Share of the cut fit for use", "fraction", 0.0, 1.0)
    yield_se: Limit = _spec("Standard error of the yield, of itself", "fraction", 0.0, 1.0)
    thin_mm: Limit = _spec("Shortage too thin to place", "mm", 0.0, 50.0)
    loose_per_bank: Limit = _spec("Loose volume per bank volume", "m³/m³", 0.8, 2.5)
    compacted_per_loose: Limit = _spec("Compacted volume per loose volume", "m³/m³", 0.3, 1.2)
    density_t_m3: Limit = _spec("Density, compacted", "t/m³", 0.5, 3.5)
    haul_most_m: Limit = _spec("Longest haul along the shoulder", "m", 0.0, 5000.0)
    strip_outside_hinge_m: Limit = _spec("Width to reclaim outside the hinge", "m", 0.0, 5.0)
    strip_depth_mm: Limit = _spec("Depth to reclaim outside the hinge", "mm", 0.0, 300.0)
    foreslope_ratio: Limit = _spec(
        "Foreslope to build, horizontal to 1 (0 = as it lies)", "H:1V", 0.0, 20.0
    )
    foreslope_critical_ratio: Limit = _spec(
        "Foreslope critical below, horizontal to 1", "H:1V", 0.0, 20.0
    )
    truck_m3: Limit = _spec("Truck load, loose", "m³", 0.5, 60.0)
    truck_payload_t: Limit = _spec("Truck payload", "t", 0.5, 100.0)

    @property
    def compacted_per_bank(self) -> float:
        """Compacted volume per bank volume, from the two stated factors."""
        return self.loose_per_bank.value * self.compacted_per_loose.value


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkLimits:
    """Plant, passes, speeds and hours that a work plan reckons with."""

    snap_m: Limit = _spec("Round limits of work to", "m", 0.1, 200.0)
    cut_passes: Limit = _spec("Grader passes, cutting", "passes", 0.0, 30.0)
    cut_speed_kmh: Limit = _spec("Grader speed, cutting", "km/h", 0.1, 20.0)
    spread_passes: Limit = _spec("Grader passes, spreading", "passes", 0.0, 30.0)
    spread_speed_kmh: Limit = _spec("Grader speed, spreading", "km/h", 0.1, 20.0)
    finish_passes: Limit = _spec("Grader passes, finishing", "passes", 0.0, 30.0)
    finish_speed_kmh: Limit = _spec("Grader speed, finishing", "km/h", 0.1, 20.0)
    efficiency_50_m: Limit = _spec("Grader efficiency, runs of 50 m", "fraction", 0.05, 1.0)
    efficiency_100_m: Limit = _spec("Grader efficiency, runs of 100 m", "fraction", 0.05, 1.0)
    efficiency_200_m: Limit = _spec("Grader efficiency, runs of 200 m", "fraction", 0.05, 1.0)
    efficiency_500_m: Limit = _spec("Grader efficiency, runs of 500 m", "fraction", 0.05, 1.0)
    beside_share: Limit = _spec("Rolling done beside the grading", "fraction", 0.0, 1.0)
    blade_m: Limit = _spec("Blade length as angled", "m", 0.5, 8.0)
    blade_overlap_m: Limit = _spec("Blade overlap", "m", 0.0, 2.0)
    lift_most_mm: Limit = _spec("Thickest compacted lift", "mm", 20.0, 400.0)
    roller_passes: Limit = _spec("Roller passes", "passes", 0.0, 30.0)
    roller_speed_kmh: Limit = _spec("Roller speed", "km/h", 0.1, 20.0)
    roller_efficiency: Limit = _spec("Roller efficiency", "fraction", 0.05, 1.0)
    roller_width_m: Limit = _spec("Roller width", "m", 0.3, 4.0)
    roller_overlap_m: Limit = _spec("Roller overlap", "m", 0.0, 0.25)
    water_added_pct: Limit = _spec("Water added, of the mass", "%", 0.0, 20.0)
    water_truck_m3: Limit = _spec("Water truck", "m³", 0.5, 60.0)
    haul_km: Limit = _spec("One-way haul from the pit", "km", 0.0, 300.0)
    haul_speed_kmh: Limit = _spec("Truck speed", "km/h", 1.0, 120.0)
    truck_fixed_min: Limit = _spec("Loading, tipping and turning", "min", 0.0, 240.0)
    ditch_passes: Limit = _spec("Grader passes, ditch", "passes", 0.0, 30.0)
    ditch_speed_kmh: Limit = _spec("Grader speed, ditch", "km/h", 0.1, 20.0)
    ditch_bottom_m: Limit = _spec("Ditch bottom to clean", "m", 0.0, 5.0)
    ditch_cut_mm: Limit = _spec("Least cut when cleaning a ditch", "mm", 0.0, 500.0)
    spoil_placed: Limit = _spec("Ditch spoil that may stay beside it", "fraction", 0.0, 1.0)
    foreslope_place_m3_m: Limit = _spec("Surplus to place on the foreslope", "m³/m", 0.0, 5.0)
    setup_h: Limit = _spec("Setting up traffic control, per reach", "h", 0.0, 24.0)
    move_speed_kmh: Limit = _spec("Moving between reaches", "km/h", 0.5, 90.0)
    together_m: Limit = _spec("Work reaches together within", "m", 0.0, 20000.0)
    stretch_most_m: Limit = _spec("Longest stretch under one traffic control", "m", 10.0, 20000.0)
    shift_h: Limit = _spec("Working hours per day", "h", 0.5, 24.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldLimits:
    """What a reading in the field is worth, and what is accepted."""

    board_m: Limit = _spec("Camber board length", "m", 0.3, 4.0)
    board_se_mm: Limit = _spec("Board reading, standard error", "mm", 0.0, 50.0)
    point_se_points: Limit = _spec(
        "Spread of the slope at a point about the mean", "points", 0.0, 5.0
    )
    board_bias_se_points: Limit = _spec(
        "Bias that a board's readings share, standard error", "points", 0.0, 5.0
    )
    noise_factor: Limit = _spec("Noise, times what is estimated or given", "", 0.2, 5.0)
    accept_slope_points: Limit = _spec("Finished slope, off by at most", "points", 0.0, 10.0)
    accept_edge_mm: Limit = _spec("Finished edge, off by at most", "mm", 0.0, 100.0)
    accept_share: Limit = _spec("Share of a lot within these", "fraction", 0.0, 1.0)
    accept_worst_slope_points: Limit = _spec("Finished slope, worst of a lot", "points", 0.0, 20.0)
    accept_worst_edge_mm: Limit = _spec("Finished edge, worst of a lot", "mm", 0.0, 200.0)
    change_slope_points: Limit = _spec("Change of slope that counts", "points", 0.0, 10.0)
    change_edge_mm: Limit = _spec("Change at the edge that counts", "mm", 0.0, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Every limit for one shoulder surface, in groups: a stage is handed the group it needs.

    Read a number as ``limits.shape.rut_mm.value``; change one with `with_value`. Where only
    the name is known, as in a form, ``limits["rut_mm"]`` finds it without its group.
    """

    surface: str
    shape: ShapeLimits
    water: WaterLimits
    decision: DecisionLimits
    material: MaterialLimits
    work: WorkLimits
    field: FieldLimits

    def __getitem__(self, name: str) -> Limit:
        """Return the limit called `name`."""
        limit: Limit = getattr(getattr(self, _known(name, "the limits").group), name)
        return limit

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names of the limits."""
        return iter(limit_specs())

    def with_value(self, name: str, value: float, *, source: str | None = None) -> Limits:
        """Return a copy with one value changed.

        Parameters
        ----------
        name : str
            Name of the limit.
        value : float
            New value in the limit's own unit.
        source : str, optional
            Where it comes from; "set by the user" if not given.

        Raises
        ------
        LimitsError
            For an unknown name, not a finite number, or a value out of range.
        """
        spec = _known(name, "the limits")
        number = _number(value, spec, "the limits")
        limit = replace(self[name], value=number, source=source or "set by the user")
        changed = self.with_entries({name: limit})
        _consistent(changed, "the limits")
        return changed

    def with_entries(self, entries: Mapping[str, Limit]) -> Limits:
        """Return a copy with whole entries put in by name, as a file or a form holds them."""
        return Limits.of(self.surface, {name: entries.get(name, self[name]) for name in self})

    @classmethod
    def of(cls, surface: str, entries: Mapping[str, Limit]) -> Limits:
        """Limits for a surface from an entry for every name, each put into its group."""
        groups = {
            group: kind(**{f.name: entries[f.name] for f in fields(kind)})
            for group, kind in _GROUPS.items()
        }
        return cls(surface=surface, **groups)


_GROUPS: Mapping[str, Any] = {
    f.name: get_type_hints(Limits)[f.name] for f in fields(Limits) if f.name != "surface"
}


@lru_cache(maxsize=1)
def limit_specs() -> Mapping[str, LimitSpec]:
    """Return what each limit may be, by name, in the order of a form."""
    return {
        f.name: LimitSpec(f.name, group, **f.metadata)
        for group, kind in _GROUPS.items()
        for f in fields(kind)
    }


def default_limits(surface: str = "gravel") -> Limits:
    """Limits as shipped, for one surface.

    Parameters
    ----------
    surface : {"gravel", "earth", "turf"}
        What the shoulder is made of.

    Raises
    ------
    LimitsError
        For another surface.

    Examples
    --------
    >>> limits = default_limits("turf").with_value("rut_mm", 20.0, source="district manual")
    >>> limits.shape.rut_mm.value, limits.shape.rut_mm.unit
    (20.0, 'mm')
    """
    _check_surface(surface, "the limits")
    return _shipped(surface)


@lru_cache(maxsize=len(SURFACES))
def _shipped(surface: str) -> Limits:
    text = resources.files("resources").joinpath("limits.toml").read_text(encoding="utf-8")
    where = "limits.toml (shipped)"
    found = _entries(tomllib.loads(text), surface, where, None)
    missing = [name for name in limit_specs() if name not in found]
    if missing:
        raise LimitsError(f"{where} lacks {', '.join(missing)}; reinstall Vergeline.")
    return Limits.of(surface, found)


def read_limits(path: str | os.PathLike[str], surface: str | None = None) -> Limits:
    """Read limits from a TOML file; what it leaves out keeps its default.

    The file holds a table ``[common]`` and one per surface, each of entries that are either a
    plain number or ``{value, unit, source, note}``; a surface's entry wins over the common one.

    Parameters
    ----------
    path : path
        The file.
    surface : {"gravel", "earth", "turf"}, optional
        Surface wanted; else the file's own ``surface``, else its only surface table, else gravel.

    Raises
    ------
    LimitsError
        One sentence naming the key, the file and what is allowed.
    """
    text = read_text(path, "The limits file", LimitsError)
    return limits_from_toml(text, surface, where=Path(path).name)


def limits_from_toml(
    text: str, surface: str | None = None, *, where: str = "the limits text"
) -> Limits:
    """Read limits from TOML text, as `read_limits` does from a file.

    Parameters
    ----------
    text : str
        The TOML text.
    surface : str, optional
        As in `read_limits`.
    where : str
        What to call the text in an error.

    Raises
    ------
    LimitsError
        One sentence naming the key, `where` and what is allowed.
    """
    try:
        raw = tomllib.loads(text)
    except RecursionError:
        raise LimitsError(f"{where} is nested too deeply; limits need two levels.") from None
    except ValueError as error:
        raise LimitsError(f"{where} isn't valid TOML: {error}.") from None

    asked = surface is not None
    tables = [name for name in SURFACES if name in raw]
    if surface is None:
        named = raw.get("surface")
        if named is not None and not isinstance(named, str):
            raise LimitsError(
                f"surface in {where} must be one of {', '.join(SURFACES)}, in quotes, "
                f"not {named!r}."
            )
        surface = named or (tables[0] if len(tables) == 1 else "gravel")
    _check_surface(surface, where)
    if asked and tables and surface not in raw and "common" not in raw:
        # taking the defaults would pass over every number that the person wrote
        raise LimitsError(
            f"{where} holds limits for {' and '.join(tables)}, not for {surface}: choose the "
            f"surface {tables[0]}, or add a table [{surface}]."
        )
    base = default_limits(surface)
    limits = base.with_entries(_entries(raw, surface, where, base))
    _consistent(limits, where)
    return limits


def limits_to_toml(limits: Limits) -> str:
    """Return every limit as TOML text that `limits_from_toml` gives back unchanged."""
    table = {name: asdict(limits[name]) for name in limit_specs()}
    return _HEADER + tomli_w.dumps({"surface": limits.surface, limits.surface: table})


def write_limits(limits: Limits, path: str | os.PathLike[str]) -> None:
    """Write every limit to a TOML file that `read_limits` gives back unchanged.

    The file is written beside its place and then renamed, so a good one is never half replaced.

    Raises
    ------
    LimitsError
        If the place can't be written.
    """
    file = Path(path)
    text = limits_to_toml(limits)
    try:
        with replacing(file) as beside:
            beside.write_text(text, encoding="utf-8")
    except OSError as error:
        raise LimitsError(
            f"The limits can't be written to {file}: {error.strerror}; choose another place."
        ) from None


def _check_surface(surface: str, where: str) -> None:
    if surface not in SURFACES:
        raise LimitsError(
            f"Surface {surface!r} in {where} isn't known; use one of {', '.join(SURFACES)}."
        )


def _known(name: str, where: str) -> LimitSpec:
    specs = limit_specs()
    if name not in specs:
        near = difflib.get_close_matches(name, specs, n=1)
        hint = f"did you mean {near[0]}?" if near else "remove it or check its spelling."
        raise LimitsError(f"{name} in {where} isn't a limit; {hint}")
    return specs[name]


def _number(value: object, spec: LimitSpec, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
        raise LimitsError(
            f"{spec.name} in {where} must be a number from {spec.allowed}, not {value!r}."
        )
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    # NaN fails the comparison too, so it can't slip through.
    if not spec.low <= number <= spec.high:
        raise LimitsError(
            f"{spec.name} in {where} is {number:g}; it must lie between {spec.low:g} and "
            f"{spec.high:g}{' ' + spec.unit if spec.unit else ''}."
        )
    return number


def _entries(
    raw: Mapping[str, Any], surface: str, where: str, base: Limits | None
) -> dict[str, Limit]:
    """Entries of the common and the surface's table; every table of the file is checked."""
    for key, table in raw.items():
        if key == "surface":
            continue
        if key not in (_COMMON, *SURFACES):
            raise LimitsError(
                f"{key} in {where} isn't a table of limits; use [{_COMMON}], "
                f"{', '.join(f'[{name}]' for name in SURFACES)}."
            )
        if not isinstance(table, dict):
            raise LimitsError(f"{key} in {where} must be a table of limits, not {table!r}.")
        for name, entry in table.items():
            if name not in _GONE:
                _entry(name, entry, where, base)
    merged = {**raw.get(_COMMON, {}), **raw.get(surface, {})}
    return {
        name: _entry(name, entry, where, base)
        for name, entry in merged.items()
        if name not in _GONE
    }


def _entry(name: str, entry: object, where: str, base: Limits | None) -> Limit:
    spec = _known(name, where)
    set_in = f"set in {where}"
    note = base[name].note if base else ""
    if not isinstance(entry, dict):
        return Limit(_number(entry, spec, where), spec.unit, set_in, note)
    unknown = sorted(set(entry) - {"value", "unit", "source", "note"})
    if unknown:
        raise LimitsError(
            f"{name}.{unknown[0]} in {where} isn't known; an entry has value, unit, source, note."
        )
    if "value" not in entry:
        raise LimitsError(f"{name} in {where} has no value; give one from {spec.allowed}.")
    for part in ("unit", "source", "note"):
        if not isinstance(entry.get(part, ""), str):
            raise LimitsError(f"{name}.{part} in {where} must be text, not {entry[part]!r}.")
    unit = entry.get("unit", spec.unit)
    if unit != spec.unit:
        raise LimitsError(
            f"{name} in {where} is in {unit!r}; give it in {spec.unit!r}, from {spec.allowed}."
        )
    return Limit(
        _number(entry["value"], spec, where),
        spec.unit,
        entry.get("source", set_in),
        entry.get("note", note),
    )


def _consistent(limits: Limits, where: str) -> None:
    """Limits that only make sense together."""
    rising = ("edge_drop_low_mm", "edge_drop_medium_mm", "edge_drop_high_mm")
    least_and_most = ("shoulder_least_pct", "shoulder_most_pct")
    for lower, upper in (*itertools.pairwise(rising), least_and_most):
        low, high = limits[lower], limits[upper]
        if low.value > high.value:
            raise LimitsError(
                f"{lower} in {where} is {low.value:g} {low.unit}; it must not be above {upper}, "
                f"{high.value:g} {high.unit}."
            )
    work, decision = limits.work, limits.decision
    if work.blade_overlap_m.value >= work.blade_m.value:
        raise LimitsError(
            f"blade_overlap_m in {where} is {work.blade_overlap_m.value:g} m; it must be less "
            f"than blade_m, {work.blade_m.value:g} m."
        )
    if decision.visit_cost.value + decision.miss_cost.value <= 0.0:
        raise LimitsError(f"visit_cost and miss_cost in {where} are both 0; one must be above 0.")
