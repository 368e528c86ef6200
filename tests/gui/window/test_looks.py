"""Panes, sizes, colours and words of the window."""

import gc
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QObject
from PySide6.QtGui import QPalette
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QLineEdit,
    QWidget,
)

from gui.forms.forms import InputsForm
from gui.forms.limits_form import LimitsForm
from gui.look import theme
from gui.look.remembered import remembered
from gui.look.turns import turns
from gui.state import jobs
from gui.state.garbage import GarbageTurns
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.window.app import warm_up
from gui.window.first_page import StepBar
from gui.window.window import Window
from tests.gui.conftest import quiet_progress
from tests.gui.window.conftest import Settle, close_dialog, dispose, save_picture


def test_panes_come_one_by_one_and_the_tables_end_in_front(
    window: Window, shared_results: tuple[jobs.Inputs, Loaded], settle: Settle
) -> None:
    """No turn of the event loop lays out more than one; a study opens on its reaches."""
    inputs, loaded = shared_results
    window.model.take_inputs(inputs)
    assert window.panes.coming
    assert window.panes["section"].isHidden()
    assert window.panes.keep() is None
    window.model.take_screened(loaded)
    settle(lambda: not window.panes.coming)
    shown = {name for name, pane in window.panes.by_name.items() if not pane.isHidden()}
    assert shown == set(window.panes.by_name) - {"help"}
    settle(lambda: window.panes["reaches"].filled)
    assert not window.panes["reaches"].visibleRegion().isEmpty()
    assert window.panes["inputs"].visibleRegion().isEmpty()


def test_closing_while_panes_come_leaves_none_behind(
    window: Window, shared_results: tuple[jobs.Inputs, Loaded], settle: Settle
) -> None:
    """The first page is alone again, and the next study still has all its panes."""
    window.model.take_inputs(shared_results[0])
    window.model.close_study()
    settle()
    assert all(pane.isHidden() for pane in window.panes.by_name.values())
    window.model.take_inputs(shared_results[0])
    settle(lambda: not window.panes.coming)
    assert not window.panes["section"].isHidden()


def test_what_was_loaded_is_left_out_of_the_search_for_garbage() -> None:
    """Also when the loading was called off."""
    for called_off in (False, True):
        gc.unfreeze()
        warm_up(quiet_progress(called_off=called_off))
        assert gc.get_freeze_count() > 0 and not GarbageTurns.held
    gc.unfreeze()


def test_panes_remember_their_places(full: Window, model: WindowModel, settle: Settle) -> None:
    """A closed pane stays closed in the next window; the usual layout brings it back."""
    full.panes["limits"].close()
    settle()
    store = remembered()
    store.set_value("geometry", full.saveGeometry())
    store.set_value("layout", full.panes.keep())
    other = Window(full.model)
    other.show()
    settle()
    assert other.panes["limits"].isHidden()
    assert not other.panes["section"].isHidden()
    other.panes.usual()
    settle(lambda: not other.panes.coming)
    assert not other.panes["limits"].isHidden()
    dispose(other)


def test_panes_keep_their_sizes_from_study_to_study(
    full: Window, shared_results: tuple[jobs.Inputs, Loaded], settle: Settle
) -> None:
    """Closing a study and opening another pushes no pane down."""

    def heights() -> list[int]:
        return [full.panes[name].height() for name in ("along", "section", "reaches")]

    full.resize(1440, 900)
    settle()
    before = heights()
    for _ in range(3):
        full.model.close_study()
        settle()
        full.model.take_inputs(shared_results[0])
        full.model.take_screened(shared_results[1])
        settle(lambda: not full.panes.coming and full.model.runner.idle())
        settle()
        assert heights() == pytest.approx(before, abs=3)


@pytest.mark.parametrize(
    ("scale", "width", "height"), [(1.0, 1280, 720), (1.5, 1920, 1080), (1.0, 2560, 1440)]
)
def test_first_window_fits_the_screen(
    scale: float, width: int, height: int, tmp_path: Path
) -> None:
    """With nothing remembered the whole window is on the screen, frame and all."""
    screen = tmp_path / "screen.json"
    screen.write_text(
        json.dumps({"screens": [{"name": "one", "x": 0, "y": 0, "width": width, "height": height}]})
    )
    code = (
        "from gui.window.app import make_application\n"
        "app = make_application()\n"
        "from gui.window.window import Window\n"
        "window = Window()\n"
        "window.show()\n"
        "app.processEvents()\n"
        "free, size = window.screen().availableGeometry(), window.size()\n"
        "print(free.width(), free.height(), size.width(), size.height())\n"
    )
    environment = {
        **os.environ,
        "QT_QPA_PLATFORM": f"offscreen:configfile={screen}",
        "QT_SCALE_FACTOR": f"{scale}",
        "HOME": str(tmp_path),
        "XDG_CONFIG_HOME": str(tmp_path),
    }
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, timeout=120
    )
    assert done.returncode == 0, done.stderr
    across, down, wide, high = map(int, done.stdout.split())
    assert (across, down) == (round(width / scale), round(height / scale))
    assert wide <= across and high <= down
    assert (wide, high) == (1440, 900) or (across - wide < 8 and down - high < 8)


def test_no_pane_forces_the_window_wide(full: Window, settle: Settle) -> None:
    """With every pane shown the window still fits a small laptop."""
    for pane in full.panes.by_name.values():
        pane.fill()
    settle()
    assert full.minimumSizeHint().width() <= 1200
    assert full.minimumSizeHint().height() <= 720


def test_dark_and_light(full: Window, settle: Settle) -> None:
    """The whole window follows light and dark, with text that stands out from its ground."""
    app = QApplication.instance()
    assert isinstance(app, QApplication)
    try:
        for dark in (True, False):
            theme.apply(app, dark=dark)
            settle(full.updatesEnabled)
            settle(full.model.runner.idle)
            colours = theme.palette()
            for ink, ground in (
                ("ink", "paper"),
                ("ink", "plate"),
                ("muted", "paper"),
                ("muted", "plate"),
                ("accent_ink", "accent"),
            ):
                # WCAG 2.1, success criterion 1.4.3: at least 4.5 to 1.
                assert contrast(colours[ink], colours[ground]) >= 4.5, (dark, ink, ground)
            save_picture(full, f"window_{'dark' if dark else 'light'}.png")
    finally:
        theme.apply(app, dark=False)


def contrast(a: Any, b: Any) -> float:
    """Contrast ratio by WCAG 2.1 (relative luminance of sRGB colours)."""

    def luminance(colour: Any) -> float:
        parts = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
            for c in (colour.redF(), colour.greenF(), colour.blueF())
        ]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_verdict_colours_differ_for_colour_blind_eyes(qapp: QApplication) -> None:
    """Simulated protan and deutan sight still parts the verdicts; grey lightness helps too.

    Simulation by Viénot, Brettel and Mollon (1999), Color Res. Appl. 24, 243-252: matrices in
    linear RGB, from memory.
    """
    matrices = {
        "protan": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
        "deutan": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
    }
    names = ("sheds", "won't shed", "can't tell", "no data")
    for dark in (False, True):
        colours = [theme.verdict_look(name, dark).color for name in names]
        linear = np.array([[c.redF(), c.greenF(), c.blueF()] for c in colours]) ** 2.2
        for matrix in matrices.values():
            seen = np.clip(linear @ np.array(matrix).T, 0.0, 1.0) ** (1.0 / 2.2)
            for i in range(len(names)):
                for k in range(i):
                    symbol_i = theme.verdict_look(names[i]).symbol
                    symbol_k = theme.verdict_look(names[k]).symbol
                    far = float(np.linalg.norm(seen[i] - seen[k]))
                    assert far > 0.1 or symbol_i != symbol_k
        sheds, wont = colours[0], colours[1]
        assert sheds != wont


def test_cells_of_the_grid_follow_the_units(full: Window) -> None:
    """0.50 m is 1.64 ft (exact definition of the foot: 0.3048 m)."""
    assert "0.50 m" in full.grid_words.text()
    full.model.set_units("us")
    assert f"{0.5 / 0.3048:.2f} ft" in full.grid_words.text()


def test_fields_stand_out_from_the_window_in_the_dark(full: Window, settle: Settle) -> None:
    """Boxes are lighter than the window around them; in the light they are as the paper."""
    full.commands.submenus.set_appearance("dark")
    settle()
    assert full.updatesEnabled()
    form = full.panes["limits"].fill()
    assert isinstance(form, LimitsForm)
    box = form.changed_only
    around = full.palette().color(QPalette.ColorRole.Window)
    fill = box.palette().color(QPalette.ColorRole.Base)
    assert fill.lightness() > 1.5 * around.lightness()
    full.commands.submenus.set_appearance("light")
    settle()
    assert box.palette().color(QPalette.ColorRole.Base) == theme.color("paper")


def test_every_window_follows_light_and_dark(full: Window, settle: Settle) -> None:
    """The window, a pane out of it, a dialog and the first page take the colours in use."""
    full.panes["along"].setFloating(True)
    for which in ("dark", "light"):
        full.commands.submenus.set_appearance(which)
        full.dialogs.show_cautions()
        settle(full.updatesEnabled)
        plate = theme.color("plate")
        assert full.statusBar().grab().toImage().pixelColor(3, 12) == plate
        for widget in (full.panes["along"], full.dialogs.shown):
            assert widget is not None
            assert widget.palette().color(QPalette.ColorRole.Window) == plate
        close_dialog(full)
    full.commands.submenus.set_appearance("dark")
    full.model.close_study()
    settle(full.updatesEnabled)
    assert theme.color("raised").name() in full.first_page.styleSheet()
    full.commands.submenus.set_appearance("light")


def test_changing_colours_styles_next_to_nothing_anew(full: Window, settle: Settle) -> None:
    """Styling hundreds of fields anew would hold the event loop; the palette is enough for them."""
    full.panes["limits"].fill()
    styled: list[QObject] = []

    class Counter(QObject):
        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            if event.type() == QEvent.Type.StyleChange:
                styled.append(watched)
            return False

    counter, app = Counter(), QApplication.instance()
    assert app is not None
    app.installEventFilter(counter)
    full.commands.submenus.set_appearance("dark")
    settle(full.updatesEnabled)
    app.removeEventFilter(counter)
    full.commands.submenus.set_appearance("light")
    assert len(full.findChildren(QWidget)) > 500
    assert 0 < len(styled) < 100


def test_notes_follow_light_and_dark(full: Window, settle: Settle) -> None:
    """What a form wrote in the colours of the light can be read in the dark."""
    form = full.panes["inputs"].fill()
    assert isinstance(form, InputsForm)
    settle(full.model.runner.idle)
    for which in ("dark", "light"):
        full.commands.submenus.set_appearance(which)
        settle(lambda: full.updatesEnabled() and turns().idle)
        around = full.palette().color(QPalette.ColorRole.Window)
        for label in (form.road_note, form.terrain_note, form.power.words):
            label.ensurePolished()
            ink = label.palette().color(QPalette.ColorRole.WindowText)
            assert abs(ink.lightness() - around.lightness()) > 70, label.text()


def test_job_has_the_status_bar_to_itself(full: Window, settle: Settle) -> None:
    """A message from before isn't left half beside the words of the job."""
    full.statusBar().showMessage("An older message that is long enough to reach the words")
    full.model.screen()
    settle(lambda: full.job_bar.words.isVisible())
    assert full.statusBar().currentMessage() == ""
    settle(lambda: not full.model.runner.busy)


def test_units_switch_reaches_the_window(full: Window, settle: Settle) -> None:
    """US units and hundreds of feet show in the station box at once."""
    full.model.select_station(0, full.model.nearest_station(0, 98.0), 0)
    assert full.commands.station_box.text().startswith("0+")
    label = float(full.model.index[0].station_m[full.model.station_index])
    full.model.set_station_style("feet-hundreds")
    feet = label / 0.3048
    text = full.commands.station_box.text()
    hundreds, rest = text.split("+")
    assert int(hundreds) * 100 + float(rest) == pytest.approx(feet, abs=0.6)


def test_every_control_has_a_name_for_screen_readers(full: Window, settle: Settle) -> None:
    """Whatever takes the focus has a text, an accessible name, or a label."""
    for pane in full.panes.by_name.values():
        pane.fill()
    settle()
    nameless = []
    kinds = (QAbstractButton, QComboBox, QLineEdit, QAbstractSpinBox)
    for widget in full.findChildren(QWidget):
        if not isinstance(widget, kinds) or widget.objectName().startswith("qt_"):
            continue
        inner = isinstance(widget.parent(), QAbstractSpinBox | QComboBox)
        name = widget.accessibleName() or getattr(widget, "text", lambda: "")()
        if isinstance(widget, QLineEdit | QAbstractSpinBox | QComboBox):
            name = widget.accessibleName()
        standard = widget.metaObject().className() in (
            "QDockWidgetTitleButton",
            "CloseButton",
            "QTableCornerButton",
            "QLineEditIconButton",
        )
        unused = widget.isHidden() and isinstance(widget.parent(), StepBar)
        if not (name or inner or standard or unused or widget.toolTip()):
            nameless.append(f"{widget.metaObject().className()} in {widget.parent()}")
    assert nameless == []
