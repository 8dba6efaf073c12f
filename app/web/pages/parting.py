"""Parting a wafer or chip: one row for each piece that came of it, the sites each keeps, what was lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from app.actions.parting import part_piece
from app.core.refusal import Refusal, Where
from app.core.sites import read_sites
from app.queries.codes import PieceRef, piece_by_code
from app.queries.maps import ArrayOnPiece, arrays_on, devices_on
from app.queries.piece_choices import child_codes, tool_choices
from app.schemas.base import take
from app.schemas.pieces import ChildIn, PartingIn, SitesIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Field, Typed
from app.web.plain_form import Writing, key_after, save
from app.web.render import page

router = APIRouter()

METHODS = {"scribe_and_cleave": "Scribe and cleave", "dice": "Dice"}
BACKSIDES = {"oxide": "Oxide kept", "bare": "Bare", "unknown": "Not known"}
REST = ("rest", "the rest", "remainder")
MOST = 60
START = {"done_at": "now"}
SIZES = ("width_mm", "height_mm", "thickness_um")


@dataclass(frozen=True)
class PartingContext:
    """The form: a head, rows of pieces, sites lost."""

    piece: PieceRef
    says: str
    head: tuple[Field, ...]
    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple[Field, ...], ...]
    lost: tuple[Field, ...]
    more: int
    typed: Typed | None
    questions: Mapping[Where, str]
    key: str


@router.get("/log/parting")
def parting_form(request: Request, session: Reading, pieces: str = "", rows: int = 6) -> Response:
    """The form for one wafer or chip, `?pieces=W012`; without one, choose it."""
    code = pieces.split(",")[0].strip()
    if not code:
        return RedirectResponse("/log", status_code=307)
    piece = _known(session, code)
    form = _Form(session, piece, min(max(1, rows), MOST))
    return page(request, "pieces/parting.html", form.context(None, frozenset(), ""))


@router.post("/log/parting")
def save_parting(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Log the parting: saved whole, or shown again whole."""
    code, count = form.get("piece"), _row_count(form)
    with lab.reading() as session:
        piece = _known(session, code if isinstance(code, str) else "")
        parting = _Form(session, piece, count)
    now = datetime.now(UTC)
    head = forms.parse_form(form, (*parting.head, *parting.lost), now=now, zone=set_.zone)
    rows = forms.parse_rows(form, parting.row, now=now, zone=set_.zone, counts=("code", *parting.site_names, *SIZES))
    data, errors = _read(piece, parting.arrays, head, rows)
    typed = head.together(rows)
    typed = replace(typed, errors={**typed.errors, **errors})
    kept = forms.kept_of(form)
    status, key = 422, forms.key_of(form) or ""
    if typed.ok and not typed.open_questions(kept) and data is not None:
        wanted = data

        def act(writing: Writing) -> str:
            part_piece(writing, wanted)
            return f"{piece.path}?saved=parted"

        try:
            return RedirectResponse(save(request, form, lab, "part piece", act), status_code=303)
        except Refusal as refusal:
            typed, status, key = _placed(typed, refusal, parting), 409, key_after(refusal, form)
    return page(request, "pieces/parting.html", parting.context(typed, kept, key), status=status)


class _Form:
    """What the form asks for on one piece."""

    def __init__(self, session: Any, piece: PieceRef, count: int) -> None:
        if piece.kind == "fibre_batch":
            raise HTTPException(422, f"{piece.code} is a fibre batch: only a wafer or a chip is parted.")
        self.piece, self.count = piece, count
        devices = devices_on(session, [piece.id])
        self.devices = sum(1 for device in devices if not device.lost)
        self.arrays = arrays_on(session, piece.id, devices)
        self.codes = child_codes(session, piece.code, count)
        tools = tool_choices(session, ("other",))
        self.head = (
            forms.when(),
            forms.choice("method", "How", METHODS),
            forms.text("protection", "Surface protection", help="Such as resist, tape, none."),
            *((forms.record("tool_id", "Tool", tools),) if tools else ()),
            forms.text("note", "Note"),
        )
        self.site_names = tuple(f"sites_{array.exposed.number}" for array in self.arrays)
        self.row = (
            forms.code("code", "Code"),
            *(
                forms.text(name, _sites_word(array, self.arrays))
                for name, array in zip(self.site_names, self.arrays, strict=True)
            ),
            *(forms.quantity(name) for name in SIZES),
            forms.choice("backside", "Back", BACKSIDES),
            forms.text("container", "Box"),
            forms.text("slot", "Slot"),
        )
        self.lost = (
            *(
                forms.text(
                    f"lost_{array.exposed.number}",
                    f"Lost: {_sites_word(array, self.arrays).lower()}",
                    help="Such as row 1, 0305. Devices there are lost.",
                )
                for array in self.arrays
            ),
            *((forms.flag("rest_lost", "Devices that no piece keeps were lost"),) if self.arrays else ()),
        )

    def context(self, typed: Typed | None, kept: frozenset[Where], key: str) -> PartingContext:
        """The page, empty or with what was typed."""
        rows = tuple(tuple(forms.show(ask, typed, row=row, keep=kept) for ask in self.row) for row in range(self.count))
        rows = tuple(
            (replace(fields[0], suggestions=tuple(self.codes)), *fields[1:]) if self.codes else fields
            for fields in rows
        )
        return PartingContext(
            piece=self.piece,
            says=self._says(),
            head=tuple(
                forms.show(ask, typed, value="now" if ask.name == "done_at" else None, keep=kept) for ask in self.head
            ),
            columns=tuple((ask.label, ask.quantity.unit if ask.quantity else "") for ask in self.row),
            rows=rows,
            lost=tuple(forms.show(ask, typed) for ask in self.lost),
            more=self.count + 6,
            typed=typed,
            questions=typed.open_questions(kept) if typed else {},
            key=key,
        )

    def _says(self) -> str:
        usual = f"Usual codes: {', '.join(self.codes[:3])} …" if self.codes else ""
        if not self.arrays:
            return usual
        sites = sum(len(array.sites) for array in self.arrays)
        return f"{self.piece.code} holds {sites} sites, {self.devices} of them in hand. {usual}"


def _sites_word(array: ArrayOnPiece, arrays: Sequence[ArrayOnPiece]) -> str:
    return "Sites it keeps" if len(arrays) == 1 else f"Sites of exposure {array.exposed.number}"


def _known(session: Any, code: str) -> PieceRef:
    found = piece_by_code(session, code)
    if found is None:
        raise HTTPException(404, f"No piece is called {code}." if code else "Say which piece was parted.")
    return found


def _row_count(form: FormData) -> int:
    typed = form.get("rows")
    return min(max(1, int(typed)), MOST) if isinstance(typed, str) and typed.isdecimal() and len(typed) < 4 else 6


def _read(
    piece: PieceRef, arrays: Sequence[ArrayOnPiece], head: Typed, rows: Typed
) -> tuple[PartingIn | None, dict[Where, str]]:
    errors: dict[Where, str] = {}
    children: list[ChildIn] = []
    for number, values in zip(rows.numbers, rows.rows, strict=True):
        kept, rest = _kept(arrays, values, number, errors)
        given = {name: values[name] for name in (*SIZES, "container", "slot") if values[name] is not None}
        given |= {"backside": values["backside"]} if values["backside"] else {}
        try:
            children.append(take(ChildIn, code=values["code"] or "", kept=kept, rest=rest, **given))
        except Refusal as refusal:
            errors |= {(number, at): words for (_, at), words in refusal.errors.items()}
    lost: list[SitesIn] = []
    for array in arrays:
        sites = _named(array, head.values.get(f"lost_{array.exposed.number}") or "", None, "lost", errors)
        if sites:
            lost.append(SitesIn(exposure_number=array.exposed.number, sites=sites))
    if errors or not head.ok or not rows.ok:
        return None, errors
    if not children:
        return None, {(0, "code"): "Name at least one piece that came of it."}
    given = {name: head.values.get(name) for name in ("method", "protection", "tool_id", "note", "done_at")}
    data = take(
        PartingIn,
        piece_id=piece.id,
        children=tuple(children),
        lost=tuple(lost),
        rest_lost=bool(head.values.get("rest_lost")),
        **given,
    )
    return data, errors


def _kept(
    arrays: Sequence[ArrayOnPiece], values: Mapping[str, Any], row: int | None, errors: dict[Where, str]
) -> tuple[tuple[SitesIn, ...], bool]:
    kept: list[SitesIn] = []
    rest = False
    for array in arrays:
        number = array.exposed.number
        words = (values.get(f"sites_{number}") or "").strip()
        if words.lower() in REST:
            rest = True
            continue
        sites = _named(array, words, row, "sites", errors)
        if sites:
            kept.append(SitesIn(exposure_number=number, sites=sites))
    return tuple(kept), rest


def _named(
    array: ArrayOnPiece, words: str, row: int | None, field: str, errors: dict[Where, str]
) -> tuple[tuple[int, int], ...]:
    """Sites named in words; whole rows and columns mean what the piece holds of them."""
    shape, held = array.exposed.array, set(array.sites)
    try:
        named = read_sites(words, shape.rows, shape.columns)
    except ValueError as error:
        more = ", or 'rest' for all that no other piece keeps" if field == "sites" else ""
        errors[row, f"{field}_{array.exposed.number}"] = f"{error}{more}"
        return ()
    whole = any(word in words.lower() for word in ("all", "row", "col"))
    return tuple(site for site in named if site in held or not whole)


def _placed(typed: Typed, refusal: Refusal, form: _Form) -> Typed:
    """A refusal's `sites` and `lost` stand at the fields of the first array."""
    names = {
        "sites": form.site_names[0] if form.site_names else "code",
        "lost": form.lost[0].name if form.lost else None,
    }
    errors = {(row, names.get(at or "", at)): words for (row, at), words in refusal.errors.items()}
    return typed.refused(Refusal(errors, refusal.confirmable))
