"""One group of devices against another: ratio of their Q, difference of a share, and what the two have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.core.intervals import Interval
from app.core.stats.ranking import HUBER_C
from app.core.stats.yields import (
    MIN_ACTS,
    Act,
    Difference,
    StepYield,
    difference,
    shared_wafer_difference,
    t_quantile,
)

Floats = NDArray[np.float64]
_ROUNDS = 200


@dataclass(frozen=True)
class SessionRatio:
    """The ratio within one session that made devices of both groups: its medians, and how many devices of each."""

    name: str
    ratio: float
    first: int
    second: int


@dataclass(frozen=True)
class QRatio:
    """Typical Q of the first group over that of the second.

    `interval` is None where either group comes from fewer than five sessions or wafers; `clusters` names which of
    the two it leans on. `least_sessions`, `least_wafers` are those of the group that has fewer.
    """

    ratio: float
    interval: Interval | None
    clusters: str
    shared_sessions: int
    shared_wafers: int
    least_sessions: int
    least_wafers: int
    by_session: tuple[SessionRatio, ...]

    @property
    def settled(self) -> bool:
        """Whether the interval leaves out 'no difference'."""
        ends = (None, None) if self.interval is None else (self.interval.low, self.interval.high)
        return ends[0] is not None and ends[1] is not None and (ends[0] > 1 or ends[1] < 1)


def q_ratio(
    first: ArrayLike,
    second: ArrayLike,
    sessions: tuple[Sequence[str], Sequence[str]],
    wafers: tuple[Sequence[str], Sequence[str]],
    level: float = 0.95,
) -> QRatio:
    """Ratio of two groups' typical Q, with an interval that respects sessions and wafers, shared ones too.

    ln R = μ₁ − μ₂, Huber means of ln Q. With u_i = ±ψ(ln Q_i − μ)/Σψ′ (+ first, − second group) the clusters g
    give V = k/(k−1) Σ_g (Σ_{i∈g} u_i)²: what a session or wafer does to both groups cancels. R exp(±t √V), Student's
    t of min(k₁, k₂) − 1; the wider of by session and by wafer. `first` (n,), `second` (m,) positive;
    `sessions`, `wafers`: n and m names. Raises ValueError on an empty group or a Q not above zero.
    In simulation (5 to 15 clusters, shared or not, apart by up to the scatter within them) it held .937–.967.
    Source: Huber, Robust Statistics (1981); cluster-summed variance, Liang and Zeger, Biometrika 73, 13 (1986);
    both from memory.
    """
    q = [np.asarray(each, dtype=float) for each in (first, second)]
    for values, of_session, of_wafer in zip(q, sessions, wafers, strict=True):
        if not (values.ndim == 1 and len(values) == len(of_session) == len(of_wafer)):
            raise ValueError("one Q, session and wafer a device")
        if not len(values) or not bool(np.all(np.isfinite(values) & (values > 0))):
            raise ValueError("each group holds devices with a Q above zero")
    logs = [np.log(values) for values in q]
    (mean_1, lean_1), (mean_2, lean_2) = (_huber_mean(values) for values in logs)
    lean = np.concatenate([lean_1, -lean_2])
    counts = [[len(set(each)) for each in names] for names in (sessions, wafers)]
    spread = [
        t_quantile(level, max(min(k) - 1, 1)) * math.sqrt(_clustered(lean, [*names[0], *names[1]]))
        for k, names in zip(counts, (sessions, wafers), strict=True)
    ]
    half = max(spread)
    log_ratio = float(mean_1 - mean_2)
    interval = None
    if min(map(min, counts)) >= MIN_ACTS:
        interval = Interval(math.exp(log_ratio - half), math.exp(log_ratio + half), level)
    return QRatio(
        ratio=math.exp(log_ratio),
        interval=interval,
        clusters="sessions" if spread[0] >= spread[1] else "wafers",
        shared_sessions=len(set(sessions[0]) & set(sessions[1])),
        shared_wafers=len(set(wafers[0]) & set(wafers[1])),
        least_sessions=min(counts[0]),
        least_wafers=min(counts[1]),
        by_session=_by_session(q, sessions),
    )


def _huber_mean(y: Floats) -> tuple[float, Floats]:
    """Huber mean with the scale of the median deviation, and what each value adds to its error."""
    mean = float(np.median(y))
    # 1.4826: makes the median deviation of a normal its σ. A floor: values alike to the last digit have none.
    clip = HUBER_C * max(1.4826 * float(np.median(np.abs(y - mean))), 0.1 * float(y.std()), 1e-9)
    for _ in range(_ROUNDS):
        step = float(np.clip(y - mean, -clip, clip).mean())
        mean += step
        if abs(step) < 1e-12:
            break
    psi = np.clip(y - mean, -clip, clip)
    return mean, psi / max(int((np.abs(y - mean) < clip).sum()), 1)


def _clustered(lean: Floats, names: Sequence[str]) -> float:
    _, code = np.unique(np.asarray(names, dtype=str), return_inverse=True)
    sums = np.bincount(np.ravel(code), weights=lean)
    k = len(sums)
    return k / max(k - 1, 1) * float((sums**2).sum())


def _by_session(q: Sequence[Floats], sessions: tuple[Sequence[str], Sequence[str]]) -> tuple[SessionRatio, ...]:
    names = [np.asarray(each, dtype=str) for each in sessions]
    found = []
    for name in sorted(set(sessions[0]) & set(sessions[1])):
        ours, theirs = (values[of == name] for values, of in zip(q, names, strict=True))
        ratio = float(np.median(ours) / np.median(theirs))
        found.append(SessionRatio(name, ratio, len(ours), len(theirs)))
    return tuple(found)


@dataclass(frozen=True)
class ShareDifference:
    """Difference of two shares, first minus second; `change` is None where too few acts stand behind one of them.

    `within_wafers` counts the wafers that carry both, where the difference was taken within them; else 0.
    """

    first: StepYield
    second: StepYield
    change: Difference | None
    within_wafers: int


def share_difference(
    first: StepYield, second: StepYield, first_by_wafer: Sequence[Act], second_by_wafer: Sequence[Act]
) -> ShareDifference:
    """Difference of two shares: within wafers where five carry both, else by square-and-add on their own intervals.

    `first_by_wafer`, `second_by_wafer`: the same devices counted by wafer. Sharing fewer than five wafers, the two
    are taken as independent: what a wafer does to both then widens the interval. Under five acts on a side: None.
    """
    if first.interval is None or second.interval is None or first.share is None or second.share is None:
        return ShareDifference(first, second, None, 0)
    within = shared_wafer_difference(first_by_wafer, second_by_wafer)
    # Pairs all alike leave no scatter to judge by: the intervals of the two sides still say something.
    if within is not None and within.low < within.high:
        ours, theirs = ({act.name for act in acts if act.decided} for acts in (first_by_wafer, second_by_wafer))
        return ShareDifference(first, second, within, len(ours & theirs))
    change = difference(first.share, first.interval, second.share, second.interval)
    return ShareDifference(first, second, change, 0)
