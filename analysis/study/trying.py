"""What another judgement of the same road changes: metres of shoulder, material, reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.common.table import Table
from analysis.common.verdicts import Treatment, Verdict

__all__ = ["Change", "Sums", "change_between", "sums_of"]

_IDLE = ("", Treatment.NONE, Treatment.CANT_TELL)
_VOLUMES = ("cut_m3", "fill_m3", "import_m3_loose", "loads")


@dataclass(frozen=True, slots=True)
class Sums:
    """Reaches added up.

    Attributes
    ----------
    failing_m, untold_m
        Length of shoulder (m) that won't shed, and of which it can't be told or there is no data.
    reaches
        How many reaches ask for work.
    cut_m3, fill_m3, import_m3_loose, loads
        Of those that ask for work; what is unknown adds nothing.
    """

    failing_m: float
    untold_m: float
    reaches: int
    cut_m3: float
    fill_m3: float
    import_m3_loose: float
    loads: float


@dataclass(frozen=True, slots=True)
class Change:
    """What is another: sums before and after, length of shoulder (m) and reaches judged otherwise.

    A reach is another if none before had its ends, finding and treatment.
    """

    before: Sums
    after: Sums
    changed_m: float
    changed_reaches: int

    @property
    def nothing(self) -> bool:
        """Whether all is as before."""
        return self.before == self.after and not self.changed_reaches and self.changed_m == 0.0


def sums_of(reaches: Table) -> Sums:
    """Add up a table of reaches."""
    verdict, length = reaches["verdict"], np.nan_to_num(reaches["length_m"])
    worked = ~np.isin(reaches["treatment"], _IDLE)
    volumes = {name: float(np.nansum(reaches[name][worked])) for name in _VOLUMES}
    return Sums(
        failing_m=float(length[verdict == Verdict.WONT_SHED].sum()),
        untold_m=float(length[np.isin(verdict, (Verdict.CANT_TELL, Verdict.NO_DATA))].sum()),
        reaches=int(worked.sum()),
        **volumes,
    )


def change_between(before: Table, after: Table) -> Change:
    """Compare two tables of reaches over the same roads.

    Examples
    --------
    >>> names = ("road", "side", "from_m", "to_m", "length_m", "finding", "treatment", "verdict")
    >>> def reaches(*rows):
    ...     kinds = [float if name.endswith("_m") else object for name in names]
    ...     columns = [np.array(c, dtype=k) for c, k in zip(zip(*rows), kinds)]
    ...     volumes = {name: np.zeros(len(rows)) for name in _VOLUMES}
    ...     return Table(dict(zip(names, columns)) | volumes)
    >>> was = reaches(("A", "left", 0, 100, 100, "none", "none", "sheds"))
    >>> now = reaches(
    ...     ("A", "left", 0, 70, 70, "none", "none", "sheds"),
    ...     ("A", "left", 70, 100, 30, "flat", "reshape", "won't shed"),
    ... )
    >>> change = change_between(was, now)
    >>> change.changed_m, change.changed_reaches, change.after.failing_m
    (30.0, 2, 30.0)
    """
    return Change(
        sums_of(before), sums_of(after), _changed_m(before, after), _changed_reaches(before, after)
    )


def _changed_reaches(before: Table, after: Table) -> int:
    names = ("road", "side", "from_m", "to_m", "finding", "treatment")
    known, now = (set(zip(*(t[name] for name in names), strict=True)) for t in (before, after))
    return len(now - known)


def _changed_m(before: Table, after: Table) -> float:
    """Length over which verdict or finding differ; ends of reaches are labels along the road."""
    total = 0.0
    keys = set(zip(before["road"], before["side"], strict=True))
    keys |= set(zip(after["road"], after["side"], strict=True))
    for road, side in keys:
        parts = [t.where((t["road"] == road) & (t["side"] == side)) for t in (before, after)]
        ends = [np.sort([t["from_m"], t["to_m"]], axis=0) for t in parts]
        cuts = np.unique(np.concatenate([e.ravel() for e in ends]))
        middle = 0.5 * (cuts[1:] + cuts[:-1])
        labels = [_labels(t, e, middle) for t, e in zip(parts, ends, strict=True)]
        total += float(np.diff(cuts)[labels[0] != labels[1]].sum())
    return total


def _labels(reaches: Table, ends: np.ndarray, places: np.ndarray) -> np.ndarray:
    """(places,) Verdict and finding at places along one side of a road, "" outside of reaches."""
    found = np.full(len(places), "", dtype=object)
    for row in range(len(reaches)):
        inside = (places > ends[0, row]) & (places < ends[1, row])
        found[inside] = f"{reaches['verdict'][row]}/{reaches['finding'][row]}"
    return found
