"""Two groups of a recipe search side by side, in words and on one small drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass

from app.charts.strips import Tick
from app.core.figures import figure, in_power, span
from app.core.search_fields import step_label
from app.core.stats.two_groups import QRatio, ShareDifference
from app.core.stats.typical import TypicalQ
from app.core.stats.yields import MIN_ACTS, Bounds
from app.queries.field_words import NOT_KNOWN
from app.queries.recipe_compare import Pair, SideBySide
from app.web.difference_view import change_text
from app.web.shares import NO_SHARE, Share, bounds_text, counted, of_step

MOST_SESSIONS = 12
_WIDE = 1.06
_STEPS = (0.1, 0.2, 0.5, 0.7, 0.8, 0.9, 1.1, 1.2, 1.4, 1.6, 2.0, 3.0, 5.0, 10.0)


@dataclass(frozen=True)
class RatioDrawing:
    """The ratio on a logarithmic axis, in percent across; `same` is where no difference stands."""

    ticks: tuple[Tick, ...]
    same: float
    at: float
    interval: tuple[float, float] | None
    sessions: tuple[float, ...]
    says: str


@dataclass(frozen=True)
class Doubt:
    """What the comparison cannot tell, and what would settle it."""

    first: str
    rest: str
    settle: str


@dataclass(frozen=True)
class CompareRow:
    """One thing that was set or came out."""

    label: str
    first: tuple[str, str]
    second: tuple[str, str]
    differs: bool


@dataclass(frozen=True)
class Compared:
    """The sheet of two groups."""

    names: tuple[tuple[str, ...], tuple[str, ...]]
    ratio: str
    says: str
    interval: str
    drawing: RatioDrawing
    doubts: tuple[Doubt, ...]
    sessions: tuple[tuple[str, str], ...]
    more_sessions: int
    devices: tuple[str, str]
    typical: tuple[str, str]
    on_spec: tuple[Share, Share]
    bounds: tuple[str, str]
    on_spec_says: str
    rejected: tuple[str, str]
    differing: tuple[CompareRow, ...]
    alike: tuple[CompareRow, ...]
    came_out: tuple[CompareRow, ...]


def compared(pair: Pair, names: tuple[tuple[str, ...], tuple[str, ...]], power: int, whole: str) -> Compared:
    """Everything the sheet says; `names` are the two groups' words, `whole` what a device was cut from."""
    groups = (pair.first, pair.second)
    spec, ratio = pair.on_spec, pair.ratio
    bounds = [g.coverage.on_spec.bounds if g.coverage else None for g in groups]
    return Compared(
        names=names,
        ratio=ratio_text(ratio.ratio),
        says=_says(names),
        interval=_interval(ratio),
        drawing=_drawing(ratio),
        doubts=tuple(_doubts(ratio, whole)),
        sessions=tuple(
            (f"{figure(s.first)} and {counted(s.second, 'device')}", f"{ratio_text(s.ratio)} times")
            for s in ratio.by_session[:MOST_SESSIONS]
        )
        if ratio.interval is None
        else (),
        more_sessions=max(0, len(ratio.by_session) - MOST_SESSIONS),
        devices=(_sources(pair.first.typical, whole), _sources(pair.second.typical, whole)),
        typical=(in_power(pair.first.typical.q, power), in_power(pair.second.typical.q, power)),
        on_spec=(of_step(spec.first), of_step(spec.second)) if spec else (NO_SHARE, NO_SHARE),
        bounds=(_bounds(bounds[0]), _bounds(bounds[1])),
        on_spec_says=_spec_says(spec, whole),
        rejected=(_of(pair.rejected.first), _of(pair.rejected.second)),
        differing=tuple(_row(row) for row in pair.rows if row.differs),
        alike=tuple(_row(row) for row in pair.rows if not row.differs and row.field.set_by_us),
        came_out=tuple(_row(row) for row in pair.rows if not row.field.set_by_us and not row.differs),
    )


def ratio_text(ratio: float) -> str:
    """`1.21`; fewer decimals where it is large, more where it is small."""
    return figure(ratio, 0 if ratio >= 100 else 1 if ratio >= 10 else 2 if ratio >= 0.1 else 4)


def _interval(ratio: QRatio) -> str:
    if ratio.interval is None or ratio.interval.low is None or ratio.interval.high is None:
        return ""
    return span(ratio_text(ratio.interval.low), ratio_text(ratio.interval.high))


def _says(names: tuple[tuple[str, ...], tuple[str, ...]]) -> str:
    first, second = (", ".join(each) for each in names)
    return f"Typical intrinsic Q of {first} over that of {second}"


def _drawing(ratio: QRatio) -> RatioDrawing:
    ends = (ratio.interval.low, ratio.interval.high) if ratio.interval else (None, None)
    known = (ends[0], ends[1]) if ends[0] is not None and ends[1] is not None else None
    singles = [s.ratio for s in ratio.by_session] if known is None else []
    shown = [1.0, ratio.ratio, *(known or ()), *singles]
    low, high = math.log(min(shown) / _WIDE), math.log(max(shown) * _WIDE)

    def at(value: float) -> float:
        return round(4 + 92 * (math.log(value) - low) / (high - low), 2)

    ticks: list[Tick] = []
    for value in _STEPS:
        place = at(value)
        taken = [at(1.0), *(tick.at for tick in ticks)]
        if 4 <= place <= 96 and all(abs(place - each) > 13 for each in taken):
            ticks.append(Tick(place, f"{value:g}"))
    interval = _interval(ratio)
    return RatioDrawing(
        ticks=tuple(ticks),
        same=at(1.0),
        at=at(ratio.ratio),
        interval=(at(known[0]), at(known[1])) if known else None,
        sessions=tuple(at(each) for each in singles),
        says=f"ratio {ratio_text(ratio.ratio)}, " + (f"95 % interval {interval}" if interval else "no interval yet"),
    )


def _doubts(ratio: QRatio, whole: str) -> list[Doubt]:
    found = []
    plural = "fibre batches" if whole == "fibre batch" else f"{whole}s"
    allows = " The interval allows for that." if ratio.interval else ""
    if ratio.interval is None:
        lack = [
            f"{figure(MIN_ACTS - n)} more {noun}"
            for n, noun in ((ratio.least_sessions, "sessions"), (ratio.least_wafers, plural))
            if n < MIN_ACTS
        ]
        have = f"{counted(ratio.least_sessions, 'session')} and {counted(ratio.least_wafers, whole, plural)}"
        found.append(
            Doubt(
                "No interval yet.",
                f"One of the two comes from {have}: too few to judge what one sitting or {whole} does to Q.",
                f"measure devices of {' and of '.join(lack)}.",
            )
        )
    if not ratio.shared_sessions:
        found.append(
            Doubt(
                "No session carries both.",
                f"A part of the difference may be the day’s.{allows}",
                "shoot some of each in one session.",
            )
        )
    if not ratio.shared_wafers:
        one = "take fibre of one batch for both." if whole == "fibre batch" else "split one wafer’s chips between them."
        found.append(Doubt(f"No {whole} carries both.", f"A part of the difference may be the {plural}’.{allows}", one))
    return found


def _sources(typical: TypicalQ, whole: str) -> str:
    plural = "fibre batches" if whole == "fibre batch" else ""
    wafers, sessions = counted(typical.wafers, whole, plural), counted(typical.sessions, "session")
    return f"{figure(typical.devices)} from {wafers}, {sessions}"


def _bounds(bounds: Bounds | None) -> str:
    return "" if bounds is None else bounds_text(bounds.low, bounds.high)


def _of(counts: tuple[int, int]) -> str:
    return f"{figure(counts[0])} of {figure(counts[1])}"


def _spec_says(spec: ShareDifference | None, whole: str) -> str:
    if spec is None or spec.first.share is None or spec.second.share is None:
        return ""
    if spec.change is None:
        return f"{change_text(spec)[0]} on specification; no interval under {MIN_ACTS} sessions on each side."
    value, interval = change_text(spec)
    plural = "fibre batches" if whole == "fibre batch" else f"{whole}s"
    within = f", taken within the {figure(spec.within_wafers)} {plural} that carry both" if spec.within_wafers else ""
    return f"{value} on specification, 95 % interval {interval}{within}."


def _row(row: SideBySide) -> CompareRow:
    return CompareRow(step_label(row.field), _known(row.first), _known(row.second), row.differs)


def _known(cell: tuple[str, str]) -> tuple[str, str]:
    return ("–", "") if cell[0] == NOT_KNOWN else cell
