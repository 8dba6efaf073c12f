"""Pieces: registering, taking their sites in hand, whereabouts, ending; what their devices are for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import select

from app.actions.rules import NEW, check_code, check_new_deeds, event_times
from app.actions.taking import take_fibre_ends, take_sites
from app.core.quantities import QUANTITIES
from app.core.reading import ReadError, read_quantity, value_text
from app.core.refusal import Refusal
from app.core.sites import sites_text
from app.core.timeline import Deed
from app.core.vocab import PURPOSES, STAGES, WHEREABOUTS
from app.db.models.events import Ending, Event, EventPiece, PurposeChange, Whereabouts
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device, FibreBatch, Lot, Piece, Wafer
from app.db.models.seen import OxideMeasurement
from app.db.session import Writing
from app.queries.sites import exposures_on
from app.queries.timeline import label_of
from app.schemas.pieces import EndingIn, FibreBatchIn, MoveIn, PurposeIn, TakingIn, WaferIn

MOST_POINTS = 200


def register_wafer(writing: Writing, data: WaferIn) -> Wafer:
    """A wafer by its code, with the oxide thicknesses measured on it, if any; Refusal for a code in use."""
    code = new_code(writing, data.code)
    check_hard({name: getattr(data, name) for name in ("diameter_mm", "resistivity_ohm_cm", "oxide_um")})
    if len(data.points_um) > MOST_POINTS:
        raise Refusal.of(f"{len(data.points_um)} points are too many: at most {MOST_POINTS} are kept.", at="points_um")
    for point in data.points_um:
        check_hard({"oxide_um": point}, at="points_um")
    _check_stage(data.arrived_stage, "microtoroid")
    _check_lot(writing, data.lot_id, "wafer_box")
    details = data.model_dump(exclude={"code", "points_um", "method", "measured_at"})
    wafer = Wafer(**_registered(writing, code), **details)
    writing.add(wafer)
    if data.points_um:
        times = event_times(writing, data.measured_at)
        check_new_deeds(writing, [wafer.id], [_deed("oxide_measurement", times, wafer)])
        seen = OxideMeasurement(**_by(writing), **times, points_um=list(data.points_um), method=data.method)
        _log_on(writing, seen, [wafer.id])
    return wafer


def register_fibre_batch(writing: Writing, data: FibreBatchIn) -> FibreBatch:
    """Fibre ends prepared together, by the batch's code; Refusal for a code in use."""
    code = new_code(writing, data.code)
    _check_stage(data.arrived_stage, "microsphere")
    _check_lot(writing, data.lot_id, "fibre_spool")
    batch = FibreBatch(**_registered(writing, code), **data.model_dump(exclude={"code"}))
    writing.add(batch)
    return batch


def take_in_hand(writing: Writing, data: TakingIn) -> list[Device]:
    """Make the chosen sites or fibre ends devices; those in hand already stay as they are. Returns the new devices."""
    piece = _piece(writing, data.piece_id)
    _check_word(data.purpose, PURPOSES, "purpose")
    if isinstance(piece, FibreBatch):
        if not data.ends:
            raise Refusal.of("Choose at least one fibre end.", at="ends")
        return take_fibre_ends(writing, piece, sorted(set(data.ends)), purpose=data.purpose, done_at=data.done_at)
    if not any(each.sites for each in data.chosen):
        raise Refusal.of("Choose at least one site.", at="sites")
    arrays = {each.number: each.array for each in exposures_on(writing.session, piece.id)}
    devices: list[Device] = []
    for chosen in data.chosen:
        sites = sorted(set(chosen.sites))
        array = arrays.get(chosen.exposure_number)
        words = sites_text(sites, array.rows, array.columns) if array and sites else ""
        words = f"exposure {chosen.exposure_number}: {words}" if words and len(arrays) > 1 else words
        devices += take_sites(
            writing, piece, chosen.exposure_number, sites, purpose=data.purpose, words=words, done_at=data.done_at
        )
    return devices


def move_piece(writing: Writing, data: MoveIn) -> Whereabouts:
    """Where pieces are from now on: one event for all that went together."""
    pieces = [_piece(writing, piece_id) for piece_id in dict.fromkeys(data.piece_ids)]
    if not pieces:
        raise Refusal.of("Choose at least one piece.", at="pieces")
    _check_word(data.state, WHEREABOUTS, "state")
    if data.state in ("lent", "sent") and not data.place:
        raise Refusal.of(f"Say to whom or where it was {data.state}.", at="place")
    times = event_times(writing, data.done_at)
    if data.until is not None and data.until < times["done_at"]:
        raise Refusal.of("It is due back before it left: check the day.", at="until")
    deed = Deed(NEW, times["done_at"], "whereabouts", tuple(p.id for p in pieces), detail=data.state)
    check_new_deeds(writing, deed.pieces, [_named(deed)])
    moved = Whereabouts(**_by(writing), **times, state=data.state, place=data.place, until=data.until, note=data.note)
    _log_on(writing, moved, deed.pieces)
    return moved


def end_piece(writing: Writing, data: EndingIn) -> Ending:
    """Stop a piece on purpose; its devices are not taken forward."""
    piece = _piece(writing, data.piece_id)
    times = event_times(writing, data.done_at)
    check_new_deeds(writing, [piece.id], [_deed("ending", times, piece)])
    ended = Ending(**_by(writing), **times, reason=data.reason, note=data.note)
    _log_on(writing, ended, [piece.id])
    return ended


def change_purpose(writing: Writing, data: PurposeIn) -> list[PurposeChange]:
    """What devices are for, from now on; a stage already decided keeps the purpose it was decided with."""
    _check_word(data.purpose, PURPOSES, "purpose")
    times = event_times(writing, data.done_at)
    facts = DEVICE_FACTS.c
    rows = writing.session.execute(
        select(facts.device_id, facts.piece_id, facts.purpose).where(facts.device_id.in_(data.device_ids))
    ).all()
    if not rows or len(rows) < len(set(data.device_ids)):
        raise Refusal.of("A device chosen here is not known.", at="devices")
    changing = [row for row in rows if row.purpose != data.purpose]
    if not changing:
        raise Refusal.of(f"The purpose is {PURPOSES[data.purpose].lower()} already.", at="purpose")
    deeds = [_named(Deed(NEW + n, times["done_at"], "purpose_change", device=row.device_id))
             for n, row in enumerate(changing)]  # fmt: skip
    check_new_deeds(writing, {row.piece_id for row in changing}, deeds)
    events = [
        PurposeChange(**_by(writing), **times, device_id=row.device_id, purpose=data.purpose, note=data.note)
        for row in changing
    ]
    writing.add(*events)
    return events


def new_code(writing: Writing, code: str, *, at: str = "code") -> str:
    """A code for a piece; Refusal where a piece or a device has it."""
    kept = check_code(writing.session, Piece, code, at=at)
    check_code(writing.session, Device, code, at=at)
    return kept


def check_hard(values: Mapping[str, float | None], *, at: str = "") -> None:
    """Refuse what cannot be at all; `values` by the quantity's name."""
    for name, value in values.items():
        quantity = QUANTITIES[name]
        if value is None or quantity.is_hard(value):
            continue
        read = read_quantity(repr(float(value)), quantity)
        text = read.text if isinstance(read, ReadError) else f"{quantity.label} {value_text(value, quantity)} cannot be"
        raise Refusal.of(f"{text}.", at=at or name)


def _piece(writing: Writing, piece_id: int) -> Piece:
    piece = writing.session.get(Piece, piece_id)
    if piece is None:
        raise Refusal.of("This piece is not known.", at="pieces")
    return piece


def _registered(writing: Writing, code: str) -> dict[str, Any]:
    return {
        "code": code,
        "code_key": code.casefold(),
        "registered_at": writing.now,
        "registered_by_id": writing.operator_id,
    }


def _by(writing: Writing) -> dict[str, Any]:
    return {"operator_id": writing.operator_id}


def _deed(kind: str, times: Mapping[str, Any], piece: Piece) -> Deed:
    return Deed(NEW, times["done_at"], kind, (piece.id,), label=label_of(kind))


def _named(deed: Deed) -> Deed:
    return Deed(deed.entry, deed.done_at, deed.kind, deed.pieces, deed.device, deed.detail, label_of(deed.kind))


def _log_on(writing: Writing, event: Event, piece_ids: Iterable[int]) -> None:
    writing.add(event)
    writing.add(*[EventPiece(event_id=event.id, piece_id=piece_id) for piece_id in piece_ids])


def _check_word(value: str, words: Mapping[str, str], at: str) -> None:
    if value not in words:
        raise Refusal.of(f"“{value[:40]}” is not one of {', '.join(words.values())}.", at=at)


def _check_stage(stage: str | None, kind: str) -> None:
    if stage is not None:
        _check_word(stage, STAGES[kind], "arrived_stage")


def _check_lot(writing: Writing, lot_id: int | None, kind: str) -> None:
    if lot_id is None:
        return
    lot = writing.session.get(Lot, lot_id)
    if lot is None or lot.kind != kind:
        raise Refusal.of("This lot is not one it could come from.", at="lot_id")
