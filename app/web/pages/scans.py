"""A scan's page: is this fit to be believed? Fitting again by hand, accepting and setting aside, the files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import FileResponse, RedirectResponse, Response
from starlette.datastructures import FormData

from app.actions.scans import fit_scan, judge_fit, prepare_scan, void_scan
from app.charts.scan import ScanPlot, scan_plot, small_plot
from app.core.optics.unreadable import ScanUnreadable
from app.core.refusal import Refusal
from app.core.vocab import CORRECTION_REASONS
from app.files import DamagedFile, FileStore
from app.queries.scan_files import ReadFile, axis_of, file_window, picture_of, read_scan, trace_table, zero_of
from app.queries.scans import ScanFacts, ScanRow, latest_scans, scan_facts
from app.schemas.scans import FitIn, JudgementIn, ReadingIn, VoidIn
from app.web import forms
from app.web.deps import Files, Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.render import page

router = APIRouter()

LARGEST_ID = 2**31
YEAR_S = 31_536_000
SMALL = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1000 {height}">'
    '<path id="samples" fill="none" stroke="currentColor" vector-effect="non-scaling-stroke" d="{samples}"/>'
    '<path id="fit" fill="none" stroke="currentColor" vector-effect="non-scaling-stroke" d="{curve}"/></svg>'
)
SHAPES = {"auto": "Let the data decide", "single": "Single", "split": "Split"}
READINGS = {"under": "Under-coupled", "over": "Over-coupled"}
WHY_ASIDE = (
    "The fit misses the dip",
    "Dragged by heat",
    "Rings: swept too fast",
    "Two modes on top of each other",
    "A better scan of this mode exists",
)
SAVED = {
    "kept": "Scan kept.",
    "kept-accepted": "Scan kept, its fit accepted.",
    "fitted": "Fitted again: a new fit, the earlier ones stay.",
    "accepted": "Fit accepted. It counts from now on.",
    "voided": "Scan voided.",
    "set_aside": "Fit set aside. It stays readable and counts nowhere.",
}
ASKS: tuple[Ask, ...] = (
    forms.choice("model", "Line shape", SHAPES),
    forms.choice("regime", "Coupling", READINGS, help="Blank: as the data say, else under-coupled."),
    forms.quantity("window_low_mhz"),
    forms.quantity("window_high_mhz"),
    forms.quantity("dark_v"),
    forms.text("label", "Mode", help="Another name if this is another resonance."),
)


@dataclass(frozen=True, eq=False)
class ScanContext:
    """One scan: what was recorded, the fit shown, the plot, and the two forms."""

    scan: ScanFacts
    title: str
    plot: ScanPlot | None
    lost: str
    """Why the file cannot be drawn, where it cannot."""
    saved: str
    by_hand: tuple[Field, ...]
    shape: str
    shapes: Mapping[str, str]
    why_aside: tuple[str, ...]
    snippet: str
    typed: Typed | None = None
    judging: str = ""
    """What is wrong with a judgement that was not saved."""
    voiding: str = ""
    """What is wrong with a voiding that was not saved."""


@dataclass(frozen=True)
class ScansContext:
    """The latest scans."""

    rows: tuple[ScanRow, ...]


@router.get("/scans")
def scans(request: Request, session: Reading) -> Response:
    """The latest scans, newest first."""
    return page(request, "scans/list.html", ScansContext(latest_scans(session)))


@router.get("/scans/{scan_id}")
def scan(
    request: Request, scan_id: int, session: Reading, files: Files, fit: int | None = None, saved: str = ""
) -> Response:
    """One scan with its fit."""
    facts = _facts(session, scan_id, fit)
    return page(request, "scans/scan.html", _context(request, facts, files, saved=SAVED.get(saved, "")))


@router.get("/scans/{scan_id}/small.svg")
def small(scan_id: int, session: Reading, files: Files, fit: int | None = None) -> Response:
    """The scan and its fit in little, as shapes that a page draws in its own colours.

    Neither a scan's file nor a fit ever changes, so that a browser asks once.
    """
    facts = _facts(session, scan_id, fit)
    read, lost = _read(facts, files)
    if read is None:
        raise HTTPException(404, lost)
    picture = small_plot(picture_of(read, facts.shown.numbers if facts.shown else None, None).trace)
    body = SMALL.format(height=picture.height, samples=picture.samples, curve=picture.curve or "M0 0")
    kept = {"cache-control": f"private, max-age={YEAR_S}, immutable"} if fit is not None else {}
    return Response(body, media_type="image/svg+xml", headers=kept)


@router.get("/scans/{scan_id}/file")
def file(scan_id: int, session: Reading, files: Files) -> Response:
    """The original file, byte for byte, as a download."""
    facts = _facts(session, scan_id)
    if not files.has(facts.sha256):
        raise HTTPException(404, "The file of this scan is no longer in the lab's file folder.")
    return FileResponse(files.path(facts.sha256), media_type="application/octet-stream", filename=facts.file_name)


@router.get("/scans/{scan_id}/result.json")
def result(scan_id: int, session: Reading, fit: int | None = None) -> Response:
    """The fit as `marver fit --json` prints it."""
    facts = _facts(session, scan_id, fit)
    if facts.shown is None:
        raise HTTPException(404, f"Scan {scan_id} has no fit. {facts.no_fit}".strip())
    body = {"file": facts.file_name, **facts.shown.result}
    return Response(json.dumps(body, ensure_ascii=False, allow_nan=False), media_type="application/json")


@router.get("/scans/{scan_id}/trace.csv")
def trace(scan_id: int, session: Reading, files: Files, fit: int | None = None) -> Response:
    """Every sample with the fitted curve."""
    facts = _facts(session, scan_id, fit)
    read, lost = _read(facts, files)
    if read is None:
        raise HTTPException(404, lost)
    numbers = facts.shown.numbers if facts.shown else None
    name = f"scan-{facts.id}-trace.csv"
    return Response(
        trace_table(read, numbers),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


@router.post("/scans/{scan_id}/fits")
def fit_again(request: Request, scan_id: int, form: Posted, lab: Lab, files: Files, set_: Set) -> Response:
    """Fit the scan again with a window, shape or reading chosen by hand."""
    with lab.reading() as session:
        facts = _facts(session, scan_id, _number(form, "shown"))
    typed = forms.parse_form(form, ASKS, now=datetime.now(UTC), zone=set_.zone)
    body = forms.body_of(form)
    if not typed.ok:
        return _again(request, facts, files, typed, 422)
    try:
        reading = _reading_by_hand(facts, files, typed.values)
        prepared = prepare_scan(files, files.get(facts.sha256), reading)
        with lab.writing(
            "fit scan again", operator_id=forms.operator_of(form), key=forms.key_of(form), body=body
        ) as writing:
            if not writing.answered_before:
                label = typed.values["label"] or (facts.shown.row.label if facts.shown else None)
                made = fit_scan(writing, FitIn(scan_id=scan_id, label=label), prepared)
                writing.answer = f"/scans/{scan_id}?fit={made.id}&saved=fitted"
            target = writing.answer
    except Refusal as refusal:
        return _again(request, facts, files, typed.refused(_at_window(refusal)), 409)
    except (FileNotFoundError, DamagedFile) as gone:
        raise HTTPException(409, _lost(gone)) from gone
    return RedirectResponse(target, status_code=303)


@router.post("/fits/{fit_id}/judgement")
def judge(request: Request, fit_id: int, form: Posted, lab: Lab, files: Files) -> Response:
    """Accept a fit, or set it aside with a reason."""
    scan_id = _number(form, "scan") or 0
    if not 0 < fit_id < LARGEST_ID:
        raise HTTPException(404, f"There is no fit {fit_id}.")
    state = "accepted" if form.get("state") == "accepted" else "set_aside"
    tapped, typed = form.get("tap"), form.get("reason")
    reason = next((words.strip() for words in (tapped, typed) if isinstance(words, str) and words.strip()), None)
    try:
        data = JudgementIn(
            fit_id=fit_id,
            state=state,
            reason=None if state == "accepted" or reason is None else reason[:200],
            version=_number(form, "version"),
        )
        with lab.writing(
            "accept fit" if state == "accepted" else "set fit aside",
            operator_id=forms.operator_of(form),
            reason=data.reason,
            key=forms.key_of(form),
            body=forms.body_of(form),
        ) as writing:
            if not writing.answered_before:
                judged = judge_fit(writing, data)
                writing.answer = f"/scans/{judged.scan_id}?fit={fit_id}&saved={state}"
            target = writing.answer
    except Refusal as refusal:
        with lab.reading() as session:
            facts = _facts(session, scan_id, fit_id)
        context = _context(request, facts, files, judging=str(refusal))
        return page(request, "scans/scan.html", context, status=409)
    return RedirectResponse(target, status_code=303)


@router.post("/scans/{scan_id}/void")
def void(request: Request, scan_id: int, form: Posted, lab: Lab, files: Files) -> Response:
    """Mark the scan as entered by mistake."""
    with lab.reading() as session:
        facts = _facts(session, scan_id)
    why = form.get("why")
    reason = CORRECTION_REASONS.get(why) if isinstance(why, str) else None
    try:
        with lab.writing(
            "void scan",
            operator_id=forms.operator_of(form),
            reason=reason,
            key=forms.key_of(form),
            body=forms.body_of(form),
        ) as writing:
            if not writing.answered_before:
                void_scan(writing, VoidIn(scan_id=scan_id, reason=reason, version=_number(form, "version")))
                writing.answer = f"/scans/{scan_id}?saved=voided"
            target = writing.answer
    except Refusal as refusal:
        context = replace(_context(request, facts, files), voiding=str(refusal))
        return page(request, "scans/scan.html", context, status=409)
    return RedirectResponse(target, status_code=303)


@router.get("/scans/{scan_id}/again")
def again(scan_id: int, session: Reading, device: str = "") -> Response:
    """The upload form with this scan's file and settings, for the device named."""
    facts = _facts(session, scan_id)
    code = quote(device.strip() or facts.device_code, safe="")
    return RedirectResponse(f"/devices/{code}/scans/new?like={scan_id}", status_code=303)


def _facts(session: Any, scan_id: int, fit_id: int | None = None) -> ScanFacts:
    facts = scan_facts(session, scan_id, fit_id) if 0 < scan_id < LARGEST_ID else None
    if facts is None:
        what = f"There is no scan {scan_id}." if fit_id is None else f"Scan {scan_id} has no fit {fit_id}."
        raise HTTPException(404, what)
    return facts


def _number(form: FormData, name: str) -> int | None:
    text = form.get(name)
    return int(text) if isinstance(text, str) and text.isdecimal() and len(text) < 12 else None


def _read(facts: ScanFacts, files: FileStore) -> tuple[ReadFile | None, str]:
    """The scan read again as it was read first, or why that cannot be done."""
    try:
        return read_scan(files.get(facts.sha256), axis_of(facts.reading)), ""
    except (FileNotFoundError, DamagedFile) as gone:
        return None, _lost(gone)
    except ScanUnreadable as unreadable:
        return None, f"The file cannot be read again: {unreadable.text}"


def _lost(gone: Exception) -> str:
    if isinstance(gone, DamagedFile):
        return "The stored file no longer has its checksum: somebody or something changed it. Restore it from a backup."
    return "The file is no longer in the lab's file folder. Restore it from a backup; the fits' figures stay."


def _context(
    request: Request,
    facts: ScanFacts,
    files: FileStore,
    *,
    saved: str = "",
    typed: Typed | None = None,
    judging: str = "",
) -> ScanContext:
    read, lost = _read(facts, files)
    shown = facts.shown
    plot = None
    if read is not None:
        noise = shown.result["quality"]["noise"] if shown else None
        picture = picture_of(read, shown.numbers if shown else None, noise)
        splitting = shown.result["splitting_mhz"] if shown else None
        plot = scan_plot(
            picture.trace,
            zero_mhz=picture.zero_mhz,
            y_name=picture.y_name,
            splitting_mhz=splitting["value"] if splitting else None,
        )
    wavelength = shown.view.wavelength_nm if shown else facts.wavelength_nm
    values = _prefilled(facts)
    return ScanContext(
        scan=facts,
        title=f"Scan at {wavelength:.3f} nm" if wavelength else f"Scan {facts.id}",
        plot=plot,
        lost=lost,
        saved=saved,
        by_hand=tuple(forms.show(ask, typed, value=values.get(ask.name)) for ask in ASKS[1:]),
        shape=(typed.raw.get((None, "model")) if typed else "") or values["model"],
        shapes=SHAPES,
        why_aside=WHY_ASIDE,
        snippet=_snippet(request, facts),
        typed=typed,
        judging=judging,
    )


def _prefilled(facts: ScanFacts) -> dict[str, Any]:
    """The options of the fit shown, so that one is changed and the rest stay."""
    options = facts.shown.numbers["options"] if facts.shown else {}
    dark = options.get("dark") if facts.shown else facts.dark_v
    return {
        "model": options.get("model", "auto"),
        "regime": options.get("regime"),
        "dark_v": dark or None,
        "label": facts.shown.row.label if facts.shown else None,
    }


def _reading_by_hand(facts: ScanFacts, files: FileStore, values: Mapping[str, Any]) -> ReadingIn:
    """How the file was read, with what was chosen by hand; a window in MHz becomes one in the file's own unit."""
    axis = axis_of(facts.reading)
    low, high = values["window_low_mhz"], values["window_high_mhz"]
    window = None
    if low is not None or high is not None:
        if low is None or high is None:
            raise Refusal.of("A window has two ends: give both, or neither for the whole scan.", at="window")
        read = read_scan(files.get(facts.sha256), axis)
        zero = zero_of(read.scan.axis.absolute, facts.shown.numbers if facts.shown else None)
        window = file_window(read, axis, low + zero, high + zero)
        if window is None:
            raise Refusal.of("No sample of the scan lies in this window.", at="window")
    return ReadingIn(
        x=axis.x,
        y=axis.y,
        x_unit=axis.x_unit,
        y_unit="linear" if axis.y_unit == "linear" else "auto",
        wavelength_nm=axis.wavelength_nm,
        tuning_mhz_per_s=axis.tuning_mhz_per_s,
        tuning_mhz_per_v=axis.tuning_mhz_per_v,
        tuning_sigma=axis.rel_sigma,
        dark_v=values["dark_v"],
        model=values["model"] or "auto",
        regime=values["regime"],
        window=window,
    )


def _at_window(refusal: Refusal) -> Refusal:
    """The form has two fields for the window; the message stands at the first."""
    errors = {(row, "window_low_mhz" if at == "window" else at): words for (row, at), words in refusal.errors.items()}
    return Refusal(errors, refusal.confirmable, refusal.kept)


def _again(request: Request, facts: ScanFacts, files: FileStore, typed: Typed, status: int) -> Response:
    return page(request, "scans/scan.html", _context(request, facts, files, typed=typed), status=status)


def _snippet(request: Request, facts: ScanFacts) -> str:
    """Lines for a notebook that read this scan and its fit."""
    base, fit = str(request.base_url).rstrip("/"), f"?fit={facts.shown.row.id}" if facts.shown else ""
    lines = [
        "import json",
        "from urllib.request import urlopen",
        "import numpy as np",
        "",
        f'at = "{base}/scans/{facts.id}"',
        f'scan = np.genfromtxt(urlopen(at + "/trace.csv{fit}"), delimiter=",", names=True)',
    ]
    if facts.shown:
        lines += [
            f'fit = json.load(urlopen(at + "/result.json{fit}"))',
            'print(fit["device"]["q_intrinsic"], fit["device"]["grade"])',
        ]
    return "\n".join(lines)
