"""What was done to a piece, in order: its own deeds and those it inherits, its devices' deeds summed up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.figures import q_text
from app.core.reading import value_text
from app.core.step import Setting
from app.core.step_catalogue import PIECE_STEPS, STEPS
from app.core.vocab import CAUSES, LOSS_CAUSES, PURPOSES, SHORT_STAGES, WHEREABOUTS
from app.db.models.events import Ending, Event, EventPiece, Loss, Parting, Taking, Whereabouts
from app.db.models.material import Lot, Piece
from app.db.models.people import Operator, Tool
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.models.seen import Inspection, OxideMeasurement
from app.db.models.steps import ROW_CLASSES, STEP_CLASSES
from app.queries.codes import PieceRef
from app.queries.timeline import label_of

KINDS: dict[str, type[Event]] = {
    **STEP_CLASSES,
    "oxide_measurement": OxideMeasurement,
    "whereabouts": Whereabouts,
    "ending": Ending,
    "loss": Loss,
    "parting": Parting,
    "taking": Taking,
    "inspection": Inspection,
}
CUTS = {"scribe_and_cleave": "Scribed and cleaved", "dice": "Diced"}


@dataclass(frozen=True)
class Fact:
    """One thing a record says; `planned` is the recipe's value where this departs from it, `usual` where it agrees."""

    text: str
    planned: str = ""
    usual: bool = False
    apart: bool = False
    """On a line of its own: one row of several, such as an undercut segment."""


@dataclass(frozen=True)
class Taken:
    """How many sites were taken in hand for a purpose (in words), and which."""

    count: int
    purpose: str
    sites: str


@dataclass(frozen=True)
class Happening:
    """One record as a process sheet shows it."""

    entry: int
    at: datetime
    kind: str
    heading: str
    who: str = ""
    recipe: str = ""
    facts: tuple[Fact, ...] = ()
    note: str = ""
    piece_code: str = ""
    inherited: bool = False
    voided: str = ""
    href: str = ""
    pieces: tuple[PieceRef, ...] = ()
    until: datetime | None = None
    taken: tuple[Taken, ...] = ()

    @property
    def taken_words(self) -> str:
        """Sites taken in hand, summed up by purpose: 72 as candidate, 4 as test."""
        sums: dict[str, int] = defaultdict(int)
        for each in self.taken:
            sums[each.purpose] += each.count
        return ", ".join(f"{count} as {purpose}" for purpose, count in sums.items())


@dataclass(frozen=True)
class Names:
    """Words for the ids that records hold."""

    people: Mapping[int, str]
    versions: Mapping[int, tuple[str, Mapping[str, Any]]]
    lots: Mapping[int, str]
    tools: Mapping[int, str]


def names_for(session: Session, events: Iterable[Event]) -> Names:
    """Names of people, recipe versions, lots and tools that `events` mention."""
    some = list(events)
    versions = {e.recipe_version_id for e in some if e.recipe_version_id is not None}
    rows = session.execute(
        select(RecipeVersion.id, Recipe.name, RecipeVersion.number, RecipeVersion.settings)
        .join(Recipe, Recipe.id == RecipeVersion.recipe_id)
        .where(RecipeVersion.id.in_(versions))
    )
    lots = {
        getattr(event, each.name)
        for event in some
        if event.kind in PIECE_STEPS
        for each in PIECE_STEPS[event.kind].settings
        if each.kind == "lot" and getattr(event, each.name) is not None
    }
    tools = {e.tool_id for e in some if e.tool_id is not None}
    return Names(
        people=dict(session.execute(select(Operator.id, Operator.initials)).all()),
        versions={row.id: (f"{row.name}, version {row.number}", row.settings or {}) for row in rows},
        lots=dict(session.execute(select(Lot.id, Lot.code).where(Lot.id.in_(lots))).all()),
        tools=dict(session.execute(select(Tool.id, Tool.name).where(Tool.id.in_(tools))).all()),
    )


def piece_history(session: Session, lineage: Sequence[PieceRef]) -> list[Happening]:
    """Deeds on a piece and its ancestors (`lineage`, youngest first), eldest ancestor's first, voided ones too."""
    own = lineage[0]
    links = session.execute(
        select(EventPiece.piece_id, Event.id, Event.kind)
        .join(Event, Event.id == EventPiece.event_id)
        .where(EventPiece.piece_id.in_([each.id for each in lineage]))
    ).all()
    events = _load(session, [(row.id, row.kind) for row in links])
    names = names_for(session, events.values())
    rows = _rows(session, [e for e in events.values() if e.kind in ROW_CLASSES])
    places = {each.id: place for place, each in enumerate(reversed(lineage))}
    codes = {each.id: each.code for each in lineage}
    made = _children(session, [e.id for e in events.values() if e.kind == "parting"])
    found: list[tuple[int, Happening]] = []
    for piece_id, event_id, _kind in links:
        told = tell(events[event_id], names, rows.get(event_id, ()))
        told = replace(
            told, piece_code=codes[piece_id], inherited=piece_id != own.id, pieces=tuple(made.get(event_id, ()))
        )
        found.append((places[piece_id], told))
    return _takings_together([h for _, h in sorted(found, key=lambda each: (each[0], each[1].at, each[1].entry))])


def _takings_together(history: Sequence[Happening]) -> list[Happening]:
    """Sites taken in hand one after another on one day are one line."""
    result: list[Happening] = []
    for told in history:
        last = result[-1] if result else None
        alike = last is not None and last.kind == told.kind == "taking" and last.at.date() == told.at.date()
        if last is not None and alike and (last.who, last.piece_code) == (told.who, told.piece_code):
            result[-1] = replace(last, taken=(*last.taken, *told.taken))
        else:
            result.append(told)
    return result


def tell(event: Event, names: Names, rows: Sequence[Any] = ()) -> Happening:
    """One event in words: heading, recipe, settings with what departs from the recipe, note, why it was voided."""
    recipe, planned = names.versions.get(event.recipe_version_id or 0, ("", {}))
    voided = ""
    if event.voided_at is not None:
        voided = ", ".join(filter(None, (event.void_reason, names.people.get(event.voided_by_id or 0))))
    facts = _FACTS[event.kind](event) if event.kind in _FACTS else _step_facts(event, planned, names, rows)
    tool = names.tools.get(event.tool_id or 0)
    return Happening(
        entry=event.id,
        at=event.done_at,
        kind=event.kind,
        heading=_heading(event),
        who=names.people.get(event.operator_id or 0, ""),
        recipe=recipe,
        facts=(*((Fact("Done, details unknown"),) if event.unknown else ()), *facts, *((Fact(tool),) if tool else ())),
        note=event.note or "",
        voided=voided,
        href="" if event.kind == "taking" else f"/log/record/{event.id}",
        until=getattr(event, "until", None),
        taken=_taken(event) if isinstance(event, Taking) else (),
    )


def setting_text(setting: Setting, value: Any, lots: Mapping[int, str]) -> str:
    """A setting's value in words with its unit."""
    if setting.kind == "quantity" and setting.quantity is not None:
        return value_text(float(value), setting.quantity)
    if setting.kind == "lot":
        return lots.get(value, "lot not known")
    if setting.kind == "flag":
        return "yes" if value else "no"
    return str(setting.choices.get(str(value), value))


def _heading(event: Event) -> str:
    if isinstance(event, Inspection):
        return f"Inspection, {SHORT_STAGES.get(event.stage, event.stage).lower()}"
    if isinstance(event, Whereabouts):
        return WHEREABOUTS.get(event.state, event.state)
    if isinstance(event, Parting):
        return CUTS.get(event.method or "", "Parted")
    kind = getattr(event, "treatment_kind", None) if event.kind == "treatment" else None
    if kind:
        setting = STEPS["treatment"].setting("treatment_kind")
        return str(setting.choices.get(kind, kind))
    return label_of(event.kind)


def _step_facts(event: Event, planned: Mapping[str, Any], names: Names, rows: Sequence[Any]) -> tuple[Fact, ...]:
    step = STEPS.get(event.kind)
    if step is None:
        return ()
    facts = [_setting_fact(each, getattr(event, each.name), planned.get(each.name), names) for each in step.settings]
    if step.rows is not None:
        plans = planned.get(step.rows.name) or []
        for place, row in enumerate(rows):
            plan = plans[place] if place < len(plans) else None
            name = f"{step.rows.label.removesuffix('s')} {place + 1}" if len(rows) > 1 else ""
            facts.append(_row_fact(step.rows.settings, row, plan, names, name))
    return tuple(fact for fact in facts if fact is not None)


def _setting_fact(setting: Setting, value: Any, planned: Any, names: Names) -> Fact | None:
    if value is None:
        return None
    text = f"{setting.words} {setting_text(setting, value, names.lots)}"
    if setting.kind == "flag":
        text = setting.words if value else ""
    if planned is not None and planned != value:
        return Fact(text or f"{setting.words} no", setting_text(setting, planned, names.lots))
    return Fact(text, usual=planned is not None) if text else None


def _row_fact(
    settings: Sequence[Setting], row: Any, plan: Mapping[str, Any] | None, names: Names, name: str
) -> Fact | None:
    """Rows such as undercut segments in one line: 4 cycles × 40 s, 3.0 Torr XeF₂."""

    def line(values: Mapping[str, Any]) -> str:
        known = [(each, values[each.name]) for each in settings if values.get(each.name) is not None]
        return ", ".join(f"{each.words} {setting_text(each, value, names.lots)}" for each, value in known)

    done = {each.name: getattr(row, each.name) for each in settings}
    text = line(done)
    if not text:
        return None
    differs = plan is not None and any(plan.get(n) is not None and plan[n] != v for n, v in done.items())
    return Fact(f"{name}: {text}" if name else text, line(plan or {}) if differs else "", apart=True)


def _measured(event: Any) -> tuple[Fact, ...]:
    points = event.points_um
    mean = sum(points) / len(points) if points else 0.0
    shown = ", ".join(f"{point:.3f}" for point in points[:12]) + (" …" if len(points) > 12 else "")
    return (Fact(f"{mean:.3f} µm, mean of {len(points)}: {shown}"),) if points else ()


def _moved(event: Any) -> tuple[Fact, ...]:
    return (Fact(event.place),) if event.place else ()


def _parted(event: Any) -> tuple[Fact, ...]:
    lost = f"{event.sites_lost} {'site' if event.sites_lost == 1 else 'sites'} lost" if event.sites_lost else ""
    return tuple(Fact(text) for text in (event.protection or "", lost) if text)


def _lost(event: Any) -> tuple[Fact, ...]:
    where = f"found at {SHORT_STAGES.get(event.found_at, event.found_at).lower()}" if event.found_at else ""
    cause = f"caused at {CAUSES.get(event.caused_at, event.caused_at).lower()}" if event.caused_at else ""
    return (Fact(", ".join(filter(None, (LOSS_CAUSES.get(event.cause, event.cause), where, cause)))),)


def _seen(event: Any) -> tuple[Fact, ...]:
    covers = {
        "all": "All seen, exceptions named",
        "sample": f"{event.seen_n} of {event.of_n} seen",
        "devices": "Devices named",
    }
    told = [covers.get(event.cover, event.cover), event.method or ""]
    if event.reinstates:
        told.append(f"reinstated: {event.reinstates}")
    return tuple(Fact(text) for text in told if text)


def _rung(event: Any) -> tuple[Fact, ...]:
    told = [] if event.lifetime_ns is None else [f"lifetime {event.lifetime_ns:.3g} ns"]
    for name, words in (("q_loaded", "loaded Q"), ("q_intrinsic", "intrinsic Q")):
        q = event.numbers.get(name)
        told += [f"{words} {q_text(q['value'], q['low'], q['high'])}"] if q else []
    return tuple(Fact(text) for text in told)


def _taken(event: Taking) -> tuple[Taken, ...]:
    return (Taken(event.count, PURPOSES.get(event.purpose, event.purpose).lower(), event.sites),)


_FACTS: dict[str, Any] = {
    "ring_down": _rung,
    "oxide_measurement": _measured,
    "whereabouts": _moved,
    "parting": _parted,
    "loss": _lost,
    "inspection": _seen,
    "ending": lambda event: (Fact(event.reason),),
    "purpose_change": lambda event: (Fact(f"from now on {PURPOSES.get(event.purpose, event.purpose).lower()}"),),
}


def _load(session: Session, wanted: Iterable[tuple[int, str]]) -> dict[int, Event]:
    by_kind: dict[str, set[int]] = defaultdict(set)
    for event_id, kind in wanted:
        by_kind[kind].add(event_id)
    events: dict[int, Event] = {}
    for kind, ids in by_kind.items():
        rows = session.scalars(select(KINDS.get(kind, Event)).where(Event.id.in_(ids)))
        events.update({event.id: event for event in rows})
    return events


def _rows(session: Session, events: Iterable[Event]) -> dict[int, list[Any]]:
    by_kind: dict[str, list[int]] = defaultdict(list)
    for event in events:
        by_kind[event.kind].append(event.id)
    result: dict[int, list[Any]] = defaultdict(list)
    for kind, ids in by_kind.items():
        rows: Any = ROW_CLASSES[kind]
        for row in session.scalars(select(rows).where(rows.event_id.in_(ids)).order_by(rows.sequence)):
            result[row.event_id].append(row)
    return result


def _children(session: Session, partings: Sequence[int]) -> dict[int, list[PieceRef]]:
    result: dict[int, list[PieceRef]] = defaultdict(list)
    if partings:
        rows = session.execute(
            select(Piece.id, Piece.code, Piece.kind, Piece.parting_id)
            .where(Piece.parting_id.in_(partings))
            .order_by(Piece.code)
        )
        for row in rows:
            result[row.parting_id].append(PieceRef(row.id, row.code, row.kind))
    return result
