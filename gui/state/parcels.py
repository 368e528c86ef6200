"""Values handed from one process of this program to another over a pipe, arrays beside the rest.

A parcel is a pickle with its large arrays behind it, so that neither side copies an array more than
once, and none holds the interpreter for long: both ask a function of Python's for every piece of
the pickle. Parcels are only for a process that this program started itself, over a pipe that nobody
else has: a pickle can do anything.
"""

from __future__ import annotations

import contextlib
import pickle
import struct
import threading
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import IO, Any

import numpy as np

__all__ = ["Kept", "Parcel", "Sender", "parts", "receive"]

# The number of the job, whether it is over, how many arrays lie beside, the length of the pickle.
_HEAD = struct.Struct("<Q?QQ")
_LENGTH = struct.Struct("<Q")
# Smaller arrays cost less inside the pickle.
_BESIDE_BYTES = 2**16


class Kept:
    """Stands for something that the other side has kept: it can be handed back, and no more."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Parcel:
    """What came for or from a job, its last or not; without a pickle it says that it is off."""

    job: int
    is_last: bool
    data: bytearray
    beside: tuple[bytearray, ...]

    def opened(self, known: Mapping[str, Any]) -> Any:
        """Return the value; what was packed as a name of `known` is that very object."""
        return _Opener(_Pieces(self.data), self.beside, known).load()


class Sender:
    """Puts parcels into a pipe, one after another whoever sends."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self._pipe = pipe
        self._one_at_a_time = threading.Lock()

    def send(self, job: int, value: Any, known: Mapping[str, Any], *, is_last: bool = True) -> None:
        """Send a value; of what is `known` to the other side, only the name.

        Raises
        ------
        OSError
            If nobody reads any more.
        Exception
            Of whatever kind, if the value can't be packed; then nothing was sent.
        """
        packed = _Packed()
        _Packer(packed, known).dump(value)
        views = [buffer.raw() for buffer in packed.beside]
        lengths = [_LENGTH.pack(view.nbytes) for view in views]
        head = _HEAD.pack(job, is_last, len(views), sum(map(len, packed.pieces)))
        with self._one_at_a_time:
            pieces: tuple[bytes | memoryview, ...]
            pieces = (b"".join((head, *lengths)), *views, *packed.pieces)
            for piece in pieces:
                self._write(memoryview(piece))

    def call_off(self, job: int) -> None:
        """Say that nobody waits for a job any more."""
        with self._one_at_a_time:
            self._write(memoryview(_HEAD.pack(job, True, 0, 0)))

    def close(self) -> None:
        """Send nothing any more; only once nobody is there to be waited for."""
        with self._one_at_a_time, contextlib.suppress(OSError):
            self._pipe.close()

    def _write(self, rest: memoryview) -> None:
        while rest.nbytes:
            # An unbuffered pipe takes what fits.
            rest = rest[self._pipe.write(rest) :]


def receive(pipe: IO[bytes]) -> Parcel | None:
    """Wait for the next parcel from an unbuffered pipe; None once the other side is gone."""
    head = _read(pipe, _HEAD.size)
    if head is None:
        return None
    job, is_last, many, length = _HEAD.unpack(head)
    lengths = _read(pipe, many * _LENGTH.size)
    if lengths is None:
        return None
    beside = []
    for (size,) in _LENGTH.iter_unpack(lengths):
        array = _read(pipe, size)
        if array is None:
            return None
        beside.append(array)
    data = _read(pipe, length)
    return None if data is None else Parcel(job, is_last, data, tuple(beside))


def _read(pipe: IO[bytes], size: int) -> bytearray | None:
    """Read so many bytes; None if the pipe ends before."""
    into = bytearray(size)
    rest = memoryview(into)
    while rest.nbytes:
        try:
            got = pipe.readinto(rest)  # type: ignore[attr-defined]
        except (OSError, ValueError):
            # Closed on this side meanwhile.
            return None
        if not got:
            return None
        rest = rest[got:]
    return into


def parts(value: Any, without: Collection[int] = ()) -> Iterator[Any]:
    """What a value is made of, itself among it, in an order that a copy of it shares.

    These are the arrays and frozen records that what is worked out from a value may hold again,
    `without` those of some `id`.
    """
    if id(value) in without:
        return
    if is_dataclass(value) and not isinstance(value, type):
        yield value
        inside: Iterable[Any] = (getattr(value, field.name) for field in fields(value))
    elif isinstance(value, np.ndarray):
        yield value
        return
    elif isinstance(value, tuple):
        inside = value
    elif isinstance(value, Mapping):
        inside = value.values()
    else:
        return
    for one in inside:
        yield from parts(one, without)


class _Packed:
    """Gathers the pieces of a pickle, and the arrays that lie beside it."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []
        self.beside: list[pickle.PickleBuffer] = []

    def write(self, piece: bytes) -> int:
        self.pieces.append(bytes(piece))
        return len(piece)

    def is_inside(self, buffer: pickle.PickleBuffer) -> bool:
        if buffer.raw().nbytes < _BESIDE_BYTES:
            return True
        self.beside.append(buffer)
        return False


class _Packer(pickle.Pickler):
    def __init__(self, into: _Packed, known: Mapping[str, Any]) -> None:
        super().__init__(into, protocol=5, buffer_callback=into.is_inside)
        self._names = {id(value): name for name, value in known.items()}

    def persistent_id(self, value: Any) -> str | None:
        return self._names.get(id(value))


class _Pieces:
    """A pickle as a file of Python's: between two reads the interpreter can go to others."""

    def __init__(self, data: bytearray) -> None:
        self._rest = memoryview(data)

    def read(self, size: int) -> bytes:
        piece, self._rest = self._rest[:size], self._rest[size:]
        return bytes(piece)

    def readline(self) -> bytes:
        raise pickle.UnpicklingError("no pickle of this program holds lines")


class _Opener(pickle.Unpickler):
    def __init__(
        self, pieces: _Pieces, beside: tuple[bytearray, ...], known: Mapping[str, Any]
    ) -> None:
        super().__init__(pieces, buffers=beside)
        self._known = known

    def persistent_load(self, name: str) -> Any:
        return self._known[name]
