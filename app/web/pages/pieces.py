"""Pages of wafers, chips and fibre batches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from app.core.step_catalogue import PIECE_STEPS
from app.core.vocab import PIECE_KINDS, SHOT_OUTCOMES, VERDICTS, WHEREABOUTS, defect_words
from app.queries.codes import PieceRef, piece_by_code
from app.queries.maps import DeviceLine
from app.queries.pieces import PieceSheet, piece_sheet
from app.web import piece_map
from app.web.deps import Reading, Set
from app.web.piece_map import PieceMap
from app.web.piece_words import block_cells
from app.web.render import page

router = APIRouter()

FOLD = 40
"""Devices listed before the rest is folded away."""
ORDERS = {"code": "code", "q_best": "intrinsic Q", "pillar_ratio": "pillar ratio", "outer_um": "outer diameter"}
SAVED = {
    "1": "Saved.",
    "taken": "Saved. The sites you chose are devices now.",
    "nothing-new": "Nothing to save: every site you chose is in hand already.",
    "parted": "Saved. The pieces that came of it are listed below.",
}


@dataclass(frozen=True)
class PieceContext:
    """One piece."""

    sheet: PieceSheet
    kind_word: str
    cells: tuple[tuple[Any, ...], ...]
    show: str
    map: PieceMap | None
    firsts: Mapping[str, str]
    others: Mapping[str, str]
    devices: tuple[DeviceLine, ...]
    listed: tuple[DeviceLine, ...]
    """Those in the table: the first ones of many, unless all were asked for."""
    all_path: str
    """Where all are listed; '' where they are."""
    order: str
    orders: Mapping[str, str]
    steps: tuple[tuple[str, str], ...]
    """(words, address) of each step that can be logged on it."""
    take_path: str
    alive: bool
    gone_words: str
    saved: str
    defects: Mapping[str, str]
    verdicts: Mapping[str, str]
    outcomes: Mapping[str, str]


@router.get("/pieces/{code}")
def piece(code: str, session: Reading) -> Response:
    """On to the page of the piece's own kind."""
    return RedirectResponse(_known(session, code).path, status_code=307)


@router.get("/wafers/{code}")
def wafer(request: Request, code: str, session: Reading, set_: Set) -> Response:
    """A wafer; `?show=` colours its map, `?order=` sorts its devices, `?at=` marks one on the map."""
    return _page(request, session, set_, "wafer", code)


@router.get("/chips/{code}")
def chip(request: Request, code: str, session: Reading, set_: Set) -> Response:
    """A chip."""
    return _page(request, session, set_, "chip", code)


@router.get("/fibres/{code}")
def fibre(request: Request, code: str, session: Reading, set_: Set) -> Response:
    """A fibre batch."""
    return _page(request, session, set_, "fibre_batch", code)


def _page(request: Request, session: Any, settings: Set, kind: str, code: str) -> Response:
    asked = request.query_params
    order = asked.get("order", "")
    found = _known(session, code)
    if found.kind != kind or found.code != code:
        query = f"?{request.url.query}" if request.url.query else ""
        return RedirectResponse(f"{found.path}{query}", status_code=307)
    sheet = piece_sheet(session, found.id, datetime.now(UTC))
    gone = _gone_words(sheet)
    shown = piece_map.first_show(sheet.devices, asked.get("show", ""))
    take_path = "" if gone else f"{found.path}/take"
    every = piece_map.choices(shown)
    devices = _ordered(sheet.devices, order)
    # Folding away a handful would cost more than it saves.
    folded = asked.get("all") != "1" and len(devices) > FOLD + 8
    wanted = {"show": asked.get("show", ""), "order": order if order in ORDERS else "", "all": "1"}
    query = urlencode({name: value for name, value in wanted.items() if value})
    return page(
        request,
        "pieces/piece.html",
        PieceContext(
            sheet=sheet,
            kind_word=PIECE_KINDS[kind],
            cells=block_cells(sheet, settings.zone),
            show=shown,
            map=_map(sheet, shown, take_path, asked.get("at", "")) if sheet.arrays else None,
            firsts=piece_map.FIRST_CHOICES,
            others={name: word for name, word in every.items() if name not in piece_map.FIRST_CHOICES},
            devices=devices,
            listed=devices[:FOLD] if folded else devices,
            all_path=f"{found.path}?{query}#devices" if folded else "",
            order=order if order in ORDERS else "code",
            orders=ORDERS,
            steps=tuple(_steps(found)),
            take_path=take_path,
            alive=not gone,
            gone_words=gone,
            saved=SAVED.get(asked.get("saved", ""), ""),
            defects=defect_words(),
            verdicts={value: words.split(",")[0] for value, words in VERDICTS.items()},
            outcomes=SHOT_OUTCOMES,
        ),
    )


def _map(sheet: PieceSheet, show: str, take_path: str, at: str) -> PieceMap:
    place = (sheet.q.band, sheet.q.medium) if sheet.q else None
    root = sheet.lineage[-1].code
    return piece_map.piece_map(root, sheet.arrays, show, place=place, take_path=take_path, chosen=at)


def _ordered(devices: tuple[DeviceLine, ...], order: str) -> tuple[DeviceLine, ...]:
    """By code, or the highest value first and what was not measured last."""
    if order not in ORDERS or order == "code":
        return devices
    return tuple(sorted(devices, key=lambda d: (d.values[order] is None, -(d.values[order] or 0.0), d.code)))


def _steps(found: PieceRef) -> list[tuple[str, str]]:
    steps = [
        (step.label, f"/log/{name.replace('_', '-')}?pieces={found.code}")
        for name, step in PIECE_STEPS.items()
        if found.kind in step.pieces
    ]
    melted = "Melting" if found.kind == "fibre_batch" else "Reflow shots"
    steps.append((melted, f"/log/reflow-session?pieces={found.code}"))
    if found.kind != "fibre_batch":
        steps.append(("Undercut measured", f"/log/undercut-measurement?pieces={found.code}"))
        steps.append(("Oxide measured", f"/log/oxide-measurement?pieces={found.code}"))
    steps.append(("Inspection", f"/log/inspection?pieces={found.code}"))
    if found.kind != "fibre_batch":
        steps.append(("Parting", f"/log/parting?pieces={found.code}"))
    steps.append(("Loss", f"/log/loss?pieces={found.code}"))
    steps.append(("Where it is", f"/log/whereabouts?pieces={found.code}"))
    steps.append(("Ending", f"/log/ending?pieces={found.code}"))
    return steps


def _gone_words(sheet: PieceSheet) -> str:
    """Why nothing more is done to it; '' while it lives."""
    facts, code = sheet.facts, sheet.piece.code
    if facts["parted"]:
        return f"{code} was parted. Work goes on with the pieces that came of it."
    if facts["lost_at"]:
        return f"{code} was lost. Its devices went with it."
    if facts["ended"]:
        return f"{code} was ended. Nothing more is done to it."
    if facts["whereabouts"] in ("used_up", "broken", "lost"):
        return f"{code} is {WHEREABOUTS[facts['whereabouts']].lower()}. If it turns up, log where it is."
    return ""


def _known(session: Any, code: str) -> PieceRef:
    found = piece_by_code(session, code)
    if found is None:
        raise HTTPException(404, f"No piece is called {code}. Read its label again, or look for it by its code above.")
    return found
