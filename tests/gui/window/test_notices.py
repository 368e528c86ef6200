"""What was noticed of the inputs is offered with one click."""

from dataclasses import replace

import pytest

from analysis.study.noticing import Notice, Seen
from gui.state.jobs import RoadSource
from gui.window.window import Window
from tests.gui.window.conftest import Settle, dialog_text, press


def test_what_was_noticed_is_offered_with_one_click(full: Window, settle: Settle) -> None:
    """A width that doesn't fit is said above the map; one click uses the one found and screens."""
    model, bar = full.model, full.step_bar
    assert full.noticed.first is None
    found = replace(model.settings, pavement_width_m=7.2)
    full.noticed._take(
        (Notice(Seen.PAVEMENT_WIDTH, (7.2, 7.0), changes={"pavement_width_m": 7.2}),)
    )
    assert bar.words.text() == "The pavement edges stand 7.2 m apart, where 7.0 m is given."
    assert bar.button.text() == "Use 7.2 m and screen again"
    bar.button.click()
    settle(lambda: not model.stale and model.runner.idle())
    assert model.study is not None
    assert model.study.settings == model.settings == found
    # The road is 7.0 m wide, so what was used now is no news.
    assert full.noticed.first is None
    model.undo.undo()
    assert model.settings.pavement_width_m == 7.0


def test_notice_waved_off_stays_away(full: Window, settle: Settle) -> None:
    full.noticed._take((Notice(Seen.LINE_LEFT, (1.4,), "Fernhollow Road"),))
    settle()
    assert "1.4 m left of the road's middle" in full.step_bar.words.text()
    assert not full.step_bar.button.isVisible()
    full.step_bar.second.click()
    assert full.step_bar.isHidden()
    full.noticed._take((Notice(Seen.LINE_LEFT, (1.45,), "Fernhollow Road"),))
    assert full.step_bar.isHidden()


def screen_and_take(
    window: Window, files: tuple[str, str], settle: Settle, *, said: str, offer: str
) -> None:
    """Open and screen; where that says so, press what it offers and wait for the study."""
    window.model.open_files(files[0], RoadSource(files[1]))
    settle(lambda: window.model.can_screen)
    window.model.screen()
    settle(lambda: window.dialogs.shown is not None)
    assert said in dialog_text(window)
    press(window, offer)
    settle(lambda: window.model.study is not None and window.model.runner.idle())


def test_heights_that_look_like_feet_are_offered_as_feet(
    window: Window, road_files: tuple[str, str], settle: Settle
) -> None:
    """The screening says what it saw; one click reads the heights as feet and screens."""
    import rasterio

    with rasterio.open(road_files[0]) as source:
        heights, profile = source.read(1), source.profile
    with rasterio.open(road_files[0], "w", **profile) as sink:
        sink.write((heights / 0.3048).astype(heights.dtype), 1)
    screen_and_take(
        window,
        road_files,
        settle,
        said="look like feet",
        offer="Read them as feet and screen again",
    )
    assert window.model.terrain is not None
    assert window.model.terrain.z_unit_m == pytest.approx(0.3048)


def test_heights_that_look_like_metres_are_offered_as_metres(
    window: Window, road_files: tuple[str, str], settle: Settle
) -> None:
    """The file calls its metres feet; one click reads them as what they are and screens."""
    import rasterio

    with rasterio.open(road_files[0], "r+") as sink:
        sink.units = ["foot"]
    screen_and_take(
        window,
        road_files,
        settle,
        said="look like metres read as feet",
        offer="Read them as metres and screen again",
    )
    assert window.model.terrain is not None
    assert window.model.terrain.z_unit_m == 1.0
