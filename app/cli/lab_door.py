"""What the commands that work in a lab share: opening it, who does it, how scan files are read."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from typing import Any, TypeVar

from app.settings import Settings, read_settings

T = TypeVar("T")
U = TypeVar("U")
MOST_WORKERS = 32
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class NoLabError(ValueError):
    """The lab or an option is not as it should be; the text says what to do."""


@contextmanager
def opened(settings: Settings) -> Iterator[Any]:
    """The lab's database, at this version's schema."""
    from app.db import migrate
    from app.db.session import Database

    if not settings.database_url and not (settings.data / "marver.sqlite").is_file():
        raise NoLabError(f"there is no lab in {settings.data}; name its folder with --data")
    with closing(Database(settings.url)) as database:
        if migrate.revision_of(database.engine) != migrate.newest_revision(database.engine):
            raise NoLabError("the lab's schema is not this version's; run: marver upgrade")
        yield database


def settings_of(args: argparse.Namespace) -> Settings:
    """Settings with the command's data folder."""
    return read_settings().with_data(args.data)


def add_lab_options(parser: Any) -> None:
    """`--data`, `--person`."""
    parser.add_argument("--data", metavar="DIR", help="data folder (MARVER_DATA; else ./marver-data)")
    parser.add_argument("--person", metavar="INITIALS", help="in whose name (needed where several people log)")


def add_workers(parser: Any) -> None:
    """`--workers`."""
    parser.add_argument("--workers", type=int, default=0, metavar="N", help="processes (default: one for each core)")


def add_scan_options(parser: Any) -> None:
    """How the files are read, and what holds for all of them."""
    from app.cli.fit import number, positive
    from app.core.optics.units import AXIS_UNITS

    axis = parser.add_argument_group("how the files are read")
    axis.add_argument("--x", metavar="COL", help="axis column, by name or 0-based number")
    axis.add_argument("--y", metavar="COL", help="signal column, by name or 0-based number")
    axis.add_argument("--x-unit", choices=AXIS_UNITS, metavar="UNIT", help=f"{', '.join(AXIS_UNITS)}; else as headed")
    axis.add_argument("--wavelength-nm", type=positive, metavar="NM", help="vacuum wavelength at a relative axis' zero")
    axis.add_argument("--tuning-mhz-per-s", type=number, metavar="R", help="tuning rate of a time axis")
    axis.add_argument("--tuning-mhz-per-v", type=number, metavar="R", help="tuning rate of a voltage axis")
    axis.add_argument("--tuning-sigma", type=positive, metavar="REL", help="relative uncertainty of the axis")
    axis.add_argument("--dark-v", type=number, metavar="V", help="detector level without light")
    sweep = parser.add_argument_group("what holds for every file")
    sweep.add_argument("--medium", choices=("air", "nitrogen", "water", "heavy_water", "buffer"), default="air")
    sweep.add_argument("--input-power-uw", type=positive, metavar="UW", help="input power at the taper")
    sweep.add_argument("--direction", choices=("up", "down"), help="towards higher or lower frequency")
    sweep.add_argument("--picked", choices=("all", "random", "in_reach", "best_looking", "unknown"), default="unknown")
    sweep.add_argument("--note", help="a note kept with each scan")
    sweep.add_argument("--accept", action="store_true", help="accept fits of grade A or B")


def reading_from(args: argparse.Namespace) -> dict[str, Any]:
    """Options of reading that were given."""
    names = ("x", "y", "x_unit", "wavelength_nm", "tuning_mhz_per_s", "tuning_mhz_per_v", "tuning_sigma", "dark_v")
    return {name: getattr(args, name) for name in names if getattr(args, name) is not None}


def common_from(args: argparse.Namespace) -> dict[str, Any]:
    """Settings that hold for every file."""
    names = ("medium", "input_power_uw", "direction", "picked", "note")
    return {name: getattr(args, name) for name in names if getattr(args, name) is not None}


def person_id(session: Any, args: argparse.Namespace) -> int:
    """Who does it; NoLabError in words where that is not clear."""
    from app.queries.intake import person_called

    found = person_called(session, args.person)
    if isinstance(found, str):
        raise NoLabError(found)
    return int(found.id)


def in_processes(work: Callable[[T], U], each: Sequence[T], workers: int) -> Iterator[U]:
    """`work` of each in order, over processes (0: one a core); in this one where there is little to do."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import cpu_count, get_context

    if workers < 0 or workers > MOST_WORKERS:
        raise NoLabError(f"--workers takes 1 to {MOST_WORKERS}")
    count = min(workers or cpu_count(), len(each))
    if count < 2:
        yield from map(work, each)
        return
    with _one_thread_each(), ProcessPoolExecutor(count, get_context(_start()), _left_to_parent) as pool:
        results: Iterable[U] = pool.map(work, each, chunksize=max(1, min(8, len(each) // (4 * count))))
        yield from results


def _start() -> str:
    """Processes that are copies begin at once; where this one has threads, or the system cannot, they begin anew."""
    alone = sys.platform == "linux" and sys.version_info < (3, 12) and threading.active_count() == 1
    return "fork" if alone else "spawn"


def one_thread() -> None:
    """Keep the linear algebra of this command to one thread; call it before numpy is there."""
    for name in _THREADS:
        os.environ.setdefault(name, "1")


def _left_to_parent() -> None:
    """A signal may reach every process of a terminal; only the one that saves says when to stop."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Each process has a core to itself: a linear algebra library that starts threads of its own gets in the way."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
