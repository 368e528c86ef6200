"""The small dialogs: light, keys, cautions, help."""

from PySide6.QtGui import QAction
from PySide6.QtWidgets import QMessageBox

from gui.map.tiles import Light
from gui.window.dialogs import CautionsDialog, LightPanel, ShortcutSheet
from gui.window.window import Window
from tests.gui.window.conftest import Settle


def test_light_panel_turns_the_light(window: Window) -> None:
    """Dial, sliders and tint give the light they show, and it is remembered."""
    from gui.window.dialogs import remembered_light

    panel = LightPanel(Light())
    seen: list[Light] = []
    panel.changed.connect(seen.append)
    panel.azimuth.setValue(180)
    panel.altitude.setValue(20)
    panel.tint.setChecked(False)
    assert (seen[-1].azimuth_deg, seen[-1].altitude_deg, seen[-1].tint) == (0.0, 20.0, False)
    assert panel.azimuth_text.text() == "0°"
    assert remembered_light() == seen[-1]


def test_shortcut_sheet_lists_every_key(window: Window) -> None:
    """Every action with keys is on the sheet; no key is taken twice."""
    window.commands["sheet"].trigger()
    sheet = window.dialogs.shown
    assert isinstance(sheet, ShortcutSheet)
    from PySide6.QtWidgets import QTableWidget

    table = sheet.findChild(QTableWidget)
    rows = {table.item(row, 1).text(): table.item(row, 2).text() for row in range(table.rowCount())}
    owned = [a for a in (*window.findChildren(QAction), *window.map.actions()) if a.shortcuts()]
    for action in owned:
        text = action.text().replace("&", "").rstrip("…")
        assert text in rows or any(text.startswith(k) for k in rows), text
    sheet.layout().activate()
    assert table.columnWidth(2) >= table.sizeHintForColumn(2), "the keys are not cut off"
    keys: dict[str, str] = {}
    for action in {id(a): a for a in owned}.values():
        for key in action.shortcuts():
            name = key.toString()
            assert name not in keys, f"{name} is both {keys.get(name)} and {action.text()}"
            keys[name] = action.text()


def test_cautions_are_one_click_away(window: Window) -> None:
    """The cautions of the work plan are shown whole."""
    from PySide6.QtWidgets import QLabel

    from analysis.common.cautions import CAUTIONS

    window.caution_button.click()
    dialog = window.dialogs.shown
    assert isinstance(dialog, CautionsDialog)
    texts = [label.text() for label in dialog.findChildren(QLabel)]
    for sentence in CAUTIONS:
        assert sentence in texts


def test_help_and_about_open(full: Window, settle: Settle) -> None:
    """F1 shows what each number means; About says who decides."""
    full.commands["help"].trigger()
    settle(lambda: full.panes["help"].filled)
    assert full.panes["help"].isVisible()
    assert full.panes["help"].widget() is not None
    full.panes["help"].close()
    full.commands["about"].trigger()
    box = full.dialogs.shown
    assert isinstance(box, QMessageBox)
    assert "licensed engineer" in box.informativeText()
