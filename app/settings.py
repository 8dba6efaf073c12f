"""What a person may set from outside, read once from the environment at the two doors (web factory, cli)."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

LOOPBACK: tuple[str, ...] = ("127.0.0.1", "localhost", "::1")
"""The only addresses served until accounts exist."""


class BadSetting(ValueError):  # noqa: N818  names what was found, as Refusal does
    """A setting that cannot be; the text says which and what would do."""


@dataclass(frozen=True)
class Settings:
    """Where the lab's data is and how it is served.

    `data` holds the embedded database and the stored files; `database_url` is empty for the embedded one.
    `zone` is the lab's time zone: instants are kept in UTC and shown in it.
    """

    data: Path
    database_url: str = ""
    zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("UTC"))
    hosts: tuple[str, ...] = LOOPBACK
    upload_bytes: int = 64 * 1024 * 1024

    @property
    def url(self) -> str:
        """The database's address: the one set, else SQLite in the data folder."""
        return self.database_url or f"sqlite:///{self.data / 'marver.sqlite'}"

    @property
    def files(self) -> Path:
        """Where attachments are kept, byte for byte."""
        return self.data / "files"

    def with_data(self, folder: str | Path | None) -> Settings:
        """The same with another data folder, as `--data` names it; None changes nothing."""
        return self if folder is None else replace(self, data=Path(folder).expanduser().resolve())


def read_settings(environ: Mapping[str, str] | None = None) -> Settings:
    """Settings from `MARVER_DATA`, `MARVER_DATABASE_URL`, `MARVER_ZONE`, `MARVER_HOSTS`, `MARVER_UPLOAD_MB`."""
    env = os.environ if environ is None else environ
    return Settings(
        data=Path(env.get("MARVER_DATA") or "marver-data").expanduser().resolve(),
        database_url=env.get("MARVER_DATABASE_URL", "").strip(),
        zone=_zone(env.get("MARVER_ZONE") or _machine_zone()),
        hosts=LOOPBACK + tuple(h.strip() for h in env.get("MARVER_HOSTS", "").split(",") if h.strip()),
        upload_bytes=_megabytes(env.get("MARVER_UPLOAD_MB") or "64"),
    )


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as why:
        raise BadSetting(f"MARVER_ZONE: no time zone is called {name!r}; write it like Europe/Vienna") from why


def _machine_zone() -> str:
    """The machine's own zone where it names one, as Unix systems do; else UTC."""
    link = Path("/etc/localtime")
    if link.is_symlink():
        name = str(link.resolve()).partition("/zoneinfo/")[2]
        if name in available_timezones():
            return name
    return "UTC"


def _megabytes(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 4096:
        raise BadSetting(f"MARVER_UPLOAD_MB: {text!r} is not a whole number from 1 to 4096")
    return int(text) * 1024 * 1024
