"""What came in with a form: as typed, as meant, and in words what is wrong or unusual."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from app.core.refusal import Refusal, Where


@dataclass(frozen=True)
class Typed:
    """What came in. `raw` as typed, `values` what it means (None where blank), the rest in words, by (row, field)."""

    raw: Mapping[Where, str]
    rows: tuple[Mapping[str, Any], ...]
    numbers: tuple[int | None, ...] = (None,)
    """The row number of each of `rows` on the form; None on a form without rows."""
    errors: Mapping[Where, str] = field(default_factory=dict)
    understood: Mapping[Where, str] = field(default_factory=dict)
    questions: Mapping[Where, str] = field(default_factory=dict)

    @property
    def values(self) -> Mapping[str, Any]:
        """The values of a form without rows."""
        return self.rows[0]

    @property
    def ok(self) -> bool:
        """Whether everything could be read."""
        return not self.errors

    def open_questions(self, keep: Iterable[Where]) -> dict[Where, str]:
        """Unusual values nobody has confirmed yet."""
        kept = set(keep)
        return {where: words for where, words in self.questions.items() if where not in kept}

    def refused(self, refusal: Refusal) -> Typed:
        """The same with what a rule said, to show the form again."""
        numbered = {
            (self.numbers[row] if row is not None and row < len(self.numbers) else row, at): words
            for (row, at), words in refusal.errors.items()
        }
        asked = {
            (self.numbers[row] if row is not None and row < len(self.numbers) else row, at): words
            for (row, at), words in refusal.confirmable.items()
        }
        return replace(self, errors={**self.errors, **numbered}, questions={**self.questions, **asked})

    def together(self, other: Typed) -> Typed:
        """Head and rows of one form as one, for showing it again; `rows` stay those of `other`."""
        return Typed(
            {**self.raw, **other.raw},
            other.rows,
            other.numbers,
            {**self.errors, **other.errors},
            {**self.understood, **other.understood},
            {**self.questions, **other.questions},
        )
