"""Writing a file so that a good one at its place is replaced only by a whole new one."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

__all__ = ["replacing"]


@contextlib.contextmanager
def replacing(path: str | os.PathLike[str], *, ending: str = ".part") -> Iterator[Path]:
    """Give a name beside `path` to write to; it takes the place of `path` if all went well.

    Whatever is raised inside leaves `path` as it was and no scraps beside it.

    Parameters
    ----------
    path : path
        Where the file is to be in the end.
    ending : str
        How the name beside it ends, for writers that go by it.

    Raises
    ------
    OSError
        If the file can't be put in its place.
    """
    target = Path(path)
    beside = target.with_name(f".{target.name}.{os.getpid()}{ending}")
    try:
        yield beside
        os.replace(beside, target)
    finally:
        # A database may leave its journals too.
        for leftover in (beside, Path(f"{beside}-journal"), Path(f"{beside}-wal")):
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)
