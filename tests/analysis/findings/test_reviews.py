"""Reviews: kept whole in the file, and governing only what they were given on."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.columns import REVIEW_COLUMNS
from analysis.common.table import Table
from analysis.findings.geopackage import read_findings, write_findings
from analysis.findings.reviews import (
    Decision,
    Place,
    Review,
    reach_places,
    review_table,
    reviews_of,
    standing,
    standing_reaches,
)
from tests.builders.small_study import small_study

WHOLE = Review(
    "rejected",
    "parked vehicle",
    note="seen on 3 May; gone since",
    reviewer="A. Walker",
    at="2024-05-03T09:00:00+00:00",
    photos=("photos/near.jpg", "photos/far, wide.jpg"),
    finding="high",
    verdict="won't shed",
)


def reaches(*rows: tuple[str, str, float, float, str]) -> Table:
    """A table of reaches with what reviews look at."""
    names = ("road", "side", "from_m", "to_m", "finding")
    texts = ("road", "side", "finding")
    columns = zip(*rows, strict=True)
    return Table(
        {
            name: np.array(values, dtype=object if name in texts else float)
            for name, values in zip(names, columns, strict=True)
        }
    )


def test_table_round_trip() -> None:
    """All that a review holds, several photographs and none, survives the table of the file."""
    given = {
        Place.reach("A", "right", 10.0, 90.0005): WHOLE,
        Place.station("A", "left", 40.0): Review("agreed"),
    }
    assert reviews_of(review_table(given)) == given
    assert reviews_of(review_table({})) == {}


def test_file_round_trip_and_what_governs(tmp_path) -> None:
    """Saved and read back, a rejected reach governs its row and every station in it."""
    found = small_study().findings
    row = int(np.argmax(found.reaches["length_m"]))
    place = reach_places(found.reaches)[row]
    given = {place: replace(WHOLE, finding=str(found.reaches["finding"][row]))}
    path = tmp_path / "reviewed.gpkg"
    write_findings(replace(found, reviews=review_table(given)), path)
    back = read_findings(path)
    assert reviews_of(back.reviews) == given
    now = standing(back)
    assert [r for r, state in enumerate(now.reach_states()) if state == "rejected"] == [row]
    first, last = (int(found.reaches[name][row]) for name in ("first_index", "last_index"))
    side = ("left", "right").index(found.reaches["side"][row])
    expected = [2 * station + side for station in range(first, last + 1)]
    assert np.flatnonzero(now.station_states() == "rejected").tolist() == expected


def test_station_goes_before_its_reach() -> None:
    """One station of an agreed reach that was rejected by itself stays rejected."""
    found = small_study().findings
    row = int(np.argmax(found.reaches["length_m"]))
    place = reach_places(found.reaches)[row]
    first = int(found.reaches["first_index"][row])
    side = ("left", "right").index(place.side)
    station = 2 * first + side
    own = Place.station(place.road, place.side, found.stations["station_m"][station])
    given = {place: Review("agreed"), own: Review("rejected", "driveway")}
    states = standing(replace(found, reviews=review_table(given))).station_states()
    assert states[station] == "rejected"
    assert states[station + 2] == "agreed"


def test_file_of_an_older_version_reads(tmp_path) -> None:
    """A file whose reviews have no note, reviewer or photographs opens; they are empty."""
    import fiona

    path = tmp_path / "older.gpkg"
    write_findings(small_study().findings, path)
    old = list(REVIEW_COLUMNS)[: list(REVIEW_COLUMNS).index("note")]
    fiona.remove(path, layer="reviews")
    schema = {"geometry": "None", "properties": {n: REVIEW_COLUMNS[n].type for n in old}}
    values = dict(zip(old, ("reach", "A", "left", 1.0, 9.0, "agreed", None, "2024"), strict=True))
    with fiona.open(path, "w", driver="GPKG", layer="reviews", schema=schema) as layer:
        layer.write({"type": "Feature", "geometry": None, "properties": values})
    assert reviews_of(read_findings(path).reviews) == {
        Place.reach("A", "left", 1.0, 9.0): Review("agreed", at="2024")
    }


@pytest.mark.parametrize(
    ("now", "governs", "changed"),
    [
        (("A", "left", 0.0, 100.0, "high"), True, False),
        # shorter and inside: what was looked at
        (("A", "left", 20.0, 60.0, "high"), True, False),
        # a little longer
        (("A", "left", 0.0, 120.0, "high"), True, False),
        # mostly ground that nobody looked at
        (("A", "left", 0.0, 300.0, "high"), False, True),
        # another fault at the same place
        (("A", "left", 0.0, 100.0, "eroded edge"), False, True),
        # a neighbour, the other side, another road
        (("A", "left", 100.0, 180.0, "high"), False, False),
        (("A", "right", 0.0, 100.0, "high"), False, False),
        (("B", "left", 0.0, 100.0, "high"), False, False),
        # labels that fall along the road
        (("A", "left", 90.0, 10.0, "high"), True, False),
    ],
)
def test_review_governs_what_it_was_given_on(now, governs: bool, changed: bool) -> None:
    """A rejection never hides another fault, nor one that nobody looked at."""
    given = {Place.reach("A", "left", 0.0, 100.0): WHOLE}
    (review,), moved = standing_reaches(reaches(now), given)
    assert (review is not None) == governs
    assert moved.tolist() == [changed]


def test_unknown_states_are_refused_or_left_out() -> None:
    """A state that is none is an error of the program; in a file it decides nothing."""
    with pytest.raises(ValueError, match="must be one of to check, agreed, rejected"):
        Review("perhaps")
    table = review_table({Place.reach("A", "left", 0.0, 1.0): Review(Decision.AGREED)})
    table["state"][0] = "perhaps"
    assert reviews_of(table) == {}
