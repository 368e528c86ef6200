"""Files that a person hands in, looked at before any library opens them.

A pipe or a device would be waited for without end, and an address would call a stranger's
machine: both are refused here, and so is what the person has no permission to read.
"""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

from analysis.common.errors import VergelineError

__all__ = ["ALLOW_ADDRESSES", "addresses_allowed", "check_given", "is_local", "read_text"]

ALLOW_ADDRESSES = "VERGELINE_ALLOW_ADDRESSES"
"""Set to 1 in the environment, files may be read over the network."""

_SOURCE = re.compile(rb"<(?:SourceFilename|SrcDataSource)[^>]*>([^<]+)<")
_LARGEST_TEXT_BYTES = 64 * 1024 * 1024
_FAR = re.compile(
    rb"/vsi(?:curl|s3|gs|az|adls|oss|swift|hdfs|webhdfs)|\b(?:https?|ftp)://"
    rb"|\b(?:PG|MYSQL|MSSQL|OCI|WMS|WMTS|WCS|WFS|OAPIF|EEDA|EEDAI|STACTA|STACIT|PLMOSAIC):",
    re.IGNORECASE,
)
# A search holds every thread of the process, the window's too, until it ends.
_PIECE_BYTES = 64 * 1024
_POINTING = (b"<VRTDataset", b"<OGRVRTDataSource", b"<GDAL_WMS", b"<WCS_GDAL", b"<OGRWFSDataSource")


def addresses_allowed() -> bool:
    """Whether files may be read over the network."""
    return os.environ.get(ALLOW_ADDRESSES) == "1"


def is_local(text: str) -> bool:
    """Whether a text names a plain file or folder, and not a part of one or an address."""
    return not (text.startswith("/vsi") or "://" in text or text.count(":") > 1)


def check_given(
    path: str | os.PathLike[str], what: str, error: type[VergelineError] = VergelineError
) -> None:
    """Refuse what can't or mustn't be opened: pipes, devices, shut files, addresses.

    Parameters
    ----------
    path : path
        As the person gave it.
    what : str
        What it should be, as in "The terrain grid".
    error : type
        Raised, with one sentence.
    """
    text = os.fspath(path)
    try:
        text.encode()
    except UnicodeEncodeError:
        shown = text.encode(errors="backslashreplace").decode()
        raise error(f"The name of {shown} isn't written in UTF-8; rename the file.") from None
    if "\0" in text:
        raise error(f"{what} {text!r} can't be a file name; give another.")
    far = not addresses_allowed()
    if far and _FAR.search(text.encode()):
        raise error(
            f"{what} {text} lies on the network and isn't fetched from there: copy it here first, "
            f"or allow addresses (--allow-addresses on the command line, {ALLOW_ADDRESSES}=1 "
            "elsewhere)."
        )
    if not is_local(text):
        return
    try:
        mode = os.stat(text).st_mode
    except PermissionError:
        raise error(f"{what} {text} is in a folder that you have no permission to read.") from None
    except OSError:
        raise error(f"{what} {text} doesn't exist; check the path and the file name.") from None
    if stat.S_ISDIR(mode):
        return
    if not stat.S_ISREG(mode):
        raise error(f"{what} {text} is a pipe, device or socket; give a file.")
    if not os.access(text, os.R_OK):
        raise error(f"{what} {text} can't be read: you have no permission to; ask its owner.")
    if far:
        _check_pointing(text, what, error)


def _check_pointing(text: str, what: str, error: type[VergelineError], depth: int = 0) -> None:
    """Refuse a file that only points to others, where one of those is on the network."""
    with open(text, "rb") as file:
        head = file.read(4096)
        if not any(word in head for word in _POINTING):
            return
        body = head + file.read(_LARGEST_TEXT_BYTES)
    found = _address_in(body)
    if found:
        raise error(
            f"{what} {text} points to files on the network ({found}), which aren't "
            "fetched: copy them here first, or allow addresses (--allow-addresses on the command "
            f"line, {ALLOW_ADDRESSES}=1 elsewhere)."
        )
    for match in _SOURCE.finditer(body):
        name = match[1]
        if not name.lower().endswith(b".vrt"):
            continue
        inner = Path(text).parent / os.fsdecode(name)
        if inner.suffix.lower() == ".vrt" and inner.is_file() and depth < 8:
            _check_pointing(str(inner), what, error, depth + 1)


def _address_in(body: bytes) -> str:
    """Return the first address in a file's text, coordinate systems left out; "" if none."""
    at = 0
    while at < len(body):
        system = body.find(b"<SRS", at)
        end = system if system >= 0 else len(body)
        while at < end:
            # No address has this sign in it.
            cut = body.find(b">", at + _PIECE_BYTES, end)
            after = cut + 1 if cut >= 0 else end
            piece = body[at:after]
            # Few pieces have what every address has; to look for that is quicker by far.
            if (b":" in piece or b"/vsi" in piece.lower()) and (found := _FAR.search(piece)):
                return found[0].decode()
            at = after
        closed = body.find(b"</SRS>", at)
        at = closed if closed >= 0 else at + len(b"<SRS")
    return ""


def read_text(path: str | os.PathLike[str], what: str, error: type[VergelineError]) -> str:
    """Return the text of a small file in UTF-8, with or without its mark.

    Parameters
    ----------
    path, what, error
        As in `check_given`.
    """
    check_given(path, what, error)
    try:
        with open(path, "rb") as file:
            content = file.read(_LARGEST_TEXT_BYTES + 1)
        if len(content) > _LARGEST_TEXT_BYTES:
            raise error(
                f"{what} {os.fspath(path)} is larger than 64 MiB, which no table by hand is."
            )
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise error(f"{what} {os.fspath(path)} isn't UTF-8 text; save it as UTF-8.") from None
    except OSError as problem:
        raise error(f"{what} {os.fspath(path)} can't be read: {problem.strerror}.") from None
