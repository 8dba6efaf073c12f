"""Two groups of a recipe search side by side: how far apart, and in what else they differ."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from app.core.columns import Columns
from app.core.search_fields import SearchField, search_fields
from app.core.stats.coverage import Window, judged
from app.core.stats.recipe_groups import RecipeGroup
from app.core.stats.step_table import act_keys, acts_of, decided
from app.core.stats.two_groups import QRatio, ShareDifference, q_ratio, share_difference
from app.core.vocab import STAGES
from app.queries.field_words import NOT_KNOWN, FieldWords, quantity_text

MOST_WORDS = 3


@dataclass(frozen=True)
class SideBySide:
    """One field as it stands in the two groups: (words, the range behind a median); `differs` where they part."""

    field: SearchField
    first: tuple[str, str]
    second: tuple[str, str]
    differs: bool


@dataclass(frozen=True)
class Rejected:
    """How many of the decided failed at the last stage, in each group."""

    first: tuple[int, int]
    second: tuple[int, int]


@dataclass(frozen=True)
class Pair:
    """The two groups, the ratio of their Q, their shares on specification, and what was set and came out."""

    first: RecipeGroup
    second: RecipeGroup
    ratio: QRatio
    on_spec: ShareDifference | None
    rows: tuple[SideBySide, ...]
    rejected: Rejected

    @property
    def differing(self) -> int:
        """How many settings somebody chose differ."""
        return sum(row.differs and row.field.set_by_us for row in self.rows)


def compare_groups(
    kind: str,
    groups: tuple[RecipeGroup, RecipeGroup],
    tables: tuple[Columns, Columns],
    window: Window | None,
    words: FieldWords,
) -> Pair:
    """Hold the first of two groups against the second; `tables` hold their devices, measured or not."""
    last = list(STAGES[kind])[-1]
    first, second = (table.where(~np.isnan(table["band_q_typical"])) for table in tables)
    ratio = q_ratio(
        first["band_q_typical"],
        second["band_q_typical"],
        (_names(act_keys(last, first)), _names(act_keys(last, second))),
        (_names(first["root_code"]), _names(second["root_code"])),
    )
    return Pair(
        first=groups[0],
        second=groups[1],
        ratio=ratio,
        on_spec=None if window is None else _on_spec(groups, tables, window, last),
        rows=tuple(_rows(kind, (first, second), words)),
        rejected=Rejected(_rejected(last, tables[0]), _rejected(last, tables[1])),
    )


def _names(column: np.ndarray) -> list[str]:
    return [str(each) for each in column]


def _on_spec(
    groups: tuple[RecipeGroup, RecipeGroup], tables: tuple[Columns, Columns], window: Window, last: str
) -> ShareDifference | None:
    covered = [group.coverage for group in groups]
    if covered[0] is None or covered[1] is None:
        return None
    by_wafer = []
    for table in tables:
        good, _ = decided(last, table)
        hit, known, _missed = judged(table, window)
        by_wafer.append(acts_of(table["root_code"], hit & good, known & good))
    return share_difference(covered[0].on_spec.measured, covered[1].on_spec.measured, by_wafer[0], by_wafer[1])


def _rejected(last: str, table: Columns) -> tuple[int, int]:
    passed, settled = decided(last, table)
    return int((settled & ~passed).sum()), int(settled.sum())


def _rows(kind: str, tables: tuple[Columns, Columns], words: FieldWords) -> list[SideBySide]:
    rows = []
    for field in search_fields(kind).values():
        if field.kind == "quantity":
            first, second = (_spread(field, table) for table in tables)
            # What was measured differs a little always; only what somebody set is marked as different.
            differs = field.set_by_us and first[0] != second[0]
        else:
            values = [Counter(words.of(field, table[field.name])) for table in tables]
            first, second = ((_listed(each), "") for each in values)
            differs = set(values[0]) != set(values[1])
        if {first[0], second[0]} != {NOT_KNOWN}:
            rows.append(SideBySide(field, first, second, differs))
    return rows


def _spread(field: SearchField, table: Columns) -> tuple[str, str]:
    """The value all share, or the median and from where to where they run."""
    values = table[field.name]
    values = values[~np.isnan(values)]
    if not len(values):
        return NOT_KNOWN, ""
    low, middle, high = (quantity_text(float(np.quantile(values, at)), field) for at in (0.0, 0.5, 1.0))
    return middle, "" if low == high else f"{low} to {high}"


def _listed(values: Counter[str]) -> str:
    common = [word for word, _ in values.most_common(MOST_WORDS)]
    more = len(values) - len(common)
    return ", ".join(common) + (f" and {more} more" if more > 0 else "")
