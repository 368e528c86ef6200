"""Dataclasses of arrays over the stations of a road: stations cut out, put back and joined.

A field says by its type that it is over stations, as in ``edge: PerStation[Floats]``; one that
holds another such dataclass (``measures: PerStation[Measures]``) is gone into. All other fields
belong to the road as a whole and stay as they are, however long they happen to be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import is_dataclass, replace
from functools import cache
from typing import Annotated, Any, TypeVar, get_type_hints

import numpy as np
from numpy.typing import NDArray

__all__ = ["PerStation", "joined", "spliced", "stations_of"]

_Arrays = TypeVar("_Arrays")
_Held = TypeVar("_Held")

_OVER_STATIONS = "over stations"
PerStation = Annotated[_Held, _OVER_STATIONS]
"""Type of a field whose first axis is the stations; None stands for nothing known of any."""


def joined(parts: Sequence[_Arrays]) -> _Arrays:
    """Stations of several roads one after another; the rest as in the first of `parts`."""
    return _each(np.concatenate, parts)


def stations_of(arrays: _Arrays, here: slice | NDArray[np.intp]) -> _Arrays:
    """The part of a dataclass of arrays that is about the stations `here`, slice or indices."""
    return _each(lambda held: held[0][here], [arrays])


def spliced(whole: _Arrays, part: _Arrays, here: slice, keep: slice) -> _Arrays:
    """Put stations of a part back into the whole.

    Parameters
    ----------
    whole, part
        Two instances of one dataclass of arrays; `part` is about the stations `here`.
    here, keep
        Slices of the stations; only those in `keep`, which lies in `here`, are put back.
    """
    inner = slice(keep.start - here.start, keep.stop - here.start)

    def put(held: Sequence[Any]) -> Any:
        changed = held[0].copy()
        changed[keep] = held[1][inner]
        return changed

    return _each(put, [whole, part])


def _each(make: Callable[[Sequence[Any]], Any], parts: Sequence[_Arrays]) -> _Arrays:
    """The first of `parts` with every array over stations made from those of all parts."""
    kind: Any = type(parts[0])
    made: dict[str, Any] = {}
    for name in _over_stations(kind):
        held = [getattr(part, name) for part in parts]
        if is_dataclass(held[0]):
            made[name] = _each(make, held)
        elif held[0] is not None:
            made[name] = make(held)
    return replace(parts[0], **made)  # type: ignore[type-var]


@cache
def _over_stations(kind: type) -> tuple[str, ...]:
    """Names of the fields of a dataclass that are over stations."""
    hints = get_type_hints(kind, include_extras=True)
    return tuple(
        name for name, hint in hints.items() if _OVER_STATIONS in getattr(hint, "__metadata__", ())
    )
