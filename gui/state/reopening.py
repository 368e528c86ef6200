"""Inputs that nothing was screened from yet, as a record keeps them, and opened again from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QCoreApplication

from analysis.common.errors import VergelineError
from gui.state import jobs

if TYPE_CHECKING:
    from analysis.common.limits import Limits
    from gui.state.model import WindowModel

__all__ = ["inputs_record", "limits_text", "open_inputs_again"]


@lru_cache(maxsize=2)
def limits_text(limits: Limits) -> str:
    """Return limits as text: asked for every few seconds, and seldom others."""
    from analysis.common.limits import limits_to_toml

    return limits_to_toml(limits)


def inputs_record(model: WindowModel) -> dict[str, Any]:
    """Return files, settings and limits as plain values; empty where no file is open."""
    inputs = model.inputs
    if not inputs.paths:
        return {}
    terrain, road = inputs.terrain_source, inputs.source
    return {
        "terrain": None if terrain is None else asdict(terrain),
        "road": None if road is None else asdict(road),
        "extras": dict(inputs.extra_paths),
        "settings": model.settings.to_json(),
        "limits": limits_text(model.limits),
    }


def open_inputs_again(
    model: WindowModel,
    record: Mapping[str, Any],
    failed: Callable[[VergelineError], None],
    then: Callable[[], None],
) -> None:
    """Open the files of a record and set what was set; `then` go on.

    Raises
    ------
    TypeError, ValueError, KeyError
        If another version of the program wrote the record.
    """
    from analysis.common.limits import limits_from_toml
    from analysis.common.settings import Settings

    terrain = jobs.TerrainSource(**record["terrain"]) if record["terrain"] else None
    road = jobs.RoadSource(**record["road"]) if record["road"] else None
    settings = Settings.from_json(record["settings"])
    limits = limits_from_toml(record["limits"])
    extras = dict(record["extras"])

    def set_again() -> None:
        # Limits first: untouched ones would follow the surface of the settings by themselves.
        model.set_limits(limits)
        model.set_settings(settings)
        then()

    def done(inputs: jobs.Inputs) -> None:
        model.take_inputs(inputs)
        set_again()

    if terrain is not None:
        model.runner.submit(
            "open",
            lambda progress: jobs.open_inputs(progress, terrain, road, extras),
            done,
            failed,
            lane="long",
            title=QCoreApplication.translate("WindowModel", "Opening"),
        )
    elif road is not None:
        model.open_roads(road, failed)
        set_again()
