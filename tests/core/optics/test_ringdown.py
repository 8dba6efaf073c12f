"""Ring-down against decays integrated independently of the fitted formula, and against published Q."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.core.optics.ringdown import RingDownUnreadable, decay, fit_ringdown


def integrated(t_ns, rate_mhz, beat_mhz=0.0, on_ns=0.0):
    """Light left in the driven direction: da/dt = -(k/2) a + i g b, and b alike, by matrix exponentials."""
    from scipy.linalg import expm

    half, g = np.pi * rate_mhz * 1e-3, np.pi * beat_mhz * 1e-3
    system = np.array([[-half, 1j * g], [1j * g, -half]])
    return np.array([abs((expm(system * max(t - on_ns, 0.0)) @ [1.0, 0.0])[0]) ** 2 for t in t_ns])


def noisy(t_ns, y, rng, noise=0.01):
    """Detector volts with an offset."""
    return 0.3 + 1.2 * y + 1.2 * noise * rng.standard_normal(len(t_ns))


def test_the_decay_of_a_split_mode_beats_at_its_splitting():
    """exp(-kt)(1 + cos 2gt)/2 of Weiss et al., Opt. Lett. 20, 1835 (1995), equals the coupled waves integrated."""
    t = np.linspace(0, 400, 81)
    assert decay(t, 2.0, 6.0) == pytest.approx(integrated(t, 2.0, 6.0), abs=1e-12)


@pytest.mark.parametrize(("q", "nm", "tau_ns"), [(1e8, 1550, 82.2870), (1e9, 1550, 822.870), (1e8, 780, 41.4089)])
def test_a_lifetime_is_the_published_q(q, nm, tau_ns):
    """tau = Q lambda/(2 pi c), printed digits."""
    t = np.linspace(0, 8 * tau_ns, 400)
    rng = np.random.default_rng(1)
    found = fit_ringdown(t, noisy(t, np.exp(-t / tau_ns), rng, 1e-4))
    assert found.lifetime_ns.value == pytest.approx(tau_ns, rel=1e-3)
    assert found.q_loaded(nm).value == pytest.approx(q, rel=1e-3)


def test_lifetimes_lie_in_their_intervals_as_often_as_stated():
    """White noise of 3 %, light going off within the record: intervals hold 80 ns in 92.5 to 97.5 % of draws."""
    rng = np.random.default_rng(2)
    t = np.linspace(0, 600, 240)
    truth = np.where(t < 60, 1.0, np.exp(-(t - 60) / 80.0))
    found = [fit_ringdown(t, noisy(t, truth, rng, 0.03), model="single").lifetime_ns for _ in range(400)]
    assert 0.925 <= np.mean([x.low <= 80.0 <= x.high for x in found]) <= 0.975
    assert np.mean([x.value for x in found]) == pytest.approx(80.0, rel=0.01)


def test_a_beat_is_found_where_there_is_one_and_only_there():
    """Split by 3 linewidths at 2 % noise: always found, both numbers in their intervals; a single decay never beats."""
    rng = np.random.default_rng(3)
    t = np.linspace(0, 500, 300)
    clean = integrated(t, 2.0, 6.0)
    split = [fit_ringdown(t, noisy(t, clean, rng, 0.02)) for _ in range(30)]
    plain = [fit_ringdown(t, noisy(t, np.exp(-t / 80.0), rng, 0.02)) for _ in range(30)]
    assert {x.model for x in split} == {"beating"}
    assert np.mean([x.model == "single" for x in plain]) >= 0.96
    tau = 1e3 / (2 * np.pi * 2.0)
    assert np.mean([x.lifetime_ns.low <= tau <= x.lifetime_ns.high for x in split]) >= 0.83
    assert np.mean([x.beat_mhz.low <= 6.0 <= x.beat_mhz.high for x in split]) >= 0.83


def test_intrinsic_q_takes_the_coupling_out():
    """Q_L with T_min = .25: 4/3 of it under coupling, four times it over (the rule of a single dip)."""
    t = np.linspace(0, 800, 400)
    found = fit_ringdown(t, noisy(t, np.exp(-t / 80), np.random.default_rng(4), 1e-3))
    loaded = found.q_loaded(1550).value
    assert found.q_intrinsic(1550, 0.5).value == pytest.approx(loaded * 4 / 3)
    assert found.q_intrinsic(1550, 0.5, over=True).value == pytest.approx(loaded * 4)
    plain, doubted = found.q_intrinsic(1550, 0.5), found.q_intrinsic(1550, 0.5, 0.05)
    assert doubted.low < plain.low < plain.value < plain.high < doubted.high


def test_what_spoils_a_ring_down_is_said():
    """A record that ends too early, samples too sparse, a slow detector: each a sentence."""
    rng = np.random.default_rng(5)
    short, sparse, long = np.linspace(0, 90, 200), np.linspace(0, 2000, 40), np.linspace(0, 600, 300)
    said = {
        name: " ".join(fit_ringdown(t, noisy(t, np.exp(-t / 80), rng, 0.002), model="single", **more).doubts)
        for name, t, more in (
            ("short", short, {}),
            ("sparse", sparse, {"off_ns": 0.0}),
            ("slow", long, {"response_ns": 60.0}),
            ("fine", long, {"response_ns": 2.0}),
        )
    }
    assert "record at least 3" in said["short"]
    assert "sample faster" in said["sparse"]
    assert "upper bound" in said["slow"]
    assert said["fine"] == ""


@pytest.mark.parametrize(
    ("y", "says"),
    [
        (np.ones(100), "nothing decays"),
        (np.linspace(0, 1, 100), "no decay|only|Only"),
        (np.random.default_rng(6).standard_normal(100), "stands out|Only"),
        (np.full(100, np.nan), "too few"),
    ],
)
def test_a_record_without_a_decay_is_refused_in_words(y, says):
    """Flat, rising, noise, no numbers: a sentence and no lifetime."""
    with pytest.raises(RingDownUnreadable, match=says):
        fit_ringdown(np.arange(100.0), y)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=0, max_size=60), st.floats(1e-3, 1e6))
def test_any_record_gives_a_lifetime_above_zero_or_a_sentence(y, step):
    """Whatever stands in the columns, the answer is a number with its interval or a refusal."""
    try:
        found = fit_ringdown(np.arange(len(y)) * step, np.array(y))
    except RingDownUnreadable:
        return
    assert 0 < found.lifetime_ns.low <= found.lifetime_ns.value <= found.lifetime_ns.high
