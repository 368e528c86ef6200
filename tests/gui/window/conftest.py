"""Windows for tests: an empty one, and one with the small road screened."""

from collections.abc import Callable, Iterator

import pytest
from PySide6.QtCore import QEvent
from PySide6.QtWidgets import QApplication, QFileDialog, QMessageBox, QWidget

from gui.state import jobs
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.window.window import Window
from tests.gui.conftest import ARTEFACTS

Settle = Callable[..., None]


@pytest.fixture
def window(model: WindowModel, settle: Settle) -> Iterator[Window]:
    """Yield an empty window."""
    made = Window(model)
    made.show()
    settle()
    yield made
    if made.dialogs.shown is not None:
        close_dialog(made)
    dispose(made)


def dispose(window: Window) -> None:
    """Close a window and have it destroyed now; later tests would restyle it again and again."""
    window.closing = True
    window.close()
    window.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    QApplication.processEvents()


@pytest.fixture
def full(window: Window, shared_results: tuple[jobs.Inputs, Loaded], settle: Settle) -> Window:
    """Return a window with the small road screened."""
    inputs, loaded = shared_results
    window.model.take_inputs(inputs)
    window.model.take_screened(loaded)
    settle(lambda: bool(window.map.layers.roads) and window.model.runner.idle())
    settle(lambda: not window.panes.coming and window.panes["reaches"].filled)
    return window


def close_dialog(window: Window) -> None:
    """Close whatever dialog is up."""
    box, window.dialogs.shown = window.dialogs.shown, None
    if box is not None:
        try:
            box.reject()
        except RuntimeError:
            pass


def choose_file(window: Window, path: str) -> None:
    """Answer the file dialog that is up."""
    dialog, window.dialogs.shown = window.dialogs.shown, None
    assert isinstance(dialog, QFileDialog)
    dialog.fileSelected.emit(path)
    dialog.reject()


def dialog_text(window: Window) -> str:
    """Return the sentence of the message that is up."""
    box = window.dialogs.shown
    assert isinstance(box, QMessageBox), box
    return box.text()


def press(window: Window, text: str) -> None:
    """Press the button with this text in the dialog that is up."""
    box = window.dialogs.shown
    assert isinstance(box, QMessageBox)
    for button in box.buttons():
        if button.text().replace("&", "") == text:
            button.click()
            window.dialogs.shown = None
            return
    raise AssertionError(f"no button {text!r} among {[b.text() for b in box.buttons()]}")


def save_picture(window: QWidget, name: str) -> None:
    """Keep a picture to look at."""
    assert window.grab().save(str(ARTEFACTS / name))
