"""How fast the window opens, and whether it stays live.

Run on demand from the top of the repository::

    python -m tests.benchmarks.window start       # seconds to a visible window, warm
    python -m tests.benchmarks.window open        # load, then open 50 000 x 50 000 cells
    python -m tests.benchmarks.window at-once     # the same grid named on the command line
    python -m tests.benchmarks.window roam        # open it, pan and zoom
    python -m tests.benchmarks.window first       # screen while nothing is compiled yet
    python -m tests.benchmarks.window screen      # screen 10 km with the window in use
    python -m tests.benchmarks.window colours     # light and dark with a study of 10 km open
    python -m tests.benchmarks.window monkey 10   # minutes of random input

Each prints the longest time that the event loop was kept from its work, beside that of a process
which only sleeps (what the machine itself did to everyone meanwhile), and what it was without the
time in which the loop could have gone on and the processor was at other programs.
"""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import argparse
import faulthandler
import logging
import random
import resource
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

LIMIT_MS = 100.0
# After so long the loop hangs; to compile all kernels on a busy machine takes some minutes.
HANGS_S, STARTING_S = 60.0, 900.0


class Control:
    """Wakes every few milliseconds in a process of its own, doing nothing."""

    CODE = (
        "import sys, time\n"
        "last = time.perf_counter(); worst = 0.0\n"
        "import select\n"
        "while not select.select([sys.stdin], [], [], 0.004)[0]:\n"
        "    now = time.perf_counter(); worst = max(worst, now - last); last = now\n"
        "print(worst)\n"
    )

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", self.CODE],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def stop(self) -> float:
        """Return the longest gap in milliseconds."""
        words, _ = self._process.communicate("\n")
        return 1000.0 * float(words)


def own_home() -> tempfile.TemporaryDirectory:
    """Keep the settings of whoever runs this out of it."""
    home = tempfile.TemporaryDirectory()
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"):
        os.environ[name] = home.name
    return home


def start() -> None:
    """Time from the start of the interpreter to a painted window, five times."""
    code = (
        "import time, sys\n"
        "from gui.window.app import make_application\n"
        "app = make_application()\n"
        "from gui.window.window import Window\n"
        "window = Window()\n"
        "window.show()\n"
        "app.processEvents()\n"
        "window.grab()\n"
        "import os\n"
        "os._exit(0)\n"
    )
    seconds, worked = [], []
    # With its own modules compiled, as they are once installed, whatever this shell says of it.
    here = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    here["PYTHONPYCACHEPREFIX"] = str(Path(os.environ["HOME"]) / "compiled")
    for _ in range(6):
        before, used = time.perf_counter(), os.times()
        order = [sys.executable, "-c", code]
        subprocess.run(order, check=True, stderr=subprocess.DEVNULL, env=here)
        seconds.append(time.perf_counter() - before)
        now = os.times()
        worked.append(
            now.children_user + now.children_system - used.children_user - used.children_system
        )
    print(
        f"visible window, warm: best {min(seconds[1:]):.2f} s, worst {max(seconds[1:]):.2f} s "
        f"(limit 1 s), of which at work {min(worked[1:]):.2f} s"
    )


def report(name: str, heart: Any, control: Control, watch: Any = None) -> None:
    """Print the gaps of a heartbeat, and what a watch saw in the late ones."""
    times = heart.gaps_s, heart.held_s, heart.work_s
    gaps, held, work = (1000.0 * np.array(values) for values in times)
    print(
        f"{name:<26} worst {gaps.max():6.1f} ms, 99.9 % {np.percentile(gaps, 99.9):5.1f} ms, "
        f"over {LIMIT_MS:.0f} ms: {int((gaps > LIMIT_MS).sum())} of {len(gaps)} beats; "
        f"without waiting for a processor {held.max():.1f} ms, "
        f"over: {int((held > LIMIT_MS).sum())}; "
        f"own work at most {work.max():.1f} ms, over: {int((work > LIMIT_MS).sum())}; "
        f"a sleeping process: {control.stop():.1f} ms"
    )
    for many, worst, most, own, chain in watch.causes()[:25] if watch is not None else ():
        times = f"{1e3 * worst:4.0f} ms (held {1e3 * most:4.0f}, work {1e3 * own:4.0f})"
        print(f"{many:4d}x up to {times}: {chain}")


def memory_mb() -> float:
    """Return the most memory this process ever had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def write_huge(folder: str) -> str:
    """Write a virtual grid of 50 000 x 50 000 cells, in a process of its own.

    This process must load the map libraries as the program does, when a file is first opened.
    """
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "import numpy as np\n"
        "from analysis.terrain.geofiles import rasterio\n"
        "from tests.builders.files import EAST, NORTH\n"
        "from tests.gui.map.test_map_view import huge_vrt\n"
        "folder, cells = sys.argv[1], 500\n"
        "y, x = np.mgrid[0:cells, 0:cells]\n"
        "z = (100.0 + 8.0 * np.sin(x / 60.0) + 5.0 * np.cos(y / 45.0)).astype('float32')\n"
        "tile = folder + '/tile.tif'\n"
        "place = rasterio.Affine(1, 0, EAST, 0, -1, NORTH)\n"
        "with rasterio.open(tile, 'w', driver='GTiff', width=cells, height=cells, count=1,\n"
        "                   dtype='float32', crs='EPSG:32610', transform=place) as sink:\n"
        "    sink.write(z, 1)\n"
        "print(huge_vrt(Path(folder), tile, 50_000, cells))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, folder], check=True, stdout=subprocess.PIPE, text=True
    )
    return done.stdout.strip()


def ready(size: tuple[int, int] = (1440, 900)) -> Any:
    """Return a window that was opened as the program opens it, with all loaded and made."""
    from gui.window.app import _after_show, make_application
    from gui.window.window import Window
    from tests.gui.heartbeat import run_loop

    make_application()
    window = Window()
    window.resize(*size)
    window.show()
    _after_show(window, [])
    run_loop(lambda: all(pane.filled for pane in window.panes.by_name.values()))
    # On a new machine, or after a change of the kernels, these are compiled first.
    settled = lambda: window._review_page is not None and window.model.runner.idle()  # noqa: E731
    run_loop(settled, timeout_s=600)
    return window


def open_huge(path: str, *, at_once: bool) -> Any:
    """Open the window, then a huge grid: at once, or after all was loaded; return the window."""
    from PySide6.QtCore import QTimer

    from gui.window.app import FIRST_PAINT_MS, _after_show, make_application
    from gui.window.window import Window
    from tests.gui.heartbeat import Heartbeat, run_loop

    make_application()
    window = Window()
    window.show()
    began, heart, control = time.perf_counter(), Heartbeat(), Control()
    QTimer.singleShot(FIRST_PAINT_MS, lambda: _after_show(window, [path] if at_once else []))
    if not at_once:
        run_loop(lambda: all(pane.filled for pane in window.panes.by_name.values()))
        run_loop(window.model.runner.idle)
        report("loading beside the window", heart, control)
        control = Control()
        began = time.perf_counter()
        heart.restart()
        window.files.open_paths([path])
    drawn = window.map.terrain_item
    run_loop(lambda: drawn.store is not None and len(drawn.store.cache) > 0)
    seen = time.perf_counter() - began
    run_loop(lambda: all(pane.filled for pane in window.panes.by_name.values()))
    run_loop(lambda: window.model.runner.idle() and window.map.idle())
    report("opening at the start" if at_once else "opening later", heart, control)
    heart.stop()
    print(f"first ground in sight after {seen:.2f} s")
    return window


def done_with(window: Any) -> None:
    """Close a window without a question."""
    from PySide6.QtWidgets import QApplication

    window.closing = True
    window.close()
    QApplication.processEvents()


def opening(*, at_once: bool) -> None:
    """Only open, later or at the start."""
    with tempfile.TemporaryDirectory() as folder:
        done_with(open_huge(write_huge(folder), at_once=at_once))


def roam() -> None:
    """Open, pan and zoom on a virtual grid of 50 000 x 50 000 cells."""
    from tests.gui.heartbeat import Heartbeat, run_loop
    from tests.gui.map.test_map_view import roam as roam_map

    with tempfile.TemporaryDirectory() as folder:
        window = open_huge(write_huge(folder), at_once=False)
        heart, control = Heartbeat(), Control()
        run_loop(roam_map(window.map, 900), timeout_s=300)
        report("panning and zooming", heart, control)
        store, tiles = window.map.terrain_item.store, window.map.tiles
        pictures, heights = store.cache.currsize / 2**20, tiles.heights.currsize / 2**20
        print(f"pictures {pictures:.0f} MB, heights {heights:.0f} MB, process {memory_mb():.0f} MB")
        done_with(window)


def long_road(folder: str, length_m: float) -> tuple[str, str]:
    """Write a straight crowned road with one long fault."""
    from tests.builders.files import crowned_road, write_road

    z = crowned_road(length_m=length_m, fault=(0.3 * length_m, 0.6 * length_m))
    grid, road = Path(folder) / "long.tif", Path(folder) / "long.gpkg"
    return write_road(grid, road, "Long Moor Road", z, tiled=True)


def first() -> None:
    """Screen right after the start on a machine that never compiled, with the map in use."""
    from gui.window.app import _after_show, make_application
    from gui.window.window import Window
    from tests.gui.heartbeat import Heartbeat, run_loop
    from tests.gui.map.test_map_view import roam as roam_map

    make_application()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["NUMBA_CACHE_DIR"] = f"{folder}/kernels"
        files = long_road(folder, 1000.0)
        window = Window()
        window.show()
        model = window.model
        model.failed.connect(lambda title, sentence: print("FAILED", title, sentence))
        heart, control, began = Heartbeat(), Control(), time.perf_counter()
        _after_show(window, list(files))
        run_loop(lambda: bool(model.roads))
        model.screen()
        roam_map(window.map, 10**6)
        run_loop(lambda: model.study is not None, timeout_s=600)
        print(f"first screening of 1 km ever: {time.perf_counter() - began:.1f} s")
        report("compiling and screening", heart, control)
        done_with(window)


def screen() -> None:
    """Screen 10 km while the map is panned and zoomed; then step through the findings."""
    from tests.gui.heartbeat import Heartbeat, Watch, run_loop
    from tests.gui.map.test_map_view import roam as roam_map

    with tempfile.TemporaryDirectory() as folder:
        files = long_road(folder, 10_000.0)
        window = ready()
        model = window.model
        model.failed.connect(lambda title, sentence: print("FAILED", title, sentence))
        window.files.open_paths(list(files))
        run_loop(lambda: bool(model.roads) and model.runner.idle())
        for words in ("first (may compile)", "second"):
            before = model.study
            heart, control, began = Heartbeat(), Control(), time.perf_counter()
            watch = Watch(heart, LIMIT_MS / 1000.0)
            model.screen()
            roam_map(window.map, 10**6)
            run_loop(lambda old=before: model.study is not old, timeout_s=600)
            print(f"{words} screening of 10 km: {time.perf_counter() - began:.1f} s")
            run_loop(model.runner.idle, timeout_s=60)
            report("screening, map in use", heart, control, watch)
            heart.stop()
            for timer in window.map.children():
                if timer.metaObject().className() == "QTimer" and timer.interval() == 15:
                    timer.stop()
        heart, control = Heartbeat(), Control()
        watch = Watch(heart, LIMIT_MS / 1000.0)
        steps = [0]
        from PySide6.QtCore import QTimer

        timer = QTimer()
        timer.setInterval(30)

        def step() -> None:
            steps[0] += 1
            model.next_station(1) if steps[0] % 10 else model.next_finding(1)

        timer.timeout.connect(step)
        timer.start()
        run_loop(lambda: steps[0] > 300, timeout_s=120)
        timer.stop()
        report("stepping, 30 per second", heart, control, watch)
        print(f"process {memory_mb():.0f} MB")
        done_with(window)


def colours() -> None:
    """Change between light and dark with a study of 10 km open, in every pane and in the review."""
    from gui.look.turns import turns
    from tests.gui.heartbeat import Heartbeat, Watch, run_loop

    with tempfile.TemporaryDirectory() as folder:
        files = long_road(folder, 10_000.0)
        window = ready()
        model = window.model
        window.files.open_paths(list(files))
        run_loop(lambda: bool(model.roads) and model.runner.idle())
        model.screen()
        run_loop(lambda: model.study is not None, timeout_s=600)
        model.next_finding(1)
        settled = lambda: turns().idle and model.runner.idle() and window.map.idle()  # noqa: E731
        for place in ("panes", "review"):
            if place == "review":
                window.commands["review"].trigger()
            run_loop(settled, timeout_s=60)
            for which in ("dark", "light", "dark", "light", "dark", "light"):
                heart, control = Heartbeat(), Control()
                watch = Watch(heart, LIMIT_MS / 1000.0)
                window.commands.submenus.set_appearance(which)
                done = time.perf_counter() + 1.0
                run_loop(lambda end=done: time.perf_counter() > end and settled())
                report(f"to {which}, {place}", heart, control, watch)
                heart.stop()
        done_with(window)


def monkey(minutes: float, seed: int, every_ms: int) -> None:
    """Random clicks, keys, drags, menus, edits and jobs; every fault is printed.

    With the next input `every_ms` after the last. Three are more than can be drawn: faults show
    soonest, and a beat of the loop holds several inputs. Fifty are about what a hurried person
    does.
    """
    from PySide6.QtCore import QEventLoop, QPoint, Qt, QTimer
    from PySide6.QtGui import QAction
    from PySide6.QtTest import QTest
    from PySide6.QtWidgets import QApplication, QDialog, QFileDialog, QGraphicsScene, QMenu, QWidget
    from shiboken6 import isValid

    from gui.state.jobs import RoadSource
    from tests.gui.heartbeat import Heartbeat, Watch, run_loop

    chance = random.Random(seed)
    # Should it crash, or the loop hang for good, say where.
    faulthandler.enable()
    faulthandler.dump_traceback_later(STARTING_S, exit=True)
    faults: list[str] = []

    def caught(kind: Any, error: Any, trace: Any) -> None:
        faults.append("".join(traceback.format_exception(kind, error, trace)))

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.ERROR:
                faults.append(self.format(record))

    logging.getLogger("vergeline").addHandler(Keep())
    with tempfile.TemporaryDirectory() as folder:
        grid, road = long_road(folder, 600.0)
        # A file dialog makes new folders where it is pleased to.
        os.chdir(folder)

        def screened() -> Any:
            """Return a new window with the road screened."""
            made = ready()
            made.model.open_files(grid, RoadSource(road))
            run_loop(lambda: bool(made.model.roads), timeout_s=60)
            made.model.screen()
            run_loop(lambda: made.model.study is not None, timeout_s=120)
            return made

        window = screened()
        app, model = QApplication.instance(), window.model
        assert isinstance(app, QApplication)
        # The last window that goes would end the loop.
        app.setQuitOnLastWindowClosed(False)
        # From here on; what fails before ends this program, in words.
        sys.excepthook = caught
        threading.excepthook = lambda a: caught(a.exc_type, a.exc_value, a.exc_traceback)
        heart, control = Heartbeat(), Control()
        watch = Watch(heart, LIMIT_MS / 1000.0)
        end = time.monotonic() + 60.0 * minutes
        count = closed = 0
        keys = [
            *(Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_Up, Qt.Key.Key_Down),
            *(Qt.Key.Key_Return, Qt.Key.Key_Escape, Qt.Key.Key_Tab, Qt.Key.Key_Delete),
            *(Qt.Key.Key_Home, Qt.Key.Key_End, Qt.Key.Key_PageUp, Qt.Key.Key_PageDown),
            *(Qt.Key.Key_Space, Qt.Key.Key_Plus, Qt.Key.Key_Minus, Qt.Key.Key_1, Qt.Key.Key_9),
        ]

        def somewhere(widget: QWidget) -> QPoint:
            return QPoint(
                chance.randrange(max(1, widget.width())), chance.randrange(max(1, widget.height()))
            )

        held: dict[type, list[Any]] = {}

        def open_anew() -> None:
            """Go on in a new window, as the last one was closed and takes no more jobs."""
            nonlocal window, model, closed
            closed += 1
            heart.stop()
            window.deleteLater()
            held.clear()
            window = screened()
            model = window.model
            heart.go_on()

        def one_of(kind: type, fits: Callable[[Any], bool]) -> Any:
            """Choose among what fits. Asking Qt for all there is takes longer than most inputs do.

            So it's asked only now and then; what is gone or doesn't fit by now is passed over.
            """
            if count % 40 == 0 or kind not in held:
                held[kind] = window.findChildren(kind)
            for tries in range(20_000):
                if tries == 10_000:
                    held[kind] = window.findChildren(kind)
                chosen = chance.choice(held[kind])
                if isValid(chosen) and fits(chosen):
                    return chosen
            # For good, it would look as if the window hung.
            raise LookupError(
                f"no {kind.__name__} of {len(held[kind])} can be used: window visible "
                f"{window.isVisible()}, enabled {window.isEnabled()}, minimized "
                f"{window.isMinimized()}, modal {app.activeModalWidget()}, hidden "
                f"{sum(w.isHidden() for w in held[kind] if isinstance(w, QWidget))}"
            )

        def a_widget() -> QWidget:
            return one_of(QWidget, lambda w: w.isVisible() and w.isEnabled())

        def an_action() -> QAction:
            return one_of(
                QAction,
                lambda a: (
                    a.isEnabled()
                    and a not in (window.commands["leave"], window.commands["log"])
                    and not isinstance(a.parent(), QGraphicsScene)
                ),
            )

        def settle_dialogs() -> None:
            for widget in app.topLevelWidgets():
                if isinstance(widget, QMenu) and widget.isVisible():
                    widget.close()
                # As a person can: what lies behind a modal dialog takes no input.
                first = app.activeModalWidget()
                if isinstance(widget, QDialog) and widget.isVisible() and first in (None, widget):
                    if isinstance(widget, QFileDialog) and chance.random() < 0.3:
                        name = chance.choice([grid, road, f"{folder}/out{count % 3}.gpkg"])
                        widget.fileSelected.emit(name)
                        widget.reject()
                    elif chance.random() < 0.5:
                        buttons = [
                            b
                            for b in widget.findChildren(QWidget)
                            if hasattr(b, "click") and b.isVisible() and b.isEnabled()
                        ]
                        if not buttons:
                            widget.reject()
                            continue
                        # Not from here: a button may open a dialog that runs a loop of its own,
                        # and in there nobody would serve.
                        button = chance.choice(buttons)
                        QTimer.singleShot(0, lambda b=button: b.click() if isValid(b) else None)
                    else:
                        widget.reject()

        def one() -> None:
            what = chance.random()
            watch.note = f"input {what:.2f}"
            widget = a_widget()
            if what < 0.3:
                QTest.mouseClick(widget, Qt.MouseButton.LeftButton, pos=somewhere(widget))
            elif what < 0.35:
                QTest.mouseDClick(widget, Qt.MouseButton.LeftButton, pos=somewhere(widget))
            elif what < 0.45:
                QTest.mousePress(widget, Qt.MouseButton.LeftButton, pos=somewhere(widget))
                for _ in range(4):
                    QTest.mouseMove(widget, somewhere(widget))
                QTest.mouseRelease(widget, Qt.MouseButton.LeftButton, pos=somewhere(widget))
            elif what < 0.65:
                modifier = chance.choice(
                    [
                        Qt.KeyboardModifier.NoModifier,
                        Qt.KeyboardModifier.ShiftModifier,
                        Qt.KeyboardModifier.ControlModifier,
                    ]
                )
                QTest.keyClick(widget, chance.choice(keys), modifier)
            elif what < 0.8:
                # The canvas's own scene has actions that no menu of ours shows.
                action = an_action()
                watch.note = action.text()
                action.trigger()
            elif what < 0.85:
                chance.choice(
                    [
                        lambda: model.set_units(chance.choice(["metric", "us"])),
                        lambda: model.set_station_style(chance.choice(["km", "feet-hundreds"])),
                        lambda: window.commands.submenus.set_appearance(
                            chance.choice(["light", "dark", "system"])
                        ),
                    ]
                )()
            elif what < 0.9 and model.index:
                model.select_station(0, chance.randrange(80), chance.randrange(2))
            elif what < 0.92:
                window.resize(chance.randrange(700, 1800), chance.randrange(500, 1100))
            elif what < 0.94 and model.index:
                model.correct(
                    0,
                    chance.randrange(len(model.index[0].station_m)),
                    chance.randrange(2),
                    chance.choice(["edge", "hinge"]),
                    chance.choice([None, chance.uniform(2.0, 7.0)]),
                )
            elif what < 0.95:
                model.screen()
            elif what < 0.96 and model.terrain is None:
                model.open_files(grid, RoadSource(road))

        def finish() -> None:
            report("random input", heart, control, watch)
            print(
                f"{count} inputs in {minutes:g} min, seed {seed}: {len(faults)} faults; "
                f"the window was closed {closed} times"
            )
            for text in list(dict.fromkeys(faults))[:12]:
                print(text)
            sys.stdout.flush()
            for widget in QApplication.topLevelWidgets():
                if isinstance(widget, QDialog):
                    widget.reject()
            ended = model.runner.shutdown()
            print("all threads ended" if ended else "a thread did not end")
            sys.stdout.flush()
            os._exit(0 if ended and not faults else 1)

        # On its own timer, so that it also answers dialogs that run a loop of their own.
        butler = QTimer()
        butler.setInterval(40)

        alarm = 0.0

        def serve() -> None:
            nonlocal alarm
            # Told from now on, so that what it writes is where the loop stands and not how slowly
            # all began.
            if time.monotonic() > alarm:
                alarm = time.monotonic() + 0.1 * HANGS_S
                faulthandler.dump_traceback_later(HANGS_S, exit=True)
            try:
                settle_dialogs()
            except Exception:
                faults.append(traceback.format_exc())
            if time.monotonic() > end:
                butler.stop()
                finish()

        butler.timeout.connect(serve)
        butler.start()
        loop, timer = QEventLoop(), QTimer()
        timer.setInterval(every_ms)

        def step() -> None:
            nonlocal count
            timer.stop()
            try:
                # Not only by this very input: also by the answer to whether to save.
                while not window.isVisible():
                    open_anew()
                count += 1
                one()
            except Exception:
                faults.append(traceback.format_exc())
            timer.start()

        timer.timeout.connect(step)
        timer.start()
        loop.exec()


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "what", choices=["start", "open", "at-once", "roam", "first", "screen", "colours", "monkey"]
    )
    parser.add_argument("minutes", nargs="?", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every-ms", type=int, default=3, help="between random inputs")
    options = parser.parse_args()
    with own_home():
        if options.what == "monkey":
            monkey(options.minutes, options.seed, options.every_ms)
        else:
            {
                "start": start,
                "open": lambda: opening(at_once=False),
                "at-once": lambda: opening(at_once=True),
                "roam": roam,
                "first": first,
                "screen": screen,
                "colours": colours,
            }[options.what]()


if __name__ == "__main__":
    main()
