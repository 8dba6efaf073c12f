"""Shares as they are shown: percent, interval in the same decimals, grey where too little was decided."""

from __future__ import annotations

from dataclasses import dataclass

from app.charts.bars import Mark, mark
from app.core.figures import NO_BREAK, figure, span
from app.core.stats.yields import StepYield

NONE = "–"


@dataclass(frozen=True)
class Share:
    """One share in words: `value` as `96 %`, `interval` as `94–98`, `of` as `38 of 40`; `drawn` on a percent scale."""

    value: str
    interval: str = ""
    of: str = ""
    grey: bool = False
    drawn: Mark | None = None

    @property
    def says(self) -> str:
        """For those who hear it."""
        return f"{self.value}, 95 % interval {self.interval} %" if self.interval else f"{self.value}, {self.of}"


NO_SHARE = Share(NONE)


def percent(share: float) -> str:
    """`96 %`; a decimal more where rounding would make it all or none."""
    return f"{figure(100 * share, _decimals(share))}{NO_BREAK}%"


def _decimals(share: float) -> int:
    return 1 if 0 < share < 0.005 or 0.995 <= share < 1 else 0


def interval_of(share: float, low: float, high: float) -> str:
    """`94–98`, in percent."""
    places = _decimals(share)
    return span(figure(100 * low, places), figure(100 * high, places))


def bounds_text(low: float, high: float) -> str:
    """`31–68 %`; one figure where the two are one."""
    ends = figure(100 * low), figure(100 * high)
    return f"{ends[0] if ends[0] == ends[1] else span(*ends)}{NO_BREAK}%"


def share_text(share: float | None, low: float | None = None, high: float | None = None, of: str = "") -> Share:
    """A share with its interval where there is one."""
    if share is None:
        return NO_SHARE
    interval = interval_of(share, low, high) if low is not None and high is not None else ""
    return Share(percent(share), interval, of, drawn=mark(share, low, high))


def of_step(step: StepYield) -> Share:
    """A step's yield: grey under 80 % decided, no interval under five acts."""
    if step.share is None:
        return NO_SHARE
    low, high = (step.interval.low, step.interval.high) if step.interval else (None, None)
    shown = share_text(step.share, low, high, f"{figure(step.passed)} of {figure(step.decided)}")
    return Share(shown.value, shown.interval, shown.of, step.grey, shown.drawn)


def counted(n: int, one: str, many: str = "") -> str:
    """`1 chip`, `1 092 devices`."""
    return f"{figure(n)} {one if n == 1 else many or one + 's'}"
