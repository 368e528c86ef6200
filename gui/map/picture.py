"""A picture behind the map: its tiles, how strongly it shows, and which terrain it belongs to."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QRectF, Qt, Signal
from PySide6.QtWidgets import QFormLayout, QLabel, QSlider, QWidget

from analysis.common.errors import VergelineError
from gui.look.making import abreast, named
from gui.look.remembered import remembered
from gui.map.map_items import TileItem
from gui.map.tiles import Tile, TileKey, TilePlan, TileStore, image_of
from gui.state.model import WindowModel
from gui.state.runner import Progress

if TYPE_CHECKING:
    from analysis.terrain.backdrop import Backdrop

__all__ = ["MapPicture", "PicturePanel", "PictureTiles"]

_KEPT = "map/pictures"
# Of so many terrains it is remembered which picture lies behind them.
_MOST = 30
_USUAL_OPACITY = 0.8


class PictureTiles:
    """Loads tiles of a picture, as fine as the picture is."""

    def __init__(self, backdrop: Backdrop) -> None:
        self.backdrop = backdrop
        self.plan = TilePlan(backdrop.bounds, backdrop.pixel_m)

    def load(self, progress: Progress, key: TileKey, _style: object) -> Tile | None:
        """Read one tile; None where the picture shows nothing."""
        from analysis.terrain.backdrop import read_backdrop

        progress(0.0)
        bounds = self.plan.bounds_of(key)
        west, south, east, north = bounds
        pixel = self.plan.cell_m * 2.0**key.level
        rows, cols = max(1, round((north - south) / pixel)), max(1, round((east - west) / pixel))
        rgba = read_backdrop(self.backdrop, bounds, rows, cols)
        if not rgba[..., 3].any():
            return None
        return Tile(image_of(rgba), bounds, QRectF(0.0, 0.0, cols, rows))


class MapPicture(QObject):
    """The picture behind one map.

    `path` is its file, empty without one; `opacity` runs from 0 to 1. Which picture lies behind
    which terrain is remembered.

    Signals
    -------
    changed()
        Another picture or opacity, or none any more.
    """

    changed = Signal()

    def __init__(self, model: WindowModel, parent: QObject) -> None:
        super().__init__(parent)
        self._model = model
        self.item = TileItem(0.5)
        self.path = ""
        self.opacity = _USUAL_OPACITY
        self.item.setOpacity(self.opacity)
        self._origin = (0.0, 0.0)
        self._store: TileStore | None = None

    def follow_terrain(self, origin: tuple[float, float]) -> None:
        """Show what lay behind this terrain before; `origin` is the map's."""
        self._origin = origin
        self._clear()
        terrain = self._model.terrain
        kept = _remembered().get(terrain.path) if terrain is not None else None
        if kept is not None:
            self.set_opacity(kept[1])
            # One that is gone meanwhile is no reason for a dialog each time.
            self._load(kept[0], lambda _error: self._clear())

    def open(self, path: str) -> None:
        """Lay a raster behind the map; one that can't be is told, and the old one stays."""
        self._load(path, lambda error: self._model.failed.emit(self.tr("Picture"), str(error)))

    def take_away(self) -> None:
        """Show no picture any more."""
        self._clear()
        self._remember()

    def set_opacity(self, opacity: float) -> None:
        """Let the picture cover the terrain more or less."""
        if opacity == self.opacity:
            return
        self.opacity = opacity
        self.item.setOpacity(opacity)
        self._remember()
        self.changed.emit()

    def _load(self, path: str, failed: Callable[[VergelineError], None]) -> None:
        terrain = self._model.terrain
        if terrain is None:
            return

        def work(progress: Progress) -> Backdrop:
            from analysis.terrain.backdrop import open_backdrop

            progress(0.0)
            return open_backdrop(path, terrain)

        title = self.tr("Opening the picture")
        self._model.runner.submit("map/picture", work, self._take, failed, title=title)

    def _take(self, backdrop: Backdrop) -> None:
        tiles = PictureTiles(backdrop)
        self._store = TileStore(self._model.runner, tiles.plan, tiles.load, parent=self)
        self._store.trouble.connect(self._model.message)
        self._store.set_style(backdrop.path)
        self.path = backdrop.path
        self.item.set_store(self._store, self._origin)
        self._remember()
        self.changed.emit()

    def _clear(self) -> None:
        self._model.runner.cancel("map/picture")
        self._store = None
        self.path = ""
        self.item.set_store(None, self._origin)
        self.changed.emit()

    def _remember(self) -> None:
        terrain = self._model.terrain
        if terrain is None:
            return
        kept = _remembered()
        kept.pop(terrain.path, None)
        if self.path:
            kept[terrain.path] = (self.path, self.opacity)
        remembered().set_value(_KEPT, json.dumps(dict(list(kept.items())[-_MOST:])))


def _remembered() -> dict[str, tuple[str, float]]:
    """Picture and opacity by the file of the terrain; what can't be read is forgotten."""
    try:
        kept = json.loads(str(remembered().value(_KEPT, "{}")))
        return {
            str(terrain): (str(path), min(max(float(opacity), 0.0), 1.0))
            for terrain, (path, opacity) in kept.items()
        }
    except (ValueError, TypeError, AttributeError):
        return {}


class PicturePanel(QWidget):
    """Which picture lies behind the map and how strongly it shows; small enough for a menu."""

    def __init__(self, picture: MapPicture, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(self.tr("Picture behind the map"))
        self._picture = picture
        form = QFormLayout(self)
        form.setContentsMargins(14, 8, 14, 8)
        self.name = QLabel()
        self.slider = named(QSlider(Qt.Orientation.Horizontal), self.tr("Opacity of the picture"))
        self.slider.setRange(0, 100)
        self.slider.setMinimumWidth(150)
        self.share = QLabel()
        self.share.setMinimumWidth(44)
        form.addRow(self.tr("Picture"), self.name)
        form.addRow(self.tr("Opacity"), abreast(None, (self.slider, 1), self.share))
        self.slider.valueChanged.connect(lambda value: picture.set_opacity(value / 100.0))
        picture.changed.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Show what is so now."""
        picture = self._picture
        self.name.setText(Path(picture.path).name if picture.path else self.tr("none yet"))
        self.name.setToolTip(picture.path)
        self.slider.blockSignals(True)
        self.slider.setValue(round(100.0 * picture.opacity))
        self.slider.blockSignals(False)
        self.slider.setEnabled(bool(picture.path))
        self.share.setText(f"{self.slider.value()} %")
