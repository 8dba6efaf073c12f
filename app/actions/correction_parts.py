"""What hangs on a record and is corrected with it: pieces, settings of rows, oxide points, findings, modes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.actions.dependents import piece_ids_of
from app.actions.naming import pieces_named
from app.actions.ranges import Given
from app.actions.settings import checked_rows, numbers_of
from app.core.quantities import QUANTITIES
from app.core.refusal import Refusal, Where
from app.core.step_catalogue import STEPS
from app.core.vocab import PIECE_KINDS, VERDICTS
from app.db.base import Base
from app.db.models.events import Event, EventPiece
from app.db.models.material import Device, Piece
from app.db.models.seen import Finding, OxideMeasurement, Resonance, ResonanceFit, Scan
from app.db.models.steps import ROW_CLASSES
from app.db.session import Writing
from app.schemas.log import CorrectIn

SIZES = ("outer_um", "minor_um", "roundness_um")


@dataclass
class Parts:
    """Checked changes to what hangs on a record: `sets` on rows there are, `adds` rows there were not."""

    piece_ids: tuple[int, ...] | None = None
    sets: list[tuple[Base, dict[str, Any]]] = field(default_factory=list)
    adds: list[Base] = field(default_factory=list)
    numbers: list[Given] = field(default_factory=list)
    source: dict[str, str] = field(default_factory=dict)

    @property
    def changed(self) -> bool:
        """Whether anything differs."""
        return bool(self.sets or self.adds)

    @property
    def overwrites(self) -> bool:
        """Whether something that stood is replaced."""
        return any(getattr(row, name) is not None for row, values in self.sets for name in values)

    def apply(self, writing: Writing) -> None:
        """Make the changes."""
        for row, values in self.sets:
            for name, value in values.items():
                setattr(row, name, value)
        writing.add(*self.adds)

    def set(self, row: Base, values: Mapping[str, Any]) -> None:
        """Note what differs of `values` on a row."""
        differing = {name: value for name, value in values.items() if getattr(row, name) != value}
        if differing:
            self.sets.append((row, differing))


def parts_of(writing: Writing, event: Event, data: CorrectIn) -> Parts:
    """What is to change beside the record's own columns; Refusal where it cannot."""
    parts = Parts()
    if data.piece_ids is not None:
        _pieces(writing.session, event, data.piece_ids, parts)
    if data.rows is not None:
        _rows(writing.session, event, data.rows, parts)
    if data.points_um is not None:
        _points(event, data.points_um, parts)
    if data.findings is not None:
        _findings(writing.session, event, data, parts)
    if isinstance(event, Scan) and data.changes.get("medium") not in (None, event.medium):
        _medium(writing.session, event, data.changes["medium"], parts)
    return parts


def _pieces(session: Session, event: Event, piece_ids: Sequence[int], parts: Parts) -> None:
    stood = piece_ids_of(session, event)
    if set(piece_ids) == set(stood):
        return
    if event.device_id is not None or event.kind == "reflow_session":
        raise Refusal.of("It was logged for a device: say to which other device it belongs.", at="pieces")
    if event.kind in ("parting", "taking", "lithography", "inspection"):
        raise Refusal.of(
            "What it made or says is bound to its piece. Take it back and log it on the right one.", at="pieces"
        )
    pieces = pieces_named(session, piece_ids)
    _check_kinds(event, pieces)
    if len(pieces) < len(stood):
        raise Refusal.of(
            "To leave out a piece, take the record back and log it for those that remain; nothing is deleted.",
            at="pieces",
        )
    parts.piece_ids = tuple(piece_ids)
    rows = session.scalars(select(EventPiece).where(EventPiece.event_id == event.id).order_by(EventPiece.id)).all()
    fresh = [piece_id for piece_id in piece_ids if piece_id not in stood]
    for row in rows:
        if row.piece_id not in piece_ids:
            parts.set(row, {"piece_id": fresh.pop(0)})
    parts.adds += [EventPiece(event_id=event.id, piece_id=piece_id) for piece_id in fresh]


def _check_kinds(event: Event, pieces: Sequence[Piece]) -> None:
    kinds = STEPS[event.kind].pieces if event.kind in STEPS else tuple(PIECE_KINDS)
    if event.kind == "oxide_measurement":
        kinds = ("wafer", "chip")
    for piece in pieces:
        if piece.kind not in kinds:
            raise Refusal.of(f"It cannot be done to {piece.code}, a {PIECE_KINDS[piece.kind].lower()}.", at="pieces")


def _rows(session: Session, event: Event, given: Sequence[Mapping[str, Any]], parts: Parts) -> None:
    step = STEPS.get(event.kind)
    if step is None or step.rows is None:
        raise Refusal.of("A record of this kind has no repeated settings.", at="rows")
    checked = checked_rows(session, step.rows.settings, given)
    row_class: Any = ROW_CLASSES[event.kind]
    stood = session.scalars(select(row_class).where(row_class.event_id == event.id).order_by(row_class.sequence)).all()
    if len(checked) < len(stood):
        raise Refusal.of(
            f"It says {len(stood)} {step.rows.label.lower()}: to leave one out, take the record back and log it anew.",
            at="rows",
        )
    names = [setting.name for setting in step.rows.settings]
    for place, values in enumerate(checked):
        parts.numbers += numbers_of(step.rows.settings, values, row=place)
        if place < len(stood):
            parts.set(stood[place], {name: values.get(name) for name in names})
        else:
            parts.adds.append(row_class(event_id=event.id, sequence=place + 1, **values))
    if parts.changed:
        parts.source[step.rows.name] = "typed"


def _points(event: Event, points_um: Sequence[float], parts: Parts) -> None:
    if not isinstance(event, OxideMeasurement):
        raise Refusal.of("Only an oxide measurement has points.", at="points_um")
    if not points_um or not all(QUANTITIES["oxide_um"].is_hard(point) for point in points_um):
        raise Refusal.of("Give the thickness at one point at least, none of them impossible.", at="points_um")
    parts.numbers += [Given("oxide_um", point, row=place, at="points_um") for place, point in enumerate(points_um)]
    parts.set(event, {"points_um": list(points_um)})


def _findings(session: Session, event: Event, data: CorrectIn, parts: Parts) -> None:
    if event.kind != "inspection":
        raise Refusal.of("Only an inspection has verdicts.", at="findings")
    stood: dict[str, Finding] = {
        code.casefold(): finding
        for finding, code in session.execute(
            select(Finding, Device.code)
            .join(Device, Device.id == Finding.device_id)
            .where(Finding.inspection_id == event.id)
        )
    }
    errors: dict[Where, str] = {}
    for row, said in enumerate(data.findings or ()):
        finding = stood.get(said.device.strip().casefold())
        if finding is None:
            errors[row, "device"] = f"The inspection says nothing of “{said.device}”."
        elif said.verdict not in VERDICTS:
            errors[row, "verdict"] = "Give a verdict: good, usable or reject."
        elif said.outer_um is not None and said.minor_um is not None and said.minor_um > said.outer_um:
            errors[row, "minor_um"] = "The minor diameter cannot be larger than the outer one."
        else:
            sizes = {name: getattr(said, name) for name in SIZES}
            parts.numbers += [Given(n, value, row=row) for n, value in sizes.items() if value is not None]
            parts.set(finding, {"verdict": said.verdict, "named": True, "note": said.note, **sizes})
    if errors:
        raise Refusal(errors)


def _medium(session: Session, scan: Scan, medium: str, parts: Parts) -> None:
    """The modes fitted in a scan go with its medium, unless they were seen in other scans too."""
    fitted = select(ResonanceFit.resonance_id).where(ResonanceFit.scan_id == scan.id)
    for mode in session.scalars(select(Resonance).where(Resonance.id.in_(fitted))):
        others = select(ResonanceFit.id).join(Scan, Scan.id == ResonanceFit.scan_id)
        other = others.where(
            ResonanceFit.resonance_id == mode.id, ResonanceFit.scan_id != scan.id, Scan.voided_at.is_(None)
        )
        if session.scalar(other.limit(1)) is not None:
            raise Refusal.of(
                f"“{mode.label}” was seen in other scans too, all in the same medium. Take this scan back and keep it "
                "anew under another name of the mode.",
                at="medium",
            )
        parts.set(mode, {"medium": medium})
