"""Resonance fits against their bars: `python -m tests.benchmarks.resonance_fits [draws]` (0: speed alone).

Prints scatter over the Cramér-Rao bound and coverage of the 95 % intervals for single and split dips, rates of found
and falsely found splits, and the time of the whole analysis beside lmfit's one composite fit from a good start.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from app.core.optics.analyse import analyse
from app.core.optics.fit import fit_from
from app.core.optics.results import Analysis, Measured, Scan
from tests.core.optics.scans import NU_MHZ, scan


def _holds(m: Measured, truth: float) -> bool:
    return (m.low is None or m.low <= truth) and (m.high is None or truth <= m.high)


def _bound(g: complex, points: int, noise: float) -> float:
    """Cramér-Rao bound of the linewidth with a free parabola as baseline, from numeric derivatives."""
    clean = scan(np.random.default_rng(0), g=g, points=points, noise=0.0)
    z = clean.detuning_mhz
    u = z / z[-1]
    names = ["k0", "kex", "centre"] + (["g"] if g else [])
    truth = {"k0": 4.0, "kex": 1.0, "centre": 0.0} | ({"g": g} if g else {})
    columns = []
    for name in names:
        step = 1e-4
        # The number of widths keeps the detunings of the shifted model those of the first.
        up, down = (_signal(z, **(truth | {name: truth[name] + sign * step})) for sign in (1, -1))
        columns.append((up - down) / (2 * step))
    t = _signal(z, **truth)
    j = np.array([*columns, t, t * u, t * u * u])
    cov = np.linalg.inv(j @ j.T) * (noise * 2.5) ** 2
    return float(np.sqrt(cov[0, 0] + cov[1, 1] + 2 * cov[0, 1]))


def _signal(z: np.ndarray, k0: float, kex: float, centre: float, g: complex = 0.0) -> np.ndarray:
    from tests.core.optics.scans import coupled_modes

    u = z / z[-1]
    return 2.5 * (1 + 0.05 * u + 0.03 * u * u) * coupled_modes(z - centre, k0, kex, g)


def coverage(label: str, draws: int, g: complex = 0.0, **how: float) -> None:
    """One line: share found, scatter over bound, share of truths held."""
    rng = np.random.default_rng(1)
    wanted = "split" if g else "single"
    fits = [analyse(scan(rng, g=g, **how)) for _ in range(draws)]
    found = [a for a in fits if isinstance(a, Analysis) and a.model == wanted]
    width = [a.modes[0].linewidth_mhz for a in found]
    bound = _bound(g, int(how.get("points", 1000)), how.get("noise", 0.01))
    held = {
        "width": np.mean([_holds(m, 5.0) for m in width]),
        "intrinsic Q": np.mean([_holds(a.device.q_intrinsic, NU_MHZ / 4.0) for a in found]),
        "coupling": np.mean([_holds(a.coupling_mhz, 1.0) for a in found]),
    }
    shares = ", ".join(f"{name} {100 * share:.1f} %" for name, share in held.items())
    # Free widths lean on one another; their mean is what the bound is of.
    scatter = np.std([np.mean([m.linewidth_mhz.value for m in a.modes]) for a in found]) / bound
    print(f"{label:34s} {wanted} {100 * len(found) / draws:.1f} %, scatter/bound {scatter:.3f}, held: {shares}")


def _interleaved(times: int, *works: Callable[[], object]) -> list[float]:
    """Median milliseconds of processor time of each work, run in turn."""
    taken: list[list[float]] = [[] for _ in works]
    for _ in range(times):
        for mine, work in zip(taken, works, strict=True):
            begun = time.process_time()
            work()
            mine.append(1e3 * (time.process_time() - begun))
    return [float(np.median(mine)) for mine in taken]


def _theirs(a_scan: Scan, apart: float) -> Callable[[], object]:
    """lmfit at its defaults: Lorentz dips on a parabola, started as read off the trace by eye."""
    from lmfit.models import LorentzianModel, QuadraticModel

    model, start = QuadraticModel(), {"a": 0.0, "b": 0.0, "c": 2.45}
    for name, centre in (("l_", -apart + 0.4), ("r_", apart + 0.4))[: 2 if apart else 1]:
        model = model + LorentzianModel(prefix=name)
        # Width a fifth too great, height a tenth too small.
        start |= {f"{name}center": centre, f"{name}sigma": 3.0, f"{name}amplitude": -7.6 if apart else -13.6}
    return lambda: model.fit(a_scan.signal, model.make_params(**start), x=a_scan.detuning_mhz)


def _ours(a_scan: Scan, apart: float) -> Callable[[], object]:
    """The fit alone from the same start: bins, then the shape."""
    z, y = a_scan.detuning_mhz / 6.0, a_scan.signal / 2.45
    middle = 0.4 / 6.0
    if apart:
        return lambda: fit_from(z, y, np.array([middle, 1.0, 0.18, (apart / 6.0) ** 2, 0.0]))
    return lambda: fit_from(z, y, np.array([middle, 1.0, 0.58]))


def speed(points: int, apart: float = 5.0) -> None:
    """One line: whole analysis and fit alone of a dip or a pair, and lmfit's composite fit of it, in turn."""
    a_scan: Scan = scan(np.random.default_rng(2), g=apart, points=points)
    whole, alone, theirs = _interleaved(25, lambda: analyse(a_scan), _ours(a_scan, apart), _theirs(a_scan, apart))
    print(
        f"{points} points, {'pair' if apart else 'dip'}: lmfit {theirs:.1f} ms; analysis {whole:.2f} ms, "
        f"ratio {theirs / whole:.1f}; fit alone {alone:.2f} ms, ratio {theirs / alone:.1f}"
    )


def main() -> None:
    """All lines."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    if draws:
        _statistics(draws)
    _speeds()


def _statistics(draws: int) -> None:
    coverage("single, 83 points a width", draws)
    coverage("single, 10 points a width, 2 %", draws, points=120, noise=0.02)
    coverage("single, AR(1) noise of 0.9", draws, points=3000, memory=0.9)
    coverage("split by 0.5 width, 480 points", draws, g=1.25, points=480)
    coverage("split by 2 widths", draws, g=5.0)


def _speeds() -> None:
    for points in (10_000, 100_000):
        speed(points)
        speed(points, 0.0)


if __name__ == "__main__":
    main()
