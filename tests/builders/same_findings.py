"""Whether two findings files hold the same to the last bit, times apart."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

__all__ = ["differences"]

TIMES = ("made", "seconds")


def differences(one: Path, other: Path) -> list[str]:
    """What differs between two findings files: names of layers and columns."""
    with closing(sqlite3.connect(one)) as a, closing(sqlite3.connect(other)) as b:
        names = [
            {row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")}
            for base in (a, b)
        ]
        if names[0] != names[1]:
            return sorted(names[0] ^ names[1])
        out = []
        for table in sorted(names[0]):
            columns = [row[1] for row in a.execute(f"PRAGMA table_info({table})")]
            for column in columns:
                if column in TIMES:
                    continue
                rows = [
                    base.execute(f'SELECT "{column}" FROM {table} ORDER BY rowid').fetchall()
                    for base in (a, b)
                ]
                if rows[0] != rows[1]:
                    out.append(f"{table}.{column}")
        return out
