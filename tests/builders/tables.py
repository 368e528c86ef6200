"""Tables of findings and measures of stations in which a test gives only what it is about."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
from scipy.special import ndtr

from analysis.common.columns import Column
from analysis.common.table import Table
from analysis.shoulder.section_gaps import OVER_MM
from analysis.shoulder.values import Measures


def filled(columns: Mapping[str, Column], n: int, **given: Any) -> Table:
    """Table of n rows with `columns`; what isn't given is unknown."""
    unknown = {name: "" if column.type == "str" else np.nan for name, column in columns.items()}
    rows = {
        name: np.broadcast_to(np.asarray(value, dtype=object), n)
        for name, value in {**unknown, **given}.items()
    }
    return Table.of(columns, rows)


def make_measures(n: int, **given: Any) -> Measures:
    """Measures of n stations that could be measured; what isn't given is unknown.

    Ruts and ridges are over depths as often as their errors would have it, were they normal.
    """
    columns: dict[str, Any] = {field.name: np.nan for field in fields(Measures)}
    columns.update({"cells": 0, "status": np.int8(0), "reason": None, **given})
    arrays = {name: np.broadcast_to(value, (n, 2)).copy() for name, value in columns.items()}
    for name in ("rut", "ridge"):
        mean, se = (arrays[f"{name}_{of}"].astype(float)[..., None] for of in ("mm", "se"))
        arrays[f"{name}_over"] = ndtr((mean - np.array(OVER_MM)) / se)
    return Measures(**arrays)
