"""Words for the ids in audit entries: which record a number stands for, and the page it has."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import inspect, select
from sqlalchemy.orm import Mapper, Session

from app.db.base import Base
from app.db.models.events import Event, EventPiece
from app.db.models.material import Device, Exposure, Lot, Mask, MaskArray, Piece
from app.db.models.people import Operator, Tool
from app.db.models.recipes import Recipe, RecipeVersion, Specification, SpecificationVersion
from app.db.models.searches import SavedSearch
from app.db.models.seen import Attachment, Finding, Resonance
from app.queries.codes import PATHS
from app.queries.timeline import label_of

CHUNK = 400
Key = tuple[str, int]
"""(family, id): `event` for every kind of event, `piece` for every kind of piece, else the table."""


@dataclass(frozen=True)
class Name:
    """What a record is called, and its page ('' where it has none)."""

    text: str
    href: str = ""


Names = Mapping[Key, Name]


def mappers() -> dict[str, Mapper[Any]]:
    """The mapped class of each table, by the table's name."""
    return {str(mapper.local_table): mapper for mapper in Base.registry.mappers}


def _family_of_tables(root: type[Base]) -> frozenset[str]:
    return frozenset(str(mapper.local_table) for mapper in inspect(root).self_and_descendants)


MAPPERS = mappers()
EVENT_TABLES = _family_of_tables(Event)
PIECE_TABLES = _family_of_tables(Piece)


def family(table: str) -> str:
    """`event` or `piece` for the tables of those, else the table itself."""
    return "event" if table in EVENT_TABLES else "piece" if table in PIECE_TABLES else table


def target_of(table: str, column: str) -> str:
    """The family of the record that a column points to; '' where it points to none."""
    mapper = MAPPERS.get(table)
    if mapper is None or column == "id" or column not in mapper.column_attrs:
        return ""
    keys = mapper.column_attrs[column].columns[0].foreign_keys
    return family(next(iter(keys)).column.table.name) if keys else ""


def names_for(session: Session, wanted: Iterable[Key]) -> dict[Key, Name]:
    """Names of the records wanted; those of other families, or no longer there, are left out."""
    ids: dict[str, set[int]] = defaultdict(set)
    for kind, number in wanted:
        ids[kind].add(number)
    found: dict[Key, Name] = {}
    for kind, numbers in ids.items():
        if kind not in _READERS:
            continue
        ordered = sorted(numbers)
        for start in range(0, len(ordered), CHUNK):
            for number, name in _READERS[kind](session, ordered[start : start + CHUNK]):
                found[kind, number] = name
    return found


Found = Iterator[tuple[int, Name]]


def _pieces(session: Session, ids: list[int]) -> Found:
    for row in session.execute(select(Piece.id, Piece.code, Piece.kind).where(Piece.id.in_(ids))):
        yield row.id, Name(row.code, f"/{PATHS[row.kind]}/{row.code}")


def _devices(session: Session, ids: list[int]) -> Found:
    for row in session.execute(select(Device.id, Device.code).where(Device.id.in_(ids))):
        yield row.id, Name(row.code, f"/devices/{row.code}")


def _events(session: Session, ids: list[int]) -> Found:
    places: dict[int, list[str]] = defaultdict(list)
    linked = select(EventPiece.event_id, Piece.code).join(Piece, Piece.id == EventPiece.piece_id)
    for link in session.execute(linked.where(EventPiece.event_id.in_(ids)).order_by(Piece.code)):
        places[link.event_id].append(link.code)
    events = select(Event.id, Event.kind, Device.code).outerjoin(Device, Device.id == Event.device_id)
    for row in session.execute(events.where(Event.id.in_(ids))):
        codes = [row.code] if row.code else places[row.id]
        more = f" and {len(codes) - 4} more" if len(codes) > 4 else ""
        on = f" on {', '.join(codes[:4])}{more}" if codes else ""
        href = f"/scans/{row.id}" if row.kind == "scan" else f"/log/record/{row.id}"
        yield row.id, Name(f"{label_of(row.kind)}{on}", href)


def _operators(session: Session, ids: list[int]) -> Found:
    for row in session.execute(select(Operator.id, Operator.initials).where(Operator.id.in_(ids))):
        yield row.id, Name(row.initials, "/lab/people")


def _coded(model: Any, folder: str) -> Callable[[Session, list[int]], Found]:
    def read(session: Session, ids: list[int]) -> Found:
        for row in session.execute(select(model.id, model.code).where(model.id.in_(ids))):
            yield row.id, Name(row.code, f"/lab/{folder}/{row.code}")

    return read


def _named(model: Any, folder: str) -> Callable[[Session, list[int]], Found]:
    def read(session: Session, ids: list[int]) -> Found:
        for row in session.execute(select(model.id, model.name).where(model.id.in_(ids))):
            yield row.id, Name(row.name, f"/lab/{folder}/{row.id}")

    return read


def _versions(version: Any, parent: Any, key: str, folder: str) -> Callable[[Session, list[int]], Found]:
    link = getattr(version, key)

    def read(session: Session, ids: list[int]) -> Found:
        rows = select(version.id, parent.name, version.number, parent.id.label("parent")).join(
            parent, parent.id == link
        )
        for row in session.execute(rows.where(version.id.in_(ids))):
            yield row.id, Name(f"{row.name}, version {row.number}", f"/lab/{folder}/{row.parent}")

    return read


def _arrays(session: Session, ids: list[int]) -> Found:
    rows = select(MaskArray.id, MaskArray.number, MaskArray.label, Mask.code).join(Mask, Mask.id == MaskArray.mask_id)
    for row in session.execute(rows.where(MaskArray.id.in_(ids))):
        yield row.id, Name(f"{row.code}, {row.label or f'array {row.number}'}", f"/lab/masks/{row.code}")


def _exposures(session: Session, ids: list[int]) -> Found:
    rows = select(Exposure.id, Exposure.number, Piece.code).join(Piece, Piece.id == Exposure.piece_id)
    for row in session.execute(rows.where(Exposure.id.in_(ids))):
        yield row.id, Name(f"array {row.number} on {row.code}")


def _findings(session: Session, ids: list[int]) -> Found:
    rows = select(Finding.id, Device.code).join(Device, Device.id == Finding.device_id).where(Finding.id.in_(ids))
    for row in session.execute(rows):
        yield row.id, Name(row.code, f"/devices/{row.code}")


def _resonances(session: Session, ids: list[int]) -> Found:
    rows = select(Resonance.id, Resonance.label, Device.code).join(Device, Device.id == Resonance.device_id)
    for row in session.execute(rows.where(Resonance.id.in_(ids))):
        yield row.id, Name(f"{row.label} of {row.code}", f"/devices/{row.code}")


def _files(session: Session, ids: list[int]) -> Found:
    for row in session.execute(select(Attachment.id, Attachment.file_name).where(Attachment.id.in_(ids))):
        yield row.id, Name(row.file_name)


def _searches(session: Session, ids: list[int]) -> Found:
    for row in session.execute(select(SavedSearch.id, SavedSearch.name).where(SavedSearch.id.in_(ids))):
        yield row.id, Name(row.name, f"/searches/{row.id}")


_READERS: dict[str, Callable[[Session, list[int]], Found]] = {
    "piece": _pieces,
    "device": _devices,
    "event": _events,
    "operator": _operators,
    "tool": _coded(Tool, "tools"),
    "lot": _coded(Lot, "lots"),
    "mask": _coded(Mask, "masks"),
    "mask_array": _arrays,
    "recipe": _named(Recipe, "recipes"),
    "recipe_version": _versions(RecipeVersion, Recipe, "recipe_id", "recipes"),
    "specification": _named(Specification, "specifications"),
    "specification_version": _versions(SpecificationVersion, Specification, "specification_id", "specifications"),
    "exposure": _exposures,
    "finding": _findings,
    "resonance": _resonances,
    "attachment": _files,
    "saved_search": _searches,
}
