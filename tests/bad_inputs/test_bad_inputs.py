"""Every bad file ends in one sentence: no crash, no traceback, no hang, no number.

``BAD_INPUTS=2000`` in the environment spoils so many files of each kind instead of a few.
"""

import os
import re
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis.common.errors import VergelineError
from analysis.common.limits import limits_from_toml
from analysis.common.stations import parse_station, station_text
from analysis.findings.readings import read_readings
from analysis.study.inputs import read_widths
from analysis.terrain.grid import open_terrain
from tests.bad_inputs import mutate
from tests.bad_inputs.__main__ import TABLE
from tests.bad_inputs.cases import cases, good_files
from tests.bad_inputs.readers import READERS, in_children, told

CASES = list(cases())
COUNT = int(os.environ.get("BAD_INPUTS", "0"))
EXAMPLES = settings(max_examples=COUNT or 60)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Folder with the good files."""
    path = tmp_path_factory.mktemp("good")
    good_files(path)
    return path


@pytest.fixture(scope="module")
def grid(folder):
    """The good grid."""
    return open_terrain(folder / "good.tif")


def test_the_corpus_is_large_and_its_table_whole():
    """The table that people read holds a sentence for every case."""
    assert len(CASES) >= 200
    assert {case.kind for case in CASES} == set(READERS)
    assert len({case.what for case in CASES}) == len(CASES)
    rows = TABLE.read_text(encoding="utf-8").splitlines()[6:]
    assert [re.match(r"\| (.*?) \| \S", row)[1] for row in rows] == [case.what for case in CASES]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="children as on POSIX")
@pytest.mark.parametrize("kind", READERS)
def test_every_bad_file_gives_a_sentence(kind, folder, grid):
    """One sentence that names the trouble and ends with a stop, from a child that may crash."""
    mine = [case for case in CASES if case.kind == kind]

    def make(number: int) -> Path:
        path = folder / f"case{mine[number].ending}"
        mine[number].make(path, folder)
        return path

    for number, outcome in in_children(kind, range(len(mine)), make, grid):
        case = mine[number]
        assert outcome.ended == "refused", (case.what, outcome)
        assert outcome.said.endswith((".", "?")), (case.what, outcome)
        assert "Traceback" not in outcome.said


@pytest.mark.skipif(not hasattr(os, "fork"), reason="children as on POSIX")
@pytest.mark.parametrize("name", mutate.SOURCES)
def test_files_spoilt_at_random(name, tmp_path):
    """A few of each kind here; thousands on demand."""
    heard = []
    counted = mutate.run(name, COUNT or 12, tmp_path, tell=heard.append)
    assert not heard
    assert counted.total() == (COUNT or 12)
    assert counted["refused"] > 0


# ---------------------------------------------------------------- parsers of our own


@EXAMPLES
@given(st.text())
@example("[" * 3000)
@example("[gravel]\nrut_mm = " + "9" * 400)
def test_any_text_as_limits(text):
    """Limits or a sentence, and nothing else."""
    try:
        limits_from_toml(text)
    except VergelineError as error:
        assert str(error).endswith((".", "?"))


_CELL = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["1+240", "left", "right", "40", "40,5", "-3.2", "nan", "=1", '"', "1e400"]),
)


@EXAMPLES
@given(st.lists(st.lists(_CELL, max_size=5), max_size=5), st.sampled_from(",;\t"))
def test_any_table_as_readings_and_widths(tmp_path_factory, rows, separator):
    """Finite numbers or a sentence."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    for head, read in (
        (["station", "side", "reading_mm"], read_readings),
        (["road", "from_m", "to_m"], read_widths),
    ):
        lines = [separator.join(row) for row in [head, *rows]]
        path.write_text("\n".join(lines), encoding="utf-8", errors="replace")
        try:
            found = read(path)
        except VergelineError as error:
            assert str(error).endswith(".")
        else:
            assert len(found) > 0


@EXAMPLES
@given(st.text(alphabet="0123456789+-−. ,", max_size=12))
def test_any_text_as_a_station(text):
    """A finite number that can be written again, or a sentence."""
    try:
        value = parse_station(text)
    except VergelineError:
        return
    assert parse_station(station_text(value, decimals=3)) == pytest.approx(value, abs=1e-3)


@EXAMPLES
@given(st.binary(max_size=200), st.sampled_from(sorted(READERS)))
def test_any_bytes_as_any_file(tmp_path_factory, grid, content, kind):
    """Short files of anything: a sentence, or, of limits and rates, what the text says."""
    endings = {
        "limits": ".toml", "rates": ".toml", "widths": ".csv", "readings": ".csv", "points": ".las"
    }  # fmt: skip
    path = tmp_path_factory.getbasetemp() / f"any{endings.get(kind, '.gpkg')}"
    path.write_bytes(content)
    assert told(kind, path, grid) or kind in ("limits", "rates")
