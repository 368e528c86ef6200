"""What other limits change: the sums of the tables, and lengths counted metre by metre."""

import numpy as np

from analysis.common.sides import SIDES
from analysis.study.judging import rejudge
from analysis.study.trying import change_between, sums_of
from tests.builders.small_study import small_study


def test_nothing_changes_under_the_same_limits() -> None:
    reaches = small_study().findings.reaches
    change = change_between(reaches, reaches)
    assert change.nothing
    assert change.before == sums_of(reaches)


def test_change_is_what_counting_every_metre_gives() -> None:
    """Against a plain count over places a decimetre apart, labels falling along the road."""
    study = small_study()
    before = study.findings.reaches
    limits = study.limits.with_value("shoulder_over_pavement_points", 4.0)
    after = rejudge(study, limits.with_value("edge_drop_mm", 20.0)).findings.reaches
    change = change_between(before, after)
    assert not change.nothing

    def label(table, side, place):
        for row in range(len(table)):
            low, high = sorted((table["from_m"][row], table["to_m"][row]))
            if table["side"][row] == side and low < place < high:
                return table["verdict"][row], table["finding"][row]
        return None

    step = 0.1
    places = np.arange(890.0, 1210.0, step) + 0.033
    counted = sum(label(before, s, p) != label(after, s, p) for s in SIDES for p in places) * step
    assert abs(counted - change.changed_m) < 2.0
    assert change.after.failing_m > change.before.failing_m
    failing = after["verdict"] == "won't shed"
    assert change.after.failing_m == after["length_m"][failing].sum()
    worked = ~np.isin(after["treatment"], ("none", "can't tell"))
    assert change.after.fill_m3 == np.nansum(after["fill_m3"][worked])
    assert change.after.reaches == worked.sum()
