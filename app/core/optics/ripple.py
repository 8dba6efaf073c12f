"""Etalon ripple of the background: found in what a fit leaves, fitted with the dip, and taken out of the light.

The model is y = T(z) b(u) (1 + c cos 2 pi f x + s sin 2 pi f x): two faces that reflect a little (tips, splices, the
taper's ends) and are n L apart ripple with a period of c/(2 n L).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.optics.decide import Round
from app.core.optics.fit import Fitted
from app.core.optics.guess import means, median
from app.core.optics.results import FloatArray
from app.core.optics.samples import Samples, baseline_terms
from app.core.optics.varpro import minimise

_FEWEST_PERIODS = 2.0
_SHORTEST_WIDTHS = 0.7
_STANDS_OUT = 30.0
_GRID = 1024
_CLEAR_WIDTHS = 1.5
_MOST_SAMPLES = 4000


@dataclass(frozen=True)
class Ripple:
    """Relative ripple c cos + s sin of 2 pi x/period, x in MHz of the scan's axis from `middle_mhz`."""

    cosine: float
    sine: float
    period_mhz: float
    middle_mhz: float

    @property
    def amplitude(self) -> float:
        """Of the light."""
        return float(np.hypot(self.cosine, self.sine))

    def factor(self, x: FloatArray) -> FloatArray:
        """1 + ripple at x (n,) in MHz."""
        phase = (x - self.middle_mhz) * (2.0 * np.pi / self.period_mhz)
        return np.asarray(1.0 + self.cosine * np.cos(phase) + self.sine * np.sin(phase))


def suspected(done: Round) -> bool:
    """Whether the fit leaves anything slow at all."""
    return done.noise.memory > 1.5 and done.noise.reduced_chi2 > 1.1


def find_ripple(done: Round, y: FloatArray) -> Ripple | None:
    """The strongest ripple of y (n,), levels of the signal, over the window of `done`; None where none stands out."""
    z = (done.x - done.scale.centre_mhz) / done.scale.width_mhz
    frequency = _strongest(z, done)
    if frequency is None:
        return None
    best: tuple[float, float, Fitted] | None = None
    for step in (1.0 / 8.0, 1.0 / 40.0):
        centre = frequency if best is None else best[1]
        for i in range(-4, 5):
            trial = centre + i * step / float(z[-1] - z[0])
            fitted = _with_ripple(z, y / done.scale.level, done.choice.fitted, trial)
            if fitted is not None and (best is None or fitted.rss < best[0]):
                best = (fitted.rss, trial, fitted)
    if best is None:
        return None
    _, frequency, fitted = best
    level = float(fitted.b[0])
    middle = done.scale.centre_mhz
    period = done.scale.width_mhz / frequency
    return Ripple(float(fitted.b[3]) / level, float(fitted.b[4]) / level, period, middle)


def _strongest(z: FloatArray, done: Round) -> float | None:
    """Frequency, in cycles per start width, of the strongest line in what is left away from the dip."""
    fitted = done.choice.fitted
    apart = np.sqrt(complex(fitted.p[3], fitted.p[4])).real if fitted.split else 0.0
    width = float(fitted.p[1])
    away = np.abs(z - float(fitted.p[0])) > apart + _CLEAR_WIDTHS * width
    if np.count_nonzero(away) < 64:
        return None
    grid = np.linspace(float(z[0]), float(z[-1]), _GRID)
    length = max(len(z) // _GRID, 1)
    left = np.interp(grid, means(z, length), means(np.where(away, done.residual, 0.0), length))
    power = np.abs(np.fft.rfft(left * np.hanning(_GRID), 4 * _GRID)) ** 2
    span = float(z[-1] - z[0])
    frequencies = np.arange(len(power)) / (4.0 * span) * (_GRID - 1) / _GRID
    usable = (frequencies > _FEWEST_PERIODS / span) & (frequencies < 1.0 / (_SHORTEST_WIDTHS * width))
    if np.count_nonzero(usable) < 8:
        return None
    at = int(np.argmax(np.where(usable, power, 0.0)))
    if power[at] < _STANDS_OUT * max(median(power[usable]), 1e-300):
        return None
    return float(frequencies[at])


def _with_ripple(z: FloatArray, y: FloatArray, start: Fitted, frequency: float) -> Fitted | None:
    """The same shape on a parabola and a ripple of this frequency, through evenly thinned samples."""
    length = max(len(z) // _MOST_SAMPLES, 1)
    zt, yt = means(z, length), means(y, length)
    phase = 2.0 * np.pi * frequency * zt
    low, high = float(z[0]), float(z[-1])
    terms = np.concatenate([baseline_terms(zt, low, high), np.cos(phase)[None], np.sin(phase)[None]])
    samples = Samples(zt, yt, np.full(len(zt), float(length)), terms, low, high, len(z))
    b = np.concatenate([start.point.b, np.zeros((1, 2))], axis=1)
    point = minimise(start.shape, samples, start.point.p, start.free, b=b, iterations=12, tolerance=0.1)
    if not np.isfinite(point.rss[0]):
        return None
    return Fitted(start.shape, start.free, point, start.start, samples, start.kind)
