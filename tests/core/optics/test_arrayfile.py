"""Files of arrays: what is read, and what is refused before it can do harm."""

import io
import struct
import zipfile
import zlib

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import savemat

from app.core.optics.scanfile import Columns, read_columns
from app.core.optics.unreadable import ScanUnreadable

Z = np.linspace(-5, 5, 200)
Y = np.cos(Z)


def npy(array: np.ndarray, **how: object) -> bytes:
    out = io.BytesIO()
    np.save(out, array, **how)
    return out.getvalue()


def npz(**arrays: np.ndarray) -> bytes:
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return out.getvalue()


def mat(held: dict, *, packed: bool = True) -> bytes:
    out = io.BytesIO()
    savemat(out, held, do_compression=packed)
    return out.getvalue()


def hdf(fill, userblock: int = 0) -> bytes:
    out = io.BytesIO()
    with h5py.File(out, "w", userblock_size=userblock) as file:
        fill(file)
    return out.getvalue()


def two(file: h5py.File) -> None:
    file["run/detuning"] = Z
    file["run/detuning"].attrs["units"] = "MHz"
    file["run/signal"] = Y
    file["run/title"] = "a scan"
    file["gain"] = np.arange(3)


def refusal(data: bytes) -> ScanUnreadable:
    with pytest.raises(ScanUnreadable) as caught:
        read_columns(data)
    return caught.value


@pytest.mark.parametrize(
    ("data", "names", "unit"),
    [
        (npy(np.c_[Z, Y]), ("0", "1"), None),
        (npy(np.array([Z, Y])), ("0", "1"), None),
        (npy(np.rec.fromarrays([Z, Y], names="detuning_MHz,V")), ("detuning_MHz", "V"), "MHz"),
        (npz(detuning_MHz=Z, signal=Y, gain=np.arange(3)), ("detuning_MHz", "signal"), "MHz"),
        (mat({"detuning_MHz": Z, "signal": Y}), ("detuning_MHz", "signal"), "MHz"),
        (mat({"d": {"detuning_MHz": Z, "signal": Y}}, packed=False), ("d.detuning_MHz", "d.signal"), "MHz"),
        (hdf(two), ("run/detuning", "run/signal"), "MHz"),
        (hdf(two, userblock=512), ("run/detuning", "run/signal"), "MHz"),
    ],
)
def test_two_columns_come_out_of_every_format(data, names, unit):
    """Names, unit and numbers of the axis and the signal; what is shorter or no number is left aside."""
    columns = read_columns(data)
    assert columns.names == names
    assert columns.units[0] == unit
    np.testing.assert_allclose(columns.values, np.c_[Z, Y])
    assert "200 rows" in columns.in_words()


def test_rows_that_are_not_finite_are_left_out_and_counted():
    """One NaN and one infinity less."""
    y = Y.copy()
    y[3], y[5] = np.nan, np.inf
    columns = read_columns(npz(x=Z, y=y))
    assert (len(columns.values), columns.skipped_count) == (198, 2)
    assert "2 rows" in columns.in_words()


def test_objects_are_never_unpickled():
    """An array of Python objects, alone or in an archive, is refused by name."""
    bad = npy(np.array([{}, 1], dtype=object), allow_pickle=True)
    assert refusal(bad).code == "objects"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a.npy", bad)
    assert refusal(out.getvalue()).code == "objects"


def test_nothing_is_read_out_of_the_file(tmp_path):
    """HDF5 with an external link, a virtual set or storage elsewhere is refused; a soft link is passed over."""
    other = tmp_path / "other.h5"
    other.write_bytes(hdf(two))

    def link(file: h5py.File) -> None:
        file["x"] = h5py.ExternalLink(str(other), "/run/signal")

    def virtual(file: h5py.File) -> None:
        layout = h5py.VirtualLayout(shape=(200,), dtype=float)
        layout[:] = h5py.VirtualSource(str(other), "run/signal", shape=(200,))
        file.create_virtual_dataset("v", layout)

    def elsewhere(file: h5py.File) -> None:
        file.create_dataset("e", (200,), dtype=float, external=[(str(tmp_path / "raw"), 0, h5py.h5f.UNLIMITED)])

    for fill in (link, virtual, elsewhere):
        assert refusal(hdf(fill)).code == "outside"

    def soft(file: h5py.File) -> None:
        two(file)
        file["run/again"] = h5py.SoftLink("/run/signal")

    assert len(read_columns(hdf(soft)).names) == 2


def test_what_unpacks_to_too_much_is_refused_unopened():
    """Claims of a gigabyte in a header, and bombs of zeros in a zip and a MAT file."""
    head = npy(np.zeros(2)).replace(b"(2,)", b"(2000000000,)")
    assert refusal(head).code in {"too_large", "damaged"}
    zeros = zlib.compress(bytes(2**20) * 600)
    element = struct.pack("<II", 15, len(zeros)) + zeros
    assert refusal(b"MATLAB 5.0 MAT-file".ljust(124) + struct.pack("<H", 0x0100) + b"IM" + element).code == "too_large"

    def large(file: h5py.File) -> None:
        file.create_dataset("z", (200_000_000,), dtype=float, chunks=(1_000_000,), compression="gzip")

    assert refusal(hdf(large)).code == "too_large"


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_damaged_files_are_refused_never_worse(data):
    """Bytes changed or cut anywhere in a good file: columns, or one exception type."""
    good = data.draw(st.sampled_from(_GOOD))
    body = bytearray(good[: data.draw(st.integers(8, len(good)))])
    for at, value in data.draw(st.lists(st.tuples(st.integers(6, len(body) - 1), st.integers(0, 255)), max_size=6)):
        body[at] = value
    try:
        columns = read_columns(bytes(body))
    except ScanUnreadable:
        return
    assert isinstance(columns, Columns)
    assert np.isfinite(columns.values).all()


_GOOD = [npy(np.c_[Z, Y]), npz(x=Z, y=Y), mat({"x": Z, "y": Y}), mat({"x": Z, "y": Y}, packed=False)]
