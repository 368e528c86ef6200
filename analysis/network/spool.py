"""What is done of a job, kept beside the file that it is for until that is written.

Each result is a file of its own that is written beside its place and then put there, with the sum
of what it holds: a job that is ended at any moment leaves whole files, or such as are seen to be
none and are made again. Nothing is run that a file says: only the program's own plain values and
arrays are read back.
"""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import shutil
from collections.abc import Sequence
from dataclasses import is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from analysis.common.errors import OutputError
from analysis.common.outputs import is_disk_full

__all__ = ["Spool", "kept", "read_back"]

_SUM_BYTES = 32
_PLAIN = {
    ("builtins", "slice"),
    ("builtins", "set"),
    ("builtins", "frozenset"),
    ("numpy", "ndarray"),
    ("numpy", "dtype"),
    ("numpy.core.multiarray", "_reconstruct"),
    ("numpy.core.multiarray", "scalar"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy._core.numeric", "_frombuffer"),
}


def _member(kind: Any, name: str) -> Any:
    """Return a member of an enumeration, which early versions of Python 3.11 spell by `getattr`."""
    if isinstance(kind, type) and issubclass(kind, Enum) and name in kind.__members__:
        return kind[name]
    raise pickle.UnpicklingError(f"{name} of {kind} has no place in a result")


class _Reader(pickle.Unpickler):
    """Reads values of this program and arrays, and nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        """Return a class that a result may hold."""
        if (module, name) in _PLAIN:
            return super().find_class(module, name)
        if (module, name) == ("builtins", "getattr"):
            return _member
        if module.partition(".")[0] == __name__.partition(".")[0]:
            found = super().find_class(module, name)
            if isinstance(found, type) and (is_dataclass(found) or issubclass(found, Enum)):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} has no place in a result")


def kept(*values: object) -> bytes:
    """Results as bytes, one after another."""
    return b"".join(pickle.dumps(value, protocol=5) for value in values)


def read_back(held: bytes, number: int = 0) -> Any:
    """One of the results that `kept` made bytes of, by its number."""
    stream = io.BytesIO(held)
    value: Any = None
    for _ in range(number + 1):
        value = _Reader(stream).load()
    return value


class Spool:
    """The folder of results beside the file `out`.

    Parameters
    ----------
    out
        The file that the job is for.
    job
        What tells this job from any other: results of another are thrown away.
    """

    def __init__(self, out: Path, job: str) -> None:
        self.out = out
        self.folder = out.with_name(f".{out.name}.unfinished")
        if self._job_there() not in (job, None):
            self.clear()
        self.folder.mkdir(exist_ok=True)
        self._write(self.folder / "job", job.encode())

    def _job_there(self) -> str | None:
        """What the folder's job was; None where there is no folder."""
        try:
            return (self.folder / "job").read_bytes().decode(errors="replace")
        except OSError:
            return "" if self.folder.exists() else None

    def __contains__(self, name: str) -> bool:
        return self.get(name) is not None

    def get(self, name: str) -> bytes | None:
        """The result of this name; None where there is none, or it isn't whole."""
        try:
            with (self.folder / name).open("rb") as file:
                told, held = file.read(_SUM_BYTES), file.read()
        except OSError:
            return None
        return held if hashlib.sha256(held).digest() == told else None

    def put(self, name: str, held: bytes) -> None:
        """Keep a result."""
        self._write(self.folder / name, hashlib.sha256(held).digest(), held)

    def drop(self, names: Sequence[str]) -> None:
        """Forget results that others were made of."""
        for name in names:
            (self.folder / name).unlink(missing_ok=True)

    def clear(self) -> None:
        """Forget everything."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def _write(self, place: Path, *held: bytes) -> None:
        beside = place.with_name(f"{place.name}.part")
        try:
            with beside.open("wb") as file:
                file.writelines(held)
            os.replace(beside, place)
        except OSError as error:
            full = is_disk_full(error, self.folder.parent)
            reason = "The disk is full" if full else f"{error.strerror or error}"
            raise OutputError(
                f"{reason}: what was measured can't be kept in {self.folder}; make room and start "
                "again, it goes on from where it was."
            ) from error
