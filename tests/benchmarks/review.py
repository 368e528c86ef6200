"""How fast findings are reviewed by keys: 500 of them, from key to picture, and how live it stays.

Run on demand from the top of the repository::

    python -m tests.benchmarks.review [COUNT]

The road is the sample, screened for real; a finding is made of each of its first station sides. A
picture is there once section, strip and map have been painted after the section arrived. Beside the
wall clock stands what the window's thread itself worked, which is what counts on a busy machine.
"""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import sys
import time
from functools import partial
from typing import Any

import numpy as np

from tests.benchmarks.window import Control, done_with, own_home, ready, report

PICTURE_MS = 150.0


def main(count: int) -> int:
    """Review `count` findings; 1 if a limit was missed."""
    home = own_home()
    from PySide6.QtCore import QEvent, QObject, QSettings, QStandardPaths, Qt
    from PySide6.QtTest import QTest

    QStandardPaths.setTestModeEnabled(True)
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, home.name)
    from tests.builders.many_findings import many_findings
    from tests.gui.heartbeat import Heartbeat, Watch, run_loop

    window = ready()
    model = window.model
    model.open_sample()
    run_loop(lambda: model.can_screen)
    model.screen()
    run_loop(lambda: model.study is not None and model.runner.idle(), timeout_s=600.0)
    assert model.loaded is not None
    model.take_screened(many_findings(model.loaded, count))
    run_loop(lambda: model.runner.idle() and not window.panes.coming)

    class Painted(QObject):
        """Notes when a widget was painted last."""

        at = 0.0

        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            if event.type() == QEvent.Type.Paint:
                self.at = time.perf_counter()
            return False

    heart = Heartbeat()
    window.commands["review"].trigger()
    run_loop(lambda: bool(window._review_page) and not window._turns and model.runner.idle())
    print(
        f"entering: the loop waited {1e3 * heart.worst_s:.0f} ms at most, of which own work "
        f"{1e3 * max(heart.work_s):.0f} ms"
    )
    page = window._review_page
    assert page is not None
    pictures: dict[str, Painted] = {}
    for name, widget in (
        ("section", page.section),
        ("strip", page.strip.area.viewport()),
        ("map", window.map.plot.viewport()),
    ):
        pictures[name] = Painted()
        widget.installEventFilter(pictures[name])
    shown = [0.0]
    page.shown.connect(lambda: shown.__setitem__(0, time.perf_counter()))

    def is_there(since: float) -> bool:
        return shown[0] > 0 and all(picture.at > since for picture in pictures.values())

    keys = Qt.Key
    ways: list[tuple[Any, ...]] = [(keys.Key_A,)] * 3 + [(keys.Key_R, keys.Key_1), (keys.Key_T,)]
    control, watch = Control(), Watch(heart)
    heart.restart()
    pressed, wall, own = [], [], []
    while page.queue.open_count:
        way = ways[len(pressed) % len(ways)]
        shown[0] = 0.0
        last = page.queue.open_count == 1
        for key in way:
            began, worked = time.perf_counter(), time.thread_time()
            QTest.keyClick(window.focusWidget() or window, key)
        pressed.append(len(way))
        if last:
            break
        run_loop(partial(is_there, began))
        wall.append(1e3 * (max(shown[0], *(p.at for p in pictures.values())) - began))
        own.append(1e3 * (time.thread_time() - worked))
    run_loop(model.runner.idle)
    states = [review.state for review in model.reviews.values()]
    assert len(states) == count
    print(
        f"{count} findings by {sum(pressed)} keys, median {np.median(pressed):.0f} each: "
        + ", ".join(f"{states.count(s)} {s}" for s in sorted(set(states)))
    )
    for name, values in (("key to picture", wall), ("of it own work", own)):
        print(
            f"{name:<16} median {np.median(values):6.1f} ms, 95 % {np.percentile(values, 95):6.1f}"
            f" ms, worst {max(values):6.1f} ms (limit {PICTURE_MS:.0f})"
        )
    report("reviewing", heart, control, watch)
    for _ in range(count):
        model.undo.undo()
    assert not model.reviews
    missed = np.median(pressed) > 2 or np.median(wall) > PICTURE_MS or max(own) > PICTURE_MS
    model.runner.shutdown()
    done_with(window)
    return int(missed)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
