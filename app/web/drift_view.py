"""What the drift page shows: what was asked, the chart worked out, its alarms with the tool events near them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from app.charts.drift import control_chart
from app.charts.spec import Spec
from app.core.figures import figure, power_of
from app.core.stats import control
from app.queries.drift import SERIES, DriftPoint, ToolMark
from app.web.when_asked import Days, read_days

KINDS = {
    "individuals": "Individuals and moving range",
    "mean_range": "X-bar and R",
    "ewma": "EWMA",
    "cusum": "CUSUM",
    "trend": "Residuals from the baseline’s trend",
}
LIMITS = {"prediction": "Prediction limits", "handbook": "Handbook limits, 3 sigma"}
NEAR = timedelta(days=14)
SLACK, DECISION = 0.5, 4.77
"""CUSUM in sigmas: to see a shift of one; in control about 370 points to a false alarm (from memory)."""
SHORT = {"beyond": "beyond", "two_of_three": "2 of 3", "four_of_five": "4 of 5", "eight": "8 in a row"}
DEFAULT_BASELINE = 20


@dataclass(frozen=True)
class DriftAsk:
    """What the address asks for, as typed where it was typed."""

    series: str
    kind: str
    limits: str
    of: str
    typed: tuple[str, str, str]
    days: Days
    baseline: int
    errors: tuple[str, ...]

    def address(self, path: str) -> str:
        """The address that holds all of it."""
        names = ("series", "kind", "limits", "of", "from", "to", "baseline")
        pairs = zip(names, (self.series, self.kind, self.limits, self.of, *self.typed), strict=True)
        return f"{path}?{urlencode([(name, value) for name, value in pairs if value])}"


@dataclass(frozen=True)
class DriftRow:
    """One point of the table."""

    number: int
    point: DriftPoint
    charted: float
    says: str
    near: tuple[ToolMark, ...]


@dataclass(frozen=True)
class BathRow:
    """What a bath's or tool's own points do over time."""

    name: str
    points: int
    first: float
    last: float
    says: str
    moves: bool


@dataclass(frozen=True, eq=False)
class Worked:
    """A chart worked out: its rows and its specifications; `missing` says what it lacks instead."""

    rows: tuple[DriftRow, ...]
    specs: tuple[tuple[str, Spec], ...]
    centre: str
    missing: str


def significant(value: float, digits: int = 4) -> str:
    """A figure with so many significant digits, whole ones kept."""
    return figure(value, max(0, digits - 1 - power_of(value)) if value else 0)


def read_drift_ask(query: Mapping[str, str], zone: ZoneInfo) -> DriftAsk:
    """Read an address; what cannot be read is told and left out."""
    typed = (query.get("from", ""), query.get("to", ""), query.get("baseline", "").strip())
    days = read_days(typed[0], typed[1], zone)
    errors, baseline = list(days.errors), DEFAULT_BASELINE
    if typed[2]:
        if typed[2].isdecimal() and len(typed[2]) < 6 and int(typed[2]) >= 3:
            baseline = int(typed[2])
        else:
            errors.append(f"Baseline points: “{typed[2][:20]}” is not a whole number from 3 on.")

    def one(name: str, known: Mapping[str, object]) -> str:
        given = query.get(name, "")
        return given if given in known else next(iter(known))

    return DriftAsk(
        one("series", SERIES), one("kind", KINDS), one("limits", LIMITS), query.get("of", ""), typed, days, baseline,
        tuple(errors),
    )  # fmt: skip


def chosen(points: Sequence[DriftPoint], ask: DriftAsk) -> list[DriftPoint]:
    """The points of the tool or bath and the days asked for."""
    what, _, name = ask.of.partition(":")
    fits: Callable[[DriftPoint], bool] = {
        "tool": lambda p: p.tool == name,
        "bath": lambda p: p.bath == name,
    }.get(what, lambda _: True)
    first, last = ask.days.start, ask.days.end
    return [p for p in points if fits(p) and (first is None or p.at >= first) and (last is None or p.at < last)]


def work_out(points: Sequence[DriftPoint], marks: Sequence[ToolMark], ask: DriftAsk) -> Worked:
    """The chart asked for."""
    used = [p for p in points if len(p.values) > 1] if ask.kind == "mean_range" else list(points)
    if len(used) < control.FEWEST:
        of = " with two or more values" if ask.kind == "mean_range" else ""
        lack = control.FEWEST - len(used)
        have = f"{len(used)} {'point' if len(used) == 1 else 'points'}{of} so far"
        says = f"{have}; a chart needs {control.FEWEST}: {lack} more."
        return Worked(_rows(points, [p.value for p in points], [()] * len(points), marks), (), "", says)
    days = [_days(p.at, used[0].at) for p in used]
    if len(set(days[: max(3, ask.baseline)])) < 2 and ask.kind == "trend":
        return Worked(
            _rows(used, [p.value for p in used], [()] * len(used), marks),
            (),
            "",
            "A trend needs baseline points at two times or more; take more baseline points.",
        )
    level, spread = _tracks(used, days, ask)
    label, unit = SERIES[ask.series]
    title = f"{label} / {unit}" if unit else label
    if ask.kind == "trend":
        title = f"Residual of {title[0].lower()}{title[1:]}"
    x = f"Days since {used[0].at:%Y-%m-%d}"
    events = [
        (_days(m.at, used[0].at), f"{m.words}, {m.tool}")
        for m in marks
        if used[0].at - NEAR <= m.at <= used[-1].at + NEAR
    ]
    specs = [(KINDS[ask.kind], _spec(days, level, events, (x, title)))]
    if spread is not None:
        name = "Range within the act" if ask.kind == "mean_range" else "Moving range"
        specs.append(
            (
                name,
                _spec(
                    days[-len(spread.values) :],
                    spread,
                    [],
                    (x, f"{name} / {unit}" if unit else name),
                    1 + len(used) - len(spread.values),
                ),
            )
        )
    broken = [list(each) for each in level.broken]
    if spread is not None:
        for i, each in enumerate(spread.broken, len(used) - len(spread.broken)):
            broken[i] += ["range"] if each else []
    centre = f"{significant(level.centre, 4)}{f' {unit}' if unit else ''}"
    return Worked(_rows(used, level.values, broken, marks), tuple(specs), centre, "")


def _days(at: datetime, since: datetime) -> float:
    return (at - since).total_seconds() / 86400


def _tracks(
    used: Sequence[DriftPoint], days: Sequence[float], ask: DriftAsk
) -> tuple[control.Track, control.Track | None]:
    x, handbook = [p.value for p in used], ask.limits == "handbook"
    m = min(ask.baseline, len(x))
    if ask.kind == "mean_range":
        pair = control.mean_and_range([p.values for p in used], m)
        return pair.level, pair.spread
    if ask.kind == "trend":
        x = list(control.residuals(days, x, m))
    pair = control.individuals(x, m, handbook=handbook)
    target, sigma = pair.level.centre, pair.sigma
    if ask.kind == "ewma":
        return control.ewma(x, target, sigma, reach=3.0 if handbook else control.prediction_reach(m)), None
    if ask.kind == "cusum":
        sums = control.cusum(x, target, slack=SLACK * sigma, decision=DECISION * sigma)
        values = tuple(h if h >= low else -low for h, low in zip(sums.high, sums.low, strict=True))
        top = (sums.decision,) * len(x)
        broken = tuple(("beyond",) if signal else () for signal in sums.signals())
        return control.Track(values, 0.0, tuple(-each for each in top), top, broken), None
    return pair.level, pair.spread


def _spec(
    days: Sequence[float],
    track: control.Track,
    events: Sequence[tuple[float, str]],
    titles: tuple[str, str],
    first: int = 1,
) -> Spec:
    words = [SHORT[each[0]] if each else "" for each in track.broken]
    lines = [("target", [track.centre] * len(days)), ("limit", track.lower), ("limit", track.upper)]
    return control_chart(days, track.values, words, lines, events, titles, first=first)


def _rows(
    points: Sequence[DriftPoint], charted: Sequence[float], broken: Sequence[Sequence[str]], marks: Sequence[ToolMark]
) -> tuple[DriftRow, ...]:
    words = {**control.RULES, "range": "range beyond its limit"}
    return tuple(
        DriftRow(
            i, point, value, "; ".join(words[name] for name in names),
            tuple(m for m in marks if m.tool == point.tool and abs(m.at - point.at) <= NEAR) if names else (),
        )
        for i, (point, value, names) in enumerate(zip(points, charted, broken, strict=True), 1)
    )  # fmt: skip


def baths(points: Sequence[DriftPoint], unit: str) -> tuple[BathRow, ...]:
    """For each bath (each tool where none is named): what a straight line over its own points says."""
    groups: dict[str, list[DriftPoint]] = {}
    for point in points:
        groups.setdefault(point.bath or point.tool or "no tool named", []).append(point)
    rows = []
    for name, own in groups.items():
        found = control.trend([_days(p.at, own[0].at) for p in own], [p.value for p in own])
        moves = found is not None and not found.low <= 0 <= found.high
        if found is None:
            says = "too few points for a trend: four are needed, at three times or more"
        else:
            word = ("falls" if found.slope < 0 else "rises") if moves else "no trend stands out"
            low, high, change = (significant(each, 3) for each in (found.low, found.high, found.change))
            says = f"{word}: {change} {unit} from first to last; slope {low} to {high} {unit} a day".replace("  ", " ")
        rows.append(BathRow(name, len(own), own[0].value, own[-1].value, says, moves))
    return tuple(rows)
