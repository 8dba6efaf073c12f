"""Taking sites or fibre ends in hand: ticks on the map, whole rows, or words such as `rows 2-4, 0612`."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from app.actions.pieces import take_in_hand
from app.core.refusal import Refusal
from app.core.sites import fibre_end_code, read_sites
from app.core.vocab import PURPOSES
from app.queries.codes import PieceRef, piece_by_code
from app.queries.maps import ArrayOnPiece, arrays_on, devices_on
from app.queries.taking import end_count
from app.schemas.base import take
from app.schemas.pieces import SitesIn, TakingIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Field, Typed
from app.web.plain_form import Writing, key_after, save
from app.web.render import page

router = APIRouter()

_TICK = re.compile(r"(\d{1,4})-(\d{2,})(\d{2})")
_ENDS = re.compile(r"(\d{1,4})(?:\s*(?:-|–|to)\s*(\d{1,4}))?")
PURPOSE = forms.choice("purpose", "Purpose", PURPOSES, required=True, help="Only candidates count in yield.")
WHEN = forms.when()


@dataclass(frozen=True)
class ArrayChoice:
    """One array to choose sites of; `taken` leads from a site to its device, `words` is the field for typing sites."""

    number: int
    heading: str
    prefix: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]
    taken: Mapping[str, str]
    missing: frozenset[str]
    words: Field


@dataclass(frozen=True)
class TakeContext:
    """Choosing what to take in hand on one piece."""

    piece: PieceRef
    arrays: tuple[ArrayChoice, ...]
    ends: tuple[tuple[str, str, str], ...]
    """(number, code, address of the device or '') of each fibre end."""
    ends_words: Field | None
    purpose: Field
    when: Field
    ticked: frozenset[str]
    typed: Typed | None
    key: str


@router.get("/wafers/{code}/take")
@router.get("/chips/{code}/take")
@router.get("/fibres/{code}/take")
def choose(request: Request, code: str, session: Reading, sites: str = "") -> Response:
    """The sites or ends of a piece to tick; `?sites=2-0407` ticks some already."""
    piece = _known(session, code)
    if not request.url.path.startswith(f"{piece.path}/"):
        return RedirectResponse(f"{piece.path}/take", status_code=307)
    ticked = frozenset(each.strip() for each in sites.split(","))
    return page(request, "pieces/take.html", _context(session, piece, None, ticked, ""))


@router.post("/wafers/{code}/take")
@router.post("/chips/{code}/take")
@router.post("/fibres/{code}/take")
def take_them(request: Request, code: str, form: Posted, lab: Lab, set_: Set) -> Response:
    """Take what was ticked, named by row or typed."""
    with lab.reading() as session:
        piece = _known(session, code)
        arrays = arrays_on(session, piece.id, [])
        ends = end_count(session, piece.id)
    asks = (PURPOSE, WHEN, *(_words_ask(each) for each in arrays), *((_ends_ask(ends),) if ends else ()))
    typed = forms.parse_form(form, asks, now=datetime.now(UTC), zone=set_.zone)
    errors: dict[tuple[int | None, str | None], str] = {}
    chosen = _sites(form, arrays, typed, errors)
    numbers = _ends(form, typed, errors)
    typed = typed.refused(Refusal(errors))

    def act(writing: Writing) -> str:
        data = take(
            TakingIn,
            piece_id=piece.id,
            chosen=chosen,
            ends=numbers,
            purpose=typed.values["purpose"],
            done_at=typed.values["done_at"],
        )
        new = take_in_hand(writing, data)
        return f"{piece.path}?saved={'taken' if new else 'nothing-new'}&show=stage"

    status, key = 422, forms.key_of(form) or ""
    if typed.ok:
        try:
            return RedirectResponse(save(request, form, lab, "take in hand", act), status_code=303)
        except Refusal as refusal:
            typed, status, key = typed.refused(refusal), 409, key_after(refusal, form)
    ticked = frozenset(each for each in (*form.getlist("site"), *form.getlist("end")) if isinstance(each, str))
    with lab.reading() as session:
        context = _context(session, piece, typed, ticked, key)
    return page(request, "pieces/take.html", context, status=status)


def _known(session: Any, code: str) -> PieceRef:
    found = piece_by_code(session, code)
    if found is None:
        raise HTTPException(404, f"No piece is called {code}.")
    return found


def _words_ask(array: ArrayOnPiece) -> forms.Ask:
    return forms.text(
        f"sites_{array.exposed.number}",
        "Or type sites",
        help="all, row 3, rows 2-4, column 7, 0305, 0301-0312; apart by commas.",
    )


def _ends_ask(count: int) -> forms.Ask:
    return forms.text("ends_words", "Or type ends", help=f"all, 3, 5-{count}; apart by commas.")


def _sites(
    form: FormData, arrays: Sequence[ArrayOnPiece], typed: Typed, errors: dict[tuple[int | None, str | None], str]
) -> tuple[SitesIn, ...]:
    """Sites ticked, of the row whose button was pressed, and typed; whole rows mean what the piece holds of them."""
    ticked: dict[int, set[tuple[int, int]]] = {}
    for each in form.getlist("site"):
        if isinstance(each, str) and (found := _TICK.fullmatch(each)):
            ticked.setdefault(int(found[1]), set()).add((int(found[2]), int(found[3])))
    row = form.get("row")
    pressed = re.fullmatch(r"(\d{1,4})-(\d{1,4})", row) if isinstance(row, str) else None
    chosen: list[SitesIn] = []
    for array in arrays:
        number, shape, held = array.exposed.number, array.exposed.array, set(array.sites)
        sites = ticked.pop(number, set())
        if pressed and int(pressed[1]) == number:
            sites |= {site for site in held if site[0] == int(pressed[2])}
        words = typed.values.get(f"sites_{number}") or ""
        try:
            named = read_sites(words, shape.rows, shape.columns)
        except ValueError as error:
            errors[None, f"sites_{number}"] = f"{error}."
            continue
        # 'all' and whole rows mean what is here; a single site that is not here is a mistake worth telling.
        sites |= set(named) & held if re.search(r"all|row|col", words.lower()) else set(named)
        if sites:
            chosen.append(SitesIn(exposure_number=number, sites=tuple(sorted(sites))))
    chosen += [SitesIn(exposure_number=number, sites=tuple(sorted(sites))) for number, sites in ticked.items()]
    return tuple(chosen)


def _ends(form: FormData, typed: Typed, errors: dict[tuple[int | None, str | None], str]) -> tuple[int, ...]:
    ticked = {int(each) for each in form.getlist("end") if isinstance(each, str) and each.isdecimal()}
    words = typed.values.get("ends_words") or ""
    for part in filter(None, (each.strip().lower() for each in re.split(r"[,;\s]+(?![-–])", words))):
        found = _ENDS.fullmatch(part)
        if part == "all":
            ticked |= {int(each) for each in form.getlist("every") if isinstance(each, str) and each.isdecimal()}
        elif found is None or int(found[2] or found[1]) < int(found[1]):
            errors[None, "ends_words"] = f"“{part[:20]}” is not an end: write all, 3 or 5-9."
        else:
            ticked |= set(range(int(found[1]), int(found[2] or found[1]) + 1))
    return tuple(sorted(ticked))


def _context(session: Any, piece: PieceRef, typed: Typed | None, ticked: frozenset[str], key: str) -> TakeContext:
    devices = devices_on(session, [piece.id])
    arrays = arrays_on(session, piece.id, devices)
    ends = end_count(session, piece.id)
    taken = {device.code: f"/devices/{device.code}" for device in devices}
    codes = [(str(n), fibre_end_code(piece.code, n)) for n in range(1, ends + 1)]
    return TakeContext(
        piece=piece,
        arrays=tuple(_choice(array, typed) for array in arrays),
        ends=tuple((n, code, taken.get(code, "")) for n, code in codes),
        ends_words=forms.show(_ends_ask(ends), typed) if ends else None,
        purpose=forms.show(PURPOSE, typed, value="candidate"),
        when=forms.show(WHEN, typed, value="now"),
        ticked=ticked,
        typed=typed,
        key=key,
    )


def _choice(array: ArrayOnPiece, typed: Typed | None) -> ArrayChoice:
    number, shape = array.exposed.number, array.exposed.array
    held = set(array.sites)
    rows = sorted({row for row, _ in held})
    columns = sorted({column for _, column in held})
    prefix = f"{number}-"
    return ArrayChoice(
        number=number,
        heading=f"Exposure {number}: {array.exposed.label}, {shape.rows} × {shape.columns}",
        prefix=prefix,
        rows=tuple(f"{row:02d}" for row in rows),
        columns=tuple(f"{column:02d}" for column in columns),
        taken={f"{prefix}{r:02d}{c:02d}": f"/devices/{device.code}" for (r, c), device in array.devices.items()},
        missing=frozenset(f"{prefix}{r:02d}{c:02d}" for r in rows for c in columns if (r, c) not in held),
        words=forms.show(_words_ask(array), typed),
    )
