"""Where things stand on small drawings within tables, in percent of their width; the template draws them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Segment:
    """One stretch of a bar: `kind` is passed, failed, unseen, waiting or lost."""

    kind: str
    start: float
    width: float

    @property
    def end(self) -> float:
        """Where it ends."""
        return round(self.start + self.width, 2)


def segments(counts: Sequence[tuple[str, int]], whole: int) -> tuple[Segment, ...]:
    """Counts end to end, as shares of `whole`; those of nothing are left out."""
    found: list[Segment] = []
    at = 0.0
    for kind, count in counts:
        width = 100.0 * count / whole if whole else 0.0
        if count:
            found.append(Segment(kind, round(at, 2), round(width, 2)))
        at += width
    return tuple(found)


LEFT, RIGHT = 2.0, 98.0
"""Where 0 and 100 % stand, so that a mark at an end is not cut."""


@dataclass(frozen=True)
class Mark:
    """An estimate on a scale from 0 to 100 %: `low` and `high` are its interval's ends, equal to it without one."""

    at: float
    low: float
    high: float


def mark(share: float, low: float | None = None, high: float | None = None) -> Mark:
    """Where a share and its interval stand."""
    return Mark(_at(share), _at(share if low is None else low), _at(share if high is None else high))


def _at(share: float) -> float:
    return round(LEFT + (RIGHT - LEFT) * min(max(share, 0.0), 1.0), 2)
