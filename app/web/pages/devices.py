"""One device: its whole life on one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.pieces import change_purpose
from app.core.figures import figure
from app.core.refusal import Refusal
from app.core.vocab import (
    DEVICE_KINDS,
    FIT_STATES,
    MEDIA,
    PICKED,
    PURPOSES,
    SHORT_STAGES,
    SHOT_OUTCOMES,
    STAGES,
    STATES,
)
from app.queries.devices import DeviceSheet, FitLine, ScanLine, device_sheet
from app.schemas.base import take
from app.schemas.pieces import PurposeIn
from app.web.deps import Lab, Posted, Reading
from app.web.plain_form import Writing, key_after, save
from app.web.render import page, q_markup

router = APIRouter()
SMALL = 6
"""Scans drawn small: two rows of them."""


@dataclass(frozen=True)
class DeviceContext:
    """One device. `stages` are (word, state, its word, where a reject is reinstated); `cells` fill its title block."""

    sheet: DeviceSheet
    cells: tuple[tuple[Any, ...], ...]
    stages: tuple[tuple[str, str, str, str], ...]
    small: tuple[tuple[ScanLine, FitLine | None], ...]
    """The latest scans with a fit to draw, the newest first."""
    own_name: str
    worked: tuple[tuple[str, str, str], ...]
    deeds: tuple[tuple[str, str], ...]
    purposes: Mapping[str, str]
    outcomes: Mapping[str, str]
    picked: Mapping[str, str]
    fit_states: Mapping[str, str]
    saved: bool
    error: str
    key: str


@router.get("/devices/{code}")
def device(request: Request, code: str, session: Reading) -> Response:
    """One device."""
    sheet = _known(session, code)
    if sheet.code != code:
        return RedirectResponse(f"/devices/{sheet.code}", status_code=307)
    return page(request, "devices/device.html", _context(request, sheet))


@router.post("/devices/{code}/purpose")
def purpose(request: Request, code: str, form: Posted, lab: Lab) -> Response:
    """Change what a device is for."""
    with lab.reading() as session:
        sheet = _known(session, code)
    wanted = form.get("purpose")

    def act(writing: Writing) -> str:
        change_purpose(writing, take(PurposeIn, device_ids=(sheet.id,), purpose=str(wanted)))
        return f"/devices/{sheet.code}?saved=1"

    try:
        target = save(request, form, lab, "change purpose", act)
    except Refusal as refusal:
        context = _context(request, sheet, error=str(refusal), key=key_after(refusal, form))
        return page(request, "devices/device.html", context, status=409)
    return RedirectResponse(target, status_code=303)


def _known(session: Any, code: str) -> DeviceSheet:
    found = device_sheet(session, code)
    if found is None:
        raise HTTPException(404, f"No device is called {code}. If the site is there, take it in hand first.")
    return found


def _context(request: Request, sheet: DeviceSheet, *, error: str = "", key: str = "") -> DeviceContext:
    by_stage = sheet.line.standing.by_stage
    return DeviceContext(
        sheet=sheet,
        cells=tuple(_cells(sheet)),
        stages=tuple(
            (SHORT_STAGES[s], by_stage[s], STATES[by_stage[s]].lower(), _again(sheet.code, s, by_stage[s]))
            for s in STAGES[sheet.kind]
        ),
        small=_small(sheet.scans),
        own_name=f"{DEVICE_KINDS[sheet.kind]} {sheet.code}",
        worked=tuple(_worked(sheet)),
        deeds=tuple(_deeds(sheet)),
        purposes=PURPOSES,
        outcomes=SHOT_OUTCOMES,
        picked=PICKED,
        fit_states=FIT_STATES,
        saved=request.query_params.get("saved") == "1",
        error=error,
        key=key,
    )


def _again(code: str, stage: str, state: str) -> str:
    """The address that lets a reject count again: an inspection of it at that stage."""
    return f"/log/inspection?{urlencode({'devices': code, 'stage': stage})}" if state == "failed" else ""


def _small(scans: Sequence[ScanLine]) -> tuple[tuple[ScanLine, FitLine | None], ...]:
    latest = [scan for scan in reversed(scans) if not scan.voided][:SMALL]
    return tuple((scan, scan.fits[-1] if scan.fits else None) for scan in latest)


def _cells(sheet: DeviceSheet) -> list[tuple[Any, ...]]:
    facts, line = sheet.facts, sheet.line
    first = (DEVICE_KINDS[sheet.kind], PURPOSES.get(line.purpose, line.purpose).lower(), line.standing.words)
    q = (
        "not measured"
        if facts["q_best"] is None
        else q_markup(facts["q_best"], facts["q_best_low"], facts["q_best_high"])
    )
    place = f"{line.band}, {MEDIA.get(line.medium, line.medium).lower()}" if line.band else ""
    modes = f"{facts['modes_fitted']} {'mode' if facts['modes_fitted'] == 1 else 'modes'} fitted" if line.band else ""
    rim = " / ".join(
        figure(facts[n], places) if facts[n] is not None else "–" for n, places in (("outer_um", 1), ("minor_um", 2))
    )
    sizes = f"{rim} µm" if facts["outer_um"] is not None or facts["minor_um"] is not None else "not measured"
    quality = ("Best intrinsic Q", q, ", ".join(filter(None, (place, modes))))
    if sheet.kind == "microsphere":
        sphere = "not measured" if facts["outer_um"] is None else f"{figure(facts['outer_um'], 1)} µm"
        fibre = f"{sheet.fibre_um:g} µm" if sheet.fibre_um else "not noted"
        return [first, ("Fibre", fibre, "cladding, or tapered to"), ("Sphere", sphere, "outer diameter"), quality]
    site = f"row {facts['row']}, column {facts['column']}"
    measured = facts["disc_um"] is not None and facts["disc_um"] != facts["nominal_um"]
    disc = "not noted" if facts["disc_um"] is None else f"{figure(facts['disc_um'], 1)} µm"
    ratio = "not measured" if facts["pillar_ratio"] is None else figure(facts["pillar_ratio"], 2)
    return [
        first,
        ("Site", site, f"exposure {facts['array_number']}"),
        ("Disc", disc, "measured" if measured else "on the mask"),
        ("Pillar ratio", ratio, "pillar top over disc"),
        ("Outer / minor diameter", sizes, ""),
        quality,
    ]


def _worked(sheet: DeviceSheet) -> list[tuple[str, str, str]]:
    """Worked-out figures: (name, value, from what)."""
    facts, geometry = sheet.facts, sheet.geometry
    rows: list[tuple[str, str, str]] = []
    if sheet.kind == "microtoroid":
        if geometry.minor_expected_um is not None:
            measured = f"; measured {figure(facts['minor_um'], 2)} µm" if facts["minor_um"] is not None else ""
            source = f"from disc {geometry.disc_um:g}, oxide {geometry.oxide_um:.3g} and outer {geometry.outer_um:g} µm"
            rows.append(("Minor diameter expected", f"{figure(geometry.minor_expected_um, 2)} µm", source + measured))
        else:
            rows.append(("Minor diameter expected", "not worked out", geometry.why_not))
        if facts["undercut_um"] is not None:
            rows.append(("Undercut per side", f"{figure(facts['undercut_um'], 1)} µm", "half of disc less pillar top"))
        dose = sheet.piece_facts["undercut_dose_torr_s"]
        if dose is not None:
            cycles = sheet.piece_facts["undercut_cycles"]
            rows.append(("XeF₂ dose", f"{figure(dose)} Torr·s", f"{cycles} cycles in all"))
    if geometry.melted_um is not None:
        source = f"length that a sphere of {geometry.outer_um:g} µm took, by volume"
        rows.append(("Fibre melted up", f"{figure(geometry.melted_um)} µm", source))
    if facts["reflow_intensity_kw_cm2"] is not None:
        source = f"last shot, {figure(facts['reflow_power_w'], 2)} W in a spot of {facts['reflow_spot_um']:g} µm"
        rows.append(("Peak intensity", f"{figure(facts['reflow_intensity_kw_cm2'], 1)} kW/cm²", source))
    return rows


def _deeds(sheet: DeviceSheet) -> list[tuple[str, str]]:
    deeds = [
        ("Reflow shot" if sheet.kind == "microtoroid" else "Melting", f"/log/reflow-session?devices={sheet.code}"),
        ("Inspection", f"/log/inspection?devices={sheet.code}"),
        ("Micrograph", f"/devices/{sheet.code}/micrographs/new"),
        ("Loss", f"/log/loss?devices={sheet.code}"),
    ]
    if sheet.kind == "microtoroid":
        deeds.insert(0, ("Undercut measured", f"/log/undercut-measurement?devices={sheet.code}"))
    return deeds
