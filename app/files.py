"""Original files, byte for byte, each stored once under its SHA-256."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from pathlib import Path

_DIGEST = re.compile(r"[0-9a-f]{64}")


class DamagedFile(Exception):  # noqa: N818  names what was found, as Refusal does
    """A stored file whose bytes no longer have its digest."""


class FileStore:
    """A folder of files named by their digest, spread over 256 sub-folders by its first two digits."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if folder.stat().st_mode & 0o077:  # others may look in; the owner's own rights stay as they are
            folder.chmod(folder.stat().st_mode & 0o700)

    def put(self, content: bytes) -> str:
        """Store `content` and return its SHA-256 in hexadecimal; what is stored already stays as it is.

        Written beside its place, flushed to the disk and only then renamed, so that a crash leaves either the
        whole file or none.
        """
        digest = hashlib.sha256(content).hexdigest()
        place = self.path(digest)
        if place.is_file() and place.stat().st_size == len(content):
            return digest
        place.parent.mkdir(mode=0o700, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".incoming-", dir=place.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            Path(name).replace(place)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        _sync_folder(place.parent)
        _sync_folder(self.folder)
        return digest

    def get(self, digest: str) -> bytes:
        """The bytes stored under `digest`; FileNotFoundError where there are none, DamagedFile where they changed."""
        content = self.path(digest).read_bytes()
        if hashlib.sha256(content).hexdigest() != digest:
            raise DamagedFile(f"stored file {digest} no longer has its checksum")
        return content

    def has(self, digest: str) -> bool:
        """Whether something is stored under `digest`."""
        return self.path(digest).is_file()

    def path(self, digest: str) -> Path:
        """Where `digest` is or would be stored; ValueError for anything that is no digest."""
        if not _DIGEST.fullmatch(digest):
            raise ValueError("not a SHA-256 in hexadecimal")
        return self.folder / digest[:2] / digest


def _sync_folder(folder: Path) -> None:
    """Make a new name last through a power cut; a system that cannot sync folders keeps them its own way."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
