"""Uploading a scan in two steps: read and fit it, look at what was understood, then keep it.

The file is stored under its digest as soon as it could be read, and the form carries the digest: whatever is
mended afterwards, it need not be chosen again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData, UploadFile

from app.actions.scans import PreparedScan, keep_scan, prepare_scan
from app.charts.scan import ScanPlot, scan_plot
from app.core.optics.axis import AXIS_UNITS
from app.core.optics.results import NoFit
from app.core.optics.unreadable import ScanUnreadable
from app.core.refusal import Refusal
from app.core.vocab import DIRECTIONS, MEDIA, PICKED, POLARISATION_KNOWN, POLARISATIONS, TAPERS
from app.core.when import instant_text
from app.files import DamagedFile, FileStore
from app.queries.scan_files import (
    LARGEST_BYTES,
    ReadFile,
    columns_of,
    numbers_of,
    picture_of,
    refusal_of,
    result_of,
)
from app.queries.scan_views import ResultView, view_of
from app.queries.scans import ScanFacts, UploadFacts, scan_facts, upload_facts
from app.schemas.scans import ReadingIn, ScanIn
from app.web import forms
from app.web.deps import Files, Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.render import page

router = APIRouter()

UNITS = {unit: unit.replace("um", "µm").replace("us", "µs") for unit in AXIS_UNITS}
SIGNALS = {"linear": "Linear, whatever it looks like"}
FRESH = {"done_at": "now", "medium": "air", "picked": "unknown"}
"""What an empty form holds: nothing measured."""
_AS_ENTERED = (
    "input_power_uw",
    "direction",
    "averages",
    "dark_v",
    "taper",
    "taper_position_um",
    "taper_transmission",
    "polarisation",
    "polarisation_known",
    "medium",
    "picked",
    "note",
)
_HINTED = ("wavelength_nm", "tuning_mhz_per_s", "tuning_mhz_per_v", "dark_v")
_OF_READING = ("x", "y", "x_unit", "y_unit", "wavelength_nm", "tuning_mhz_per_s", "tuning_mhz_per_v", "tuning_sigma")


@dataclass(frozen=True)
class HeldFile:
    """A file that arrived and can be read, kept under its digest until the scan is kept."""

    sha256: str
    name: str
    content: bytes
    columns: Mapping[str, str]
    """Columns to choose from: value and words; empty where there are just two."""


@dataclass(frozen=True, eq=False)
class Preview:
    """What was understood, and the fit: shown before anything is kept."""

    understood: str
    plot: ScanPlot
    view: ResultView | None
    no_fit: str
    seen: str


@dataclass(frozen=True, eq=False)
class UploadContext:
    """The upload form of one device."""

    facts: UploadFacts
    groups: tuple[tuple[str, tuple[Field, ...]], ...]
    key: str
    held: HeldFile | None
    file_error: str
    most_mb: int
    typed: Typed | None
    questions: Mapping[Any, str]
    preview: Preview | None
    confirmed: tuple[str, ...] = ()
    """Places a person has confirmed, carried on so that they are not asked again."""
    changed: bool = False
    """The fit is another than the one that was looked at."""


@router.get("/devices/{code}/scans/new")
def new_scan(
    request: Request, code: str, session: Reading, files: Files, set_: Set, like: int | None = None
) -> Response:
    """An empty upload form; with `like`, the file and settings of an earlier scan, to be mended and kept anew."""
    facts = _facts(session, code)
    earlier = scan_facts(session, like) if like is not None and 0 < like < 2**31 else None
    if earlier is None:
        return page(request, "scans/upload.html", _context(facts, None, None, key=""))
    held = _held_digest(files, earlier.sha256, earlier.file_name)[0]
    return page(request, "scans/upload.html", _context(facts, held, None, key="", values=_entered(earlier, set_.zone)))


@router.post("/devices/{code}/scans/new")
def upload(request: Request, code: str, form: Posted, lab: Lab, files: Files, set_: Set) -> Response:
    """Read, fit and show; or, once that was looked at, keep."""
    with lab.reading() as session:
        facts = _facts(session, code)
    held, trouble = _held(form, files)
    asks = _asks(facts, held)
    typed = forms.parse_form(form, asks, now=datetime.now(UTC), zone=set_.zone)
    key = forms.key_of(form) or ""
    if trouble is not None:
        typed = typed.refused(trouble)
    if held is None or not typed.ok:
        return page(request, "scans/upload.html", _context(facts, held, typed, key=key), status=422)
    reading = _reading(typed.values)
    try:
        prepared = prepare_scan(files, held.content, reading)
    except Refusal as refusal:
        return page(request, "scans/upload.html", _context(facts, held, typed.refused(refusal), key=key), status=422)
    preview = _preview(held, reading, prepared)
    step, kept = form.get("step"), forms.kept_of(form)
    changed = step in ("keep", "accept") and form.get("seen") != preview.seen
    shown = _context(facts, held, typed, key=key, preview=preview, kept=kept)
    if step not in ("keep", "accept") or changed:
        return page(request, "scans/upload.html", replace(shown, changed=changed))
    if shown.questions:
        return page(request, "scans/upload.html", shown, status=422)
    try:
        target = _keep(form, lab, facts, held, typed.values, reading, prepared)
    except Refusal as refusal:
        again = _context(facts, held, typed.refused(refusal), key=key, preview=preview, kept=kept)
        return page(request, "scans/upload.html", again, status=409)
    return RedirectResponse(target, status_code=303)


def _facts(session: Any, code: str) -> UploadFacts:
    facts = upload_facts(session, code)
    if facts is None:
        raise HTTPException(404, f"No device is called {code}.")
    return facts


def _held(form: FormData, files: FileStore) -> tuple[HeldFile | None, Refusal | None]:
    """The file that came with the form, else the one the form has held; or what is wrong with it."""
    sent = form.get("file")
    try:
        if isinstance(sent, UploadFile) and sent.filename:
            content, name = sent.file.read(), _plain_name(sent.filename)
            columns = _choices(content)
            return HeldFile(files.put(content), name, content, columns), None
    except ScanUnreadable as unreadable:
        return None, refusal_of(unreadable)
    digest, given = form.get("held"), form.get("held_name")
    if not isinstance(digest, str) or not digest:
        return None, Refusal.of("Choose the scan's file.", at="file")
    return _held_digest(files, digest, str(given or ""))


def _held_digest(files: FileStore, digest: str, name: str) -> tuple[HeldFile | None, Refusal | None]:
    """The stored file of this digest."""
    try:
        content = files.get(digest)
        return HeldFile(digest, _plain_name(name), content, _choices(content)), None
    except ScanUnreadable as unreadable:
        return None, refusal_of(unreadable)
    except (ValueError, FileNotFoundError, DamagedFile):
        return None, Refusal.of("The file is no longer held here: choose it again.", at="file")


def _plain_name(name: str) -> str:
    """The last part of a path, without signs that cannot be printed."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(sign for sign in last if sign.isprintable()).strip()[-200:] or "scan"


def _choices(content: bytes) -> dict[str, str]:
    columns = columns_of(content)
    names = columns.names
    if len(names) < 3:
        return {}
    plain = len({name.casefold() for name in names}) == len(names)
    return {name if plain else str(i): f"{i + 1}: {name}" for i, name in enumerate(names)}


def _groups(facts: UploadFacts, held: HeldFile | None) -> tuple[tuple[str, tuple[Ask, ...]], ...]:
    columns = held.columns if held else {}
    chosen = (forms.choice("x", "Axis column", columns), forms.choice("y", "Signal column", columns)) if columns else ()
    axis = (
        forms.quantity("wavelength_nm", help="At the axis’ zero, where the axis is relative."),
        forms.choice("x_unit", "Unit of the axis", UNITS, help="Blank: as the file says."),
        forms.quantity("tuning_mhz_per_s", help="For an axis in time; negative if it sweeps down."),
        forms.quantity("tuning_mhz_per_v", help="For an axis in volts of the ramp."),
        forms.quantity("tuning_sigma", help="Relative, one standard deviation: 0.01 or 1 %."),
        forms.choice("y_unit", "Signal", SIGNALS, help="Blank: as the file says."),
    )
    sweep = (
        forms.when(),
        forms.record("tool_id", "Laser", facts.lasers),
        forms.record("detector_id", "Detector", facts.detectors),
        forms.quantity("dark_v"),
        forms.quantity("input_power_uw"),
        forms.choice("direction", "Swept", DIRECTIONS),
        forms.quantity("averages"),
    )
    coupling = (
        forms.choice("medium", "Medium", MEDIA, required=True),
        forms.choice("taper", "Taper", TAPERS),
        forms.quantity("taper_position_um"),
        forms.quantity("taper_transmission"),
        forms.choice("polarisation", "Polarisation", POLARISATIONS),
        forms.choice("polarisation_known", "How that is known", POLARISATION_KNOWN),
        forms.choice("picked", "How picked", PICKED, required=True),
        forms.text("label", "Mode", help="Blank: a mode not seen before. One seen before: its name."),
    )
    return (
        ("How the file’s axis becomes frequency", (*chosen, *axis)),
        ("The sweep", sweep),
        ("Coupling", coupling),
        ("", (forms.text("note", "Note", long=True),)),
    )


def _asks(facts: UploadFacts, held: HeldFile | None) -> list[Ask]:
    return [ask for _, asks in _groups(facts, held) for ask in asks]


def _reading(values: Mapping[str, Any]) -> ReadingIn:
    given = {name: values.get(name) for name in _OF_READING if values.get(name) is not None}
    return ReadingIn(**given, dark_v=values["dark_v"])


def _entered(earlier: ScanFacts, zone: ZoneInfo) -> dict[str, Any]:
    """What was typed for an earlier scan, as it was read and in the lab's time."""
    reading = earlier.reading
    values = {name: getattr(earlier, name) for name in _AS_ENTERED}
    values |= {name: reading.get(name) for name in _OF_READING}
    values["tuning_sigma"] = reading.get("rel_sigma")
    values["y_unit"] = "linear" if reading.get("y_unit") == "linear" else None
    values["label"] = earlier.shown.row.label if earlier.shown else None
    values |= {"tool_id": earlier.tool_id, "detector_id": earlier.detector_id}
    values["done_at"] = instant_text(earlier.done_at, zone)
    return values


def _preview(held: HeldFile, reading: ReadingIn, prepared: PreparedScan) -> Preview:
    fitted = prepared.fitted
    numbers, result = numbers_of(fitted) or None, result_of(fitted)
    noise = result["quality"]["noise"] if result else None
    picture = picture_of(ReadFile(fitted.columns, fitted.scan), numbers, noise)
    splitting = result["splitting_mhz"] if result else None
    plot = scan_plot(
        picture.trace,
        zero_mhz=picture.zero_mhz,
        y_name=picture.y_name,
        splitting_mhz=splitting["value"] if splitting else None,
    )
    outcome = fitted.outcome
    told = json.dumps([held.sha256, reading.model_dump(mode="json")], sort_keys=True)
    return Preview(
        understood=fitted.columns.in_words(),
        plot=plot,
        view=view_of(result) if result else None,
        no_fit=outcome.text if isinstance(outcome, NoFit) else "",
        seen=hashlib.sha256(told.encode()).hexdigest()[:24],
    )


def _keep(
    form: FormData,
    lab: Lab,
    facts: UploadFacts,
    held: HeldFile,
    values: Mapping[str, Any],
    reading: ReadingIn,
    prepared: PreparedScan,
) -> str:
    accept = form.get("step") == "accept" and prepared.fitted.analysis is not None
    given = {name: values[name] for name in ScanIn.model_fields if name in values and values[name] is not None}
    data = ScanIn(device_code=facts.device_code, file_name=held.name, reading=reading, accept=accept, **given)
    own = {name: typed for name, typed in forms.body_of(form).items() if name not in ("file", "held", "seen", "step")}
    body = {**own, "sha256": held.sha256, "accept": accept}
    confirmed = {at for _, at in forms.kept_of(form) if at}
    with lab.writing("keep scan", operator_id=forms.operator_of(form), key=forms.key_of(form), body=body) as writing:
        if not writing.answered_before:
            scan = keep_scan(writing, data, prepared, confirmed=confirmed)
            writing.answer = f"/scans/{scan.id}?saved={'kept-accepted' if accept else 'kept'}"
        return str(writing.answer)


def _context(
    facts: UploadFacts,
    held: HeldFile | None,
    typed: Typed | None,
    *,
    key: str,
    preview: Preview | None = None,
    kept: frozenset[Any] = frozenset(),
    values: Mapping[str, Any] = FRESH,
) -> UploadContext:
    groups = tuple(
        (
            heading,
            tuple(
                forms.show(ask, typed, value=values.get(ask.name), keep=kept, suggestions=_suggestions(ask, facts))
                for ask in asks
            ),
        )
        for heading, asks in _groups(facts, held)
    )
    return UploadContext(
        facts=facts,
        groups=groups,
        key=key,
        held=held,
        file_error=typed.errors.get((None, "file"), "") if typed else "",
        most_mb=LARGEST_BYTES // 2**20,
        typed=typed,
        questions=typed.open_questions(kept) if typed else {},
        preview=preview,
        confirmed=tuple(sorted(at for _, at in kept if at)),
    )


def _suggestions(ask: Ask, facts: UploadFacts) -> tuple[str, ...]:
    """Modes known of the device; of the sweep what the last scan had, as a hint and never as a value."""
    if ask.name == "label":
        return facts.modes
    last = facts.last.get("rel_sigma" if ask.name == "tuning_sigma" else ask.name)
    if ask.name in (*_HINTED, "tuning_sigma") and last is not None:
        return (forms.field_text(ask, last),)
    return ()
