"""Folders that come with the program: beside the checkout, or bundled in the installed wheel."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def resource(name: str) -> Path:
    """The folder `static`, `migrations` or `seed_data`; FileNotFoundError where the installation lacks it."""
    for folder in (_PACKAGE / "_bundled" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"this installation of Marver has no folder {name!r}; install it again")


def static() -> Path:
    """Style sheets, scripts, fonts and chart themes."""
    return resource("static")


def migrations() -> Path:
    """The steps that bring a database up to date."""
    return resource("migrations")


def seed_data() -> Path:
    """What an empty lab starts with."""
    return resource("seed_data")
