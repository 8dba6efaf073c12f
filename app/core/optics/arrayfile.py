"""Scan files of arrays: NumPy .npy and .npz, MATLAB level 5 and HDF5, into columns of numbers.

None of them may run code or reach out of the file: no pickles, no HDF5 links, virtual sets or storage elsewhere, and
what unpacks to more than the limit is refused before it is unpacked.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections import Counter
from typing import Any

import numpy as np

from app.core.optics.results import FloatArray
from app.core.optics.unreadable import ScanUnreadable

LARGEST_UNPACKED = 512 * 1024 * 1024
_MOST_ARRAYS = 500
_DEEPEST = 12
_MOST_COLUMNS = 64
_SHORTEST = 16

Named = list[tuple[str, np.ndarray]]


def is_array_file(data: bytes) -> bool:
    """Whether these bytes begin as one of the formats read here do."""
    return data.startswith((b"\x93NUMPY", b"PK\x03\x04", b"MATLAB 5.0 MAT-file")) or _hdf5_at(data) >= 0


def read_arrays(data: bytes) -> tuple[str, list[str], list[str | None], FloatArray]:
    """Format, names, units as stated and values (n, k) of the columns in the file.

    Columns are the one-dimensional numeric arrays of the commonest length, or those of a two-dimensional one. Raises
    ScanUnreadable for whatever else the file holds, and for a file that is damaged.
    """
    try:
        if data.startswith(b"\x93NUMPY"):
            return _columns("NumPy array", [("", _npy(data))], {})
        if data.startswith(b"PK\x03\x04"):
            return _columns("NumPy archive", _npz(data), {})
        if _hdf5_at(data) >= 0:
            named, units = _hdf5(data)
            return _columns("HDF5", named, units)
        return _columns("MATLAB file", _mat(data), {})
    except ScanUnreadable:
        raise
    except Exception as error:  # every one of these libraries has its own ways to fail on damaged bytes
        raise ScanUnreadable("damaged", f"the file is damaged, or no such file at all: {_first_line(error)}") from None


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:120]


def _columns(kind: str, named: Named, units: dict[str, str]) -> tuple[str, list[str], list[str | None], FloatArray]:
    found: list[tuple[str, np.ndarray]] = []
    for name, array in named:
        found += _split(name, array)
    if not found:
        raise ScanUnreadable("no_numbers", "the file holds no array of numbers long enough for a scan")
    length = Counter(len(a) for _, a in found).most_common(1)[0][0]
    found = [(name, a) for name, a in found if len(a) == length][:_MOST_COLUMNS]
    if len(found) < 2:
        raise ScanUnreadable("one_column", "only one column of numbers; a scan needs an axis and a signal")
    names = [name or str(i) for i, (name, _) in enumerate(found)]
    values = np.stack([np.asarray(a, dtype=float) for _, a in found], axis=1)
    return kind, names, [units.get(name) for name in names], values


def _split(name: str, array: np.ndarray) -> Named:
    """The columns of one array; of a two-dimensional one the shorter side counts them."""
    if array.dtype.names:
        return [pair for field in array.dtype.names for pair in _split(field, array[field])]
    if array.dtype.kind not in "fiub":
        return []
    array = np.squeeze(array)
    if array.ndim == 1 and len(array) >= _SHORTEST:
        return [(name, array)]
    if array.ndim == 2 and max(array.shape) >= _SHORTEST and min(array.shape) <= _MOST_COLUMNS:
        tall = array if array.shape[0] >= array.shape[1] else array.T
        return [(f"{name} {i}".strip(), tall[:, i]) for i in range(tall.shape[1])]
    return []


def _bounded(values: int, item: int, what: str) -> None:
    if values * item > LARGEST_UNPACKED or values > LARGEST_UNPACKED // 8:
        raise ScanUnreadable("too_large", f"{what} unpacks to more than {LARGEST_UNPACKED // 2**20} MB")


def _npy(data: bytes) -> np.ndarray:
    head = io.BytesIO(data)
    version = np.lib.format.read_magic(head)
    reader = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
    shape, _, dtype = reader(head)
    if dtype.hasobject:
        raise ScanUnreadable("objects", "the array holds Python objects, which could run code: save plain numbers")
    count = int(np.prod([int(n) for n in shape], dtype=object)) if shape else 1
    _bounded(count, dtype.itemsize, "the array")
    return np.asarray(np.load(io.BytesIO(data), allow_pickle=False))


def _npz(data: bytes) -> Named:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = [m for m in archive.infolist() if m.filename.endswith(".npy")]
        if not members:
            raise ScanUnreadable("archive", "this is a zip archive (or a spreadsheet), not one of NumPy arrays")
        if len(members) > _MOST_ARRAYS or sum(m.file_size for m in members) > LARGEST_UNPACKED:
            raise ScanUnreadable("too_large", f"the archive unpacks to more than {LARGEST_UNPACKED // 2**20} MB")
        named = []
        for member in members:
            with archive.open(member) as stream:
                content = stream.read(member.file_size + 1)
            named.append((member.filename.removesuffix(".npy"), _npy(content)))
        return named


def _mat(data: bytes) -> Named:
    _check_unpacked(data)
    from scipy.io import loadmat

    held = loadmat(io.BytesIO(data), squeeze_me=True)
    return [pair for name, value in held.items() if not name.startswith("__") for pair in _mat_arrays(name, value, 0)]


def _mat_arrays(name: str, value: Any, depth: int) -> Named:
    """Numeric arrays in a variable, those in the fields of a struct by `variable.field`."""
    if not isinstance(value, (np.ndarray, np.void)) or depth > _DEEPEST:
        return []
    if value.dtype.names:
        if value.shape not in {(), (1,)}:
            return []
        record = value.reshape(-1)[0] if isinstance(value, np.ndarray) else value
        return [p for field in value.dtype.names for p in _mat_arrays(f"{name}.{field}", record[field], depth + 1)]
    if value.dtype == object:
        return _mat_arrays(name, value.item(), depth + 1) if value.size == 1 else []
    return [(name, np.asarray(value))]


def _check_unpacked(data: bytes) -> None:
    """Sum of what the compressed elements of a level 5 file unpack to, without keeping it."""
    order = "<" if data[126:128] == b"IM" else ">"
    at, total = 128, 0
    while at + 8 <= len(data):
        kind, size = struct.unpack_from(order + "II", data, at)
        if kind == 15:
            unpacker = zlib.decompressobj()
            rest = data[at + 8 : at + 8 + size]
            while rest and not unpacker.eof:
                total += len(unpacker.decompress(rest, 2**22))
                rest = unpacker.unconsumed_tail
                if total > LARGEST_UNPACKED:
                    raise ScanUnreadable("too_large", f"the file unpacks to more than {LARGEST_UNPACKED // 2**20} MB")
            at += 8 + size
        else:
            at += 8 + (size + 7) // 8 * 8


def _hdf5_at(data: bytes) -> int:
    """Where an HDF5 file begins: at 0, or after a block of the writer's own of 512 bytes (MATLAB 7.3), 1024 …"""
    for at in (0, 512, 1024, 2048):
        if data[at : at + 8] == b"\x89HDF\r\n\x1a\n":
            return at
    return -1


def _hdf5(data: bytes) -> tuple[Named, dict[str, str]]:
    import h5py

    named: Named = []
    units: dict[str, str] = {}
    seen = 0
    with h5py.File(io.BytesIO(data), "r") as file:
        todo: list[tuple[str, Any, int]] = [("", file, 0)]
        while todo:
            path, group, depth = todo.pop()
            for key in group:
                seen += 1
                if seen > _MOST_ARRAYS or depth > _DEEPEST:
                    raise ScanUnreadable("too_large", f"the file holds more than {_MOST_ARRAYS} things, or too deep")
                name = f"{path}/{key}".strip("/")
                link = group.get(key, getlink=True)
                if not isinstance(link, h5py.HardLink):
                    if isinstance(link, h5py.ExternalLink):
                        raise ScanUnreadable("outside", f"'{name}' leads to another file, which is not followed")
                    continue
                item = group[key]
                if isinstance(item, h5py.Group):
                    todo.append((name, item, depth + 1))
                elif isinstance(item, h5py.Dataset):
                    array = _dataset(name, item)
                    if array is not None:
                        named.append((name, array))
                        unit = item.attrs.get("units", item.attrs.get("unit"))
                        if isinstance(unit, (str, bytes)):
                            units[name] = unit.decode("utf-8", "replace") if isinstance(unit, bytes) else unit
    named.sort(key=lambda pair: pair[0])
    return named, units


def _dataset(name: str, item: Any) -> np.ndarray | None:
    if item.is_virtual or item.external:
        raise ScanUnreadable("outside", f"'{name}' keeps its numbers in another file, which is not opened")
    if item.dtype.kind not in "fiub" and not item.dtype.names:
        return None
    if item.dtype.hasobject:
        return None
    _bounded(int(item.size), item.dtype.itemsize, f"'{name}'")
    return np.asarray(item[()])
