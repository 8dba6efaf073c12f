"""How a delimited text is laid out: delimiter, decimal mark, which columns are numbers, and their names."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from app.core.optics.units import unit_of_header, unit_of_word

# In order of trust: where several fit equally well, the first is taken.
CANDIDATES: tuple[tuple[str | None, str], ...] = (
    ("\t", "."),
    (";", "."),
    (",", "."),
    (None, "."),
    ("\t", ","),
    (";", ","),
    (None, ","),
)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?|[+-]?(nan|inf|infinity)", re.IGNORECASE)
_COMMENT = re.compile(r"^\s*(#+|%+|//+|!+|>+|\*+)\s*")


@dataclass(frozen=True)
class Layout:
    """Delimiter (None: any run of blanks), decimal mark, fields in a row and which of them are numbers."""

    delimiter: str | None
    decimal: str
    fields: int
    numeric: tuple[int, ...]


def split_fields(line: str, delimiter: str | None) -> list[str]:
    """Fields of one line without surrounding blanks and quotes."""
    parts = line.split() if delimiter is None else line.split(delimiter)
    return [part.strip().strip('"').strip() for part in parts]


def number(word: str, decimal: str) -> float | None:
    """The word as a number with this decimal mark, or None; `nan` and `inf` are numbers here."""
    if decimal != ".":
        if "." in word:
            return None
        word = word.replace(decimal, ".", 1)
    if not _NUMBER.fullmatch(word):
        return None
    return float(word.replace("d", "e").replace("D", "e") if "d" in word.lower() else word)


def sniff(lines: list[str]) -> Layout | None:
    """The layout that turns most of these lines into rows of at least two numbers; None: none does."""
    best: tuple[float, Layout] | None = None
    for delimiter, decimal in CANDIDATES:
        scored = _score(lines, delimiter, decimal)
        if scored is not None and (best is None or scored[0] > best[0]):
            best = scored
    return None if best is None else best[1]


def _score(lines: list[str], delimiter: str | None, decimal: str) -> tuple[float, Layout] | None:
    rows = []
    for line in lines:
        fields = split_fields(line, delimiter)
        hits = tuple(i for i, word in enumerate(fields) if word and number(word, decimal) is not None)
        if hits:
            rows.append((len(fields), hits, sum(1 for word in fields if word) == len(hits)))
    if not rows:
        return None
    count = Counter((n, hits) for n, hits, _ in rows)
    (fields_n, _), _ = count.most_common(1)[0]
    same = [(hits, whole) for n, hits, whole in rows if n == fields_n]
    seen = Counter(i for hits, _ in same for i in hits)
    numeric = tuple(sorted(i for i, k in seen.items() if 2 * k > len(same)))
    if len(numeric) < 2:
        return None
    score = sum(2.0 if whole else 1.0 for hits, whole in same if len(hits) >= 2)
    return score, Layout(delimiter, decimal, fields_n, numeric)


def headings(above: list[str], layout: Layout) -> tuple[tuple[str, ...], tuple[str | None, ...]]:
    """Names and units of the numeric columns from the lines above the first row of numbers.

    The nearest line that has as many fields as a row names the columns; a line of bare units under it gives
    their units. Without one the columns are called by their 0-based number and have no unit.
    """
    units: list[str] | None = None
    for line in reversed([line for line in above if line.strip()][-4:]):
        words = _heading_words(line, layout)
        if words is None:
            break
        if units is None and all(unit_of_word(word) for word in words if word) and any(words):
            units = words
            continue
        names = tuple(words[i] or str(i) for i in layout.numeric)
        if units is None:
            return names, tuple(unit_of_header(name) for name in names)
        return names, tuple(unit_of_word(units[i]) or unit_of_header(words[i]) for i in layout.numeric)
    names = tuple(str(i) for i in layout.numeric)
    if units is None:
        return names, (None,) * len(names)
    # A heading of nothing but units ("nm,V") is both name and unit.
    return tuple(units[i] or str(i) for i in layout.numeric), tuple(unit_of_word(units[i]) for i in layout.numeric)


def _heading_words(line: str, layout: Layout) -> list[str] | None:
    line = _COMMENT.sub("", line)
    for delimiter in (layout.delimiter, "\t", ";", ",", None):
        words = _blank_separated(line) if delimiter is None else split_fields(line, delimiter)
        if len(words) == layout.fields and any(number(word, layout.decimal) is None for word in words if word):
            return words
    return None


def _blank_separated(line: str) -> list[str]:
    wide = [word for word in re.split(r"\s{2,}|\t", line.strip()) if word]
    if len(wide) > 1:
        return wide
    # "detuning (MHz) signal (V)": a unit in brackets belongs to the word before it.
    return re.findall(r"\S+(?:\s+[(\[][^)\]]*[)\]])?", line.strip())
