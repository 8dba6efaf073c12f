"""One change of an audit entry in words: which record, and each of its fields before and after, units and all."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from app.core import vocab
from app.core.figures import q_text
from app.core.planned import setting_text
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.step import Setting
from app.core.step_catalogue import STEPS
from app.core.when import MONTHS
from app.db.audit import canonical
from app.db.models.steps import ROW_CLASSES
from app.queries.history_names import EVENT_TABLES, MAPPERS, PIECE_TABLES, Key, Name, Names, family, target_of
from app.queries.records import fields_of
from app.queries.timeline import LABELS

HIDDEN = frozenset({"id", "version", "code_key", "name_key", "initials_key", "sequence"})
SECRET = frozenset({"secret"})
MOST_TEXT = 300
MOST_LIST = 12
OWNERS = (
    "device_id", "piece_id", "event_id", "inspection_id", "finding_id", "resonance_id", "scan_id", "tool_id",
    "recipe_id", "specification_id", "mask_id", "exposure_id", "lithography_id", "of_id",
)  # fmt: skip
"""Which record a row belongs to, the first that it has."""
UNSAID = frozenset({"sources", "code", "logged_at", "numbers", "result", "reading"})
"""Left out of what is said of a new record: its name says it, or only a program reads it."""
PART_OF: Mapping[str, tuple[str, ...]] = {
    "event_piece": ("event_id",),
    "finding": ("inspection_id", "named"),
    "device": ("taking_id", "piece_id", "row", "column", "exposure_id"),
    "exposure": ("lithography_id", "root_id", "piece_id", "number"),
    "attachment": ("sha256", "media_type", "of_table", "of_id", "size_bytes"),
    "resonance_fit": ("file_sha256", "made_at", "made_by_id"),
}
"""Likewise, by table: what the deed or the code of the record says already."""
TABLES: Mapping[str, str] = {
    **{table: LABELS.get(table, table.replace("_", " ").capitalize()) for table in EVENT_TABLES},
    **vocab.PIECE_KINDS,
    **{str(rows.__tablename__): f"{STEPS[kind].label}, row" for kind, rows in ROW_CLASSES.items()},
    "event_piece": "Done to",
    "piece_region": "Sites it holds",
    "finding": "Finding",
    "resonance_fit": "Fit",
    "lab_setting": "Setting of the lab",
    "quantity_range": "Plausible range",
    "range_confirmation": "Unusual value confirmed",
    "operator": "Person",
    "mask_array": "Array of a mask",
    "attachment": "File",
    "saved_search": "Saved search",
}
"""What a person reads as the kind of a record; other tables speak for themselves."""
COLUMNS: Mapping[str, str] = {
    "done_at": "Done", "logged_at": "Logged", "operator_id": "Who", "tool_id": "Tool", "recipe_version_id": "Recipe",
    "device_id": "Device", "piece_id": "On piece", "unknown": "Details unknown", "sources": "Source",
    "voided_at": "Taken back", "voided_by_id": "Taken back by", "void_reason": "Why taken back",
    "until": "Until", "valid_until": "Valid until", "parent_id": "Parted from", "parting_id": "Parted by",
    "registered_at": "Registered", "registered_by_id": "Registered by", "made_by_id": "Made by", "made_at": "Made",
    "judged_by_id": "Judged by", "judged_at": "Judged", "judged_reason": "Why so judged", "planned_shots":
    "Planned shots", "step_kind": "Step", "of_table": "Belongs to", "of_id": "Record", "root_id": "First piece",
    "q_intrinsic": "Intrinsic Q", "q_loaded": "Loaded Q", "secret": "PIN", "sha256": "SHA-256",
    "points_um": "Points / µm", "file_name": "Name of the file", "kept_at": "Kept", "size_bytes": "Size / bytes",
    "row_low": "From row", "row_high": "To row", "column_low": "From column", "column_high": "To column",
    "q_intrinsic_low": "Intrinsic Q from", "q_intrinsic_high": "Intrinsic Q to", "file_sha256": "SHA-256 of its file",
    "reinstates": "Counts again because", "seen_n": "Seen", "of_n": "Of", "named": "Named", "query": "What it asks",
}  # fmt: skip
_KINDS: Mapping[str, vocab.Words] = {
    "tool": vocab.TOOL_KINDS,
    "lot": vocab.LOT_KINDS,
    "tool_event": vocab.TOOL_EVENTS,
    "defect": vocab.defect_words(),
    "device": vocab.DEVICE_KINDS,
    "specification_version": vocab.DEVICE_KINDS,
}
_CHOICES: Mapping[str, vocab.Words] = {
    "purpose": {**vocab.PURPOSES, **vocab.SHOT_PURPOSES},
    "verdict": vocab.VERDICTS,
    "medium": vocab.MEDIA,
    "stage": vocab.SHORT_STAGES,
    "arrived_stage": vocab.SHORT_STAGES,
    "found_at": vocab.SHORT_STAGES,
    "caused_at": vocab.CAUSES,
    "cause": vocab.LOSS_CAUSES,
    "taper": vocab.TAPERS,
    "direction": vocab.DIRECTIONS,
    "polarisation_known": vocab.POLARISATION_KNOWN,
    "picked": vocab.PICKED,
    "role": vocab.ROLES,
    "state": {**vocab.WHEREABOUTS, **vocab.FIT_STATES, "in_use": "In use"},
    "void_reason": vocab.CORRECTION_REASONS,
    "step_kind": {name: step.label for name, step in STEPS.items()},
    "sources": {"recipe": "recipe, unread", "typed": "typed", "tool": "tool"},
    "cover": {"all": "All seen, exceptions named", "sample": "Some seen", "devices": "Devices named"},
}
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d.*\+00:00")
_SETTINGS: dict[str, Setting] = {
    each.name: each
    for step in reversed(STEPS.values())
    for each in (*step.settings, *(step.rows.settings if step.rows else ()))
}


@dataclass(frozen=True)
class Line:
    """One field; '' where there was, or is, nothing."""

    label: str
    before: str
    after: str


@dataclass(frozen=True)
class Change:
    """What became of one record; `new` where the deed made it, `count` where it stands for many devices."""

    table: str
    row_id: str
    kind: str
    name: str
    href: str
    new: bool
    count: int
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Raw:
    """A change as it is stored."""

    seq: int
    table: str
    row_id: str
    before: str | None
    after: str | None


def table_words(table: str) -> str:
    """The kind of a record in words."""
    return TABLES.get(table, table.replace("_", " ").capitalize())


def keys_in(raw: Raw) -> Iterator[Key]:
    """Every record that a change names by number, and the one it is about."""
    if ".." in raw.row_id:
        first, _, last = raw.row_id.partition("..")
        yield from (("device", int(each)) for each in (first, last))
        return
    if raw.row_id.isdecimal():
        yield family(raw.table), int(raw.row_id)
    for values in (_read(raw.before), _read(raw.after)):
        for column, value in values.items():
            target = _target(raw.table, column, values)
            if target and isinstance(value, int):
                yield target, value


def tell(raw: Raw, names: Names, zone: tzinfo) -> Change:
    """The change in words; instants in the lab's `zone`."""
    kind = table_words(raw.table)
    before, after = _read(raw.before), _read(raw.after)
    if ".." in raw.row_id:
        first, last = (names.get(("device", int(each)), Name(each)).text for each in raw.row_id.split(".."))
        count = int(after.get("count", 0))
        kind = f"{count} devices taken in hand"
        return Change(raw.table, raw.row_id, kind, f"{first} to {last}", "", new=True, count=count, lines=())
    name, owner = _name(raw, after or before, names)
    lines = tuple(_lines(raw.table, before, after, owner, names, zone))
    return Change(raw.table, raw.row_id, kind, name.text, name.href, new=raw.before is None, count=1, lines=lines)


def stored(text: str | None) -> str | None:
    """The text as it is stored, but for what is kept secret."""
    values = _read(text)
    if text is None or not any(values.get(column) for column in SECRET):
        return text
    return canonical({**values, **{column: "kept, not shown" for column in SECRET if values.get(column)}})


def _read(text: str | None) -> dict[str, Any]:
    return dict(json.loads(text)) if text else {}


def _target(table: str, column: str, values: Mapping[str, Any]) -> str:
    if table == "attachment" and column == "of_id":
        return family(str(values.get("of_table") or ""))
    return target_of(table, column)


def _name(raw: Raw, values: Mapping[str, Any], names: Names) -> tuple[Name, str]:
    """What the record is called, and the column that said so."""
    if raw.row_id.isdecimal() and (own := names.get((family(raw.table), int(raw.row_id)))):
        if raw.table in EVENT_TABLES:
            return Name(own.text.partition(" on ")[2], own.href), "device_id"
        return own, next((column for column in OWNERS if values.get(column) is not None), "")
    for column in OWNERS:
        value = values.get(column)
        if isinstance(value, int) and (found := names.get((_target(raw.table, column, values), value))):
            return found, column
    for column in ("name", "label", "quantity"):
        if isinstance(values.get(column), str):
            return Name(_column_words(values[column]) if column == "quantity" else values[column]), column
    return Name(raw.row_id), ""


def _lines(
    table: str, before: Mapping[str, Any], after: Mapping[str, Any], owner: str, names: Names, zone: tzinfo
) -> Iterator[Line]:
    for column in _order(table, {*before, *after}):
        old, new = before.get(column), after.get(column)
        if column in HIDDEN or old == new or (not before and _says_nothing(table, column, new, owner)):
            continue
        label = _label(table, column)
        if column in SECRET:
            yield Line(label, "kept, not shown" if old else "", "kept, not shown" if new else "")
        elif isinstance(old or new, dict):
            yield from _inside(table, column, old or {}, new or {}, zone)
        else:
            shown = tuple(
                _words(table, column, each, values, names, zone) for each, values in ((old, before), (new, after))
            )
            yield Line(label, *shown)


def _order(table: str, columns: Iterable[str]) -> list[str]:
    """In the order in which the record declares them."""
    known = list(MAPPERS[table].column_attrs.keys()) if table in MAPPERS else []
    return sorted(columns, key=lambda each: (known.index(each) if each in known else len(known), each))


def _says_nothing(table: str, column: str, value: Any, owner: str) -> bool:
    """Of a new record: blanks, its kind, what its name says already, and what was made with it."""
    nothing = value is None or value is False or value in ("", [], {})
    kind = column == "kind" and (table in EVENT_TABLES or table in PIECE_TABLES)
    return nothing or kind or column == owner or column in UNSAID or (column in PART_OF.get(table, ()))


def _inside(table: str, column: str, old: Mapping[str, Any], new: Mapping[str, Any], zone: tzinfo) -> Iterator[Line]:
    for key in sorted({*old, *new}):
        if old.get(key) != new.get(key):
            label = (
                f"{_label(table, column)} of {_column_words(key).lower()}"
                if column == "sources"
                else _column_words(key)
            )
            inner = column if column == "sources" else key
            yield Line(label, *(_words(table, inner, each.get(key), each, {}, zone) for each in (old, new)))


def _setting(table: str, column: str) -> Setting | None:
    return next((each for each in fields_of(table) if each.name == column), None) or _SETTINGS.get(column)


def _label(table: str, column: str) -> str:
    setting = next((each for each in fields_of(table) if each.name == column), None)
    return setting.words if setting else _column_words(column)


def _column_words(column: str) -> str:
    if column in QUANTITIES:
        return QUANTITIES[column].label
    if column in _SETTINGS:
        return _SETTINGS[column].words
    return COLUMNS.get(column) or column.removesuffix("_id").replace("_", " ").capitalize()


def _words(table: str, column: str, value: Any, values: Mapping[str, Any], names: Names, zone: tzinfo) -> str:
    if value is None or value == "":
        return ""
    target = _target(table, column, values)
    if target and isinstance(value, int):
        return names[target, value].text if (target, value) in names else f"number {value}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return f"{len(value)} values"
    if isinstance(value, list):
        return _list_words(table, column, value, zone)
    if isinstance(value, str):
        return _text_words(table, column, value, zone)
    setting = _setting(table, column)
    if setting is not None and setting.quantity is not None:
        return setting_text(setting, value)
    named = values.get("quantity") if column in ("value", "low", "high") else column
    if named in QUANTITIES:
        return value_text(float(f"{value:.7g}"), QUANTITIES[named])
    return q_text(value) if abs(value) >= 1e7 and column.startswith("q_") else f"{value:.7g}"


def _text_words(table: str, column: str, value: str, zone: tzinfo) -> str:
    if _INSTANT.fullmatch(value):
        return instant_words(datetime.fromisoformat(value), zone)
    if column == "kind" and table in _KINDS:
        return _KINDS[table].get(value, value)
    if column == "of_table":
        return table_words(value)
    if column == "sha256" or column.endswith("_sha256"):
        return f"{value[:12]}…"
    setting = _setting(table, column)
    if setting is not None and setting.choices:
        return str(setting.choices.get(value, value))
    text = _CHOICES.get(column, {}).get(value, value)
    return text if len(text) <= MOST_TEXT else f"{text[:MOST_TEXT]}…"


def _list_words(table: str, column: str, value: Sequence[Any], zone: tzinfo) -> str:
    shown = [
        " ".join(f"{_column_words(k).lower()} {_words(table, k, v, each, {}, zone)}" for k, v in each.items())
        if isinstance(each, dict)
        else _words(table, column, each, {}, {}, zone)
        for each in value[:MOST_LIST]
    ]
    more = f" and {len(value) - MOST_LIST} more" if len(value) > MOST_LIST else ""
    return " · ".join(shown) + more


def instant_words(at: datetime, zone: tzinfo) -> str:
    """`14 Aug 2026 10:42` in the lab's zone."""
    local = at.astimezone(zone)
    return f"{local.day} {MONTHS[local.month - 1]} {local:%Y %H:%M}"
