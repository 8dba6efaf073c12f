"""Plain forms about pieces: registering a wafer or fibre ends, where a piece is, ending one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.datastructures import FormData

from app.actions.pieces import end_piece, move_piece, register_fibre_batch, register_wafer
from app.core.quantities import QUANTITIES
from app.core.reading import ReadError, read_quantity
from app.core.refusal import Refusal
from app.core.vocab import STAGES, WHEREABOUTS, Words
from app.queries.codes import PieceRef, piece_by_code
from app.queries.piece_choices import lot_choices, next_code
from app.schemas.base import take
from app.schemas.pieces import EndingIn, FibreBatchIn, MoveIn, WaferIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.plain_form import PlainForm, Values, Writing, answer, wanted_next
from app.web.render import page

router = APIRouter()
TRAIL = (("In hand", "/"),)
SHAPES = {"whole": "Whole", "half": "Half", "quarter": "Quarter", "part": "Another part"}
GROWN = {"wet": "Wet thermal", "dry": "Dry thermal", "deposited": "Deposited"}
SIDES = {"one": "One side", "both": "Both sides"}
WAFER_SAYS = "Only the code is needed; what is not known today can stay blank."
FIBRE_SAYS = "Only code and number of ends are needed. Ends become devices when you take them in hand."


@router.get("/wafers/new")
def new_wafer(request: Request, session: Reading) -> Response:
    """An empty form for a wafer."""
    return page(request, "lab/form.html", _wafer_form(session).context(next_path=wanted_next(request)))


@router.post("/wafers/new")
def add_wafer(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Register a wafer."""
    with lab.reading() as session:
        plain = _wafer_form(session)

    def act(writing: Writing, values: Values) -> str:
        given = {name: value for name, value in values.items() if value is not None}
        given["points_um"] = read_points(given.get("points_um") or "")
        return register_wafer(writing, take(WaferIn, **given)).code

    return answer(request, form, lab, set_.zone, plain, lambda w, v: f"/wafers/{act(w, v)}")


@router.get("/fibres/new")
def new_fibres(request: Request, session: Reading) -> Response:
    """An empty form for a fibre batch."""
    return page(request, "lab/form.html", _fibre_form(session).context(next_path=wanted_next(request)))


@router.post("/fibres/new")
def add_fibres(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Register a fibre batch."""
    with lab.reading() as session:
        plain = _fibre_form(session)

    def act(writing: Writing, values: Values) -> str:
        given = {name: value for name, value in values.items() if value is not None}
        given["ends"] = _count(given.get("ends", ""))
        return f"/fibres/{register_fibre_batch(writing, take(FibreBatchIn, **given)).code}"

    return answer(request, form, lab, set_.zone, plain, act)


@router.get("/log/whereabouts")
def where_form(request: Request, session: Reading, pieces: str = "") -> Response:
    """Where pieces are: chosen by `?pieces=W012,W013`, or by codes on the form."""
    return page(request, "lab/form.html", _where_form(_codes(session, pieces)).context())


@router.post("/log/whereabouts")
def save_where(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Log where pieces are."""
    plain = _where_form(_typed(form))

    def act(writing: Writing, values: Values) -> str:
        found = _pieces(writing.session, str(values["pieces"]))
        given = {name: values[name] for name in ("state", "place", "until", "done_at", "note")}
        move_piece(writing, take(MoveIn, piece_ids=tuple(each.id for each in found), **given))
        return found[0].path

    return answer(request, form, lab, set_.zone, plain, act)


@router.get("/log/ending")
def ending_form(request: Request, session: Reading, pieces: str = "") -> Response:
    """Ending a piece on purpose."""
    return page(request, "lab/form.html", _ending_form(_codes(session, pieces)).context())


@router.post("/log/ending")
def save_ending(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Log that a piece was ended."""
    plain = _ending_form(_typed(form))

    def act(writing: Writing, values: Values) -> str:
        found = _pieces(writing.session, str(values["pieces"]))
        if len(found) > 1:
            raise Refusal.of("End one piece at a time, so that each has its own reason.", at="pieces")
        given = {name: values[name] for name in ("reason", "done_at", "note")}
        end_piece(writing, take(EndingIn, piece_id=found[0].id, **given))
        return found[0].path

    return answer(request, form, lab, set_.zone, plain, act)


def read_points(typed: str) -> tuple[float, ...]:
    """Thicknesses from a line such as `2.02 2.04; 2,06 µm` or `2020 nm 2040 nm`; a Refusal names the one not read."""
    quantity = QUANTITIES["oxide_um"]
    parts = typed.replace(";", " ; ").replace("\n", " ; ").split()
    words: list[str] = []
    for part in parts:
        if part == ";":
            words.append("")
        elif words and words[-1] and part[0].isalpha():
            words[-1] = f"{words[-1]} {part}"  # a unit behind its value
        else:
            words.append(part.rstrip(",;"))
    points: list[float] = []
    for word in filter(None, words):
        read = read_quantity(word, quantity)
        if isinstance(read, ReadError):
            raise Refusal.of(f"{read.text}. Write the points apart by spaces or semicolons.", at="points_um")
        points.append(read.value)
    return tuple(points)


def _count(typed: str) -> int:
    if not typed.strip().isdecimal() or not 1 <= int(typed[:6]) <= 999:
        raise Refusal.of(f"“{typed[:20]}” is not a number of ends from 1 to 999.", at="ends")
    return int(typed)


def _typed(form: FormData) -> str:
    pieces = form.get("pieces")
    return pieces if isinstance(pieces, str) else ""


def _codes(session: Any, pieces: str) -> str:
    """The codes asked for by the address, as they are kept; unknown ones stay, so that the form can say so."""
    codes = [each for each in pieces.replace(";", ",").split(",") if each.strip()][:50]
    known = [(piece_by_code(session, code), code.strip()) for code in codes]
    return ", ".join(found.code if found else code for found, code in known)


def _pieces(session: Any, typed: str) -> Sequence[PieceRef]:
    codes = [each for each in typed.replace(";", ",").replace(",", " ").split() if each]
    found = [(code, piece_by_code(session, code)) for code in dict.fromkeys(codes)]
    unknown = [code for code, piece in found if piece is None]
    if unknown:
        raise Refusal.of(f"No piece is called {', '.join(unknown[:5])}.", at="pieces")
    return [piece for _, piece in found if piece is not None]


def _stages(kind: str) -> Words:
    return {stage: words for stage, words in STAGES[kind].items() if stage not in ("reflowed", "melted")}


def _wafer_form(session: Any) -> PlainForm:
    lots = lot_choices(session, "wafer_box")
    wafer = (
        forms.code("code", "Code", required=True, help=f"Short, on its box: {next_code(session, 'wafer', 'W')}."),
        forms.quantity("diameter_mm"),
        forms.choice("shape", "Whole or part", SHAPES),
        forms.record("lot_id", "Wafer box", lots, help="" if lots else "None kept yet: add it under Lab, Lots."),
        forms.text("orientation", "Orientation", help="Such as (100)."),
        forms.text("dopant", "Dopant"),
        forms.quantity("resistivity_ohm_cm"),
    )
    oxide = (
        forms.quantity("oxide_um", help="As bought; what was measured goes below."),
        forms.choice("oxide_grown", "How it was made", GROWN),
        forms.choice("oxide_sides", "Sides", SIDES),
        forms.text("points_um", "Measured points / µm", help="Apart by spaces: 2.02 2.04 2,06."),
        forms.text("method", "Measured with", help="Such as ellipsometer, reflectometer."),
        forms.when("measured_at", "Measured when", required=False),
    )
    rest = (
        forms.choice("arrived_stage", "Came in half-made", _stages("microtoroid"), help="Blank: nothing on it yet."),
        forms.text("note", "Note", long=True),
    )
    return PlainForm(
        title="New wafer",
        trail=TRAIL,
        action="/wafers/new",
        button="Register this wafer",
        groups=(("", wafer), ("Oxide", oxide), ("Otherwise", rest)),
        deed="register wafer",
        stored={"shape": "whole"},
        says=WAFER_SAYS,
    )


def _fibre_form(session: Any) -> PlainForm:
    lots, usual = lot_choices(session, "fibre_spool"), next_code(session, "fibre_batch", "F")
    asks = (
        forms.code("code", "Code", required=True, help=f"Short, on its holder: {usual}."),
        forms.text("ends", "Number of ends", required=True, help="Fibre ends prepared together."),
        forms.record("lot_id", "Fibre spool", lots, help="" if lots else "None kept yet: add it under Lab, Lots."),
        forms.choice("arrived_stage", "Came in half-made", _stages("microsphere"), help="Blank: not prepared yet."),
        forms.text("note", "Note", long=True),
    )
    return PlainForm(
        title="New fibre ends",
        trail=TRAIL,
        action="/fibres/new",
        button="Register these fibre ends",
        groups=(("", asks),),
        deed="register fibre batch",
        stored={},
        says=FIBRE_SAYS,
    )


def _where_form(codes: str) -> PlainForm:
    asks = (
        forms.text("pieces", "Pieces", required=True, help="Codes, apart by commas: W012-A, W012-B."),
        forms.choice("state", "Where it is now", WHEREABOUTS, required=True),
        forms.text("place", "Place, or to whom", help="Needed where it is lent or sent."),
        forms.when("until", "Due back", required=False),
        forms.when("done_at", "Since when"),
        forms.text("note", "Note", long=True),
    )
    return PlainForm(
        title="Where it is",
        trail=TRAIL,
        action="/log/whereabouts",
        button="Save where it is",
        groups=(("", asks),),
        deed="record whereabouts",
        stored={"pieces": codes, "done_at": "now"},
        says="Used up, broken or lost ends the work on a piece until it is back in the lab. Devices that went with it "
        "are logged as a loss.",
    )


def _ending_form(codes: str) -> PlainForm:
    asks = (
        forms.text("pieces", "Piece", required=True, help="Its code."),
        forms.text("reason", "Why", required=True, help="Such as: superseded by W014."),
        forms.when("done_at", "When"),
        forms.text("note", "Note", long=True),
    )
    return PlainForm(
        title="End a piece",
        trail=TRAIL,
        action="/log/ending",
        button="End this piece",
        groups=(("", asks),),
        deed="end piece",
        stored={"pieces": codes, "done_at": "now"},
        says="Stopped on purpose: devices that still wait count as not taken forward, never as failed.",
    )
