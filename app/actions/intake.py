"""Many scan files at once: each matched to its device by its name, fitted, shown, and kept in one transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from app.actions.lab import set_lab
from app.actions.scans import PreparedScan, fit_scan, keep_scan
from app.core.name_pattern import NamePattern, read_name
from app.core.optics.results import NoFit
from app.core.optics.unreadable import ScanUnreadable
from app.core.refusal import Refusal
from app.db.session import Database, Writing
from app.files import FileStore
from app.queries.intake import MEASURING, FitToRedo, IntakeFacts
from app.queries.scan_files import LARGEST_BYTES, FittedFile, axis_of, fit_file, refusal_of
from app.schemas.scans import FitIn, ReadingIn, ScanIn

State = Literal["ready", "known", "refused", "kept"]
GOOD_GRADES = ("A", "B")


@dataclass(frozen=True)
class Source:
    """A file to bring in: where it lies, or its bytes; `landed` is when it was written, where that is known."""

    name: str
    place: Path | None = None
    content: bytes | None = None
    landed: datetime | None = None

    def read(self) -> bytes:
        """Its bytes; OSError where it has gone, ScanUnreadable where it is too large."""
        if self.content is not None:
            return self.content
        assert self.place is not None  # noqa: S101
        if self.place.stat().st_size > LARGEST_BYTES:
            raise ScanUnreadable("too_large", f"the file is larger than {LARGEST_BYTES // 2**20} MB")
        return self.place.read_bytes()


@dataclass(frozen=True, eq=False)
class Row:
    """One file on its way in: `why` says in words why it is not kept, or what its fit lacks."""

    source: Source
    state: State
    why: str = ""
    device: str = ""
    mode: str = ""
    data: ScanIn | None = None
    prepared: PreparedScan | None = None
    scan_id: int | None = None

    @property
    def fitted(self) -> FittedFile | None:
        """The fit, where the file could be read."""
        return self.prepared.fitted if self.prepared else None


@dataclass(frozen=True)
class Sweep:
    """What holds for every file of a batch: `common` as in ScanIn (without file, device and mode), `reading`.

    `device` and `mode` where the names do not say them.
    """

    reading: Mapping[str, Any]
    common: Mapping[str, Any]
    device: str = ""
    mode: str = ""
    accept: bool = False
    """Accept fits of grade A or B."""


Fitting = tuple[str, FittedFile] | str
FitMap = Callable[[Sequence[tuple[Source, ReadingIn]]], Iterable[Fitting]]


def fit_source(work: tuple[Source, ReadingIn]) -> Fitting:
    """(SHA-256, fit) of one file, or in words why it cannot be read; can be run in another process."""
    source, reading = work
    try:
        content = source.read()
        return hashlib.sha256(content).hexdigest(), fit_file(content, reading.axis, reading.options)
    except ScanUnreadable as unreadable:
        return str(refusal_of(unreadable))
    except OSError as why:
        return f"The file cannot be read: {why.strerror or why}."


def fit_here(work: Sequence[tuple[Source, ReadingIn]]) -> Iterable[Fitting]:
    """Fit one after another in this process."""
    return map(fit_source, work)


def plan_intake(
    sources: Sequence[Source],
    pattern: NamePattern | None,
    facts: IntakeFacts,
    sweep: Sweep,
    fit: FitMap = fit_here,
) -> tuple[Row, ...]:
    """What would become of each file, in their order; nothing is kept. A file that is kept already is not fitted."""
    rows = [_matched(source, pattern, facts, sweep) for source in sources]
    at = [i for i, row in enumerate(rows) if row.state == "ready"]
    work = [(rows[i].source, rows[i].data.reading) for i in at]  # type: ignore[union-attr]
    seen: dict[str, str] = {}
    for i, done in zip(at, fit(work), strict=True):
        rows[i] = _fitted(rows[i], done, facts, seen, sweep)
    return tuple(rows)


def _matched(source: Source, pattern: NamePattern | None, facts: IntakeFacts, sweep: Sweep) -> Row:
    said: dict[str, Any] = {"device": None, "mode": None, "wavelength_nm": None, "power_uw": None, "position_um": None}
    if pattern is not None:
        named = read_name(pattern, source.name, facts.devices)
        if isinstance(named, str):
            return Row(source, "refused", named)
        said = vars(named)
    device = said["device"] or sweep.device
    if not device:
        return Row(source, "refused", "Neither its name nor anything else says which device this is of.")
    reading, common = dict(sweep.reading), dict(sweep.common)
    if said["wavelength_nm"] is not None:
        reading["wavelength_nm"] = said["wavelength_nm"]
    if said["power_uw"] is not None:
        common["input_power_uw"] = said["power_uw"]
    if common.get("done_at") is None:
        common["done_at"] = source.landed
    if said["position_um"] is not None:
        common["taper_position_um"] = said["position_um"]
    mode = said["mode"] or sweep.mode
    try:
        data = ScanIn(
            **common, device_code=device, file_name=source.name, reading=ReadingIn(**reading), label=mode or None
        )
    except ValidationError as wrong:
        return Row(source, "refused", _in_words(wrong), device, mode)
    return Row(source, "ready", "", device, mode, data)


def _in_words(wrong: ValidationError) -> str:
    first = wrong.errors()[0]
    where = " ".join(str(each) for each in first["loc"])
    return f"{where} {first['msg'].removeprefix('Value error, ')}".strip() + "."


def _fitted(row: Row, done: Fitting, facts: IntakeFacts, seen: dict[str, str], sweep: Sweep) -> Row:
    if isinstance(done, str):
        return replace(row, state="refused", why=done)
    sha256, fitted = done
    if sha256 in facts.kept:
        scan_id, code = facts.kept[sha256]
        return replace(row, state="known", why=f"Kept already: scan {scan_id} of {code}.", scan_id=scan_id)
    if sha256 in seen:
        return replace(row, state="known", why=f"The very same file as {seen[sha256]}.")
    seen[sha256] = row.source.name
    why = f"No fit: {fitted.outcome.text}" if isinstance(fitted.outcome, NoFit) else ""
    good = fitted.analysis is not None and fitted.analysis.device.grade in GOOD_GRADES
    data = row.data.model_copy(update={"accept": sweep.accept and good}) if row.data else None
    return replace(row, why=why, data=data, prepared=PreparedScan(sha256, fitted))


class _RowRefused(Exception):  # noqa: N818
    def __init__(self, at: int, why: str) -> None:
        super().__init__(why)
        self.at, self.why = at, why


class _OnlyLooking(Exception):  # noqa: N818
    pass


def keep_intake(
    lab: Database,
    files: FileStore,
    rows: Sequence[Row],
    *,
    operator_id: int | None,
    key: str | None = None,
    body: Any = None,
    dry_run: bool = False,
) -> tuple[Row, ...]:
    """Keep every ready row in one transaction; a row the rules refuse is told so and leaves the others whole.

    With `dry_run` everything is tried and nothing is kept. The same `key` and `body` is kept once.
    """
    out = list(rows)
    while True:
        try:
            with lab.writing("import scans", operator_id=operator_id, key=key, body=body) as writing:
                if writing.answered_before:
                    return _answered(out, writing.answer)
                made = _keep_all(writing, files, out, store=not dry_run)
                if dry_run:
                    raise _OnlyLooking
                if not made:
                    raise Refusal.of("None of these files can be kept.", at="file")
                writing.answer = {str(i): scan_id for i, scan_id in made.items()}
            return _answered(out, writing.answer)
        except _RowRefused as refused:
            out[refused.at] = replace(out[refused.at], state="refused", why=refused.why)
        except _OnlyLooking:
            return tuple(out)


def _answered(rows: Sequence[Row], answer: Mapping[str, int]) -> tuple[Row, ...]:
    return tuple(
        replace(row, state="kept", scan_id=answer[str(i)]) if str(i) in answer else row for i, row in enumerate(rows)
    )


def _keep_all(writing: Writing, files: FileStore, rows: Sequence[Row], *, store: bool) -> dict[int, int]:
    made: dict[int, int] = {}
    for i, row in enumerate(rows):
        if row.state != "ready" or row.data is None or row.prepared is None:
            continue
        try:
            if store and not files.has(row.prepared.sha256) and files.put(row.source.read()) != row.prepared.sha256:
                raise Refusal.of("The file changed while it was being read.", at="file")
            made[i] = keep_scan(writing, row.data, row.prepared).id
        except Refusal as refusal:
            raise _RowRefused(i, str(refusal)) from refusal
        except OSError as why:
            raise _RowRefused(i, f"The file cannot be read any more: {why.strerror or why}.") from why
    return made


def measure_now(
    writing: Writing, device: str, mode: str | None, reading: Mapping[str, Any], common: Mapping[str, Any]
) -> None:
    """Say what is being measured: the next files that land are of this device and mode; no device: nothing is."""
    if not device:
        set_lab(writing, MEASURING, {})
        return
    value = {
        "device": device,
        "mode": mode,
        "operator_id": writing.operator_id,
        "since": writing.now.astimezone(UTC).isoformat(timespec="seconds"),
        "common": {**common, "reading": dict(reading)},
    }
    set_lab(writing, MEASURING, value)


@dataclass(frozen=True, eq=False)
class Redone:
    """A fit made again beside the one it follows."""

    before: FitToRedo
    prepared: PreparedScan | None
    why: str = ""

    @property
    def moved(self) -> bool:
        """Whether the new Q lies outside the old interval."""
        low, high = self.before.q_low, self.before.q_high
        analysis = self.prepared.fitted.analysis if self.prepared else None
        if analysis is None or self.before.q is None:
            return False
        new = analysis.device.q_intrinsic.value
        return (low is not None and new < low) or (high is not None and new > high)


def redo(work: tuple[FileStore, FitToRedo]) -> Redone:
    """Read a kept file and fit it as it was fitted; can be run in another process."""
    files, todo = work
    window = todo.window
    try:
        reading = reading_again(todo)
        fitted = fit_file(files.get(todo.sha256), axis_of(todo.reading, window), reading.options)
    except ScanUnreadable as unreadable:
        return Redone(todo, None, str(refusal_of(unreadable)))
    except (OSError, ValidationError, ValueError) as why:
        return Redone(todo, None, f"Its file cannot be read: {why}.")
    if isinstance(fitted.outcome, NoFit):
        return Redone(todo, None, f"No fit now: {fitted.outcome.text}")
    return Redone(todo, PreparedScan(todo.sha256, _without_samples(fitted)))


def _without_samples(fitted: FittedFile) -> FittedFile:
    """What a new row needs: a process hands back some hundred numbers and not the whole scan."""
    columns = replace(fitted.columns, values=fitted.columns.values[:1].copy())
    scan = replace(fitted.scan, detuning_mhz=fitted.scan.detuning_mhz[:1].copy(), signal=fitted.scan.signal[:1].copy())
    return replace(fitted, columns=columns, scan=scan)


def reading_again(todo: FitToRedo) -> ReadingIn:
    """How the fit was made."""
    model = todo.model if todo.model in ("single", "split") else "auto"
    regime = todo.regime if todo.regime in ("under", "over") else None
    return ReadingIn(dark_v=todo.dark_v, model=model, regime=regime, window=todo.window)


def keep_redone(writing: Writing, done: Sequence[Redone]) -> list[int]:
    """Add each new fit as a row of its own, not judged yet; earlier fits stay as they are."""
    return [
        fit_scan(writing, FitIn(scan_id=each.before.scan_id, label=each.before.label), each.prepared).id
        for each in done
        if each.prepared is not None
    ]
