"""One record of something done or seen, in words: its settings against the recipe, and whether it was taken back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.planned import setting_text
from app.core.process.undercut import Segment, dose_torr_s
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.step import Setting, number, text
from app.core.step import choice as choice_of
from app.core.step_catalogue import STEPS
from app.core.vocab import (
    CAUSES,
    DIRECTIONS,
    LOSS_CAUSES,
    MEDIA,
    PARTING_METHODS,
    PICKED,
    POLARISATION_KNOWN,
    POLARISATIONS,
    PURPOSES,
    SHORT_STAGES,
    SHOT_OUTCOMES,
    SHOT_PURPOSES,
    TAPERS,
    VERDICTS,
    WHEREABOUTS,
)
from app.db.models.events import Event, EventPiece, Parting, PurposeChange, Taking, Whereabouts
from app.db.models.material import Device, Exposure, Lot, Mask, MaskArray, Piece
from app.db.models.people import Operator, Tool
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.models.seen import Finding, Inspection, OxideMeasurement
from app.db.models.steps import ROW_CLASSES
from app.queries.codes import PieceRef
from app.queries.timeline import label_of

OWN_FIELDS: Mapping[str, tuple[Setting, ...]] = {
    "reflow": (choice_of("outcome", "Outcome", SHOT_OUTCOMES), choice_of("purpose", "Purpose", SHOT_PURPOSES)),
    "reflow_session": (
        number("warm_up_min"),
        number("meter_start_w"),
        number("meter_end_w"),
        text("meter_where", "Meter read at"),
        number("spot_um"),
        text("spot_how", "Spot measured by"),
        text("alignment", "Alignment check"),
        text("alignment_when", "Alignment checked"),
    ),
    "undercut_measurement": (
        number("disc_um"),
        number("pillar_top_x_um"),
        number("pillar_top_y_um"),
        number("pillar_offset_um"),
        number("rim_to_pillar_um"),
        text("method", "Method"),
    ),
    "oxide_measurement": (text("method", "Method"),),
    "inspection": (text("method", "Method"),),
    "loss": (
        choice_of("cause", "Cause", LOSS_CAUSES),
        choice_of("found_at", "Found at", SHORT_STAGES),
        choice_of("caused_at", "Caused at", CAUSES),
    ),
    "whereabouts": (choice_of("state", "Whereabouts", WHEREABOUTS), text("place", "Place or person")),
    "ending": (text("reason", "Reason"),),
    "parting": (choice_of("method", "How", PARTING_METHODS), text("protection", "Surface protection")),
    "purpose_change": (choice_of("purpose", "Purpose", PURPOSES),),
    "scan": (
        number("input_power_uw"),
        number("averages"),
        choice_of("direction", "Direction", DIRECTIONS),
        choice_of("taper", "Taper", TAPERS),
        number("taper_position_um"),
        number("taper_transmission"),
        choice_of("polarisation", "Polarisation", POLARISATIONS),
        choice_of("polarisation_known", "Polarisation known by", POLARISATION_KNOWN),
        choice_of("medium", "Medium", MEDIA),
        choice_of("picked", "Picked", PICKED),
    ),
}
"""What can be corrected of each kind of record, beside a step's own settings."""


def fields_of(kind: str) -> tuple[Setting, ...]:
    """What can be corrected of a record of this kind; empty for one that can only be taken back."""
    step = STEPS.get(kind)
    return (*(step.settings if step else ()), *OWN_FIELDS.get(kind, ()))


@dataclass(frozen=True)
class Line:
    """One thing a record says. `planned` is the recipe's value where it departs; `worked` marks a worked-out one."""

    label: str
    text: str
    planned: str = ""
    unread: bool = False
    """Taken over from the recipe, not read off the tool."""
    worked: bool = False


@dataclass(frozen=True)
class Record:
    """A record whole. `places` are (code, address) of the pieces and the device it is about."""

    id: int
    kind: str
    label: str
    version: int
    done_at: datetime
    logged_at: datetime
    who: str
    tool: str
    recipe: str
    note: str
    unknown: bool
    places: tuple[tuple[str, str], ...]
    lines: tuple[Line, ...]
    voided: str
    """Reason, person and day, where it was taken back."""
    fields: tuple[tuple[Setting, Any], ...]
    """What can be corrected, with the value that stands."""

    @property
    def codes(self) -> str:
        """`W012, W013`."""
        return ", ".join(code for code, _ in self.places)


def record_of(session: Session, event_id: int) -> Record | None:
    """The record with this entry number; None where there is none."""
    event = session.get(Event, event_id)
    if event is None:
        return None
    version = session.get(RecipeVersion, event.recipe_version_id) if event.recipe_version_id else None
    people = {row.id: row.initials for row in session.scalars(select(Operator))}
    tool = session.get(Tool, event.tool_id) if event.tool_id else None
    voided = ""
    if event.voided_at is not None:
        voided = (
            f"{event.void_reason}, {people.get(event.voided_by_id or 0, 'nobody named')}, {event.voided_at:%d %b %Y}"
        )
    return Record(
        id=event.id,
        kind=event.kind,
        label=label_of(event.kind),
        version=event.version,
        done_at=event.done_at,
        logged_at=event.logged_at,
        who=people.get(event.operator_id or 0, ""),
        tool=f"{tool.code}, {tool.name}" if tool else "",
        recipe=_recipe_name(session, version),
        note=event.note or "",
        unknown=event.unknown,
        places=places_of(session, event),
        lines=(*_setting_lines(session, event, version), *_own_lines(session, event, version)),
        voided=voided,
        fields=tuple((setting, getattr(event, setting.name)) for setting in fields_of(event.kind)),
    )


def places_of(session: Session, event: Event) -> tuple[tuple[str, str], ...]:
    """(code, address) of the pieces and the device a record is about."""
    pieces = session.scalars(
        select(Piece).join(EventPiece, EventPiece.piece_id == Piece.id).where(EventPiece.event_id == event.id)
    )
    places = [(piece.code, PieceRef(piece.id, piece.code, piece.kind).path) for piece in pieces]
    if event.device_id is not None:
        device = session.get_one(Device, event.device_id)
        places.append((device.code, f"/devices/{device.code}"))
    return tuple(places)


def _recipe_name(session: Session, version: RecipeVersion | None) -> str:
    if version is None:
        return ""
    return f"{session.get_one(Recipe, version.recipe_id).name}, version {version.number}"


def _setting_lines(session: Session, event: Event, version: RecipeVersion | None) -> list[Line]:
    planned: Mapping[str, Any] = version.settings if version else {}
    lines = []
    for setting in fields_of(event.kind):
        value = getattr(event, setting.name)
        shown = _lot_code(session, value) if setting.kind == "lot" else setting_text(setting, value)
        if not shown or value is False:
            continue
        departs = setting.name in planned and planned[setting.name] != value
        was = setting_text(setting, planned.get(setting.name)) if departs else ""
        lines.append(Line(setting.words, shown, was, unread=event.sources.get(setting.name) == "recipe"))
    return lines


def _lot_code(session: Session, lot_id: int | None) -> str:
    lot = session.get(Lot, lot_id) if lot_id is not None else None
    return lot.code if lot else ""


def _own_lines(session: Session, event: Event, version: RecipeVersion | None) -> list[Line]:
    """What a kind of record says beside its settings."""
    if event.kind in ROW_CLASSES:
        return _row_lines(session, event, version)
    if event.kind == "lithography":
        return _exposed(session, event)
    if isinstance(event, OxideMeasurement):
        mean = sum(event.points_um) / len(event.points_um)
        points = " · ".join(value_text(each, QUANTITIES["oxide_um"]) for each in event.points_um[:12])
        return [Line("Points", points), Line("Mean", value_text(round(mean, 4), QUANTITIES["oxide_um"]), worked=True)]
    if isinstance(event, Inspection):
        return _inspected(session, event)
    if plain := _plain_lines(event):
        return plain
    power_w = getattr(event, "power_w", None)
    if event.kind == "reflow" and power_w is not None:
        return [Line("Laser power", value_text(float(f"{power_w:.6g}"), QUANTITIES["power_w"]), worked=True)]
    return []


def _plain_lines(event: Event) -> list[Line]:
    """Records whose columns are said as they stand."""
    if isinstance(event, Whereabouts):
        until = f"{event.until:%d %b %Y}" if event.until else ""
        told: list[tuple[str, str | None]] = [("Due back", until)]
    elif isinstance(event, Taking):
        told = [("Taken in hand", event.sites), ("Purpose", PURPOSES.get(event.purpose, event.purpose))]
    elif isinstance(event, PurposeChange):
        told = [("Purpose from now on", PURPOSES.get(event.purpose, event.purpose))]
    elif isinstance(event, Parting):
        lost = None if event.sites_lost is None else str(event.sites_lost)
        told = [
            ("Method", (event.method or "").replace("_", " ")),
            ("Surface protection", event.protection),
            ("Sites lost", lost),
        ]
    else:
        return []
    return [Line(label, words) for label, words in told if words]


def row_words(session: Session, event: Event) -> list[str]:
    """The repeated settings of a record, each row in words."""
    step = STEPS[event.kind]
    if step.rows is None:
        return []
    return [_row_words(step.rows.settings, _values(step.rows.settings, row)) for row in _rows_of(session, event)]


def _rows_of(session: Session, event: Event) -> Sequence[Any]:
    row_class: Any = ROW_CLASSES[event.kind]
    return session.scalars(select(row_class).where(row_class.event_id == event.id).order_by(row_class.sequence)).all()


def _values(settings: Sequence[Setting], row: Any) -> dict[str, Any]:
    return {each.name: getattr(row, each.name) for each in settings}


def _row_lines(session: Session, event: Event, version: RecipeVersion | None) -> list[Line]:
    step, rows = STEPS[event.kind], _rows_of(session, event)
    assert step.rows is not None  # noqa: S101  a kind with rows declares them
    planned: Sequence[Mapping[str, Any]] = (version.settings.get(step.rows.name) or ()) if version else ()
    lines = []
    for place, row in enumerate(rows):
        words = _row_words(step.rows.settings, _values(step.rows.settings, row))
        was = _row_words(step.rows.settings, planned[place]) if place < len(planned) else ""
        label = f"{step.rows.label.rstrip('s')} {place + 1}"
        unread = event.sources.get(step.rows.name) == "recipe"
        lines.append(Line(label, words, was if was != words else "", unread=unread))
    if event.kind == "undercut" and (dose := _dose(rows)) is not None:
        lines.append(Line("XeF₂ dose", value_text(float(f"{dose:.6g}"), QUANTITIES["dose_torr_s"]), worked=True))
    return lines


def _row_words(settings: Sequence[Setting], row: Mapping[str, Any]) -> str:
    words = [
        f"{shown} {setting.words.lower()}" if setting.name == "cycles" else shown
        for setting in settings
        if (shown := setting_text(setting, row.get(setting.name)))
    ]
    return " · ".join(words)


def _dose(rows: Sequence[Any]) -> float | None:
    full = [row for row in rows if None not in (row.cycles, row.cycle_s, row.xef2_torr)]
    if not full or len(full) != len(rows):
        return None
    return dose_torr_s([Segment(row.cycles, row.cycle_s, row.xef2_torr) for row in full])


def _exposed(session: Session, event: Event) -> list[Line]:
    statement = (
        select(Exposure.number, Mask.code, MaskArray.label, MaskArray.number.label("array"), Piece.code.label("piece"))
        .join(MaskArray, MaskArray.id == Exposure.mask_array_id)
        .join(Mask, Mask.id == MaskArray.mask_id)
        .join(Piece, Piece.id == Exposure.piece_id)
        .where(Exposure.lithography_id == event.id)
        .order_by(Piece.code, Exposure.number)
    )
    return [
        Line(f"{row.piece}, array {row.number}", f"{row.code}, {row.label or f'array {row.array}'}")
        for row in session.execute(statement)
    ]


def _inspected(session: Session, event: Inspection) -> list[Line]:
    findings = session.execute(
        select(Finding.verdict, Finding.named, Device.code)
        .join(Device, Device.id == Finding.device_id)
        .where(Finding.inspection_id == event.id)
        .order_by(Device.code)
    ).all()
    covers = {
        "devices": "The devices named",
        "all": "All seen, exceptions named",
        "sample": f"{event.seen_n} of {event.of_n} seen",
    }
    lines = [Line("Stage", SHORT_STAGES[event.stage]), Line("Cover", covers[event.cover])]
    counts = Counter(row.verdict for row in findings)
    lines += [Line(VERDICTS[verdict], str(counts[verdict]), worked=True) for verdict in VERDICTS if counts[verdict]]
    named = [f"{row.code} {row.verdict}" for row in findings if row.named]
    if named:
        more = f" and {len(named) - 12} more" if len(named) > 12 else ""
        lines.append(Line("Named", ", ".join(named[:12]) + more))
    if event.reinstates:
        lines.append(Line("Counts again because", event.reinstates))
    return lines
