"""Typical Q of a recipe, and the share of its devices that meet a specification."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from app.core.intervals import Interval, wilson
from app.core.stats.yields import MIN_ACTS, Act, Bounds, StepYield, step_yield, unmeasured_bounds

# Q of one session's devices is more alike than their yes and no: this held the median's interval to its
# word in simulation (sessions apart by up to the scatter within them), where the yield's 0.10 did not.
LIKENESS_OF_Q = 0.30

PICKED_FAIRLY = frozenset({"all", "random"})


@dataclass(frozen=True)
class TypicalQ:
    """Median over devices of their typical Q.

    `interval` is None under five sessions or five wafers: then the medians by session in `by_session`
    say what is known. `clusters` names which of the two the interval leans on.
    """

    q: float
    interval: Interval | None
    clusters: str
    devices: int
    sessions: int
    wafers: int
    q_best: float
    by_session: tuple[tuple[str, float, int], ...]


def typical_q(
    q_typical: ArrayLike,
    sessions: Sequence[str],
    wafers: Sequence[str],
    likeness: float = LIKENESS_OF_Q,
    level: float = 0.95,
) -> TypicalQ | None:
    """Median of the devices' typical Q with an interval that respects sessions and wafers.

    The share of devices under the median is 1/2; its interval on the number of devices that count as
    independent (`step_yield`, by session and by wafer, the wider) is carried to Q by the devices' own quantiles.
    `q_typical`: (n,) positive, `sessions`, `wafers`: n names. None without devices.
    Source: Woodruff, J. Am. Stat. Assoc. 47, 635 (1952), from memory.
    """
    q = np.asarray(q_typical, dtype=float)
    if q.ndim != 1 or not len(q) == len(sessions) == len(wafers):
        raise ValueError("one Q, one session and one wafer a device")
    if not bool(np.all(np.isfinite(q) & (q > 0))):
        raise ValueError("a Q is a number above zero")
    if not len(q):
        return None
    median = float(np.median(q))
    by_session = step_yield(_below(q, median, sessions), likeness_history=likeness)
    by_wafer = step_yield(_below(q, median, wafers), likeness_history=likeness)
    clusters, lean = min((("sessions", by_session), ("wafers", by_wafer)), key=lambda pair: pair[1].n_effective)
    interval = None
    if min(len(by_session.acts), len(by_wafer.acts)) >= MIN_ACTS:
        share = wilson(lean.n_effective / 2, lean.n_effective, level)
        # Between neighbouring devices log Q runs straight; Q itself spans decades.
        low, high = np.exp(np.quantile(np.log(q), [share.low, share.high], method="weibull"))
        interval = Interval(float(low), float(high), level)
    return TypicalQ(
        q=median,
        interval=interval,
        clusters=clusters,
        devices=len(q),
        sessions=len(by_session.acts),
        wafers=len(by_wafer.acts),
        q_best=float(q.max()),
        by_session=_medians(q, sessions),
    )


def _below(q: np.ndarray, median: float, names: Sequence[str]) -> list[Act]:
    counts: dict[str, list[int]] = {}
    for value, name in zip(q, names, strict=True):
        tally = counts.setdefault(name, [0, 0])
        tally[0] += int(value < median)
        tally[1] += 1
    return [Act(name, below, n) for name, (below, n) in counts.items()]


def _medians(q: np.ndarray, names: Sequence[str]) -> tuple[tuple[str, float, int], ...]:
    groups: dict[str, list[float]] = {}
    for value, name in zip(q, names, strict=True):
        groups.setdefault(name, []).append(float(value))
    return tuple((name, float(np.median(values)), len(values)) for name, values in groups.items())


@dataclass(frozen=True)
class OnSpecification:
    """Share on specification of the characterised, and its bounds over all good rims or spheres."""

    measured: StepYield
    bounds: Bounds | None
    picked: str

    @property
    def enters_rolled(self) -> bool:
        """True where the measured were all, or a random choice, so that their share speaks for the rest."""
        return self.picked in PICKED_FAIRLY


def on_specification(
    acts: Sequence[Act], good: int, picked: str = "unknown", likeness_history: float | None = None
) -> OnSpecification:
    """Share of the characterised devices that meet the specification, with interval and worst-case bounds.

    `acts`: on specification of characterised, by reflow session (or wafer); `good`: all devices with a good
    rim or sphere, measured or not; `picked`: how the measured were chosen (all, random, within reach,
    best-looking, unknown). More characterised than good is no error: a reject may be measured.
    """
    measured = step_yield(acts, likeness_history=likeness_history)
    bounds = unmeasured_bounds(measured.passed, measured.decided, max(good, measured.decided))
    return OnSpecification(measured, bounds, picked)
