"""Two selections of the yield page side by side, in words."""

from __future__ import annotations

from dataclasses import dataclass

from app.core.stats.two_groups import ShareDifference
from app.core.stats.yields import MIN_ACTS, RolledYield
from app.core.vocab import SHORT_STAGES
from app.queries.yield_compare import YieldPair
from app.web.difference_view import change_text, signed
from app.web.shares import Share, counted, of_step, share_text


@dataclass(frozen=True)
class ChangeRow:
    """One stage: both yields, the difference in points with its interval, and what that rests on."""

    label: str
    first: Share
    second: Share
    change: str
    interval: str
    clear: bool
    rests: str


@dataclass(frozen=True)
class YieldCompared:
    """The sheet of two selections."""

    names: tuple[str, str]
    devices: tuple[int, int]
    rows: tuple[ChangeRow, ...]
    rolled: ChangeRow | None
    doubt: str
    overlap: str


def yield_compared(pair: YieldPair, whole: str) -> YieldCompared:
    """Everything the sheet says."""
    plural = "fibre batches" if whole == "fibre batch" else f"{whole}s"
    shared = pair.shared_wafers
    return YieldCompared(
        names=pair.names,
        devices=pair.devices,
        rows=tuple(_row(SHORT_STAGES[stage], each, plural) for stage, each in pair.stages.items()),
        rolled=_rolled(pair),
        doubt="" if shared else f"No {whole} carries both: a part of the difference may be the {plural}’.",
        overlap=f"{counted(pair.both, 'device')} stand on both sides." if pair.both else "",
    )


def _row(label: str, each: ShareDifference, plural: str) -> ChangeRow:
    change, interval = change_text(each)
    few = each.first.decided and each.second.decided and each.change is None
    rests = f"no interval: fewer than {MIN_ACTS} acts" if few else ""
    if each.within_wafers:
        rests = f"within {each.within_wafers} {plural} that carry both"
    clear = each.change is not None and each.change.leaves_out_zero
    return ChangeRow(label, of_step(each.first), of_step(each.second), change, interval, clear, rests)


def _rolled(pair: YieldPair) -> ChangeRow | None:
    if pair.rolled is None:
        return None
    first, second, change = pair.rolled.first, pair.rolled.second, pair.rolled.change
    if first.share is None or second.share is None:
        return ChangeRow("Rolled yield", _share(first), _share(second), "–", "", clear=False, rests="")
    words = f"{signed(first.share - second.share)} points"
    if change is None:
        return ChangeRow("Rolled yield", _share(first), _share(second), words, "", clear=False, rests="no interval yet")
    interval = f"{signed(change.low)} to {signed(change.high)}"
    clear = change.leaves_out_zero
    return ChangeRow("Rolled yield", _share(first), _share(second), words, interval, clear=clear, rests="")


def _share(rolled: RolledYield) -> Share:
    ends = (rolled.interval.low, rolled.interval.high) if rolled.interval else (None, None)
    return share_text(rolled.share, *ends)
