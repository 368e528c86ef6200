"""A road that is built wider than the rest: noticed, given its widths, and screened alone.

The two roads are plain geometry (`tests.builders.two_widths`): what is right is known.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis import (
    Extras,
    Settings,
    Study,
    Table,
    open_terrain,
    read_roads,
    screen,
    screen_again,
    write_findings,
)
from analysis.cli import main
from analysis.common.errors import Cancelled
from analysis.findings.geopackage import read_findings
from analysis.study.job import job_of
from analysis.study.noticing import Seen, notices
from tests.builders.two_widths import NARROW, NARROW_M, WIDE, WIDE_M, write_two_widths

OWN = Settings().with_own_widths(WIDE, pavement_width_m=WIDE_M)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    return write_two_widths(tmp_path_factory.mktemp("two"))


def screened(files: tuple[str, str], settings: Settings, extras: Extras | None = None) -> Study:
    grid = open_terrain(files[0])
    return screen(grid, read_roads(files[1], grid), settings, extras=extras)


@pytest.fixture(scope="module")
def plain(files: tuple[str, str]) -> Study:
    """Both roads, told 7 m as only one of them is."""
    return screened(files, Settings())


def width_found(study: Study, road: str) -> float:
    (part,) = (part for part in study.roads if part.road.name == road)
    return float(np.median(part.breaks.edge.sum(axis=1)))


def same(one: Table, other: Table) -> bool:
    return all(
        np.array_equal(one[name], other[name], equal_nan=one[name].dtype.kind == "f")
        for name in one.columns
    )


def test_wide_road_is_offered_a_width_of_its_own(plain: Study) -> None:
    """The other fits, so the notice is about the wide one alone, and so is its answer."""
    (notice,) = notices(plain)
    assert (notice.kind, notice.road) == (Seen.PAVEMENT_WIDTH, WIDE)
    answered = notice.answered(plain.settings)
    assert answered.pavement_width_m == NARROW_M
    assert answered.widths_of(WIDE)[0] == notice.numbers[0] > NARROW_M + 3.0
    assert answered.widths_of(NARROW) == plain.settings.widths_of(NARROW)


def test_answers_lead_to_the_width_that_is_built(plain: Study) -> None:
    """Edges are looked for no farther than the given width allows, so it takes two steps."""
    study, steps = plain, 0
    while (found := notices(study)) and steps < 4:
        study, steps = screen_again(study, found[0].answered(study.settings)), steps + 1
    assert steps == 2
    assert study.settings.widths_of(WIDE)[0] == pytest.approx(WIDE_M, abs=0.3)
    assert width_found(study, WIDE) == pytest.approx(WIDE_M, abs=0.3)
    assert width_found(study, NARROW) == pytest.approx(NARROW_M, abs=0.3)


def test_answer_keeps_what_another_gave_meanwhile(plain: Study) -> None:
    (notice,) = notices(plain)
    meanwhile = plain.settings.with_own_widths(NARROW, pavement_width_m=6.5)
    assert notice.answered(meanwhile).widths_of(NARROW)[0] == 6.5


def test_road_screened_alone_is_as_if_all_were_screened(
    plain: Study, files: tuple[str, str]
) -> None:
    """To the last bit; and the other road isn't measured, but what it was is kept."""
    again, whole = screen_again(plain, OWN), screened(files, OWN)
    for name in ("stations", "reaches", "ponds", "roads"):
        assert same(getattr(again.findings, name), getattr(whole.findings, name)), name
    differing = {"made", "seconds"}
    for name in set(whole.findings.run) - differing:
        assert again.findings.run[name] == whole.findings.run[name], name
    assert again.settings == OWN
    assert all(part.case.settings == OWN for part in again.roads)
    assert again.roads[0].measured is plain.roads[0].measured
    assert again.roads[1].measured is not plain.roads[1].measured


def test_corrections_stay_where_a_road_is_screened_alone(plain: Study) -> None:
    """On the road that is, and on the one that isn't."""
    rows = {"distance_m": [100.0, 100.0], "u_m": [3.2, 6.1]}
    texts = {"road": [NARROW, WIDE], "side": ["left", "right"], "what": ["edge", "edge"]}
    columns = {name: np.array(values, dtype=object) for name, values in texts.items()}
    edits = Table(columns | {name: np.array(values) for name, values in rows.items()})
    study = screen(plain.terrain, [part.road for part in plain.roads], Settings(), edits=edits)
    found = screen_again(study, OWN, edits).findings
    at = found.stations["distance_m"] == 100.0
    for road, side, offset in ((NARROW, "left", -3.2), (WIDE, "right", 6.1)):
        here = at & (found.stations["road"] == road) & (found.stations["side"] == side)
        assert found.stations["edge_offset_m"][here].tolist() == [offset]
    assert same(found.edits, edits)


def test_other_settings_arent_taken_for_widths_of_a_road(plain: Study) -> None:
    with pytest.raises(ValueError, match="more than the widths of single roads"):
        screen_again(plain, replace(OWN, spacing_m=5.0))


def test_called_off_nothing_is_changed(plain: Study) -> None:
    def stop(*_: object) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        screen_again(plain, OWN, progress=stop)
    assert plain.settings == Settings()


def test_table_of_widths_wins_over_a_roads_own(files: tuple[str, str]) -> None:
    """What a table gives is taken as it is; a road's own widths only say where to search."""
    names = "pavement_left_m pavement_right_m shoulder_left_m shoulder_right_m".split()
    given = dict.fromkeys(names, np.array([np.nan])) | {"pavement_left_m": np.array([6.0])}
    place = {"road": np.array([WIDE], dtype=object)}
    place |= {"from_m": np.array([0.0]), "to_m": np.array([1000.0])}
    table = Table(place | given)
    stations = screened(files, OWN, Extras(widths=table)).findings.stations
    wide = stations["road"] == WIDE
    left = wide & (stations["side"] == "left")
    assert set(stations["edge_offset_m"][left]) == {-6.0}
    assert set(stations["edge_source"][left]) == {"given"}
    right = stations["edge_offset_m"][wide & ~left]
    assert float(np.median(right)) == pytest.approx(0.5 * WIDE_M, abs=0.2)


def test_unsearched_edges_lie_at_the_roads_own_width(files: tuple[str, str]) -> None:
    stations = screened(files, OWN.changed(find_edges=False)).findings.stations
    for road, wide in ((NARROW, NARROW_M), (WIDE, WIDE_M)):
        here = stations["road"] == road
        assert set(np.abs(stations["edge_offset_m"][here])) == {0.5 * wide}


def test_own_widths_are_kept_in_findings(
    plain: Study, files: tuple[str, str], tmp_path: Path
) -> None:
    """As settings for this program, and in words for a reader."""
    path = str(tmp_path / "kept.gpkg")
    found = screen_again(plain, OWN).findings
    run = {**found.run, "centreline": files[1]}
    write_findings(replace(found, run=run), path)
    back = read_findings(path)
    assert job_of(back, path).settings == OWN
    assert f"{WIDE}: pavement 13 m, shoulder 1.5 m" in back.run["road_widths"]


def test_command_takes_widths_of_one_road(
    plain: Study, files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same comes out as of `screen`; a road that isn't there is told."""
    out = tmp_path / "found.gpkg"
    call = ["screen", "--grid", files[0], "--centreline", files[1], "--out", str(out), "--quiet"]
    own = ["--pavement-width-of", f"{WIDE}=13", "--shoulder-width-of", "Nowhere Lane=2"]
    assert main([*call, *own]) == 0
    assert "widths name Nowhere Lane, which isn't among the roads" in capsys.readouterr().err
    stations, wanted = read_findings(str(out)).stations, screen_again(plain, OWN).findings.stations
    for name in ("edge_offset_m", "shoulder_slope_pct"):
        np.testing.assert_allclose(stations[name], wanted[name], rtol=1e-12)


@pytest.mark.parametrize("text", ["13", "=13", f"{WIDE}=wide", f"{WIDE}=nan"])
def test_command_refuses_what_isnt_a_width_of_a_road(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call = [
        "screen",
        "--grid",
        "g.tif",
        "--centreline",
        "c.gpkg",
        "--out",
        str(tmp_path / "f.gpkg"),
    ]
    assert main([*call, "--pavement-width-of", text]) == 2
    assert "the name of a road and its width in metres" in capsys.readouterr().err
