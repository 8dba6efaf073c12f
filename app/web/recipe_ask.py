"""A recipe search as it stands in an address: read, echoed, and written again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from app.core.quantities import QUANTITIES
from app.core.reading import ReadError, read_quantity
from app.core.search_fields import SearchField, filters, groupings, search_fields, usual_grouping
from app.core.vocab import PURPOSES, STAGES
from app.queries.recipe_search import Range, RecipeAsk
from app.web.when_asked import read_days

FIXED = {"microtoroid": ("pillar_ratio", "disc_um"), "microsphere": ("outer_um",)}
"""Ranges that always stand in the form."""
MOST_RANGES = 8
GROUPS = 3
PAIR = 2
LONGEST_WORD = 400
"""The name of a group is that of up to three fields."""


@dataclass(frozen=True)
class RawRange:
    """One range as typed; `field` is '' in the slot that waits for one."""

    field: str
    low: str
    high: str


@dataclass(frozen=True)
class Asked:
    """The search, what was typed for it, and what could not be read."""

    ask: RecipeAsk
    fixed: tuple[RawRange, ...]
    free: tuple[RawRange, ...]
    by: tuple[str, ...]
    start: str
    end: str
    wafers: str
    errors: tuple[str, ...]

    def address(self, path: str, place: str, specification: str) -> str:
        """The address that holds this search."""
        pairs = [
            ("kind", self.ask.kind),
            ("at", place),
            ("purpose", self.ask.purpose or "any"),
            ("spec", specification),
        ]
        pairs += [("from", self.start), ("to", self.end), ("wafers", self.wafers)]
        for each in self.fixed:
            pairs += [(f"{each.field}_from", each.low), (f"{each.field}_to", each.high)]
        for each in self.free:
            if each.field:
                pairs += [("q", each.field), ("q_from", each.low), ("q_to", each.high)]
        pairs += [("by", name) for name in self.by]
        pairs += [("compare", name) for name in self.ask.compare]
        kept = [(name, value) for name, value in pairs if value or name in ("q", "q_from", "q_to")]
        return f"{path}?{urlencode(kept)}"


class Words:
    """The words of an address: single ones and lists."""

    def __init__(self, pairs: Iterable[tuple[str, str]]) -> None:
        self.all: dict[str, list[str]] = {}
        for name, value in pairs:
            self.all.setdefault(name, []).append(value.strip()[:LONGEST_WORD])

    def one(self, name: str) -> str:
        """The first value, '' where there is none."""
        return self.all.get(name, [""])[0]

    def many(self, name: str) -> list[str]:
        """Every value, blanks too."""
        return self.all.get(name, [])


def read_ask(pairs: Iterable[tuple[str, str]], zone: ZoneInfo) -> Asked:
    """Read a search from an address's (name, value) pairs; what cannot be read is told and left out."""
    words = Words(pairs)
    kind = words.one("kind") if words.one("kind") in STAGES else next(iter(STAGES))
    band, _, medium = words.one("at").partition("|")
    days = read_days(words.one("from"), words.one("to"), zone)
    errors = list(days.errors)
    fixed = tuple(RawRange(f, words.one(f"{f}_from"), words.one(f"{f}_to")) for f in FIXED[kind])
    free = _free(words, kind)
    ranges = [_range(raw, filters(kind), errors) for raw in (*fixed, *free) if raw.field]
    purpose = words.one("purpose") or "candidate"
    chosen = tuple(dict.fromkeys(name for name in words.many("by") if name in groupings(kind)))[:GROUPS]
    by = chosen or (usual_grouping(kind) if "by" not in words.all else ())
    spec = words.one("spec")
    ticked = tuple(dict.fromkeys(name for name in words.many("compare") if name))
    if len(ticked) > PAIR:
        errors.append(f"{len(ticked)} groups are ticked: the first two in the address are compared. Tick two.")
    ask = RecipeAsk(
        kind=kind,
        band=band,
        medium=medium,
        purpose=purpose if purpose in PURPOSES else "",
        start=days.start,
        end=days.end,
        wafers=tuple(dict.fromkeys(words.one("wafers").upper().replace(",", " ").replace(";", " ").split())),
        ranges=tuple(each for each in ranges if each is not None),
        by=by,
        specification_id=int(spec) if spec.isdecimal() and len(spec) < 10 else None,
        compare=ticked[:PAIR],
    )
    return Asked(ask, fixed, free, by, words.one("from"), words.one("to"), words.one("wafers"), tuple(errors))


def _free(words: Words, kind: str) -> tuple[RawRange, ...]:
    """The ranges somebody added, and one empty slot for the next."""
    lists = [words.many(name) for name in ("q", "q_from", "q_to")]
    length = min(max(map(len, lists), default=0), MOST_RANGES)
    rows = [[values[i] if i < len(values) else "" for values in lists] for i in range(length)]
    known = filters(kind)
    found = [RawRange(field, low, high) for field, low, high in rows if field in known]
    return (*found, RawRange("", "", ""))


def _range(raw: RawRange, known: Mapping[str, SearchField], errors: list[str]) -> Range | None:
    field = known[raw.field]
    low, high = _number(raw.low, field, errors), _number(raw.high, field, errors)
    if low is None and high is None:
        return None
    if low is not None and high is not None and low > high:
        errors.append(f"{field.label}: from {raw.low} to {raw.high} holds nothing, the first is the larger.")
        return None
    return Range(raw.field, low, high)


def _number(text: str, field: SearchField, errors: list[str]) -> float | None:
    if not text:
        return None
    read = read_quantity(text, QUANTITIES[field.quantity])
    if isinstance(read, ReadError):
        errors.append(f"{read.text}.")
        return None
    return read.value


def grouped_fields(kind: str, names: Iterable[str]) -> dict[str, list[SearchField]]:
    """Fields by the step they belong to, for a list of choices."""
    found: dict[str, list[SearchField]] = {}
    fields = search_fields(kind)
    for name in names:
        found.setdefault(fields[name].group, []).append(fields[name])
    return found
