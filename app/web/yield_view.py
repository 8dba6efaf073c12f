"""The yield page's context: figures of the query put into words and places on drawings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import sqrt
from urllib.parse import quote

from app.charts.bars import Segment, segments
from app.core.figures import figure
from app.core.stats.coverage import Coverage
from app.core.stats.losses import AFTER
from app.core.stats.step_table import StageCount
from app.core.vocab import PICKED, SHORT_STAGES, STAGES
from app.queries.searches import SearchRow
from app.queries.yields import BY, YieldFigures
from app.web.loss_view import CrossRow, Line, gone_of, loss_words, losses_of, waiting_of
from app.web.shares import NO_SHARE, Share, bounds_text, counted, of_step, percent, share_text
from app.web.yield_ask import YieldAsked, save_address
from app.web.yield_pair_view import YieldCompared, yield_compared

NOUNS = {"microtoroid": ("disc", "good rim", "wafer"), "microsphere": ("fibre end", "good sphere", "fibre batch")}
MOST_ON_PAPER = 12
"""Groups that still fit the one printed page; two that are compared take their place."""
KIND_WORDS = {"microtoroid": "Microtoroids", "microsphere": "Microspheres"}


@dataclass(frozen=True)
class StageRow:
    """One row of the step table."""

    label: str
    bar: tuple[Segment, ...]
    says: str
    attempted: int
    passed: int
    failed: int
    not_looked_at: int
    decided: str
    share: Share
    acts: int
    first_pass: Share


@dataclass(frozen=True)
class ActRow:
    """One act by itself."""

    stage: str
    name: str
    share: Share


@dataclass(frozen=True)
class GroupRow:
    """One wafer, recipe version, person, month or mask array."""

    name: str
    href: str
    one: bool
    two: bool
    devices: int
    cells: tuple[Share, ...]
    rolled: Share


@dataclass(frozen=True)
class Option:
    """One choice of a filter."""

    value: str
    label: str
    chosen: bool


@dataclass(frozen=True)
class CoverageRow:
    """How many were characterised, how picked, how many on specification."""

    characterised: str
    share: Share
    picked: str
    specification: str
    on_spec: Share
    bounds: str
    rolled: Share | None
    left_out: str


@dataclass(frozen=True)
class YieldContext:
    """The yield page; `errors` are dates that could not be read, with what was typed kept."""

    kind: str
    title: str
    under: str
    errors: tuple[str, ...]
    kinds: tuple[Option, ...]
    wafers: tuple[Option, ...]
    specifications: tuple[Option, ...]
    by: tuple[Option, ...]
    by_word: str
    start: str
    end: str
    against: tuple[str, str]
    wafer_word: str
    csv: str
    empty: bool
    none_here: bool
    sentence: tuple[tuple[str, bool], ...]
    whole: str
    stages: tuple[StageRow, ...]
    rolled: Share
    final: Share
    goal: str
    widening: str
    acts: tuple[ActRow, ...]
    coverage: CoverageRow | None
    found: tuple[str, ...]
    losses: tuple[CrossRow, ...]
    loss_totals: tuple[str, ...]
    loss_total: int
    loss_says: str
    waiting: tuple[Line, ...]
    gone: tuple[Line, ...]
    stages_short: tuple[str, ...]
    groups: tuple[GroupRow, ...]
    groups_on_paper: bool
    pair: YieldCompared | None
    searches: tuple[SearchRow, ...]
    save_href: str
    made_at: datetime


def yield_context(
    found: YieldFigures, asked: YieldAsked, *, now: datetime, searches: tuple[SearchRow, ...] = ()
) -> YieldContext:
    """Everything the template names."""
    ask = found.ask
    noun, goal, whole = NOUNS[ask.kind]
    stages = list(STAGES[ask.kind])
    spec = str(found.specification.id) if found.specification else ""
    widest = max((row.counted for row in found.table.stages), default=0)
    return YieldContext(
        kind=ask.kind,
        title=f"Yield of {KIND_WORDS[ask.kind].lower()}",
        under=_under(found, noun, whole),
        errors=asked.errors,
        kinds=tuple(Option(k, word, k == ask.kind) for k, word in KIND_WORDS.items()),
        wafers=tuple(Option(code, code, code == ask.wafer) for code in found.wafers),
        specifications=tuple(
            Option(str(c.id), f"{c.says} ({c.label})", c == found.specification) for c in found.specifications
        ),
        by=tuple(Option(key, _by_word(key, whole), key == ask.by) for key in BY),
        by_word=_by_word(ask.by, whole),
        start=asked.start,
        end=asked.end,
        against=(asked.against_start, asked.against_end),
        wafer_word=whole.capitalize(),
        csv=asked.address("/yield.csv", spec),
        empty=found.empty,
        none_here=found.none_here,
        sentence=_sentence(found, noun, goal),
        whole=counted(widest, "device"),
        stages=tuple(_stage_row(row, widest) for row in found.table.stages),
        rolled=_rolled(found),
        final=of_step(found.table.final),
        goal=goal,
        widening=_widening(found.table.stages),
        acts=tuple(
            ActRow(
                SHORT_STAGES[stage], act.name, share_text(act.share, act.low, act.high, _of(act.passed, act.decided))
            )
            for stage in stages
            for act in found.acts.get(stage, ())
        ),
        coverage=_coverage(found, goal),
        found=tuple("After" if stage == AFTER else SHORT_STAGES[stage] for stage in found.losses.found),
        losses=losses_of(found),
        loss_totals=tuple(figure(n) if n else "–" for n in found.losses.totals),
        loss_total=found.losses.total,
        loss_says=loss_words(found),
        waiting=waiting_of(found),
        gone=gone_of(found),
        stages_short=tuple(SHORT_STAGES[stage] for stage in stages),
        groups=_group_rows(found),
        groups_on_paper=len(found.groups) <= MOST_ON_PAPER and found.pair is None,
        pair=yield_compared(found.pair, whole) if found.pair else None,
        searches=searches,
        save_href=save_address("yield", asked.address("", spec)),
        made_at=now,
    )


def _under(found: YieldFigures, noun: str, whole: str) -> str:
    roots = _plural(found.wafers_here, whole)
    on = roots if found.pieces_here == found.wafers_here else f"{counted(found.pieces_here, 'piece')} of {roots}"
    return f"{counted(found.table.candidates, noun)} taken in hand as candidates, on {on}"


def _plural(n: int, noun: str) -> str:
    return counted(n, noun, "fibre batches" if noun == "fibre batch" else "")


def _by_word(by: str, whole: str) -> str:
    return whole.capitalize() if by == "wafer" else BY[by]


def _of(passed: int, decided: int) -> str:
    return f"{figure(passed)} of {figure(decided)}"


def _rolled(found: YieldFigures) -> Share:
    rolled = found.table.rolled
    ends = (rolled.interval.low, rolled.interval.high) if rolled.interval else (None, None)
    return share_text(rolled.share, *ends)


def _sentence(found: YieldFigures, noun: str, goal: str) -> tuple[tuple[str, bool], ...]:
    """The page's figures as one sentence, in parts: (words, bold)."""
    table = found.table
    parts = [("Of ", False), (counted(table.candidates, noun), True), (" ", False), (counted(table.good, goal), True)]
    parts[2] = (" came ", False)
    rolled, final = _rolled(found), of_step(table.final)
    if rolled is not NO_SHARE:
        parts += [("; the steps together yield ", False), (_with_interval(rolled), True)]
    if final is not NO_SHARE:
        parts += [(", lost pieces counted in ", False), (_with_interval(final), True)]
    covered = found.coverage
    if covered is not None and covered.on_spec.measured.share is not None:
        parts += [
            ("; on specification are ", False),
            (_with_interval(of_step(covered.on_spec.measured)), True),
            (f" of {figure(covered.on_spec.measured.decided)} {_judged(covered)}", False),
        ]
    parts += [("; ", False), (figure(table.on_their_way), True), (" are still on their way.", False)]
    return tuple(parts)


def _with_interval(share: Share) -> str:
    return f"{share.value} ({share.interval})" if share.interval else share.value


def _stage_row(row: StageCount, widest: int) -> StageRow:
    c = row.counts
    gone = c["not_taken_forward"] + c["lost_with_piece"] + c["lost_earlier"]
    drawn = (
        ("passed", c["passed"]),
        ("failed", c["failed"]),
        ("unseen", c["not_looked_at"]),
        ("waiting", c["waiting"]),
        ("lost", gone),
    )
    return StageRow(
        label=SHORT_STAGES[row.stage],
        bar=segments(drawn, widest),
        says=f"{c['passed']} passed, {c['failed']} failed, {c['not_looked_at']} not looked at, {c['waiting']} waiting, "
        f"{gone} lost or not taken forward",
        attempted=row.step.attempted,
        passed=c["passed"],
        failed=c["failed"],
        not_looked_at=c["not_looked_at"],
        decided="–" if row.step.share_decided is None else percent(row.step.share_decided),
        share=of_step(row.step),
        acts=len(row.step.acts),
        first_pass=of_step(row.first_pass),
    )


def _widening(rows: Sequence[StageCount]) -> str:
    """What likeness does to the intervals, in words; '' where none is pooled."""
    wide = [sqrt(row.step.decided / row.step.n_effective) for row in rows if row.step.pooled]
    if not wide:
        return ""
    low, high = figure(min(wide), 1), figure(max(wide), 1)
    times = low if low == high else f"{low} to {high}"
    return (
        "Devices decided by one act (an exposure, a bath dip, a chamber run, a sitting at the laser) are alike: "
        f"the 95 % intervals are {times} times as wide as if each stood alone."
    )


def _coverage(found: YieldFigures, goal: str) -> CoverageRow | None:
    covered, spec, place = found.coverage, found.specification, found.measured
    if covered is None or spec is None or place is None:
        return None
    bounds = covered.on_spec.bounds
    rolled = covered.rolled
    ends = (rolled.interval.low, rolled.interval.high) if rolled and rolled.interval else (None, None)
    return CoverageRow(
        characterised=f"{_of(covered.characterised, covered.good)} {goal}s at {place.words}",
        share=NO_SHARE if covered.share_characterised is None else share_text(covered.share_characterised),
        picked=_picked(covered),
        specification=f"{_judged(covered)}; {spec.says}",
        on_spec=of_step(covered.on_spec.measured),
        bounds="" if bounds is None else bounds_text(bounds.low, bounds.high),
        rolled=None if rolled is None else share_text(rolled.share, *ends),
        left_out=_left_out(covered),
    )


def _judged(covered: Coverage) -> str:
    return "characterised and sized" if covered.unsized else "characterised"


def _picked(covered: Coverage) -> str:
    words = [f"{PICKED.get(word, word).lower()} {figure(n)}" for word, n in sorted(covered.picked.items())]
    return ", ".join(words)


def _left_out(covered: Coverage) -> str:
    parts = []
    if covered.only_bounds:
        parts.append(f"{figure(covered.only_bounds)} scanned without a fit of grade A or B")
    if covered.unsized:
        parts.append(f"{figure(covered.unsized)} without a size the specification asks for")
    return f"Counted as unmeasured: {', '.join(parts)}." if parts else ""


def _group_rows(found: YieldFigures) -> tuple[GroupRow, ...]:
    rows = []
    for group in found.groups:
        rolled = NO_SHARE
        if group.rolled is not None:
            ends = (group.rolled.interval.low, group.rolled.interval.high) if group.rolled.interval else (None, None)
            rolled = share_text(group.rolled.share, *ends)
        href = f"/pieces/{quote(group.name)}" if found.ask.by == "wafer" else ""
        sides = (group.name in found.ask.one, group.name in found.ask.two)
        cells = tuple(of_step(cell) for cell in group.cells)
        rows.append(GroupRow(group.name, href, *sides, group.devices, cells, rolled))
    return tuple(rows)
