"""Records that hold sweeps up and down."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.optics.analyse import analyse
from app.core.optics.axis import build_scan
from app.core.optics.ramps import sweeps
from app.core.optics.results import Analysis, AxisOptions
from app.core.optics.scanfile import Columns
from tests.core.optics.scans import coupled_modes
from tests.core.optics.test_checks import dragged


def record(volts: np.ndarray, power: np.ndarray) -> Columns:
    return Columns(("ramp", "pd"), ("V", "V"), np.c_[volts, power], "comma", "point", "utf-8", 0, (), 0)


def analysed(volts: np.ndarray, power: np.ndarray) -> Analysis:
    options = AxisOptions(wavelength_nm=1550, tuning_mhz_per_v=40.0, rel_sigma=0.0)
    a = analyse(build_scan(record(volts, power), options))
    assert isinstance(a, Analysis)
    return a


def heating(a: Analysis) -> str:
    return next(c.state for c in a.checks if c.code == "thermal_drag")


@given(st.integers(1, 6), st.integers(40, 3000), st.floats(0, 0.99), st.floats(0, 0.02))
def test_a_triangle_is_cut_at_its_turns(legs, points, phase, jitter):
    """Whole legs come out one by one, in order and without overlap, whatever the start and the jitter."""
    t = phase + np.linspace(0, legs, points * legs)
    x = np.abs((t + 1) % 2 - 1) + jitter * np.random.default_rng(1).uniform(-1, 1, len(t))
    runs = sweeps(x)
    assert legs - 1 <= len(runs) <= legs + 1
    assert all(a.stop <= b.start for a, b in pairwise(runs))
    for run in runs:
        slope = np.polyfit(np.arange(run.stop - run.start), x[run], 1)[0]
        assert abs(slope) * (run.stop - run.start) > 0.35 * np.ptp(x)


def test_up_and_down_with_a_lag_between_them_is_no_split_resonance():
    """A piezo that lags by a width: the sweeps are fitted apart, agree, and clear the check of heating."""
    up = np.linspace(-1, 1, 3000)
    rng = np.random.default_rng(3)
    t = np.concatenate([coupled_modes(40 * up - 2.5, 4.0, 1.0, 0), coupled_modes(-40 * up + 2.5, 4.0, 1.0, 0)])
    a = analysed(np.concatenate([up, -up]), t + 0.004 * rng.normal(size=6000))
    assert (a.model, heating(a)) == ("single", "clear")
    assert a.points == pytest.approx(3000, abs=3)
    assert a.modes[0].linewidth_mhz.value == pytest.approx(5.0, rel=0.01)
    assert any("2 sweeps" in note for note in a.notes)


def test_heating_shows_between_up_and_down():
    """Drag of four half widths stretches the dip on the way up and squeezes it on the way down: found."""
    up = np.linspace(-1, 1, 1200)
    one_way, other_way = dragged(40 * up, 4.0), dragged(40 * up, -4.0)
    power = np.concatenate([one_way, other_way]) + 0.004 * np.random.default_rng(4).normal(size=2400)
    assert heating(analysed(np.concatenate([up, -up]), power)) == "found"
