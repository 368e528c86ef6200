"""Values handed from process to process: as they were, and in pieces."""

import io
import os
import pickle
import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from gui.state.parcels import Kept, Parcel, Sender, parts, receive


@dataclass(frozen=True, slots=True)
class Section:
    name: str
    z: np.ndarray
    rest: tuple[Any, ...] = ()


def sent(value: Any, known: dict[str, Any] | None = None) -> Parcel:
    """Send a value through a true pipe."""
    out, into = os.pipe()
    with os.fdopen(out, "rb", 0) as reading, os.fdopen(into, "wb", 0) as writing:
        thread = threading.Thread(target=Sender(writing).send, args=(7, value, known or {}))
        thread.start()
        parcel = receive(reading)
        thread.join()
    assert parcel is not None and parcel.job == 7 and parcel.is_last
    return parcel


@pytest.mark.parametrize("cells", [3, 200_000])
def test_arrays_come_as_they_were(cells: int) -> None:
    """Small ones in the pickle, large ones beside it: bits, order, and whether they are fixed."""
    z = np.linspace(0.0, 1.0, cells)
    z[1] = np.nan
    fixed = z.copy()
    fixed.flags.writeable = False
    fortran = np.asfortranarray(np.arange(2 * cells, dtype=np.int32).reshape(2, cells))
    value = {"z": z, "fixed": fixed, "fortran": fortran, "again": z, "every second": z[::2]}
    parcel = sent(value)
    assert bool(parcel.beside) == (cells > 3)
    found = parcel.opened({})
    for name, array in value.items():
        assert found[name].tobytes("A") == array.tobytes("A")
        assert (found[name].dtype, found[name].shape) == (array.dtype, array.shape)
        assert found[name].flags.writeable == array.flags.writeable
    assert found["fortran"].flags.f_contiguous
    assert found["again"] is found["z"]


def test_what_the_other_side_knows_isnt_sent() -> None:
    """It comes back as the very object; a name nobody knows is an error."""
    ground = Section("ground", np.zeros(10**5))
    parcel = sent(("road", ground), {"kept 0": ground})
    assert not parcel.beside and len(parcel.data) < 100
    assert parcel.opened({"kept 0": ground})[1] is ground
    with pytest.raises(KeyError):
        parcel.opened({})


def test_parts_come_in_the_same_order_on_both_sides() -> None:
    """Whatever is left out on one side stands for nothing on the other."""
    z = np.arange(4.0)
    ground = Section("ground", np.ones(3), (z,))
    value = (Section("a", z, (ground, None, 3.0)), {"x": z, "y": "text"})
    there = sent(value, {"kept 0": ground}).opened({"kept 0": Kept()})
    here, found = list(parts(value, {id(ground)})), list(parts(there))
    assert [type(one) for one in here] == [type(one) for one in found]
    assert [type(one) for one in here] == [Section, np.ndarray, np.ndarray]
    assert found[1] is found[2]


def test_a_pickle_is_opened_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is less than the interpreter should be held for; ten million letters are many."""
    from gui.state import parcels

    value = [f"station {number}" for number in range(500_000)]
    parcel, sizes = sent(value), []
    read = parcels._Pieces.read
    monkeypatch.setattr(
        parcels._Pieces, "read", lambda self, size: sizes.append(size) or read(self, size)
    )
    assert parcel.opened({}) == value
    assert max(sizes) < 2**17 < len(parcel.data)


@pytest.mark.parametrize("left", [0, 5, 30, -1])
def test_a_pipe_that_ends_early_gives_nothing(left: int) -> None:
    whole = io.BytesIO()
    Sender(whole).send(1, np.zeros(20_000), {})
    assert receive(io.BytesIO(whole.getvalue())) is not None
    assert receive(io.BytesIO(whole.getvalue()[:left])) is None


def test_what_cant_be_packed_leaves_the_pipe_alone() -> None:
    pipe = io.BytesIO()
    with pytest.raises((pickle.PicklingError, AttributeError)):
        Sender(pipe).send(1, lambda: None, {})
    assert not pipe.getvalue()
