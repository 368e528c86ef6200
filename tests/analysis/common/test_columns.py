"""The registry of columns: the contract with other programs, and README's table of it."""

from pathlib import Path

import pytest

from analysis.common.columns import (
    CHECKED_NUMBERS,
    FIRST_LATER,
    POND_COLUMNS,
    REACH_COLUMNS,
    RUN_COLUMNS,
    STATION_COLUMNS,
    TABLES,
    Column,
    column_of,
)
from analysis.common.limits import limit_specs
from analysis.common.units import US, unit_of
from tests.builders.small_study import small_study

ROOT = Path(__file__).parents[3]
EVERY = [(table, column) for table, columns in TABLES.items() for column in columns.values()]

# As it was first promised to other programs: names and order.
CONTRACT = {
    "stations": "road station_m side edge_offset_m edge_found hinge_offset_m pavement_slope_pct "
    "pavement_slope_se shoulder_slope_pct shoulder_slope_se required_slope_pct edge_drop_mm "
    "edge_drop_se rut_mm ridge_mm retained_mm pond_depth_mm ditch_depth_m ditch_grade_pct cut_m2 "
    "fill_m2 p_wont_shed verdict reason",
    "reaches": "road side from_m to_m finding treatment verdict length_m mean_slope_pct "
    "worst_drop_mm cut_m3 fill_m3 balance_m3 balance_se import_m3_loose loads rank reason",
    "ponds": "road depth_mm area_m2 volume_m3 side",
    "reviews": "kind road side from_m to_m state reason at",
}


@pytest.mark.parametrize("table", CONTRACT)
def test_contract_stands(table: str) -> None:
    names = list(TABLES[table])
    assert names[: names.index(FIRST_LATER[table])] == CONTRACT[table].split()


@pytest.mark.parametrize(("table", "column"), EVERY, ids=lambda x: getattr(x, "name", x))
def test_column_says_what_it_holds(table: str, column: Column) -> None:
    """A sentence, a type that a file knows, and the unit that the name's ending promises."""
    assert TABLES[table][column.name] == column
    assert column.meaning.endswith(".")
    assert column.type in ("str", "bool", "int", "float")
    endings = {"_pct": "%", "_mm": "mm", "_m": "m", "_m2": "m2", "_m3": "m3", "_m3_loose": "m3"}
    endings |= {"_points": "points", "_t": "t"}
    ending = max((e for e in endings if column.name.endswith(e)), key=len, default=None)
    if ending:
        assert column.unit == endings[ending]
    if column.error:
        assert TABLES[table][column.error].unit == column.unit
    if column.limit:
        assert column.limit in limit_specs()


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("edge_drop_se", "mm"),
        ("shoulder_slope_se", "%"),
        ("import_m3_loose", "m3"),
        ("p_wont_shed", "1"),
        ("loads", "count"),
    ],
)
def test_unit_that_the_name_does_not_end_in(name: str, unit: str) -> None:
    assert column_of(name).unit == unit


def test_shown_with_the_decimals_that_decide() -> None:
    """A ditch of 0.3 % runs and one of 0.25 % may not; a probability is shown in percent."""
    assert column_of("ditch_grade_pct").shown().decimals == 2
    assert column_of("edge_drop_mm").shown(US) == unit_of("mm", US)
    assert column_of("p_wont_shed").shown().factor == 100.0


def test_section_shows_numbers_of_the_stations_table() -> None:
    assert all(STATION_COLUMNS[name].is_quantity for name in CHECKED_NUMBERS)


def test_run_record_holds_what_the_registry_names() -> None:
    assert set(small_study().findings.run) <= set(RUN_COLUMNS)


def readme_rows() -> list[str]:
    """Columns for people, each once, as rows of README's table."""
    rows, seen = ["| column | unit | what it means |", "|---|---|---|"], set()
    for columns in (STATION_COLUMNS, REACH_COLUMNS, POND_COLUMNS):
        for name, column in columns.items():
            if name in seen or not (column.title or columns is POND_COLUMNS):
                continue
            seen.add(name)
            error = f" ± `{column.error}`" if column.error else ""
            rows.append(f"| `{name}`{error} | {unit_of(column.unit).text} | {column.meaning} |")
    return rows


def test_readme_tells_the_same() -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    start = lines.index(readme_rows()[0])
    assert lines[start : start + len(readme_rows())] == readme_rows()
    assert not lines[start + len(readme_rows())].startswith("|")
