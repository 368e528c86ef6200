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
from typing import Any

import pytest

from analysis.common.limits import default_limits, limits_to_toml
from analysis.common.settings import Settings
from analysis.findings.geopackage import read_findings
from gui.state import jobs
from gui.state.loaded import Loaded
from tests.gui.conftest import quiet_progress

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
model = window.model
"""

OPEN = """
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


# What a person did before the window was killed, by what it is: done with findings open, and seen
# again after them.
FINDINGS = """
def findings(path):
    model.open_study(path)
    until(lambda: model.path == path and not window.panes.coming)

findings(sys.argv[1])
"""
DONE = {
    "moved edge": "model.correct(0, 6, 1, 'edge', 3.1)",
    "hinge moved and given back": """
model.correct(0, 6, 1, "hinge", 5.3)
model.correct(0, 9, 0, "hinge", 5.2)
model.correct(0, 6, 1, "hinge", None)
""",
    "kerb answered": """
until(lambda: model.study is not None)
model.answer_kerb(0, False)
""",
    "review with reason and note": """
from analysis.findings.reviews import Review
model.put_review(model.reach_key(0), Review("rejected", "side road", "a mouth, no fault"))
""",
    "limits tried and kept": """
from dataclasses import replace
from gui.state.trial import Trial
until(lambda: model.study is not None and model.runner.idle())
trial = Trial(model)
name = "shoulder_least_pct"
entry = model.limits[name]
trial.start(model.limits.with_entries({name: replace(entry, value=entry.value + 0.5)}), "x")
until(lambda: trial.change is not None)
trial.keep()
""",
    "limits before anything was measured": """
from dataclasses import replace
model.runner.cancel_all()
name = "shoulder_least_pct"
entry = model.limits[name]
model.set_limits(model.limits.with_entries({name: replace(entry, value=entry.value + 0.5)}))
""",
    "readings typed in": """
page = window.panes["field"].fill().readings
for station, fall in (("0+050", "48"), ("0+070", "31.5")):
    page.station.setText(station)
    page.fall.setText(fall)
    page.add()
""",
    "widths": """
from dataclasses import replace
model.set_settings(replace(model.settings, pavement_width_m=6.4, shoulder_width_m=1.7))
""",
    "panes laid out": """
QTest.qWait(4_000)
window.panes.by_name["along"].hide()
""",
    "second findings opened": """
model.correct(0, 6, 1, "edge", 3.1)
QTest.qWait(4_000)
findings(sys.argv[2])
model.set_review(model.reach_key(0), "agreed")
""",
    "called back": """
for edge in (3.1, 3.2, 3.3):
    model.correct(0, 6, 1, "edge", edge)
    QTest.qWait(1_100)
model.undo.undo()
""",
}
# Done with files open and nothing screened yet.
UNSCREENED = {
    "files and widths": """
from dataclasses import replace
model.set_settings(replace(model.settings, pavement_width_m=6.4, surface="turf"))
""",
    "how the road is read": """
model.open_roads(RoadSource(sys.argv[2], start_m=500.0, reverse=True))
until(lambda: model.inputs.source.reverse and bool(model.roads))
""",
    "a width half typed": """
window.activateWindow()
until(lambda: not window.panes.coming and window.panes["inputs"].filled)
QTest.qWait(300)
window.panes["inputs"].raise_()
box = window.panes["inputs"].widget().shoulder
box.setFocus()
box.selectAll()
QTest.keyClicks(box, "2.7")
""",
}
# Done with findings open: beside them, or not entered yet.
BESIDE = {
    "means and days of a programme": """
page = window.panes["plan"].fill()
page.crew_days.setValue(12.5)
page.dated.setChecked(True)
QTest.keyClicks(page.traffic_plan, "TC 14")
""",
    "days and names of two surveys": """
page = window.panes["field"].fill().surveys
page.open_other(sys.argv[2])
until(lambda: page.other_path == sys.argv[2])
page.other_day.setDate(page.other_day.date().addYears(-3))
QTest.keyClicks(page.other_name, "before the flood")
""",
    "a grid to compare with": """
until(lambda: model.study is not None and model.runner.idle())
model.open_second(model.terrain.path)
until(lambda: model.second_study is not None)
""",
    "a note and a reading half typed": """
until(lambda: model.study is not None and model.runner.idle())
window.activateWindow()
QTest.keyClick(window, Qt.Key.Key_F9)
until(lambda: window._review_page is not None and not window._turns)
QTest.keyClick(window.focusWidget(), Qt.Key.Key_N)
QTest.keyClicks(window.focusWidget(), "look at the culv")
QTest.keyClicks(window.panes["field"].fill().readings.fall, "48")
""",
}
SEEN_TYPED = """
def typed():
    from gui.window.being_typed import being_typed
    QTest.qWait(1_500)
    until(model.runner.idle)
    second = model.second_study
    return {
        "source": repr(model.inputs.source),
        "terrain": repr(model.inputs.terrain_source),
        "settings": model.settings.to_json(),
        "beside": model.beside.to_json(),
        "drafts": model.drafts.record(),
        "typing": being_typed(),
        "compared": None if second is None else second.roads[0].case.grid.name,
    }

tell(**typed())
"""
SEEN = """
def seen():
    return {
        "edits": sorted([*key, u] for key, u in model.corrections.items()),
        "reviews": sorted(
            [*map(str, place), r.state, r.reason, r.note] for place, r in model.reviews.items()
        ),
        "limits": limits_to_toml(model.limits),
        "settings": model.settings.to_json(),
        "readings": [[r.station_m, r.reading_mm] for r in model.typed.readings],
        "along": window.panes.by_name["along"].isHidden(),
    }

from analysis.common.limits import limits_to_toml
tell(**seen())
"""
WAIT = """
until(lambda: False)
"""
AGAIN = """
from PySide6.QtWidgets import QMessageBox, QPushButton
window.files.offer_recovery()
box = window.dialogs.shown
if isinstance(box, QMessageBox):
    next(b for b in box.buttons() if b.text() == "Recover it").click()
else:
    model.open_study(sys.argv[1])
until(lambda: model.findings is not None and not window.panes.coming)
"""
RECOVER = """
from PySide6.QtWidgets import QMessageBox
window.files.offer_recovery()
box = window.dialogs.shown
assert isinstance(box, QMessageBox)
next(b for b in box.buttons() if b.text() == "Recover it").click()
until(lambda: not model.runner.busy and not window.panes.coming)
"""
SAVE = """
said = []
for number in range(100):
    model.correct(0, 6, 1, "edge", 3.0 + 0.001 * number)
    tell(u=round(3.0 + 0.001 * number, 3), at=time.time())
    model.save(sys.argv[1], lambda u=round(3.0 + 0.001 * number, 3): tell(saved=u))
    end = time.monotonic() + 0.4
    until(lambda: time.monotonic() > end and not model.runner.is_running("save"))
"""
COPY = """
for number in range(100):
    model.correct(0, 6, 1, "edge", 3.0 + 0.001 * number)
    tell(u=round(3.0 + 0.001 * number, 3), at=time.time())
    window.files.autosave.save_now()
    until(lambda: model.runner.is_running("autosave") or window.files.autosave._kept > 0)
    tell(writing=True)
    end = time.monotonic() + 0.4
    until(lambda: time.monotonic() > end and not model.runner.is_running("autosave"))
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


def start(
    code: str, env: dict[str, str], *arguments: str, opened: str = OPEN
) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD + opened + code, *arguments],
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
    # One that was being written as the window was killed is hidden, and may go any moment.
    copies = [p for p in tmp_path.rglob("unsaved/*.gpkg") if not p.name.startswith(".")]
    kept = {round(float(u), 3) for copy in copies for u in read_findings(str(copy)).edits["u_m"]}
    assert due or edits < 15
    assert due <= kept


@pytest.fixture
def saved(shared_results: tuple[jobs.Inputs, Loaded], tmp_path: Path) -> tuple[str, str]:
    """Save the small road's findings twice, under names of their own."""
    _, loaded = shared_results
    paths = str(tmp_path / "first.gpkg"), str(tmp_path / "second.gpkg")
    for path in paths:
        order = jobs.SaveOrder(loaded.findings, Settings(), default_limits(), {}, {}, path)
        jobs.save(quiet_progress(), order)
    return paths


def killed(process: subprocess.Popen[str]) -> None:
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=20)


def recovered(screen: dict[str, str], path: str) -> dict[str, Any]:
    """Start the window again, recover what it finds, else open a file, and tell what is there."""
    out, _ = start(AGAIN + SEEN, screen, path, opened="").communicate(timeout=300)
    told: dict[str, Any] = json.loads(out)
    return told


@pytest.mark.parametrize("screen", SCREENS[:1], indirect=True, ids=["1280x720"])
@pytest.mark.parametrize("what", DONE)
def test_killed_window_gives_back_what_was_done(
    screen: dict[str, str], saved: tuple[str, str], what: str
) -> None:
    """What was done some seconds before kill −9 is there again once recovered."""
    running = start(DONE[what] + SEEN + WAIT, screen, *saved, opened=FINDINGS)
    assert running.stdout is not None
    before = json.loads(running.stdout.readline())
    time.sleep(LOST_S + WRITING_S)
    killed(running)
    untouched = {"edits": [], "reviews": [], "readings": [], "along": False}
    changed = {name for name, value in untouched.items() if before[name] != value}
    changed |= {"limits"} if before["limits"] != limits_to_toml(default_limits()) else set()
    changed |= {"settings"} if before["settings"] != Settings().to_json() else set()
    assert changed, "something must have been done"
    assert recovered(screen, saved[0]) == before


@pytest.mark.parametrize("screen", SCREENS[:1], indirect=True, ids=["1280x720"])
@pytest.mark.parametrize("what", (*UNSCREENED, *BESIDE))
def test_killed_window_gives_back_what_was_open_and_typed(
    screen: dict[str, str], saved: tuple[str, str], shared_files: tuple[str, str], what: str
) -> None:
    """Also where nothing was screened yet, or what was typed isn't entered."""
    files, how = (saved, FINDINGS) if what in BESIDE else (shared_files, OPEN)
    code = {**UNSCREENED, **BESIDE}[what] + SEEN_TYPED + WAIT
    running = start(code, screen, *files, opened=how)
    assert running.stdout is not None
    before = json.loads(running.stdout.readline())
    time.sleep(LOST_S + WRITING_S)
    killed(running)
    out, _ = start(RECOVER + SEEN_TYPED, screen, opened="").communicate(timeout=300)
    assert json.loads(out) == before
    kept = before["beside"] or before["drafts"] or before["typing"] or what in UNSCREENED
    assert kept, "something must have been typed"


@pytest.mark.parametrize("screen", SCREENS[:1], indirect=True, ids=["1280x720"])
@pytest.mark.parametrize("code", (SAVE, COPY), ids=("saving", "copying"))
@pytest.mark.parametrize("later_s", (0.0, 0.03, 0.1))
def test_killed_while_writing_leaves_a_whole_file(
    screen: dict[str, str], saved: tuple[str, str], code: str, later_s: float
) -> None:
    """Killed in the middle of writing, file and copy are whole and hold what they held."""
    running = start(code, screen, *saved, opened=FINDINGS)
    assert running.stdout is not None
    told: list[dict[str, Any]] = []
    while sum("u" in line for line in told) < 6:
        told.append(json.loads(running.stdout.readline()))
    if code == COPY:
        told.append(json.loads(running.stdout.readline()))
    time.sleep(later_s)
    killed(running)
    made = [line["u"] for line in told if "u" in line]
    sure = [line["saved"] for line in told if "saved" in line] if code == SAVE else made[:-1]
    assert sure
    in_file = list(read_findings(saved[0]).edits["u_m"])
    found = [u for *_, u in recovered(screen, saved[0])["edits"]]
    # The last that is sure, or what came after it.
    assert max(map(float, found)) >= sure[-1] - 1e-9
    if code == SAVE:
        assert max(map(float, in_file)) >= sure[-1] - 1e-9
