"""On the map: where the ground lies higher or lower than in the survey it is compared with."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject

from gui.look import theme
from gui.map.map_items import ChangeKey, TileItem
from gui.map.tiles import ReliefTiles, TilePlan, TileStore
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.state.runner import Progress

if TYPE_CHECKING:
    from analysis.road.roadline import Tracker
    from analysis.study.relief import Relief
    from analysis.study.values import Study

__all__ = ["ChangeLayer", "change_layers"]

# Full scales, and how many times the noise must fit in one.
_SCALES_CM = (3.0, 5.0, 10.0, 20.0, 50.0)
_TIMES_NOISE = 3.0
_USUAL_CM = 10.0

Roads = list[tuple["Relief", "Tracker"]]


class _ChangeTiles(ReliefTiles):
    """Tiles in which what may be noise steps back."""

    def __init__(self, plan: TilePlan, roads: Sequence[Any], noise_mm: float) -> None:
        super().__init__(plan, roads)
        self._noise_cm = 0.1 * noise_mm

    def paint(self, height_cm: NDArray[Any], limit_cm: float) -> NDArray[np.uint8]:
        rgba = theme.relief_rgba(height_cm, limit_cm)
        if self._noise_cm > 0.0:
            far = np.nan_to_num(np.abs(height_cm)) / self._noise_cm
            rgba[..., 3] = rgba[..., 3] * np.interp(far, [0.7, 1.2], [0.25, 1.0])
        return rgba


class ChangeLayer(QObject):
    """Reads what changed in a worker while a grid to compare with is open, and shows it.

    `key` is what the map's colour key says of it; None while nothing is shown.
    """

    def __init__(self, model: WindowModel, changed: Callable[[], None], parent: QObject) -> None:
        super().__init__(parent)
        self._model, self._changed = model, changed
        self.item = TileItem(1.1)
        self.key: ChangeKey | None = None
        self.on = False
        self._plan: TilePlan | None = None
        self._origin = (0.0, 0.0)
        self._store: TileStore | None = None
        self._of: tuple[object, object] = (None, None)

    def follow_terrain(self, plan: TilePlan | None, origin: tuple[float, float]) -> None:
        """Draw over another terrain; `origin` is the map's."""
        self._plan, self._origin = plan, origin
        self._clear()

    def set_on(self, on: bool) -> None:
        """Show the change, or don't."""
        self.on = on
        self.refresh()

    def refresh(self) -> None:
        """Work it out anew where the surveys are others."""
        model, plan = self._model, self._plan
        loaded, second = model.loaded, model.second_study
        if not self.on or plan is None or second is None or loaded is None or loaded.study is None:
            self._clear()
            return
        before, other = self._of
        # Which they are: results hold arrays, that aren't equal or unequal as a whole.
        if before is loaded.study and other is second:
            return
        self._of = (loaded.study, second)

        def work(progress: Progress) -> tuple[Roads, float, TilePlan, str]:
            roads, noise_mm = change_layers(progress, loaded, second)
            return roads, noise_mm, plan, second.roads[0].case.grid.name

        model.runner.submit("map/change", work, self._take)

    def _take(self, made: tuple[Roads, float, TilePlan, str]) -> None:
        roads, noise_mm, plan, name = made
        if not self.on or plan is not self._plan:
            return
        wanted = 0.1 * noise_mm * _TIMES_NOISE if math.isfinite(noise_mm) else _USUAL_CM
        limit_cm = next((scale for scale in _SCALES_CM if scale >= wanted), _SCALES_CM[-1])
        tiles = _ChangeTiles(plan, roads, noise_mm)
        self._store = TileStore(self._model.runner, plan, tiles.load, parent=self)
        self._store.set_style(limit_cm)
        self.item.set_store(self._store, self._origin)
        self.key = ChangeKey(name, limit_cm, noise_mm)
        self._changed()

    def _clear(self) -> None:
        self._model.runner.cancel("map/change")
        self._of = (None, None)
        if self.key is not None or self._store is not None:
            self.key = self._store = None
            self.item.set_store(None, self._origin)
            self._changed()


def change_layers(progress: Progress, loaded: Loaded, second: Study) -> tuple[Roads, float]:
    """Lay every road of one study over the same road of another; the greatest noise is told."""
    from analysis.road.roadline import Tracker
    from analysis.study.height_change import height_change

    assert loaded.study is not None
    others = {part.road.name: part for part in second.roads}
    made, noise = [], math.nan
    for number, part in enumerate(loaded.study.roads):
        progress(number / len(loaded.study.roads), part.road.name)
        other = others.get(part.road.name)
        if other is not None:
            change = height_change(part, other)
            noise = np.fmax(noise, change.noise_mm)
            made.append((change.relief, Tracker(part.road)))
    return made, float(noise)
