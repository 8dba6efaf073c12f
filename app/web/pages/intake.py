"""Many scan files at once, matched to devices by their names; and what is being measured now."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData, UploadFile

from app.actions.intake import Row, Source, Sweep, keep_intake, measure_now, plan_intake
from app.core.name_pattern import DEFAULT, PLACEHOLDERS, BadPattern, NamePattern, read_pattern
from app.core.optics.units import AXIS_UNITS
from app.core.refusal import Refusal
from app.core.vocab import DIRECTIONS, MEDIA, PICKED
from app.files import DamagedFile, FileStore
from app.queries.intake import Measuring, intake_facts, measuring_now
from app.queries.scan_files import LARGEST_BYTES
from app.web import forms
from app.web.deps import Files, Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.frame import writer
from app.web.plain_form import PlainForm, Values, Writing, answer, was_saved
from app.web.render import page

router = APIRouter()

UNITS = {unit: unit.replace("um", "µm").replace("us", "µs") for unit in AXIS_UNITS}
_READING = ("wavelength_nm", "x_unit", "tuning_mhz_per_s", "tuning_mhz_per_v", "tuning_sigma", "dark_v")
_COMMON = ("done_at", "medium", "input_power_uw", "taper_position_um", "direction", "picked", "note")
AXIS_ASKS: tuple[Ask, ...] = (
    forms.quantity("wavelength_nm", help="At the axis’ zero, where the axis is relative."),
    forms.choice("x_unit", "Unit of the axis", UNITS, help="Blank: as the file says."),
    forms.quantity("tuning_mhz_per_s", help="For an axis in time; negative if it sweeps down."),
    forms.quantity("tuning_mhz_per_v", help="For an axis in volts of the ramp."),
    forms.quantity("tuning_sigma", help="Relative, one standard deviation: 0.01 or 1 %."),
    forms.quantity("dark_v"),
)
NAME_ASKS: tuple[Ask, ...] = (
    forms.text("pattern", "Pattern of the names", required=True, help="Text and placeholders, explained below."),
    forms.code("device", "Device", help="Where the names do not say it: all files are of this one."),
    forms.text("mode", "Mode", help="Where the names do not say it. Blank: each file is a mode not seen before."),
    forms.flag("accept", "Accept fits of grade A or B"),
)
SWEEP_ASKS: tuple[Ask, ...] = (
    forms.when(),
    forms.choice("medium", "Medium", MEDIA, required=True),
    forms.quantity("input_power_uw", help="Where the names do not say it."),
    forms.quantity("taper_position_um", help="The same. A coupling series needs it."),
    forms.choice("direction", "Swept", DIRECTIONS),
    forms.choice("picked", "How picked", PICKED, required=True),
    forms.text("note", "Note"),
)
GROUPS = (
    ("What the names say", NAME_ASKS),
    ("How the files’ axes become frequency", AXIS_ASKS),
    ("The sweeps", SWEEP_ASKS),
)
ASKS = tuple(ask for _, asks in GROUPS for ask in asks)
FRESH = {"pattern": DEFAULT, "done_at": "now", "medium": "air", "picked": "unknown"}
MOST_FILES = 300


@dataclass(frozen=True)
class ManyContext:
    """The form, and what would become of each file."""

    groups: tuple[tuple[str, tuple[Field, ...]], ...]
    placeholders: Mapping[str, str]
    key: str
    typed: Typed | None
    questions: Mapping[Any, str]
    confirmed: tuple[str, ...]
    rows: tuple[Row, ...]
    ready: int
    """How many would be kept."""
    held: tuple[str, ...]
    seen: str
    changed: bool
    file_error: str
    most_mb: int
    saved: str = ""


@router.get("/scans/many")
def many(request: Request, kept: int = 0) -> Response:
    """An empty form."""
    saved = "" if not kept else "One scan kept." if kept == 1 else f"{kept} scans kept."
    return page(request, "scans/many.html", _context(None, (), (), saved=saved))


@router.post("/scans/many")
def bring(request: Request, form: Posted, lab: Lab, files: Files, set_: Set) -> Response:
    """Match and fit, show what would become of each file; or, once that was looked at, keep."""
    typed = forms.parse_form(form, ASKS, now=datetime.now(UTC), zone=set_.zone)
    sources, held, trouble = _sources(form, files)
    pattern: NamePattern | None = None
    try:
        pattern = read_pattern(str(typed.values.get("pattern") or DEFAULT))
    except BadPattern as why:
        trouble = trouble or Refusal.of(str(why), at="pattern")
    sweep = _sweep(typed.values)
    with lab.reading() as session:
        facts = intake_facts(session)
    if sweep.device and sweep.device not in facts.devices:
        trouble = trouble or Refusal.of(f"There is no device {sweep.device}.", at="device")
    if trouble is not None:
        typed = typed.refused(trouble)
    if not typed.ok:
        return page(request, "scans/many.html", _context(typed, (), held, form=form), status=422)
    if sweep.device and pattern is not None and pattern.text == DEFAULT:
        pattern = None
    rows = plan_intake(sources, pattern, facts, sweep)
    seen = _seen(held, form)
    step = form.get("step")
    changed = step == "keep" and form.get("seen") != seen
    try:
        who = writer(request, form)
        rows = keep_intake(lab, files, rows, operator_id=who, dry_run=True)
        shown = _context(typed, rows, held, form=form, seen=seen, changed=changed)
        if step != "keep" or changed:
            return page(request, "scans/many.html", shown)
        if shown.questions:
            return page(request, "scans/many.html", shown, status=422)
        body = {"held": list(held), "typed": {name: v for name, v in forms.body_of(form).items() if name in _names()}}
        rows = keep_intake(lab, files, rows, operator_id=who, key=forms.key_of(form), body=body)
    except Refusal as refusal:
        again = _context(typed.refused(refusal), rows, held, form=form, seen=seen)
        return page(request, "scans/many.html", again, status=409)
    return RedirectResponse(f"/scans/many?kept={sum(row.state == 'kept' for row in rows)}", status_code=303)


def _names() -> frozenset[str]:
    return frozenset(ask.name for ask in ASKS)


def _sources(form: FormData, files: FileStore) -> tuple[list[Source], tuple[str, ...], Refusal | None]:
    """Files that came with the form, or those it has held (digest and name), and what is wrong with them."""
    sent = [each for each in form.getlist("files") if isinstance(each, UploadFile) and each.filename]
    held = [each for each in form.getlist("held") if isinstance(each, str)]
    if len(sent) + len(held) > MOST_FILES:
        return [], (), Refusal.of(f"At most {MOST_FILES} files at once; these are {len(sent) + len(held)}.", at="files")
    sources: list[Source] = []
    kept: list[str] = []
    if sent:
        for each in sent:
            content = each.file.read()
            if len(content) > LARGEST_BYTES:
                most = LARGEST_BYTES // 2**20
                return [], (), Refusal.of(f"{_plain(each.filename)} is larger than {most} MB.", at="files")
            name = _plain(each.filename)
            sources.append(Source(name, content=content))
            kept.append(f"{files.put(content)} {name}")
        return sources, tuple(kept), None
    for one in held:
        digest, _, name = one.partition(" ")
        try:
            sources.append(Source(_plain(name), content=files.get(digest)))
        except (ValueError, FileNotFoundError, DamagedFile):
            return [], (), Refusal.of("The files are no longer held here: choose them again.", at="files")
    if not sources:
        return [], (), Refusal.of("Choose the scans’ files.", at="files")
    return sources, tuple(held), None


def _plain(name: str | None) -> str:
    last = (name or "").replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(sign for sign in last if sign.isprintable()).strip()[-200:] or "scan"


def _sweep(values: Mapping[str, Any]) -> Sweep:
    def given(names: Sequence[str]) -> dict[str, Any]:
        return {name: values[name] for name in names if values.get(name) is not None}

    return Sweep(
        given(_READING),
        given(_COMMON),
        values.get("device") or "",
        values.get("mode") or "",
        bool(values.get("accept")),
    )


def _seen(held: Sequence[str], form: FormData) -> str:
    """A mark of what was looked at: the files and everything typed."""
    names = _names() - {"done_at"}
    told = [list(held), sorted((name, v) for name, v in forms.body_of(form).items() if name in names)]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:24]


def _context(
    typed: Typed | None,
    rows: Sequence[Row],
    held: Sequence[str],
    *,
    form: FormData | None = None,
    seen: str = "",
    changed: bool = False,
    saved: str = "",
) -> ManyContext:
    kept = forms.kept_of(form) if form is not None else frozenset()
    groups = tuple(
        (heading, tuple(forms.show(ask, typed, value=FRESH.get(ask.name), keep=kept) for ask in asks))
        for heading, asks in GROUPS
    )
    return ManyContext(
        groups=groups,
        placeholders=PLACEHOLDERS,
        key=(forms.key_of(form) or "") if form is not None else "",
        typed=typed,
        questions=typed.open_questions(kept) if typed else {},
        confirmed=tuple(sorted(at for _, at in kept if at)),
        rows=tuple(rows),
        ready=sum(row.state == "ready" for row in rows),
        held=tuple(held),
        seen=seen,
        changed=changed,
        file_error=typed.errors.get((None, "files"), "") if typed else "",
        most_mb=LARGEST_BYTES // 2**20,
        saved=saved,
    )


def _measuring_form(session: Any) -> PlainForm:
    now = measuring_now(session)
    stored = _stored(now) if now else {"medium": "air", "picked": "unknown"}
    return PlainForm(
        title="Measuring now",
        trail=(("Scans", "/scans"),),
        action="/scans/now",
        button="The next files are of this",
        groups=(
            (
                "",
                (
                    forms.code("device", "Device", help="Blank: nothing is being measured."),
                    forms.text("mode", "Mode", help="Blank: each file is a mode not seen before."),
                ),
            ),
            ("How the files’ axes become frequency", AXIS_ASKS),
            ("The sweeps", tuple(ask for ask in SWEEP_ASKS if ask.name != "done_at")),
        ),
        deed="say what is measured",
        stored=stored,
        says="While a folder is followed (marver follow), each file that lands in it is kept as a scan of this device "
        "and mode, whatever the instrument calls it.",
    )


def _stored(now: Measuring) -> dict[str, Any]:
    common = dict(now.common)
    reading = common.pop("reading", None) or {}
    return {"device": now.device, "mode": now.mode, **common, **reading}


@router.get("/scans/now")
def measuring(request: Request, session: Reading, device: str = "") -> Response:
    """What the next files are of."""
    plain = _measuring_form(session)
    context = plain.context()
    if was_saved(request):
        now = measuring_now(session)
        said = f"{now.device}, {now.mode or 'a new mode each'}" if now else "Nothing"
        title = f"Measuring now: {said}"
        return page(request, "lab/form.html", PlainForm(**{**vars(plain), "title": title}).context())
    if device and not plain.stored.get("device"):
        stored = {**plain.stored, "device": device}
        return page(request, "lab/form.html", PlainForm(**{**vars(plain), "stored": stored}).context())
    return page(request, "lab/form.html", context)


@router.post("/scans/now")
def measure(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Say so."""
    with lab.reading() as session:
        plain = _measuring_form(session)
        devices = intake_facts(session).devices

    def act(writing: Writing, values: Values) -> str:
        code = values.get("device") or ""
        if code and code not in devices:
            raise Refusal.of(f"There is no device {code}.", at="device")
        reading = {name: values[name] for name in _READING if values.get(name) is not None}
        common = {name: values[name] for name in _COMMON if values.get(name) is not None}
        measure_now(writing, code, values.get("mode") or None, reading, common)
        return "/scans/now"

    return answer(request, form, lab, set_.zone, plain, act)
