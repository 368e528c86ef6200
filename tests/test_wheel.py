"""What is installed: every module and file of the packages, and nothing else."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

HOME = Path(__file__).parents[1]
PACKAGES = ("analysis", "gui", "resources", "sample_terrain")
LEFT_OUT = (".nbi", ".nbc")

pytest.importorskip("setuptools", reason="what builds a wheel")


def _files(folder: Path) -> set[str]:
    """Files of the packages, relative; without what running them leaves."""
    return {
        str(path.relative_to(folder))
        for package in PACKAGES
        for path in (folder / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix not in LEFT_OUT
    }


def test_all_that_a_package_needs_is_installed(tmp_path):
    """Setuptools lays out what goes into a wheel; caches of compiled code don't."""
    source = tmp_path / "source"
    for name in [*_files(HOME), "pyproject.toml", "README.md", "LICENSE"]:
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).symlink_to(HOME / name)
    (source / "analysis" / "stray.nbc").write_bytes(b"compiled")
    words = ["build_py", "--build-lib", str(tmp_path / "built")]
    done = subprocess.run(
        [sys.executable, "-c", "import setuptools; setuptools.setup()", "-q", *words],
        cwd=source,
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    built = tmp_path / "built"
    assert {path.name for path in built.iterdir()} == set(PACKAGES)
    assert _files(built) == _files(HOME)
    assert not list(built.rglob("*.nbc"))
