"""What else than a splitting makes a single dip look odd: interference, heating, a slow detector.

Each is the Lorentz dip with one more parameter that is 0 for a clean one, x = 2 (z - z0)/w, L(x) = 1/(1 + x^2):
    fano   T = 1 - (C + F x) L(x)           light past the resonance, |1 - kex e^{i phi}/(k/2 + i D)|^2
    skew   T = 1 - C L(y), x = y + B L(y)   absorbed light moves the resonance (Carmon, Yang & Vahala, Opt. Express
                                            12, 4742 (2004)); single-valued up to B = 8/(3 sqrt 3)
    lag    T = 1 - C int_0^inf e^-t L(x + a - a t) dt   a detector of one time constant, a in half widths of the sweep
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.core.optics.fit import Fitted
from app.core.optics.lineshapes import fano, lag, skew
from app.core.optics.results import FloatArray
from app.core.optics.varpro import Shape, evaluate, held_solve, minimise

Model = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
MODELS: dict[str, tuple[Model, float, float]] = {
    "fano": (fano, 1.5, 0.1),
    "skew": (skew, 1.5, 0.8),
    "lag": (lag, 1.0, 0.14),
}
"""Each with the largest size of its parameter, and the size that costs about 2 % of width or of intrinsic Q."""
_SCREEN = 8.0
_FREE = np.ones(4, dtype=bool)
_PROBES = np.array([[False] * 4, [False, False, False, True]])


@dataclass(frozen=True, eq=False)
class Rival:
    """A dip fitted with one of the three; `gain` is the chi^2 it takes off the plain dip."""

    kind: str
    fitted: Fitted
    gain: float


def rivals(one: Fitted, variance: float) -> tuple[tuple[Rival, ...], dict[str, float]]:
    """All three from the plain dip's optimum, best first, and how much chi^2 each would have cost at a size that
    matters.

    None of them where not even the first step would gain a chi^2 of 8.
    """
    shapes, shows, promise = {}, {}, 0.0
    with np.errstate(all="ignore"):
        for kind, (model, reach, matters) in MODELS.items():
            low, high = np.append(one.shape.low, -reach), np.append(one.shape.high, reach)
            low[2] = 0.0
            shapes[kind] = Shape(model, low, high, lambda p: np.ones(len(p), dtype=bool), 4)
            try:
                here = evaluate(
                    shapes[kind],
                    one.samples,
                    np.array([[*one.p, 0.0], [*one.p, matters]]),
                    np.repeat(one.point.b, 2, axis=0),
                )
            except np.linalg.LinAlgError:
                continue
            step = held_solve(here.h, here.g, _PROBES)
            gain = (step * here.g).sum(1) / variance
            promise = max(promise, float(gain[0]))
            # What a parameter of this size would have cost, after the others have given way.
            shows[kind] = float((here.rss[1] - one.rss) / variance - gain[1])
    if not promise > _SCREEN or len(one.samples.z) < 12:
        return (), shows
    found = []
    for kind, shape in shapes.items():
        sizes = (-0.3, 0.3) if kind == "lag" else (0.0,)
        starts = np.array([[*one.p, size] for size in sizes])
        b = np.repeat(one.point.b, len(starts), axis=0)
        point = minimise(shape, one.samples, starts, _FREE, b=b, iterations=20, tolerance=0.05)
        best = int(np.argmin(point.rss))
        if np.isfinite(point.rss[best]):
            fitted = Fitted(shape, _FREE, point.pick([best]), starts[best], one.samples, kind)
            found.append(Rival(kind, fitted, (one.rss - fitted.rss) / variance))
    return tuple(sorted(found, key=lambda r: -r.gain)), shows


def coupled_share(contrast: FloatArray, fano_part: float, over: bool) -> FloatArray:
    """eta = kex/k of a dip of C `contrast` (n,) and F: C = 4 eta (cos phi - eta), F = 4 eta sin phi.

    The smaller root is under-, the larger over-coupled; without F it is (1 -+ sqrt(1 - C))/2.
    """
    half = 1.0 - 0.5 * contrast
    root = np.sqrt(np.maximum(half * half - 0.25 * (contrast * contrast + fano_part * fano_part), 0.0))
    return np.asarray(np.sqrt(np.maximum(0.5 * (half + root if over else half - root), 0.0)))
