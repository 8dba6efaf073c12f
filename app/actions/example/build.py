"""Fills an empty lab with the example: one deed for each happening, its scans fitted beside in other processes."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from app.actions.example import devices, pieces, stock
from app.actions.example.intake import Known
from app.actions.lab import set_lab
from app.actions.scans import PreparedScan, prepare_scan
from app.core.example import happenings as told
from app.core.example.lab import ExampleLab
from app.core.example.sweeps import Sweep, scan_bytes
from app.db.session import Database, Writing
from app.files import FileStore

Progress = Callable[[int, int], None]
Teller = Callable[[Writing, Any, Known], None]

LOGGED_AFTER = timedelta(minutes=4)
"""People log what they did a little later; a sitting at the laser after its last shot."""

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

DEEDS: dict[type[told.Happening], tuple[str, Teller]] = {
    told.PersonJoins: ("register person", stock.person),
    told.ToolArrives: ("register tool", stock.tool),
    told.ToolLooked: ("record tool event", stock.tool_event),
    told.LotOpened: ("register lot", stock.lot),
    told.LotUsedUp: ("change lot", stock.lot_used_up),
    told.MaskArrives: ("register mask", stock.mask),
    told.RecipeVersionMade: ("make recipe version", stock.recipe_version),
    told.SpecificationMade: ("make specification", stock.specification),
    told.WaferRegistered: ("register wafer", pieces.wafer),
    told.FibreBatchRegistered: ("register fibre batch", pieces.fibre_batch),
    told.StepDone: ("log step", pieces.step),
    told.SitesTaken: ("take sites in hand", pieces.sites),
    told.EndsTaken: ("take fibre ends in hand", pieces.ends),
    told.Parted: ("log parting", pieces.parting),
    told.PieceMoved: ("move piece", pieces.moved),
    told.PieceEnded: ("end piece", pieces.ended),
    told.PieceLost: ("log loss", pieces.piece_lost),
    told.DeviceLost: ("log loss", pieces.device_lost),
    told.OxideMeasured: ("log oxide measurement", devices.oxide),
    told.UndercutMeasured: ("log undercut measurement", devices.undercut),
    told.Inspected: ("log inspection", devices.inspection),
    told.ReflowSat: ("log reflow session", devices.reflow),
    told.Scanned: ("keep scans", devices.scan),
}


def build(database: Database, files: FileStore, lab: ExampleLab, *, progress: Progress | None = None) -> None:
    """Tell the whole example into an empty lab, in order; files are fitted in other processes meanwhile."""
    known, now = Known(), lab.happenings[0].at
    with database.writing("name the lab", operator_id=None, now=now) as writing:
        set_lab(writing, "name", lab.name)
        set_lab(writing, "example", value=True)
    with _workers() as workers:
        known.scans.update(_fits(workers, files.folder, lab))
        done = 0
        for sitting in sittings(lab.happenings):
            deed, tell = DEEDS[type(sitting[0])]
            now = max(now, _over(sitting[-1]) + LOGGED_AFTER)
            with database.writing(deed, operator_id=known.people.get(sitting[0].who), now=now) as writing:
                for happening in sitting:
                    tell(writing, happening, known)
            done += len(sitting)
            if progress is not None:
                progress(done, len(lab.happenings))


def sittings(happenings: Iterable[told.Happening]) -> list[tuple[told.Happening, ...]]:
    """What is saved together: a day's scans of one piece as one folder, a piece's sites; else each by itself.

    A group stands where its last happening was.
    """
    groups: dict[object, list[told.Happening]] = {}
    for place, happening in enumerate(happenings):
        key: object = place
        if isinstance(happening, told.Scanned | told.SitesTaken):
            key = (type(happening), happening.piece, happening.at.date())
        groups.setdefault(key, []).append(happening)
    return sorted((tuple(group) for group in groups.values()), key=lambda group: group[-1].at)


def _over(happening: told.Happening) -> datetime:
    return devices.last_shot_at(happening) if isinstance(happening, told.ReflowSat) else happening.at


def _fits(workers: Executor, folder: Path, lab: ExampleLab) -> Iterator[tuple[str, Future[PreparedScan]]]:
    for happening in lab.happenings:
        if isinstance(happening, told.Scanned):
            yield happening.sweep.file_name, workers.submit(prepared, folder, happening.sweep)


def prepared(folder: Path, sweep: Sweep) -> PreparedScan:
    """The sweep's file made, stored in `folder` and fitted.

    How long the fit took is left out: the lab would not be the same twice.
    """
    scan = prepare_scan(FileStore(folder), scan_bytes(sweep), devices.reading_of(sweep))
    return replace(scan, fitted=replace(scan.fitted, seconds=0.0))


def _left_to_parent() -> None:
    """A signal may reach every process of a terminal; only the one that saves says when to stop."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)


@contextmanager
def _workers() -> Iterator[Executor]:
    """As many processes as there are cores; a thread where the system allows no more processes."""
    try:
        executor: Executor = ProcessPoolExecutor(
            os.cpu_count(), mp_context=get_context("spawn"), initializer=_left_to_parent
        )
    except (OSError, ImportError, RuntimeError):
        executor = ThreadPoolExecutor(1)
    # Each process has a core to itself: a linear algebra library that starts threads of its own only gets in the way.
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        with executor:
            try:
                yield executor
            except BaseException:
                executor.shutdown(cancel_futures=True)
                raise
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
