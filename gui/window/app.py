"""The application around the window: settings, translation, fonts, logging, faults."""

from __future__ import annotations

import gc
import importlib
import logging
import logging.handlers
import os
import sys
import threading
import traceback
from collections.abc import Sequence
from importlib.resources import as_file, files
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from PySide6.QtCore import (
    QLibraryInfo,
    QLocale,
    Qt,
    QTimer,
    QtMsgType,
    QTranslator,
    qInstallMessageHandler,
)
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from gui.look.remembered import remembered
from gui.state.garbage import GarbageTurns
from gui.state.runner import Progress, sentence_for
from gui.window.places import log_path, translations_folder

if TYPE_CHECKING:
    from gui.window.window import Window

__all__ = ["make_application", "run", "warm_up"]

log = logging.getLogger("vergeline")

# GDAL keeps blocks of a twentieth of the machine's memory unless told; two rows of blocks of a very
# wide grid, which is what thinning needs, fit in this.
GRID_CACHE_MB = "256"
# While workers compute in Python, each call from Qt into a paint event waits this long for its
# turn and somewhat more, and one picture takes dozens of such calls; the usual 5 ms would add up to
# a stutter. Beside two workers a call waits 1.0 ms on average with 0.5 ms, 0.36 ms with this; what
# they do in a second of processor time is the same.
TURN_S = 0.0001
# Until the window stands, loading libraries beside it would only hold it up.
FIRST_PAINT_MS = 60


def make_application(arguments: Sequence[str] = ()) -> QApplication:
    """Return the application, made if there is none, with our name, colours and language."""
    from gui.look import theme
    from gui.look.icons import app_icon

    # Read when GDAL is loaded, which a worker does later.
    os.environ.setdefault("GDAL_CACHEMAX", GRID_CACHE_MB)
    sys.setswitchinterval(TURN_S)
    found = QApplication.instance()
    if isinstance(found, QApplication):
        app = found
    else:
        QGuiApplication.setHighDpiScaleFactorRoundingPolicy(
            Qt.HighDpiScaleFactorRoundingPolicy.PassThrough
        )
        app = QApplication(["vergeline", *arguments])
    app.setApplicationName("Vergeline")
    app.setOrganizationName("Vergeline")
    app.setDesktopFileName("vergeline")
    app.setStyle("Fusion")
    app.setWindowIcon(app_icon())
    translate(app)
    theme.set_appearance(str(remembered().value("appearance", "system")))
    if app.findChild(GarbageTurns) is None:
        GarbageTurns(app)
    return app


def translate(app: QApplication) -> None:
    """Load Qt's own words and ours in the system's language, where there are any.

    A catalogue in the person's own folder goes before the one that came with the program.
    """
    locale = QLocale()
    qt = QLibraryInfo.path(QLibraryInfo.LibraryPath.TranslationsPath)
    with as_file(files("resources")) as shipped:
        for name, folders in (
            ("qtbase", [qt]),
            ("vergeline", [translations_folder(), Path(shipped) / "translations"]),
        ):
            translator = QTranslator(app)
            if any(translator.load(locale, name, "_", str(folder)) for folder in folders):
                app.installTranslator(translator)


def _start_log() -> None:
    path = log_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = logging.handlers.RotatingFileHandler(
            path, maxBytes=1_000_000, backupCount=1, encoding="utf-8", delay=True
        )
    except OSError:
        return
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    log.addHandler(handler)
    log.setLevel(logging.INFO)


def _log_qt(kind: QtMsgType, _context: object, text: str) -> None:
    level = {
        QtMsgType.QtWarningMsg: logging.WARNING,
        QtMsgType.QtCriticalMsg: logging.ERROR,
        QtMsgType.QtFatalMsg: logging.CRITICAL,
    }.get(kind, logging.DEBUG)
    log.log(level, "Qt: %s", text)


def run(files_to_open: Sequence[str] = ()) -> int:
    """Open the window, with files if any are given, and return when it is closed."""
    app = make_application()
    _start_log()
    qInstallMessageHandler(_log_qt)

    from gui.window.window import Window

    window = Window()
    telling = _Faults(window)
    telling.install()
    window.show()
    QTimer.singleShot(FIRST_PAINT_MS, lambda: _after_show(window, list(files_to_open)))
    code = app.exec()
    written = remembered().leave()
    if not (window.model.runner.shutdown() and written):
        # A read that hangs, say on a drive that is gone, must not keep the program alive.
        log.error("a job could not be called off, or the settings not be written")
        logging.shutdown()
        os._exit(code)
    telling.remove()
    qInstallMessageHandler(None)
    return code


def _after_show(window: Window, paths: list[str]) -> None:
    from gui.state import preparing

    def loaded(first_run: bool) -> None:
        if first_run:
            # Begun before anybody asks for a screening, which then waits for it.
            window.say_preparing(True)

            runner = window.model.runner

            def ended(_outcome: object) -> None:
                window.say_preparing(False)
                # What is compiled now must be loaded, too, and left out of the search for garbage.
                runner.submit("warm-up", warm_up, lane="long")

            runner.submit("prepare", preparing.prepare, ended, ended, lane="slow start")
        window.make_ahead()

    window.model.runner.submit("warm-up", warm_up, loaded, lane="long")
    if paths:
        window.files.open_paths([os.path.abspath(path) for path in paths])
    else:
        window.files.offer_recovery()


def warm_up(progress: Progress) -> bool:
    """Load the heavy libraries while the person looks around, so that the first job is quick.

    Tell whether the kernels are still to be compiled.
    """
    # Over all that the libraries bring, one search for garbage takes a tenth of a second. None
    # while they load; and what they brought is left out of every later one.
    GarbageTurns.held = True
    try:
        return _load_all(progress)
    finally:
        gc.freeze()
        GarbageTurns.held = False


def _load_all(progress: Progress) -> bool:
    for name in (
        "analysis.terrain.geofiles",
        "analysis.terrain.grid",
        "analysis.road.read_roads",
        "analysis.study.screening",
        "analysis.study.sections",
        "analysis.findings.planning",
        "analysis.findings.planning_text",
        "gui.along.along_view",
        "gui.along.straight_view",
        "gui.section.section_page",
        "gui.forms.forms",
        "gui.tables.tables",
        "gui.plan.plan_page",
        "gui.field.field_page",
        "gui.forms.help",
        "gui.review.page",
        "gui.drawing.books",
        "PySide6.QtPrintSupport",
    ):
        if progress.cancelled():
            return False
        importlib.import_module(name)
    # The compiler loads most of itself with the first kernel: a storm of imports that would
    # meet the window laying out its panes, were it left to the first grid.
    from gui.state import preparing

    if preparing.is_needed():
        return True
    from analysis.shoulder.resolving import resolving_power

    resolving_power(0.5, 0.02, 1.5, 20.0)
    return False


class _Faults:
    """Faults of the program itself: into the log, and one sentence to the person.

    PySide hands an exception in a slot to `sys.excepthook` and goes on; without this it would be
    lost in a console that nobody sees.
    """

    def __init__(self, window: Window) -> None:
        self._window = window
        self._told: set[str] = set()

    def install(self) -> None:
        """Catch what nobody caught."""
        sys.excepthook = self._caught
        threading.excepthook = lambda args: self._note(
            args.exc_type, args.exc_value, args.exc_traceback
        )

    def remove(self) -> None:
        """Give the hooks back."""
        sys.excepthook = sys.__excepthook__
        threading.excepthook = threading.__excepthook__

    def _note(
        self, kind: type[BaseException], error: BaseException | None, trace: TracebackType | None
    ) -> str:
        text = "".join(traceback.format_exception(kind, error, trace))
        log.error("fault of the program:\n%s", text)
        return text

    def _caught(
        self, kind: type[BaseException], error: BaseException, trace: TracebackType | None
    ) -> None:

        text = self._note(kind, error, trace)
        if issubclass(kind, KeyboardInterrupt):
            QApplication.quit()
            return
        # The same fault once: one that sits in a paint event would bury the window in dialogs.
        if text not in self._told:
            self._told.add(text)
            self._window.dialogs.tell("", sentence_for(error))
