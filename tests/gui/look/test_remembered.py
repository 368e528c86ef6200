"""What a person chose is there at once, lasts, and never makes the window wait for a disk."""

import subprocess
import sys
from collections.abc import Callable, Iterator

import pytest
from PySide6.QtCore import QByteArray, QSettings

from gui.look.remembered import Remembered, remembered
from tests.gui.heartbeat import Heartbeat, run_loop

Settle = Callable[..., None]

# As another program that is just writing the same file.
HOLD_FILE = """
import sys, time
from PySide6.QtCore import QLockFile
lock = QLockFile(sys.argv[1])
assert lock.lock()
print("held", flush=True)
time.sleep(1.0)
lock.unlock()
"""


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[Remembered]:
    monkeypatch.setattr("gui.look.remembered.WRITE_MS", 50)
    # That of all other tests writes the same file.
    assert remembered().leave()
    made = Remembered()
    yield made
    made.clear()
    assert made.leave()


def test_file_that_is_held_never_holds_the_window(store: Remembered) -> None:
    """Setting and reading take no time while the file can't be written; then it is."""
    store.set_value("first", "so that there is a file")
    assert store.leave()
    path = QSettings().fileName()
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD_FILE, f"{path}.lock"], stdout=subprocess.PIPE
    )
    assert holder.stdout is not None and holder.stdout.readline()
    holder.stdout.close()
    heart = Heartbeat()
    store.set_value("paper", "Letter")
    run_loop(lambda: holder.poll() is not None)
    store.set_value("folder", "/at/once")
    assert store.value("folder") == "/at/once"
    run_loop(lambda: "Letter" in _written(path) and "/at/once" in _written(path))
    heart.stop()
    assert max(heart.held_s) < 0.1, "the loop waited for the file"


def _written(path: str) -> str:
    with open(path, encoding="utf-8") as file:
        return file.read()


def test_everything_is_read_by_qt_and_next_time(store: Remembered) -> None:
    """The file is Qt's own: what was kept before is read, and Qt reads what is kept now."""
    store.set_value("layout", QByteArray(b"\x00\xffab"))
    store.set_value("layouts/two screens", QByteArray(b"cd"))
    store.set_value("review/reasons", ["bushes, high grass", "kerb"])
    store.set_value("light/azimuth", 315.5)
    store.set_value("recent", '[{"study": "Grünstraße.gpkg"}]')
    assert store.leave()
    qt, again = QSettings(), Remembered()
    qt.sync()
    for read in (qt, again):
        assert read.value("layout") == QByteArray(b"\x00\xffab")
        assert read.value("review/reasons") == ["bushes, high grass", "kerb"]
        assert float(str(read.value("light/azimuth"))) == 315.5
        assert read.value("recent") == '[{"study": "Grünstraße.gpkg"}]'
    assert again.names("layouts") == ["two screens"]
    again.remove("layout")
    assert not again.contains("layout")
    assert again.leave()
    assert not Remembered().contains("layout")


def test_what_another_window_chose_stays_and_is_seen(store: Remembered, settle: Settle) -> None:
    store.set_value("paper", "A4")
    assert store.leave()
    other = Remembered()
    other.set_value("units", "us")
    assert other.leave()
    assert not store.contains("units")
    store.set_value("paper", "Letter")
    settle(lambda: store.value("units") == "us")
    assert store.value("paper") == "Letter"
    assert store.leave()
    assert Remembered().value("units") == "us"


def test_change_outlives_a_kill_seconds_later(tmp_path: object) -> None:
    """Nobody has to leave in good order for what was chosen a few seconds ago to stay."""
    code = (
        "import sys, time\n"
        "from PySide6.QtCore import QCoreApplication, QEventLoop, QSettings, QTimer\n"
        "QSettings.setDefaultFormat(QSettings.Format.IniFormat)\n"
        "QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, sys.argv[1])\n"
        "app = QCoreApplication([])\n"
        "app.setOrganizationName('Killed')\n"
        "from gui.look.remembered import remembered\n"
        "remembered().set_value('paper', 'Letter')\n"
        "print(QSettings().fileName(), flush=True)\n"
        "app.exec()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    path = process.stdout.readline().strip()
    try:
        run_loop(lambda: _kept(path), timeout_s=20.0)
    finally:
        process.kill()
        process.communicate()
    assert "paper=Letter" in _written(path)


def _kept(path: str) -> bool:
    try:
        return "Letter" in _written(path)
    except OSError:
        return False
