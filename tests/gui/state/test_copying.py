"""Copies of unsaved work, written by a process of its own."""

from pathlib import Path

import pytest

from analysis.common.errors import Cancelled, OutputError
from analysis.findings.geopackage import Findings, read_findings
from gui.state.copying import Copier
from gui.state.model import WindowModel
from tests.gui.conftest import quiet_progress


@pytest.fixture
def findings(screened: WindowModel) -> Findings:
    assert screened.loaded is not None
    return screened.loaded.findings


def test_another_process_writes_what_this_one_would(findings: Findings, tmp_path: Path) -> None:
    """It goes on after what can't be written, after it died, and after it was called off."""
    copier, path = Copier(), str(tmp_path / "copy.gpkg")
    try:
        copier.write(quiet_progress(), findings, path)
        found = read_findings(path)
        assert list(found.stations["verdict"]) == list(findings.stations["verdict"])
        with pytest.raises(OutputError, match="doesn't exist"):
            copier.write(quiet_progress(), findings, str(tmp_path / "nowhere" / "copy.gpkg"))
        first = copier._process
        assert first is not None and first.poll() is None
        first.kill()
        first.wait()
        copier.write(quiet_progress(), findings, path)
        assert copier._process is not None and copier._process is not first

        with pytest.raises(Cancelled):
            copier.write(quiet_progress(called_off=True), findings, path)
        assert copier._process is None
        assert len(read_findings(path).stations) == len(findings.stations)
    finally:
        copier.leave()


def test_without_a_process_the_copy_is_written_all_the_same(
    findings: Findings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gui.state.copying.sys.executable", str(tmp_path / "no interpreter"))
    path = str(tmp_path / "copy.gpkg")
    Copier().write(quiet_progress(), findings, path)
    assert len(read_findings(path).stations) == len(findings.stations)
