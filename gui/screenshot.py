"""The README's picture: the window on the sample road, drawn without a display.

Run ``python -m gui.screenshot [FILE.png]`` after anything that changes how the window looks.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["main", "take_screenshot"]

SIZE = (1600, 1000)


def take_screenshot(path: str) -> None:
    """Open the window on the sample, screen it, choose a telling station and save a picture."""
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from PySide6.QtCore import QSettings, QStandardPaths

    # Nothing of the person's own settings in the picture, nothing of the picture in the settings.
    QStandardPaths.setTestModeEnabled(True)
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    with tempfile.TemporaryDirectory() as folder:
        QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
        from gui.look.turns import turns
        from gui.window.app import make_application
        from gui.window.window import Window

        app = make_application()
        window = Window()
        window.show()

        def settle(done: Callable[[], bool], seconds: float) -> None:
            end = time.monotonic() + seconds
            while not done():
                if time.monotonic() > end:
                    raise TimeoutError("the window didn't get ready in time")
                app.processEvents()
                time.sleep(0.005)

        model = window.model
        window.panes.make_ahead()
        model.open_sample()
        settle(lambda: model.can_screen, 60.0)
        model.screen()
        settle(lambda: model.findings is not None, 300.0)
        # only now: shown first, it fits itself to the small screen that isn't there
        window.resize(*SIZE)
        settled = time.monotonic() + 0.5
        settle(lambda: time.monotonic() > settled, 5.0)
        window.panes.share_out()
        model.select_reach(_telling_reach(model))
        quiet = time.monotonic() + 4.0
        settle(lambda: time.monotonic() > quiet and not model.runner.busy and turns().idle, 120.0)
        window.grab().save(path)
        window.closing = True
        window.close()


def _telling_reach(model: object) -> int:
    """The worst flat reach of the longer road: slope, water, cut and fill all show there."""
    table = model.findings.reaches  # type: ignore[attr-defined]
    first = table["road"][0]
    rows = [
        row
        for row in range(len(table))
        if table["finding"][row] == "flat" and table["road"][row] == first
    ]
    return min(rows, key=lambda row: table["rank"][row], default=0)


def main() -> None:
    """Write the picture to the place named on the command line, or the README's."""
    default = Path(__file__).parents[1] / "resources" / "window.png"
    take_screenshot(sys.argv[1] if len(sys.argv) > 1 else str(default))


if __name__ == "__main__":
    main()
