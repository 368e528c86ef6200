"""The window on a real screen: under Xvfb with a window manager, with real keys, and killed.

Run by ``pytest -m real_window``; left out with a word where Xvfb or openbox isn't there.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.findings.geopackage import read_findings

missing = [name for name in ("Xvfb", "openbox") if shutil.which(name) is None]
pytestmark = [
    pytest.mark.real_window,
    pytest.mark.skipif(bool(missing), reason=f"{' and '.join(missing)} isn't installed here"),
]

# Width and height of the screen in its own pixels, and the system's scale.
SCREENS = ((1280, 720, 1.0), (1440, 900, 1.0), (1920, 1080, 1.5))
# What a crash may cost at most, and what a copy may take to write on a busy machine.
LOST_S, WRITING_S = 5.0, 3.0

CHILD = """
import json, sys, time
from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QToolBar
from gui.state.jobs import RoadSource
from gui.window.app import make_application
app = make_application()
from gui.window.window import Window

def tell(**what):
    print(json.dumps(what), flush=True)

def until(done):
    end = time.monotonic() + 120
    while not done():
        app.processEvents()
        time.sleep(0.005)
        assert time.monotonic() < end

window = Window()
window.show()
QTest.qWaitForWindowExposed(window)
window.model.open_files(sys.argv[1], RoadSource(sys.argv[2]))
until(lambda: window.model.can_screen)
"""

LOOK = """
window.model.screen()
until(lambda: window.model.study is not None and window.model.runner.idle())
until(lambda: not window.panes.coming and window.panes["reaches"].filled)
QTest.qWait(300)
free, frame = window.screen().availableGeometry(), window.frameGeometry()
bar = window.findChild(QToolBar, "toolbar")
table = window.panes["reaches"].widget()
buttons = [bar.widgetForAction(action) for action in bar.actions()]
buttons += [*table.buttons.values(), table.filter_button, window.caution_button]
outside = [
    button.accessibleName()
    for button in buttons
    if button.accessibleName() and button.visibleRegion().boundingRect() != button.rect()
]
window.activateWindow()
window.map.plot.setFocus()
window.model.select_reach(window.model.failing_reaches()[0])
QTest.keyClick(window.map.plot, Qt.Key.Key_T)
app.primaryScreen().grabWindow(0).save(sys.argv[3])
tell(inside=free.contains(frame), outside=outside, reviews=len(window.model.reviews))
"""

REVIEW = """
window.model.screen()
until(lambda: window.model.study is not None and window.model.runner.idle())
until(lambda: not window.panes.coming and window.panes["reaches"].filled)
window.activateWindow()
QTest.keyClick(window, Qt.Key.Key_F9)
until(lambda: window._review_page is not None and not window._turns)
until(window.model.runner.idle)
QTest.qWait(600)
app.primaryScreen().grabWindow(0).save(sys.argv[3])
page = window._review_page
def cut(widgets):
    return [w.accessibleName() for w in widgets if w.visibleRegion().boundingRect() != w.rect()]
usual = [*page.buttons.values(), page.skip_button, page.note, page.reviewer, page.leave_button]
outside = cut(usual)
window.map.plot.setFocus()
QTest.keyClick(window.focusWidget(), Qt.Key.Key_R)
QTest.qWait(50)
outside += cut(page.reasons.buttons)
app.primaryScreen().grabWindow(0).save(sys.argv[3].replace(".png", "_why.png"))
QTest.keyClick(window.focusWidget(), Qt.Key.Key_1)
QTest.qWait(50)
heights = [page.strip.height(), page.section.height(), window.map.height()]
QTest.keyClick(window.focusWidget(), Qt.Key.Key_Escape)
until(lambda: not window.panes.coming)
tell(outside=outside, heights=heights, back=window.commands.reviewing.page is None,
     reviews=[review.state for review in window.model.reviews.values()])
"""

EDIT = """
window.model.screen()
until(lambda: window.model.study is not None and window.model.runner.idle())
for number in range(60):
    window.model.correct(0, 1 + number % 17, 1, "edge", 3.0 + 0.001 * number)
    tell(u=round(3.0 + 0.001 * number, 3), at=time.time())
    end = time.monotonic() + 0.7
    until(lambda: time.monotonic() > end)
"""


@pytest.fixture
def screen(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[dict[str, str]]:
    """Yield the environment of a program on a screen of its own."""
    width, height, scale = request.param
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", f"{width}x{height}x24"],
        pass_fds=(write,),
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    with os.fdopen(read) as stream:
        display = f":{stream.readline().strip()}"
    places = {name: str(tmp_path) for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME")}
    env = {**os.environ, **places, "DISPLAY": display, "QT_QPA_PLATFORM": "xcb"}
    env["QT_SCALE_FACTOR"] = str(scale)
    manager = subprocess.Popen(["openbox"], env=env, stderr=subprocess.DEVNULL)
    try:
        yield env
    finally:
        for process in (manager, server):
            process.terminate()
            process.wait(20)


def start(code: str, env: dict[str, str], *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD + code, *arguments],
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


@pytest.mark.parametrize("screen", SCREENS, indirect=True, ids=lambda s: f"{s[0]}x{s[1]} at {s[2]}")
def test_window_is_whole_on_the_screen(
    screen: dict[str, str], shared_files: tuple[str, str], tmp_path: Path
) -> None:
    """Frame and every button are on the screen, and a key reviews with the focus in the map."""
    picture = str(tmp_path / "screen.png")
    done = start(LOOK, screen, *shared_files, picture)
    out, _ = done.communicate(timeout=300)
    told = json.loads(out)
    assert told["inside"]
    assert told["outside"] == []
    assert told["reviews"] == 1
    assert Path(picture).is_file()


@pytest.mark.parametrize("screen", SCREENS, indirect=True, ids=lambda s: f"{s[0]}x{s[1]} at {s[2]}")
def test_review_fills_the_screen(
    screen: dict[str, str], shared_files: tuple[str, str], tmp_path: Path
) -> None:
    """All of the review is in sight, keys decide with the focus in the map, Esc goes back."""
    picture = str(tmp_path / "review.png")
    done = start(REVIEW, screen, *shared_files, picture)
    out, _ = done.communicate(timeout=300)
    told = json.loads(out)
    assert told["outside"] == []
    assert min(told["heights"]) >= 120
    assert told["reviews"] == ["rejected"]
    assert told["back"]
    assert Path(picture).is_file()


@pytest.mark.parametrize("screen", SCREENS[:1], indirect=True, ids=["1280x720"])
@pytest.mark.parametrize("edits", (8, 15, 23))
def test_killed_window_has_lost_the_last_seconds_only(
    screen: dict[str, str], shared_files: tuple[str, str], tmp_path: Path, edits: int
) -> None:
    """After kill −9 in the middle of moving edges the copy holds all but what was just done."""
    running = start(EDIT, screen, *shared_files)
    assert running.stdout is not None
    made = [json.loads(running.stdout.readline()) for _ in range(edits)]
    running.send_signal(signal.SIGKILL)
    killed = time.time()
    running.communicate(timeout=20)
    # Places are moved again after 17 edits; of each the last counts.
    last = {number % 17: m for number, m in enumerate(made)}
    due = {m["u"] for m in last.values() if killed - m["at"] > LOST_S + WRITING_S}
    copies = list(tmp_path.rglob("unsaved/*.gpkg"))
    kept = {round(float(u), 3) for copy in copies for u in read_findings(str(copy)).edits["u_m"]}
    assert due or edits < 15
    assert due <= kept
