"""Writing a file so that a good one at its place is replaced only by a whole new one."""

from __future__ import annotations

import contextlib
import errno
import glob
import os
import re
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

from analysis.common.errors import OutputError

__all__ = ["check_no_input", "check_own", "is_disk_full", "is_own", "replacing", "safe_cell"]

_OWN = {
    ".csv": re.compile(
        rb"(\xef\xbb\xbf)?(station,road,station_m,side,|road,station_m,kind,side,offset_m,"
        rb"|road,side,(station_m,slope_before_pct|from_m,to_m,finding,length_m,change),"
        rb"|place[,;]road[,;]station[,;]side[,;]"
        rb"|[a-z0-9_,]+,review,review_reason\r?\n|from,to,road,side,|work_from,work_to,order,)"
    ),
    ".geojson": re.compile(rb'\{.{0,4000}"FeatureCollection".*"cautions"', re.DOTALL),
    ".gpx": re.compile(rb'<\?xml.*<gpx[^>]*creator="Vergeline"', re.DOTALL),
    ".html": re.compile(
        rb'<!DOCTYPE html>.*<meta name="generator" content="Vergeline">', re.DOTALL
    ),
    ".kml": re.compile(rb"<\?xml.*<kml[^>]*>\s*<Document>\s*<name>Vergeline", re.DOTALL),
    ".md": re.compile(rb"# [^\n]*\n\n<!-- Vergeline -->"),
    ".pdf": re.compile(rb"%PDF-.*/Creator \(\xfe\xff\0V\0e\0r\0g\0e\0l\0i\0n\0e\)", re.DOTALL),
    ".png": re.compile(rb"\x89PNG\r\n\x1a\n.*tEXtSoftware\0Vergeline", re.DOTALL),
    ".svg": re.compile(rb"<\?xml.*<desc>Vergeline</desc>", re.DOTALL),
    ".toml": re.compile(rb"# Limits and work settings\. Each entry: value, unit, source, note\."),
}
"""How the files that this program writes begin, by what they are."""

_QUOTA = (errno.EDQUOT,) if hasattr(errno, "EDQUOT") else ()
_FORGOTTEN_S = 3600.0
"""A part that nobody wrote to for this long belongs to no program any more."""


# A spreadsheet takes a cell that begins with one of these for a formula and runs it.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(text: str) -> str:
    """Return a text for a table, with an apostrophe before what a spreadsheet would run.

    >>> safe_cell("=1+1"), safe_cell("Alder Lane")
    ("'=1+1", 'Alder Lane')
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def is_own(path: str | os.PathLike[str], kind: str) -> bool:
    """Whether a file, by its beginning, is one that this program writes.

    Parameters
    ----------
    path : path
    kind : str
        Ending of what is to take its place, such as ".csv". Nothing of any other kind counts as
        the program's own.
    """
    with open(path, "rb") as file:
        head = file.read(16_384)
    return not head or (kind in _OWN and _OWN[kind].match(head) is not None)


def check_own(path: str | os.PathLike[str], kind: str, mend: str) -> None:
    """Refuse a place where there is a file that this program didn't write.

    Parameters
    ----------
    path, kind
        As in `is_own`.
    mend : str
        What the person can do, as the end of the sentence.

    Raises
    ------
    OutputError
        If there is such a file, or it can't be looked at.
    """
    try:
        if not os.path.exists(path) or is_own(path, kind):
            return
    except OSError as error:
        raise OutputError(
            f"{os.fspath(path)} is there already and can't be read ({error.strerror}): choose "
            "another name."
        ) from None
    raise OutputError(
        f"{os.fspath(path)} is there already and nothing that this program wrote in its place: "
        f"{mend}."
    )


def check_no_input(path: str | os.PathLike[str], inputs: Iterable[str | None]) -> None:
    """Refuse the place of a file that was read; None among the inputs is passed over.

    Raises
    ------
    OutputError
        If the file there is one of the inputs.
    """
    target = Path(path)
    for source in inputs:
        if source and target.exists() and os.path.exists(source) and target.samefile(source):
            raise OutputError(
                f"{target} is one of the input files and would be lost: choose another name."
            )


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
