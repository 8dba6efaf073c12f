"""Scatter, coverage, rates of found and false splits: modest draws of what `science` asks of the numerics."""

import numpy as np
import pytest

from app.core.optics.analyse import analyse
from app.core.optics.results import Analysis, Measured
from tests.core.optics.scans import NU_MHZ, scan

DRAWS = 300


def _holds(m: Measured, truth: float) -> bool:
    return (m.low is None or m.low <= truth) and (m.high is None or truth <= m.high)


def _bound(rel: float, draws: int, sigmas: float = 3.0) -> float:
    """Lowest share of hits that draws of a 95 % interval may show by chance."""
    return rel - sigmas * float(np.sqrt(rel * (1 - rel) / draws))


def test_width_of_a_single_dip_reaches_the_cramer_rao_bound():
    """sd(G)/G against the bound for a free baseline, and the stated sigma against the scatter.

    The bound is the inverse Fisher information of T (b0 + b1 u + b2 u^2) at the truth, by central differences.
    For a known baseline it is 2.25676 (sigma/A)/sqrt(N_G) (closed form; checked below to 3 %).
    """
    k0, kex, n, noise, widths = 4.0, 1.0, 600, 0.02, 12.0
    half = 0.5 * widths * 5.0
    z = np.linspace(-half, half, n)

    def model(p: np.ndarray) -> np.ndarray:
        u = z / half
        return (1 - p[1] / (1 + (2 * (z - p[2]) / p[0]) ** 2)) * (p[3] + p[4] * u + p[5] * u * u)

    truth = np.array([5.0, 4 * k0 * kex / 25, 0.0, 1.0, 0.05, 0.03])
    j = np.array([(model(truth + 1e-5 * e) - model(truth - 1e-5 * e)) / 2e-5 for e in np.eye(6)])
    bound = noise * np.sqrt(np.linalg.inv(j @ j.T)[0, 0])
    known = noise * np.sqrt(np.linalg.inv(j[:3] @ j[:3].T)[0, 0])
    assert known / 5.0 == pytest.approx(2.25676 * (noise / 0.64) / np.sqrt(n / widths), rel=0.03)

    rng = np.random.default_rng(21)
    fits = [analyse(scan(rng, noise=noise, points=n)) for _ in range(DRAWS)]
    found = [a.modes[0].linewidth_mhz for a in fits if isinstance(a, Analysis) and a.model == "single"]
    assert len(found) >= DRAWS - 3
    scatter = np.std([m.value for m in found])
    assert scatter / bound < 1.05 + 3 / np.sqrt(2 * DRAWS)
    assert np.mean([m.sigma for m in found]) == pytest.approx(bound, rel=0.05)
    for name, value in (("linewidth_mhz", 5.0), ("q_loaded", NU_MHZ / 5.0), ("q_intrinsic", NU_MHZ / 4.0)):
        hits = [_holds(getattr(a.modes[0], name), value) for a in fits if isinstance(a, Analysis)]
        assert _bound(0.95, DRAWS) < np.mean(hits), name
    hits = [_holds(a.contrast, 0.64) for a in fits if isinstance(a, Analysis)]
    assert _bound(0.95, DRAWS) < np.mean(hits)


def test_intervals_hold_where_neighbouring_samples_are_correlated():
    """AR(1) noise of 0.9: intervals of white noise would hold a third of the truths."""
    rng = np.random.default_rng(22)
    hits = []
    for _ in range(120):
        a = analyse(scan(rng, memory=0.9, points=2500))
        assert isinstance(a, Analysis)
        hits.append(_holds(a.modes[0].linewidth_mhz, 5.0))
    assert np.mean(hits) > _bound(0.93, 120)


def test_a_splitting_of_half_a_linewidth_is_found_and_its_intervals_hold():
    """At 1 % noise at least 95 % of the splits are found; intervals of Q, coupling and splitting hold the truth."""
    rng = np.random.default_rng(23)
    fits = [analyse(scan(rng, g=1.25, points=480)) for _ in range(150)]
    found = [a for a in fits if isinstance(a, Analysis) and a.model == "split"]
    assert len(found) >= 0.95 * len(fits)
    low = _bound(0.95, len(found))
    assert np.mean([_holds(a.modes[0].q_intrinsic, NU_MHZ / 4.0) for a in found]) > low
    assert np.mean([_holds(a.coupling_mhz, 1.0) for a in found]) > low
    assert np.mean([a.splitting_mhz is not None and _holds(a.splitting_mhz, 2.5) for a in found]) > low


def test_a_single_dip_is_not_called_split():
    """Over depths and sampling, at most one draw in a hundred."""
    rng = np.random.default_rng(24)
    split = 0
    for i in range(200):
        kex = (0.3, 1.0, 4.0)[i % 3]
        a = analyse(scan(rng, kex=kex, points=(150, 400, 1500)[i // 3 % 3], noise=(0.003, 0.03)[i % 2]))
        split += isinstance(a, Analysis) and a.model == "split"
    assert split <= 2


def test_unequal_modes_of_a_resolved_pair_hold_their_intervals():
    """Both intrinsic Q, and the device's, lie within their intervals."""
    rng = np.random.default_rng(25)
    fits = [analyse(scan(rng, g=7.5 - 0.75j, widths=16, points=800)) for _ in range(120)]
    found = [a for a in fits if isinstance(a, Analysis) and a.model == "split"]
    assert len(found) == len(fits)
    low = _bound(0.95, len(found))
    for i, width in enumerate((5.5, 2.5)):
        assert np.mean([_holds(a.modes[i].q_intrinsic, NU_MHZ / width) for a in found]) > low
    assert np.mean([_holds(a.device.q_intrinsic, NU_MHZ / 4.0) for a in found]) > low


@pytest.mark.parametrize("seed", range(6))
def test_lmfit_agrees_on_single_dips(seed):
    """Second opinion: lmfit finds the same width and centre to a hundredth of sigma, and the same error bars."""
    lmfit = pytest.importorskip("lmfit")
    rng = np.random.default_rng(100 + seed)
    k0 = float(rng.uniform(1, 8))
    a_scan = scan(rng, k0=k0, kex=float(rng.uniform(0.1, 0.8)) * k0, centre=float(rng.uniform(-3, 3)), noise=0.02)
    a = analyse(a_scan)
    assert isinstance(a, Analysis)
    z, half = a_scan.detuning_mhz, a_scan.detuning_mhz[-1]

    def dip(x, x0, w, c, b0, b1, b2):
        u = x / half
        return (1 - c / (1 + (2 * (x - x0) / w) ** 2)) * (b0 + b1 * u + b2 * u * u)

    fit = lmfit.Model(dip).fit(a_scan.signal, x=z, x0=0.1, w=k0, c=0.5, b0=2.5, b1=0.0, b2=0.0)
    mode = a.modes[0]
    for ours, theirs in ((mode.linewidth_mhz, fit.params["w"]), (mode.detuning_mhz, fit.params["x0"])):
        assert abs(ours.value - theirs.value) < 0.03 * theirs.stderr
        assert ours.sigma == pytest.approx(theirs.stderr, rel=0.08)
