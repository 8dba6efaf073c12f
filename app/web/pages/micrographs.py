"""A micrograph of a device: upload, see the outlines found, mend them by points or numbers, keep sizes and picture."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import FileResponse, RedirectResponse, Response
from starlette.datastructures import FormData, UploadFile

from app.actions.log_inspections import record_inspection
from app.actions.log_seen import record_undercut_measurements
from app.actions.micrographs import keep_picture
from app.core.refusal import Refusal, Where
from app.core.vocab import VERDICTS, defect_words
from app.files import DamagedFile, FileStore
from app.queries.micrographs import (
    Measured,
    MicrographFacts,
    drawn,
    measure,
    micrograph_facts,
    picture_kept,
    read_points,
)
from app.queries.pictures import media_type, read_picture, shown_picture
from app.schemas.log import DefectIn, FindingIn, InspectionIn, MeasurementIn, MeasurementsIn
from app.schemas.micrographs import PictureIn
from app.web import forms
from app.web.deps import Files, Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.log_form import NOTE, SAID, WHEN, Form, again, attempt, confirmed, parse, read_when_said
from app.web.render import page

router = APIRouter()

AFTER = {"undercut": "After undercut: disc and pillar", "reflow": "After reflow or melting: outer rim"}
SIZES = {
    "undercut": ("disc_um", "pillar_top_x_um", "pillar_top_y_um", "pillar_offset_um"),
    "reflow": ("outer_um", "roundness_um"),
}
POINTS = "x y; x y; x y in pixels, or click three places on the outline. Blank: as found."
_OF_LOOK = ("after", "tool_id", "um_per_px", "bar_um", "outer", "inner")


@dataclass(frozen=True)
class Held:
    """A picture that arrived and can be read, stored under its digest."""

    sha256: str
    name: str
    content: bytes
    picture: Any


@dataclass(frozen=True, eq=False)
class MicrographContext:
    """The micrograph form of one device."""

    facts: MicrographFacts
    form: Form
    said: Mapping[str, str]
    held: Held | None
    file_error: str
    after: str
    afters: Mapping[str, str]
    scale: tuple[Field, ...]
    points: tuple[Field, ...]
    sizes: tuple[Field, ...]
    verdicts: tuple[Field, ...]
    measured: Measured | None
    shapes: tuple[Mapping[str, Any], ...]
    suggested: tuple[tuple[str, str], ...]
    seen: str
    changed: bool
    saved: bool


@router.get("/devices/{code}/micrographs/new")
def new_micrograph(request: Request, code: str, session: Reading, saved: str = "") -> Response:
    """An empty form, and the pictures kept of the device."""
    facts = _facts(session, code)
    after = "reflow" if facts.kind == "microsphere" else "undercut"
    form = Form(_address(facts))
    return page(request, "micrographs/new.html", _context(facts, form, after, saved=saved == "1"))


@router.post("/devices/{code}/micrographs/new")
def read_micrograph(request: Request, code: str, form: Posted, lab: Lab, files: Files, set_: Set) -> Response:
    """Find the outlines and show them; or, once they were looked at, keep sizes and picture."""
    with lab.reading() as session:
        facts = _facts(session, code)
    after = "reflow" if form.get("after") == "reflow" or facts.kind == "microsphere" else "undercut"
    typed = parse(
        form, (*_scale_asks(facts), *_point_asks(), *_size_asks(after), *_verdict_asks(after), WHEN, NOTE), set_.zone
    )
    held, trouble = _held(form, files)
    measured = None
    if trouble is None and held is not None and typed.ok:
        try:
            measured = _measure(held, facts, after, typed.values)
        except Refusal as refusal:
            trouble = refusal
    if trouble is not None:
        typed = typed.refused(trouble)
    done_at, said = read_when_said(form, typed, set_.zone)
    look = Form(_address(facts), key=forms.key_of(form) or "", typed=typed, said=said)
    look = replace(look, when=forms.show(WHEN, typed), note=forms.show(NOTE, typed))
    if measured is None or held is None:
        return page(request, "micrographs/new.html", _context(facts, look, after, held), status=422)
    seen = _seen(held, after, typed.values)
    if form.get("step") != "keep" or form.get("seen") != seen:
        changed = form.get("step") == "keep"
        context = _context(facts, look, after, held, measured, seen=seen, changed=changed, fresh=True)
        return page(request, "micrographs/new.html", context)

    def do(writing: Any) -> str:
        return _keep(writing, facts, after, held, measured, typed, form, done_at)

    done = attempt(request, lab, form, typed, "log a micrograph", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, _address(facts), said)
    return page(
        request, "micrographs/new.html", _context(facts, shown, after, held, measured, seen=seen), status=done.status
    )


@router.get("/pictures/{sha256}")
def shown(sha256: str, files: Files) -> Response:
    """A small copy of a stored picture, for the page."""
    try:
        return Response(shown_picture(files.get(sha256)), media_type="image/jpeg")
    except (ValueError, FileNotFoundError, DamagedFile, Refusal):
        raise HTTPException(404, "There is no such picture.") from None


@router.get("/micrographs/{attachment_id}/file")
def original(attachment_id: int, session: Reading, files: Files) -> Response:
    """The original picture, byte for byte, as a download."""
    kept = picture_kept(session, attachment_id) if 0 < attachment_id < 2**31 else None
    if kept is None or not files.has(kept[0]):
        raise HTTPException(404, "There is no such picture.")
    return FileResponse(files.path(kept[0]), media_type="application/octet-stream", filename=kept[1])


def _facts(session: Any, code: str) -> MicrographFacts:
    facts = micrograph_facts(session, code)
    if facts is None:
        raise HTTPException(404, f"No device is called {code}.")
    return facts


def _address(facts: MicrographFacts) -> str:
    return f"/devices/{facts.device_code}/micrographs/new"


def _held(form: FormData, files: FileStore) -> tuple[Held | None, Refusal | None]:
    """The picture that came with the form, else the one the form has held; or what is wrong with it."""
    sent, digest = form.get("file"), form.get("held")
    try:
        if isinstance(sent, UploadFile) and sent.filename:
            content = sent.file.read()
            picture = read_picture(content)
            return Held(files.put(content), _plain(sent.filename), content, picture), None
        if isinstance(digest, str) and digest:
            content = files.get(digest)
            return Held(digest, _plain(str(form.get("held_name") or "")), content, read_picture(content)), None
    except Refusal as refusal:
        return None, refusal
    except (ValueError, FileNotFoundError, DamagedFile):
        return None, Refusal.of("The picture is no longer held here: choose it again.", at="file")
    return None, Refusal.of("Choose the picture.", at="file")


def _plain(name: str) -> str:
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(sign for sign in last if sign.isprintable()).strip()[-200:] or "picture"


def _scale_asks(facts: MicrographFacts) -> tuple[Ask, ...]:
    return (
        forms.record("tool_id", "Microscope or objective", facts.tools),
        forms.quantity("um_per_px", help="Blank: as kept of the objective."),
        forms.quantity("bar_um", help="Where a bar is drawn into the picture: the length written at it."),
    )


def _point_asks() -> tuple[Ask, ...]:
    return forms.text("outer", "Outer outline by three points", help=POINTS), forms.text(
        "inner", "Pillar by three points", help=POINTS
    )


def _size_asks(after: str) -> tuple[Ask, ...]:
    return tuple(forms.quantity(name) for name in SIZES[after])


def _verdict_asks(after: str) -> tuple[Ask, ...]:
    if after == "undercut":
        return ()
    return forms.choice("verdict", "Verdict", VERDICTS), forms.choice("defect", "Defect", defect_words())


def _measure(held: Held, facts: MicrographFacts, after: str, values: Mapping[str, Any]) -> Measured:
    given: dict[str, Any] = {}
    for name in ("outer", "inner"):
        try:
            given[name] = read_points(values[name])
        except ValueError as wrong:
            words = str(wrong) if "three points" in str(wrong) else "Give three points as x y; x y; x y, in pixels"
            raise Refusal.of(words, at=name) from None
    scale, tool = values["um_per_px"], values["tool_id"]
    said = "as given"
    if scale is None and tool is not None:
        scale, said = facts.scales.get(tool), f"as kept of {facts.tools.get(str(tool), '').split(',')[0]}"
    return measure(
        held.picture, reflowed=after == "reflow", scale=scale, scale_from=said, bar_um=values["bar_um"], **given
    )


def _seen(held: Held, after: str, values: Mapping[str, Any]) -> str:
    told = json.dumps([held.sha256, after, {name: values.get(name) for name in _OF_LOOK if name != "after"}])
    return hashlib.sha256(told.encode()).hexdigest()[:24]


def _keep(
    writing: Any,
    facts: MicrographFacts,
    after: str,
    held: Held,
    measured: Measured,
    typed: Typed,
    form: FormData,
    done_at: Any,
) -> str:
    values = typed.values
    sizes = {name: values[name] for name in SIZES[after]}
    read_off = [name for name, value in sizes.items() if value is not None and value == measured.sizes.get(name)]
    note = "\n".join(each for each in (values["note"], _in_words(held, measured, sizes, read_off)) if each)
    head = {"tool_id": values["tool_id"], "done_at": done_at, "method": "microscope"}
    places = frozenset((row, at) for _, at in confirmed(form, typed) for row in (None, 0))
    try:
        if after == "undercut":
            row = MeasurementIn(device=facts.device_code, note=note, **sizes)
            event: Any = record_undercut_measurements(writing, MeasurementsIn(rows=(row,), confirmed=places, **head))[0]
        else:
            defects = (DefectIn(kind=values["defect"]),) if values["defect"] else ()
            finding = FindingIn(
                device=facts.device_code, verdict=values["verdict"] or "", defects=defects, note=note, **sizes
            )
            data = InspectionIn(stage=facts.last_stage, cover="devices", rows=(finding,), confirmed=places, **head)
            event = record_inspection(writing, data)
    except Refusal as refusal:
        raise _without_rows(refusal) from refusal
    picture = PictureIn(
        sha256=held.sha256, file_name=held.name, media_type=media_type(held.content), size_bytes=len(held.content)
    )
    keep_picture(writing, event, picture, read_off=read_off)
    return f"{_address(facts)}?saved=1"


def _without_rows(refusal: Refusal) -> Refusal:
    """The refusal of a batch of one, at the fields of this form."""
    errors: dict[Where, str] = {(None, at): words for (_, at), words in refusal.errors.items()}
    asked: dict[Where, str] = {(None, at): words for (_, at), words in refusal.confirmable.items()}
    return Refusal(errors, confirmable=asked)


def _in_words(held: Held, measured: Measured, sizes: Mapping[str, Any], read_off: list[str]) -> str:
    """What the record says of how it was read: the file, the scale, each outline, what was changed by hand."""
    parts = [f"Read off {held.name} at {measured.scale:.5g} µm/px ({measured.scale_from})"]
    parts += [f"{name}: {words}" for name, words in measured.told]
    by_hand = [name for name, value in sizes.items() if value is not None and name not in read_off]
    if by_hand:
        parts.append(f"changed by hand: {', '.join(by_hand)}")
    return ". ".join(parts) + "."


def _context(
    facts: MicrographFacts,
    form: Form,
    after: str,
    held: Held | None = None,
    measured: Measured | None = None,
    *,
    seen: str = "",
    changed: bool = False,
    fresh: bool = False,
    saved: bool = False,
) -> MicrographContext:
    typed = form.typed
    found = measured.sizes if measured else {}
    # Looking again fills the sizes anew; on a refused save what was typed stays.
    sizes = tuple(forms.show(ask, None if fresh else typed, value=found.get(ask.name)) for ask in _size_asks(after))
    words = defect_words()
    return MicrographContext(
        facts=facts,
        form=form,
        said=SAID,
        held=held,
        file_error=typed.errors.get((None, "file"), "") if typed else "",
        after=after,
        afters=AFTER if facts.kind != "microsphere" else {"reflow": AFTER["reflow"]},
        scale=tuple(forms.show(ask, typed) for ask in _scale_asks(facts)),
        points=tuple(forms.show(ask, typed) for ask in _point_asks()),
        sizes=sizes,
        verdicts=tuple(forms.show(ask, typed) for ask in _verdict_asks(after)),
        measured=measured,
        shapes=tuple(drawn(circle) for circle in measured.circles) if measured else (),
        suggested=tuple((words.get(each.kind, each.kind), each.why) for each in measured.suggested) if measured else (),
        seen=seen,
        changed=changed,
        saved=saved,
    )
