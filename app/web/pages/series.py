"""One mode of a device: its scans over power, coupling and time with what they say together; its ring-downs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup
from pydantic import ValidationError
from starlette.datastructures import FormData, UploadFile

from app.actions.ringdown import keep_ringdown, prepare_ringdown
from app.charts.series import age_chart, width_chart
from app.core.figures import q_text
from app.core.optics.results import Measured
from app.core.q_limits import ODDLY_LOW
from app.core.refusal import Refusal
from app.queries.scan_files import LARGEST_BYTES
from app.queries.scans import UploadFacts, upload_facts
from app.queries.series import ModeFacts, SizeFacts, mode_facts, noticed, q_of, widened
from app.schemas.series import RingDownIn
from app.web import forms
from app.web.deps import Files, Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.frame import writer
from app.web.render import chart_picture, page, theme_of

router = APIRouter()

TIME_UNITS = {"s": "s", "ms": "ms", "us": "µs", "ns": "ns"}
Q_BEYOND = "Q is too good: its whole interval lies above what the glass itself allows. Doubt the frequency axis first."
Q_BELOW = (
    f"Q is oddly low: {ODDLY_LOW:g} times below the least of these limits. Dust, a cracked rim or a touching taper?"
)


@dataclass(frozen=True)
class Told:
    """What one series says: `answer` in figures, `says` in words; without an answer `says` is what is missing."""

    name: str
    answer: str
    says: str
    chart: Mapping[str, Any] | None = None
    picture: Markup | None = None
    paper: Markup | None = None


@dataclass(frozen=True, eq=False)
class ModeContext:
    """One mode."""

    mode: ModeFacts
    title: str
    told: tuple[Told, ...]
    limits_say: str
    notice: str
    ring_form: str
    saved: str


@dataclass(frozen=True, eq=False)
class RingContext:
    """The ring-down form."""

    facts: UploadFacts
    asked: tuple[Field, ...]
    key: str
    typed: Typed | None
    questions: Mapping[Any, str]
    file_error: str
    most_mb: int


@router.get("/devices/{code}/resonances/{label:path}")
def mode(request: Request, code: str, label: str, session: Reading, saved: str = "") -> Response:
    """One mode with its series."""
    facts = mode_facts(session, code, label)
    if facts is None:
        raise HTTPException(404, f"No mode of {code} is called “{label}”.")
    theme = theme_of(request)
    told = (_power(facts, theme), _coupling(facts, theme), _repeats(facts), _ageing(facts, theme))
    limits_say, notice_says = limits_in_words(facts)
    context = ModeContext(
        mode=facts,
        title=f"“{facts.label}” of {facts.device_code}",
        told=told,
        limits_say=limits_say,
        notice=notice_says,
        ring_form=f"/devices/{facts.device_code}/ring-downs/new?mode={quote(facts.label, safe='')}",
        saved="Ring-down kept." if saved == "ring" else "",
    )
    return page(request, "scans/mode.html", context)


def limits_in_words(facts: ModeFacts) -> tuple[str, str]:
    """What the size allows, and what is odd about the last Q; empty where nothing is known or odd."""
    if facts.size is None or not facts.size.limits:
        return "", ""
    last = next((scan for scan in reversed(facts.scans) if scan.q), None)
    odd = noticed(facts.size, last.q_low, last.q_high) if last else ""
    return size_says(facts.size), {"too_good": Q_BEYOND, "oddly_low": Q_BELOW, "": ""}[odd]


def size_says(size: SizeFacts) -> str:
    """The limits one after another, least first."""
    across = "" if size.diameter_um is None else f" of {size.diameter_um:.3g} µm"
    how = "" if size.diameter_um is None or size.measured else " (as drawn, not measured)"
    each = "; ".join(f"{limit.name.lower()} {q_text(limit.q, decimals=0)} ({limit.source})" for limit in size.limits)
    fine = f" Finesse {q_text(size.finesse, decimals=1)}." if size.finesse else ""
    return f"A silica resonator{across}{how} is allowed, each cause by itself: {each}.{fine}"


def _width_says(width: Measured) -> str:
    low = "?" if width.low is None else f"{max(width.low, 0):.3g}"
    high = "?" if width.high is None else f"{width.high:.3g}"
    return f"{width.value:.3g} MHz, {low} to {high}"


def _q_says(width: Measured, wavelength_nm: float | None) -> str:
    q = None if wavelength_nm is None else q_of(width, wavelength_nm)
    return "" if q is None else q_text(q.value, q.low, q.high)


def _scatter_says(scatter: float | None, unit: str, count: int) -> str:
    if scatter is None:
        return f"{count} scans are too few to see scatter between them; the interval holds only if there is none."
    if scatter == 0:
        return "The scans differ by no more than each one’s own doubt."
    shown = f"{100 * scatter:.2g} %" if unit == "%" else f"{scatter:.2g} {unit}"
    return f"From scan to scan it scatters by {shown} beyond each one’s own doubt; the interval allows for it."


def _power(facts: ModeFacts, theme: str) -> Told:
    name = "Linewidth at no power"
    line = facts.power
    if line is None:
        return Told(name, "", facts.missing["power"])
    cold = widened(line.at_zero, facts.rel_axis)
    points = [(s.power_uw, s.width_mhz, s.width_sigma) for s in facts.scans if s.power_uw and s.width_sigma]
    chart = width_chart(
        points,
        (line.at_zero.value, line.slope.value, line.curvature),
        (line.at_zero.low or 0.0, line.at_zero.high or 0.0),
        "Input power / µW",
    )
    shape = "A parabola fits it; a straight line does not." if line.bent else "A straight line through the scans."
    says = f"{shape} Loaded Q when cold: {_q_says(cold, facts.wavelength_nm)}. "
    says += _scatter_says(line.scatter, "MHz", line.points)
    return Told(name, _width_says(cold), says, chart, chart_picture(chart, theme), chart_picture(chart, "print"))


def _coupling(facts: ModeFacts, theme: str) -> Told:
    name = "Intrinsic width at no coupling"
    series = facts.coupling
    if series is None:
        return Told(name, "", facts.missing["coupling"])
    width = widened(series.intrinsic_mhz, facts.rel_axis)
    over = sum(reading == "over" for reading in series.readings)
    settled = (
        f"It settles the coupling: {over} of {len(series.readings)} scans are over-coupled"
        if series.settled
        else f"It does not settle the coupling (Δχ² {series.delta_chi2:.1f} of 10); {over} are read over-coupled"
    )
    taper = ""
    if series.parasitic is not None and series.parasitic.low is not None and series.parasitic.low > 0:
        taper = f" The taper adds loss, {series.parasitic.value:.2g} of each unit of coupling."
    used = [s for s in facts.scans if s.width_sigma and s.balance_sigma > 0 and s.position_um is not None]
    signs = [1 if reading == "under" else -1 for reading in series.readings]
    points = [
        (s.width_mhz * (1 - sign * abs(s.balance)) / 2, s.width_mhz, s.width_sigma or 0.0)
        for s, sign in zip(used, signs, strict=True)
    ]
    slope = 1.0 + (series.parasitic.value if series.parasitic else 0.0)
    ends = (series.intrinsic_mhz.low or 0.0, series.intrinsic_mhz.high or 0.0)
    chart = width_chart(points, (series.intrinsic_mhz.value, slope, 0.0), ends, "Coupling / MHz")
    says = f"{settled}. Intrinsic Q: {_q_says(width, facts.wavelength_nm)}.{taper} "
    says += _scatter_says(series.scatter, "MHz", len(points))
    return Told(name, _width_says(width), says, chart, chart_picture(chart, theme), chart_picture(chart, "print"))


def _repeats(facts: ModeFacts) -> Told:
    name = "Repeats"
    found = facts.repeated
    if found is None:
        return Told(name, "", facts.missing["repeats"])
    q = widened(found.q, facts.rel_axis)
    says = f"Mean of log Q over {found.count} scans alike ({facts.repeats_at}). "
    return Told(name, q_text(q.value, q.low, q.high), says + _scatter_says(found.scatter, "%", found.count))


def _ageing(facts: ModeFacts, theme: str) -> Told:
    name = "Ageing"
    found = facts.ageing
    if found is None:
        return Told(name, "", facts.missing["ageing"])
    change = found.change_30_days
    low, high = (None if end is None else 100 * end for end in (change.low, change.high))
    span = f"{low:+.2g} to {high:+.2g} %" if low is not None and high is not None else "no interval"
    points = [(s.days, s.q, s.q_low, s.q_high) for s in facts.scans if s.q and s.log_sigma]
    chart = age_chart(points, (found.line.at_zero.value, found.line.slope.value), f"Days since {facts.days_since}")
    says = "Q changes with time." if found.changes else "No change of Q stands out."
    says += " " + _scatter_says(found.scatter, "%", len(points))
    answer = f"{100 * change.value:+.2g} % in 30 days, {span}".replace("-", "−")
    return Told(name, answer, says, chart, chart_picture(chart, theme), chart_picture(chart, "print"))


def _asks(facts: UploadFacts) -> tuple[Ask, ...]:
    return (
        forms.text("label", "Mode", required=True),
        forms.quantity("wavelength_nm", required=True),
        forms.when(),
        forms.choice("time_unit", "Unit of the time", TIME_UNITS, help="Blank: as the file says."),
        forms.text("x", "Time column", help="Where the file has more than two: its name or number from 0."),
        forms.text("y", "Power column"),
        forms.text("response_ns", "Detector and shutter, ns", help="Their time constant together, where known."),
        forms.record("tool_id", "Laser", facts.lasers),
        forms.text("note", "Note", long=True),
    )


@router.get("/devices/{code}/ring-downs/new")
def new_ring_down(request: Request, code: str, session: Reading, mode: str = "") -> Response:
    """An empty form."""
    facts = _facts(session, code)
    values = {"done_at": "now", "label": mode}
    return page(request, "scans/ring_down.html", _ring_context(facts, None, None, values))


@router.post("/devices/{code}/ring-downs/new")
def ring_down(request: Request, code: str, form: Posted, lab: Lab, files: Files, set_: Set) -> Response:
    """Read, fit and keep."""
    with lab.reading() as session:
        facts = _facts(session, code)
    typed = forms.parse_form(form, _asks(facts), now=datetime.now(UTC), zone=set_.zone)
    if not typed.ok or typed.open_questions(forms.kept_of(form)):
        return page(request, "scans/ring_down.html", _ring_context(facts, typed, form, {}), status=422)
    try:
        sent = form.get("file")
        if not isinstance(sent, UploadFile) or not sent.filename:
            raise Refusal.of("Choose the ring-down’s file.", at="file")
        data = _data(facts.device_code, sent.filename, typed.values)
        prepared = prepare_ringdown(files, sent.file.read(), data)
        body = {**forms.body_of(form), "sha256": prepared.sha256}
        with lab.writing(
            "keep ring-down", operator_id=writer(request, form), key=forms.key_of(form), body=body
        ) as writing:
            if not writing.answered_before:
                keep_ringdown(writing, data, prepared)
                label = quote(" ".join(data.label.split()), safe="")
                writing.answer = f"/devices/{facts.device_code}/resonances/{label}?saved=ring"
            target = str(writing.answer)
    except Refusal as refusal:
        again = _ring_context(facts, typed.refused(refusal), form, {})
        return page(request, "scans/ring_down.html", again, status=409)
    return RedirectResponse(target, status_code=303)


def _data(code: str, file_name: str, values: Mapping[str, Any]) -> RingDownIn:
    given = {name: values[name] for name in RingDownIn.model_fields if values.get(name) not in (None, "")}
    if "response_ns" in given:
        given["response_ns"] = str(given["response_ns"]).replace(",", ".")
    name = file_name.replace("\\", "/").rsplit("/", 1)[-1][-200:]
    try:
        return RingDownIn(**given, device_code=code, file_name=name)
    except ValidationError as wrong:
        first = wrong.errors()[0]
        at = str(first["loc"][0]) if first["loc"] else None
        raise Refusal.of("This is no number above zero." if at == "response_ns" else first["msg"], at=at) from wrong


def _facts(session: Any, code: str) -> UploadFacts:
    facts = upload_facts(session, code)
    if facts is None:
        raise HTTPException(404, f"No device is called {code}.")
    return facts


def _ring_context(
    facts: UploadFacts, typed: Typed | None, form: FormData | None, values: Mapping[str, Any]
) -> RingContext:
    kept = forms.kept_of(form) if form is not None else frozenset()
    asked = tuple(
        forms.show(
            ask, typed, value=values.get(ask.name), keep=kept, suggestions=facts.modes if ask.name == "label" else ()
        )
        for ask in _asks(facts)
    )
    return RingContext(
        facts=facts,
        asked=asked,
        key=(forms.key_of(form) or "") if form is not None else "",
        typed=typed,
        questions=typed.open_questions(kept) if typed else {},
        file_error=typed.errors.get((None, "file"), "") if typed else "",
        most_mb=LARGEST_BYTES // 2**20,
    )
