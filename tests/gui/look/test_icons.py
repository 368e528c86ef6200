"""Small buttons that Qt draws itself are seen on a dark window too."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractButton, QApplication, QDockWidget, QMainWindow

from gui.look import theme
from gui.look.icons import ink_small_buttons


@pytest.mark.parametrize("dark", [True, False])
def test_small_buttons_of_a_dock_are_drawn_in_the_ink(qapp: QApplication, dark: bool) -> None:
    window = QMainWindow()
    window.addDockWidget(Qt.DockWidgetArea.LeftDockWidgetArea, QDockWidget(window))
    before = theme.is_dark()
    try:
        theme.apply(qapp, dark=dark)
        ink_small_buttons(window)
        buttons = [
            button
            for button in window.findChildren(QAbstractButton)
            if button.objectName().startswith("qt_dockwidget")
        ]
        assert len(buttons) == 2
        for button in buttons:
            drawn = button.icon().pixmap(16).toImage()
            seen = [
                drawn.pixelColor(x, y)
                for x in range(drawn.width())
                for y in range(drawn.height())
                if drawn.pixelColor(x, y).alpha() > 60
            ]
            assert seen
            for colour in seen:
                apart = abs(colour.lightness() - theme.color("ink").lightness())
                assert apart < 10, "what is half seen through keeps its colour but for rounding"
    finally:
        theme.apply(qapp, dark=before)
