"""Dataclasses of arrays over the stations of a road: stations cut out, put back and joined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["joined", "spliced", "stations_of"]

_Arrays = TypeVar("_Arrays")


def joined(parts: Sequence[_Arrays]) -> _Arrays:
    """Stations of several roads one after another.

    `parts`, at least one, are instances of one dataclass whose fields are all over stations.
    """
    names = [f.name for f in fields(parts[0])]  # type: ignore[arg-type]
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return type(parts[0])(**columns)


def stations_of(arrays: _Arrays, here: slice, n: int) -> _Arrays:
    """The part of a dataclass of arrays over n stations that is about the stations `here`.

    Fields that aren't over stations (`u` of sections, texts) are kept.
    """
    return replace(  # type: ignore[type-var]
        arrays, **{name: values[here] for name, values in _over_stations(arrays, n)}
    )


def spliced(whole: _Arrays, part: _Arrays, here: slice, keep: slice, n: int) -> _Arrays:
    """Put stations of a part back into the whole.

    Parameters
    ----------
    whole, part
        Two instances of one dataclass of arrays; `part` is about the stations `here`.
    here, keep
        Slices of the n stations; only those in `keep`, which lies in `here`, are put back.
    """
    changed = {}
    inner = slice(keep.start - here.start, keep.stop - here.start)
    for name, values in _over_stations(whole, n):
        fresh = getattr(part, name)
        changed[name] = values.copy()
        changed[name][keep] = fresh[inner]
    return replace(whole, **changed)  # type: ignore[type-var]


def _over_stations(arrays: Any, n: int) -> list[tuple[str, NDArray[Any]]]:
    """Fields of a dataclass that are arrays over the n stations."""
    held = [(f.name, getattr(arrays, f.name)) for f in fields(arrays) if f.name != "u"]
    return [
        (name, values)
        for name, values in held
        if isinstance(values, np.ndarray) and values.ndim and len(values) == n
    ]
