"""Which recipe made the best Q: search over the device table, grouped by recipe versions or settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from app.core.columns import Column, Columns, Mask, joined
from app.core.search_fields import SearchField, filters, groupings, search_fields, usual_grouping
from app.core.stats.coverage import Window
from app.core.stats.recipe_groups import RankedGroups, rank_groups
from app.core.vocab import PURPOSES
from app.db.columns import device_columns, q_columns
from app.queries import names
from app.queries.field_words import FieldWords
from app.queries.recipe_compare import Pair, compare_groups
from app.queries.yields import bare_instant

Q_COLUMNS = (
    "q_best",
    "q_best_low",
    "q_best_high",
    "q_typical",
    "modes_fitted",
    "picked",
    "scanned_at",
    "days_to_scan",
    "linewidth_mhz",
    "splitting_mhz",
)
JOINT = " · "


@dataclass(frozen=True)
class Range:
    """A field between two values; an end may be open."""

    field: str
    low: float | None
    high: float | None


@dataclass(frozen=True)
class RecipeAsk:
    """One search. Band and medium are always single: '' takes the most measured. `by` are columns to group by."""

    kind: str = "microtoroid"
    band: str = ""
    medium: str = ""
    purpose: str = "candidate"
    start: datetime | None = None
    end: datetime | None = None
    wafers: tuple[str, ...] = ()
    ranges: tuple[Range, ...] = ()
    by: tuple[str, ...] = ()
    specification_id: int | None = None
    compare: tuple[str, ...] = ()
    """Names of the two groups to hold against each other."""


@dataclass(frozen=True)
class LeftOut:
    """How many measured devices a range left out only because the quantity was never measured on them."""

    label: str
    devices: int


@dataclass(frozen=True)
class RecipeFigures:
    """What the recipes page says: groups, what was searched, what could be."""

    ask: RecipeAsk
    by: tuple[SearchField, ...]
    groups: RankedGroups
    parts: Mapping[str, tuple[str, ...]]
    """The words of each grouping field, by group name."""
    devices: int
    wafers: int
    sessions_shared: str
    left_out: tuple[LeftOut, ...]
    measured: tuple[names.Measured, ...]
    place: names.Measured | None
    specifications: tuple[names.SpecificationChoice, ...]
    specification: names.SpecificationChoice | None
    unknown_wafers: tuple[str, ...]
    kinds: Mapping[str, int]
    """Measured devices of each kind in the whole lab."""
    pair: Pair | None
    """The two groups side by side, where two that exist are asked for."""


def recipe_figures(session: Session, ask: RecipeAsk) -> RecipeFigures:
    """Search, group and rank; never over more than one kind, band and medium."""
    measured = names.measured_in(session, ask.kind)
    place = _place(measured, ask)
    choices = names.specification_choices(session, ask.kind)
    fitting = [c for c in choices if place is None or _fits(c, place)]
    chosen = next((c for c in fitting if c.id == ask.specification_id), fitting[0] if fitting else None)
    table = device_columns(session, ask.kind)
    q = q_columns(session, place.band if place else "", place.medium if place else "")
    everyone = joined(table, q, "device_id", Q_COLUMNS, "band_")
    kept, left_out = _search(everyone, ask)
    by = tuple(groupings(ask.kind)[name] for name in ask.by or usual_grouping(ask.kind) if name in groupings(ask.kind))
    words = FieldWords(session)
    parts = [words.of(each, kept[each.name]) for each in by]
    labels = [JOINT.join(part) for part in zip(*parts, strict=True)] if parts else ["All devices"] * len(kept)
    shared = "wafer" if by and all(each.of_piece for each in by) else "session"
    with_q = kept.where(~np.isnan(kept["band_q_typical"]))
    ranked = rank_groups(ask.kind, kept, labels, chosen.window if chosen else None, shared=shared)
    return RecipeFigures(
        ask=ask,
        by=by,
        groups=ranked,
        parts=dict(zip(labels, zip(*parts, strict=True), strict=True)) if parts else {},
        devices=len(with_q),
        wafers=len(set(with_q["root_code"])),
        sessions_shared=shared,
        left_out=left_out,
        measured=measured,
        place=place,
        specifications=tuple(fitting),
        specification=chosen,
        unknown_wafers=tuple(code for code in ask.wafers if code not in set(everyone["root_code"])),
        kinds={kind: sum(each.devices for each in names.measured_in(session, kind)) for kind in names.KINDS},
        pair=_pair(ask, kept, labels, ranked, chosen.window if chosen else None, words),
    )


def _pair(
    ask: RecipeAsk,
    table: Columns,
    labels: list[str],
    ranked: RankedGroups,
    window: Window | None,
    words: FieldWords,
) -> Pair | None:
    known = {group.name: group for group in (*ranked.ranked, *ranked.few)}
    asked = [known[name] for name in ask.compare if name in known][:2]
    if len(asked) < 2:
        return None
    of = np.array(labels, dtype=object)
    tables = (table.where(of == asked[0].name), table.where(of == asked[1].name))
    return compare_groups(ask.kind, (asked[0], asked[1]), tables, window, words)


def _place(measured: tuple[names.Measured, ...], ask: RecipeAsk) -> names.Measured | None:
    wanted = [m for m in measured if ask.band in ("", m.band) and ask.medium in ("", m.medium)]
    if wanted:
        return wanted[0]
    if ask.band and ask.medium:
        return names.Measured(ask.band, ask.medium, 0)
    return None


def _fits(choice: names.SpecificationChoice, place: names.Measured) -> bool:
    return choice.band in ("", place.band) and choice.medium in ("", place.medium)


def _search(table: Columns, ask: RecipeAsk) -> tuple[Columns, tuple[LeftOut, ...]]:
    keep: Mask = np.ones(len(table), dtype=bool)
    if ask.purpose in PURPOSES:
        keep &= table["purpose"] == ask.purpose
    if ask.wafers:
        keep &= np.isin(table["root_code"].astype(str), ask.wafers)
    if ask.start is not None:
        keep &= table["reflow_at"] >= bare_instant(ask.start)
    if ask.end is not None:
        keep &= table["reflow_at"] < bare_instant(ask.end)
    left_out = []
    possible = filters(ask.kind)
    for each in ask.ranges:
        if each.field not in possible or (each.low is None and each.high is None):
            continue
        values = table[each.field]
        unknown = keep & np.isnan(values) & ~np.isnan(table["band_q_typical"])
        if unknown.any():
            left_out.append(LeftOut(possible[each.field].label, int(unknown.sum())))
        keep &= _between(values, each)
    return table.where(keep), tuple(left_out)


def _between(values: Column, limits: Range) -> Mask:
    with np.errstate(invalid="ignore"):
        low = True if limits.low is None else values >= limits.low
        high = True if limits.high is None else values <= limits.high
        inside: Mask = ~np.isnan(values) & low & high
    return inside


def field_of(kind: str, name: str) -> SearchField | None:
    """The search field called `name`."""
    return search_fields(kind).get(name)
