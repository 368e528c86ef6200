"""GeoPackages in which SQL has been at work, as a stranger's may be."""

import sqlite3
from contextlib import closing
from pathlib import Path


def spoil(whole: Path, folder: Path, *commands: str) -> Path:
    """Give a copy of a file, in a folder, on which the commands were run."""
    path = folder / "spoilt.gpkg"
    path.write_bytes(whole.read_bytes())
    with closing(sqlite3.connect(path)) as base:
        # The triggers of the spatial index call functions that SQLite alone doesn't have.
        for (name,) in base.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        for command in commands:
            base.execute(command)
        base.commit()
    return path
