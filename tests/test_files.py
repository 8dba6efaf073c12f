"""Stored files: whole or not at all, once, and only what was put in."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.files import DamagedFile, FileStore
from app.settings import BadSetting, read_settings


def test_what_is_put_in_comes_back(tmp_path: Path) -> None:
    """Byte for byte, under the SHA-256 that other programs compute."""
    store = FileStore(tmp_path / "files")
    digest = store.put(b"detuning_mhz,transmission\n0,1\n")
    assert digest == hashlib.sha256(b"detuning_mhz,transmission\n0,1\n").hexdigest()
    assert store.get(digest) == b"detuning_mhz,transmission\n0,1\n"
    assert store.has(digest)


def test_the_same_file_is_stored_once(tmp_path: Path) -> None:
    """Put twice, it is one file; nothing half-written is left beside it."""
    store = FileStore(tmp_path / "files")
    assert store.put(b"scan") == store.put(b"scan")
    assert len([path for path in store.folder.rglob("*") if path.is_file()]) == 1


def test_only_the_labs_own_account_reads_it(tmp_path: Path) -> None:
    """The folder is the owner's alone."""
    store = FileStore(tmp_path / "files")
    store.put(b"scan")
    assert {stat.S_IMODE(path.stat().st_mode) for path in (store.folder, *store.folder.iterdir())} == {0o700}


def test_a_changed_file_is_noticed(tmp_path: Path) -> None:
    """Bytes that no longer have their checksum are never passed on."""
    store = FileStore(tmp_path / "files")
    digest = store.put(b"scan")
    store.path(digest).write_bytes(b"scam")
    with pytest.raises(DamagedFile):
        store.get(digest)


@given(st.text(max_size=70))
def test_a_name_cannot_lead_out_of_the_folder(name: str) -> None:
    """Anything but a digest is refused before the disk is touched."""
    store = FileStore.__new__(FileStore)
    store.folder = Path("/nowhere")
    with pytest.raises(ValueError, match="not a SHA-256"):
        store.path(f"../{name}")


def test_settings_from_the_environment(tmp_path: Path) -> None:
    """Data folder, database, zone, hosts and upload limit are read; the defaults are one folder and this machine."""
    plain = read_settings({"MARVER_DATA": str(tmp_path)})
    assert plain.url == f"sqlite:///{tmp_path}/marver.sqlite"
    assert set(plain.hosts) == {"127.0.0.1", "localhost", "::1"}
    other = read_settings(
        {
            "MARVER_DATA": str(tmp_path),
            "MARVER_DATABASE_URL": "postgresql://lab@localhost/marver",
            "MARVER_ZONE": "Asia/Tokyo",
            "MARVER_HOSTS": "lab.local, marver",
            "MARVER_UPLOAD_MB": "5",
        }
    )
    assert other.url == "postgresql://lab@localhost/marver"
    assert (other.zone.key, other.upload_bytes) == ("Asia/Tokyo", 5 * 1024 * 1024)
    assert {"lab.local", "marver", "localhost"} <= set(other.hosts)


@pytest.mark.parametrize(
    "setting", [{"MARVER_ZONE": "Mars/Base"}, {"MARVER_UPLOAD_MB": "lots"}, {"MARVER_ZONE": "../x"}]
)
def test_a_setting_that_cannot_be_is_named(setting: dict[str, str]) -> None:
    """The message begins with the setting's own name."""
    with pytest.raises(BadSetting, match=next(iter(setting))):
        read_settings(setting)
