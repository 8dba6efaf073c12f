"""The frequency axis from a reference interferometer's fringes or from phase-modulation sidebands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.optics.results import FloatArray
from app.core.optics.unreadable import ScanUnreadable

_FEWEST_FRINGES = 3.0
_BENDS = 7


@dataclass(frozen=True, eq=False)
class Fringes:
    """Phase in turns (n,) at each sample `kept` (slice of the rows), and the rms of what was smoothed away."""

    turns: FloatArray
    kept: slice
    rms_turns: float


def fringe_phase(reference: FloatArray) -> Fringes:
    """Phase of a reference channel (n,) in the order it was recorded, from its analytic signal.

    The channel is mirrored at both ends before the transform, and half a fringe at each end, where that is poor, is
    left out. Raises ScanUnreadable for fewer than three fringes, or a phase that turns back.
    """
    n = len(reference)
    middle = 0.5 * (float(np.max(reference)) + float(np.min(reference)))
    signal = reference - (middle if np.ptp(reference) else 0.0)
    signal = signal - float(np.mean(signal))
    mirrored = np.concatenate([signal[::-1], signal, signal[::-1]])
    spectrum = np.fft.rfft(mirrored)
    spectrum[0] = 0.0
    # Noise beyond some harmonics of the fringes only blurs the phase.
    strongest = int(np.argmax(np.abs(spectrum)))
    spectrum[min(4 * strongest, len(spectrum) - 1) + 1 :] = 0.0
    spectrum[: strongest // 4] = 0.0
    full = np.zeros(len(mirrored), dtype=complex)
    full[: len(spectrum)] = 2.0 * spectrum
    phase = np.unwrap(np.angle(np.fft.ifft(full)[n : 2 * n])) / (2.0 * np.pi)
    if phase[-1] < phase[0]:
        phase = -phase
    total = float(phase[-1] - phase[0])
    if total < _FEWEST_FRINGES:
        raise ScanUnreadable("fringes", f"the reference shows {total:.1f} fringes; an axis takes at least three")
    inside = np.flatnonzero((phase > phase[0] + 0.5) & (phase < phase[-1] - 0.5))
    kept = slice(int(inside[0]), int(inside[-1]) + 1)
    turns = phase[kept]
    back = np.maximum.accumulate(turns) - turns
    if float(back.max()) > 0.25:
        raise ScanUnreadable("fringes", "the reference's phase turns back: the sweep is not one-way, or is too noisy")
    smooth, left = _smoothed(turns)
    return Fringes(np.maximum.accumulate(smooth), kept, float(np.sqrt(np.mean(left * left))))


def _smoothed(turns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Phase (n,) without what repeats in each fringe, and the rest.

    The transform leaves an error of the fringes' own period; a mean over one fringe, twice, of what a polynomial
    leaves takes it out and keeps any sweep that bends over several fringes.
    """
    u = np.linspace(-1.0, 1.0, len(turns))
    fit = np.polynomial.chebyshev.chebval(u, np.polynomial.chebyshev.chebfit(u, turns, _BENDS))
    rest = turns - fit
    length = max(round(len(turns) / float(turns[-1] - turns[0])), 1) | 1
    slow = rest
    for _ in range(2):
        padded = np.pad(slow, length // 2, mode="reflect")
        sums = np.concatenate([[0.0], np.cumsum(padded)])
        slow = (sums[length:] - sums[:-length]) / length
    return fit + slow, rest - slow
