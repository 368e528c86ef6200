"""The picture behind the map: laid where it belongs, as strongly as wanted, and remembered."""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import rasterio
from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor
from rasterio.transform import from_bounds

from gui.map.map_view import MapView
from gui.map.picture import PicturePanel
from gui.state.model import WindowModel
from tests.gui.map.test_map_view import dispose, map_of

Settle = Callable[..., None]


@pytest.fixture
def red(screened: WindowModel, tmp_path: Path) -> str:
    """Write a red picture over the western half of the terrain."""
    terrain = screened.terrain
    assert terrain is not None
    west, south, east, north = terrain.bounds
    bands = np.zeros((3, 200, 80), dtype=np.uint8)
    bands[0] = 220
    path = tmp_path / "red.tif"
    place = from_bounds(west, south, (west + east) / 2.0, north, 80, 200)
    kept = {"width": 80, "height": 200, "count": 3, "dtype": "uint8", "crs": terrain.crs_wkt}
    with rasterio.open(path, "w", driver="GTiff", transform=place, **kept) as out:
        out.write(bands)
    return str(path)


@pytest.fixture
def view(screened: WindowModel, settle: Settle) -> Iterator[MapView]:
    """Yield the map of the small screened road, fully drawn."""
    made = map_of(screened, settle, 500, 400)
    made.show_terrain()
    settle(made.idle)
    yield made
    dispose(made)


def colour_at(view: MapView, share: float) -> QColor:
    """Colour of the map at a share of the terrain from west to east, near its north rim."""
    west, _, east, north = view.model.terrain.bounds
    x, y = view.origin
    scene = view.view.mapViewToScene(QPointF(west + share * (east - west) - x, north - 3.0 - y))
    place = view.plot.mapFromScene(scene)
    return view.plot.grab().toImage().pixelColor(place)


def redness(colour: QColor) -> int:
    return colour.red() - max(colour.green(), colour.blue())


def test_picture_lies_in_its_place_as_strong_as_wanted(
    view: MapView, red: str, settle: Settle
) -> None:
    """Red where it was painted and nowhere else; the panel's slider lets the terrain through."""
    assert redness(colour_at(view, 0.25)) < 60
    view.picture.open(red)
    settle(lambda: view.picture.path == red)
    # Painting asks for the tiles.
    view.grab()
    settle(view.idle)
    panel = PicturePanel(view.picture)
    assert panel.name.text() == "red.tif"
    panel.slider.setValue(100)
    assert redness(colour_at(view, 0.25)) > 200
    assert redness(colour_at(view, 0.75)) < 60
    panel.slider.setValue(30)
    assert 30 < redness(colour_at(view, 0.25)) < 120
    view.picture.take_away()
    assert redness(colour_at(view, 0.25)) < 60 and panel.name.text() == "none yet"


def test_picture_is_there_again_with_its_terrain(
    view: MapView, red: str, screened: WindowModel, settle: Settle
) -> None:
    """With its opacity; one that is gone meanwhile is no trouble."""
    view.picture.open(red)
    settle(lambda: view.picture.path == red)
    view.picture.set_opacity(0.4)
    for there in (True, False):
        view.picture.follow_terrain(view.origin)
        assert view.picture.path == ""
        settle(screened.runner.idle)
        assert view.picture.path == (red if there else "")
        assert view.picture.opacity == 0.4
        Path(red).unlink(missing_ok=True)


def test_what_is_no_picture_is_told_and_the_old_one_stays(
    view: MapView, red: str, screened: WindowModel, settle: Settle, tmp_path: Path
) -> None:
    told: list[str] = []
    screened.failed.connect(lambda _title, sentence: told.append(sentence))
    view.picture.open(red)
    settle(lambda: view.picture.path == red)
    (tmp_path / "no.tif").write_text("no picture")
    view.picture.open(str(tmp_path / "no.tif"))
    settle(lambda: bool(told))
    assert "can't be read" in told[0]
    assert view.picture.path == red
