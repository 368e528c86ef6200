"""Writing a file so that a good one at its place is replaced only by a whole new one."""

from __future__ import annotations

import contextlib
import errno
import glob
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

__all__ = ["is_disk_full", "is_own", "replacing"]

_OWN = {
    ".csv": re.compile(rb"\xef\xbb\xbfstation,road,station_m,side,"),
    ".geojson": re.compile(rb'\{.{0,4000}"FeatureCollection".*"cautions"', re.DOTALL),
    ".gpx": re.compile(rb'<\?xml.*<gpx[^>]*creator="Vergeline"', re.DOTALL),
    ".png": re.compile(rb"\x89PNG\r\n\x1a\n"),
}
"""How the files that this program writes begin, by what they are."""

_QUOTA = (errno.EDQUOT,) if hasattr(errno, "EDQUOT") else ()
_FORGOTTEN_S = 3600.0
"""A part that nobody wrote to for this long belongs to no program any more."""


def is_own(path: str | os.PathLike[str], kind: str) -> bool:
    """Whether a file, by its beginning, is one that this program writes.

    Parameters
    ----------
    path : path
    kind : {".csv", ".geojson", ".gpx", ".png"}
        What is to take its place. Nothing of any other kind counts as the program's own.
    """
    with open(path, "rb") as file:
        head = file.read(16_384)
    return not head or (kind in _OWN and _OWN[kind].match(head) is not None)


def is_disk_full(error: BaseException, folder: Path) -> bool:
    """Whether a failure to write comes from a full disk, by what it or the system says."""
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EFBIG, *_QUOTA):
        return True
    if re.search(r"no space left|is full|quota|file too large", str(error), re.IGNORECASE):
        return True
    with contextlib.suppress(OSError, AttributeError):
        left = os.statvfs(folder)
        return left.f_bavail * left.f_frsize < 4 * 1024 * 1024
    return False


def _clear_forgotten(target: Path) -> None:
    """Delete the parts that killed programs left beside a file."""
    for part in target.parent.glob(f".{glob.escape(target.name)}.*.part*"):
        number = part.name.removeprefix(f".{target.name}.").split(".")[0]
        with contextlib.suppress(OSError):
            old = time.time() - part.stat().st_mtime > _FORGOTTEN_S
            if number.isdigit() and (old or not _is_running(int(number))):
                part.unlink()


def _is_running(number: int) -> bool:
    """Whether a program of this number may be running."""
    if os.name != "posix" or number == os.getpid():
        return True
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


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
    _clear_forgotten(target)
    try:
        yield beside
        os.replace(beside, target)
    finally:
        # A database may leave its journals too.
        for leftover in (beside, Path(f"{beside}-journal"), Path(f"{beside}-wal")):
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)
