"""Heads of LAS and LAZ files looked at before a library reads them.

A library takes memory for as many points, records and chunks as a head claims, and ends the whole
program where there isn't so much; or it waits for them. Whether a file is long enough for what its
head claims costs nothing to see. Layout: LAS 1.4 R15, table 3; LAZ specification 1.4 R1, chunk
table.
"""

from __future__ import annotations

import math
import os
import struct

from analysis.common.errors import TerrainError

__all__ = ["check_head"]

_SHORTEST = 227
_RECORD, _LONG_RECORD = 54, 60
_COMPRESSED = 0xC0
_VARIABLE = 0xFFFFFFFF
_MOST_IN_A_CHUNK = 50_000_000
_LASZIP = b"laszip encoded\0\0"


def check_head(path: str) -> None:
    """Refuse a file whose head claims more than the file can hold.

    Parameters
    ----------
    path : str
        A file that can be read.

    Raises
    ------
    TerrainError
        With one sentence.
    """
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(375)
        if len(head) < _SHORTEST or head[:4] != b"LASF":
            raise TerrainError(
                f"The file {path} can't be read as points; give whole LAS, LAZ or COPC files."
            )
        length, begin, records, kind, point_bytes, count = struct.unpack_from("<HIIBHI", head, 94)
        if len(head) == 375 and head[25] >= 4:
            first_long, long_records, long_count = struct.unpack_from("<QIQ", head, 235)
            count = max(count, long_count)
            if long_records and first_long + _LONG_RECORD * long_records > size:
                raise _cut_off(path)
        numbers = struct.unpack_from("<12d", head, 131)
        if begin > size or length + _RECORD * records > begin or not point_bytes:
            raise _cut_off(path)
        if not all(math.isfinite(value) for value in numbers) or not all(numbers[:3]):
            raise TerrainError(
                f"The head of {path} gives a scale or bounds that are no numbers; write or fetch "
                "the file again."
            )
        if not kind & _COMPRESSED:
            if begin + count * point_bytes > size:
                raise _cut_off(path)
            return
    _check_chunks(path, begin)
    _check_table(path, begin, size, point_bytes)


def _cut_off(path: str) -> TerrainError:
    return TerrainError(
        f"The file {path} is cut off or damaged: it is shorter than its head says; fetch or write "
        "it again."
    )


def _at(path: str, place: int, count: int) -> bytes:
    with open(path, "rb") as file:
        file.seek(place)
        found = file.read(count)
    if len(found) < count:
        raise _cut_off(path)
    return found


def _check_chunks(path: str, begin: int) -> None:
    """See that the record of the compression names chunks that memory holds."""
    before = _at(path, 0, begin)
    at = before.find(_LASZIP)
    # the record's own head has two bytes before the name of who defined it
    record = before[at - 2 + _RECORD :] if at >= 2 else b""
    if len(record) < 34:
        raise _cut_off(path)
    (chunk,), (items,) = struct.unpack_from("<I", record, 12), struct.unpack_from("<H", record, 32)
    if not (0 < chunk <= _MOST_IN_A_CHUNK or chunk == _VARIABLE) or not 0 < items < 32:
        raise _cut_off(path)


def _check_table(path: str, begin: int, size: int, point_bytes: int) -> None:
    """See that the table of chunks lies in the file and has no more than fit into it."""
    (at,) = struct.unpack("<q", _at(path, begin, 8))
    if at == -1:
        # a writer that couldn't go back put it at the end
        (at,) = struct.unpack("<q", _at(path, size - 8, 8))
    if not begin + 8 <= at <= size - 8:
        raise _cut_off(path)
    _, chunks = struct.unpack("<II", _at(path, at, 8))
    # each chunk begins with one point as it is
    if chunks * point_bytes > size:
        raise _cut_off(path)
