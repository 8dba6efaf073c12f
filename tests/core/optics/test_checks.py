"""Each check provoked by a scan that has the fault, made apart from the fitted shapes, and silent on clean ones."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import lfilter

from app.core.optics.analyse import analyse
from app.core.optics.lineshapes import curve
from app.core.optics.results import Analysis, Axis, Check, FitOptions, Scan
from tests.core.optics.scans import NU_MHZ, coupled_modes, scan

AXIS = Axis("detuning", "MHz", absolute=False, reference_thz=NU_MHZ * 1e-6, rel_sigma=0.0)


def analysed(z: np.ndarray, signal: np.ndarray, axis: Axis = AXIS, **options: object) -> Analysis:
    result = analyse(Scan(z, signal, axis), FitOptions(**options))
    assert isinstance(result, Analysis), result
    return result


def check(analysis: Analysis, code: str) -> Check:
    return next(c for c in analysis.checks if c.code == code)


def noisy(t: np.ndarray, noise: float = 0.003, seed: int = 5) -> np.ndarray:
    return t + noise * np.random.default_rng(seed).normal(size=len(t))


def swept(v: float, z: np.ndarray, k0: float = 4.0, kex: float = 1.0) -> np.ndarray:
    """|1 - sqrt(kex) a|^2 at detunings z (MHz) of a sweep of v = (d omega/dt)/kappa^2, from da/dt."""
    k = 2 * np.pi * (k0 + kex)
    rate = v * k * k  # rad/us^2
    couple = np.sqrt(2 * np.pi * kex)
    t = 2 * np.pi * (z - z[0]) / rate

    def motion(at: float, a: np.ndarray) -> np.ndarray:
        return -(k / 2 + 1j * (2 * np.pi * z[0] + rate * at)) * a + couple

    begin = couple / (k / 2 + 2j * np.pi * z[0])
    end = solve_ivp(motion, (0, t[-1]), [begin], t_eval=t, rtol=1e-8, atol=1e-10, method="DOP853").y[0]
    return np.abs(1 - couple * end) ** 2


@pytest.mark.parametrize(("v", "bias"), [(0.3, 5.6)])
def test_ringing_is_told_from_the_sweep_rate(v, bias):
    """da/dt integrated over a fast sweep: found, with the bias to expect (widths of science A7, here k0 = 4 kex)."""
    z = np.linspace(-60, 60, 4000)
    rate = v * 2 * np.pi * 25.0 * 1e6
    axis = Axis("tuning-rate", "s", absolute=False, reference_thz=NU_MHZ * 1e-6, rel_sigma=0.0, sweep_mhz_per_s=rate)
    found = check(analysed(z, noisy(swept(v, z), 0.001), axis), "ringing")
    assert found.state == "found"
    assert found.bias_percent == pytest.approx(bias, rel=0.5)
    assert "slower" in found.text
    slow = Axis(
        "tuning-rate", "s", absolute=False, reference_thz=NU_MHZ * 1e-6, rel_sigma=0.0, sweep_mhz_per_s=rate / 30
    )
    assert check(analysed(z, noisy(swept(v / 30, z)), slow), "ringing").state == "clear"


def test_ringing_shows_itself_where_the_rate_is_unknown():
    """A sweep of v = 1 swings about the curve on one side; a slow one cannot be cleared."""
    z = np.linspace(-60, 60, 4000)
    assert check(analysed(z, noisy(swept(1.0, z))), "ringing").state == "found"
    assert check(analysed(z, noisy(swept(0.01, z))), "ringing").state == "not_checkable"


def dragged(z: np.ndarray, heat: float, k0: float = 4.0, kex: float = 1.0) -> np.ndarray:
    """Transmission of an upward sweep with the resonance pushed by its own absorbed power, integrated in time.

    The shift s follows heat x (w/2) x L(D - s) with a relaxation a hundredth of the time across a width.
    """
    half, s, out = 0.5 * (k0 + kex), 0.0, np.empty_like(z)
    steps = 40
    pace = 1 - np.exp(-(z[1] - z[0]) / steps / (0.02 * half))
    for i, d in enumerate(z):
        for _ in range(steps):
            s += pace * (heat * half / (1 + ((d - s) / half) ** 2) - s)
        out[i] = coupled_modes(np.array([d - s]), k0, kex, 0.0)[0]
    return out


def test_a_dip_that_heats_itself_leans():
    """Absorption heating of 1.2 half widths: found as such, and the width comes out as it was."""
    z = np.linspace(-40, 40, 1500)
    a = analysed(z, noisy(dragged(z, 1.2)))
    found = check(a, "thermal_drag")
    assert (a.model, found.state) == ("single", "found")
    assert found.bias_percent == pytest.approx(4.5, abs=3.5)
    assert a.modes[0].linewidth_mhz.value == pytest.approx(5.0, rel=0.02)


@pytest.mark.parametrize("heat", [2.0, 6.0, -4.0])
def test_a_dip_dragged_to_a_triangle_is_no_measurement(heat):
    """Beyond bistability (8/(3 sqrt 3) half widths, science A6) the check is found and the grade C, a lower bound."""
    z = np.linspace(-40, 40, 1500)
    a = analysed(z, noisy(dragged(z, heat)))
    assert (check(a, "thermal_drag").state, check(a, "ringing").state) == ("found", "not_checkable")
    assert (a.model, a.device.grade) == ("single", "C")


def test_a_slow_detector_trails():
    """A one-pole filter of 0.15 of the transit across the width: found, and the width corrected to 1 %."""
    z = np.linspace(-40, 40, 4000)
    step = (z[1] - z[0]) / (0.15 * 5.0)
    slow = lfilter([1 - np.exp(-step)], [1, -np.exp(-step)], 1 - coupled_modes(z, 4.0, 1.0, 0.0))
    a = analysed(z, noisy(1 - slow))
    found = check(a, "detector_bandwidth")
    assert (a.model, found.state) == ("single", "found")
    assert found.bias_percent == pytest.approx(5.0, abs=4.0)
    assert a.modes[0].linewidth_mhz.value == pytest.approx(5.0, rel=0.02)
    assert check(analysed(z, noisy(coupled_modes(z, 4.0, 1.0, 0.0))), "detector_bandwidth").state == "clear"


@pytest.mark.parametrize("phase", [0.3, 0.5])
def test_light_past_the_resonance_is_told_and_allowed_for(phase):
    """B |1 - kex e^{i phi}/(k/2 + iD)|^2 (science A8): found, single, intrinsic Q right to 2 %."""
    z = np.linspace(-50, 50, 2000)
    t = np.abs(1 - 1.0 * np.exp(1j * phase) / (2.5 + 1j * z)) ** 2
    a = analysed(z, noisy(2.5 * t))
    assert (a.model, check(a, "steep_background").state) == ("single", "found")
    assert a.device.q_intrinsic.value == pytest.approx(NU_MHZ / 4.0, rel=0.02)
    assert a.modes[0].linewidth_mhz.value == pytest.approx(5.0, rel=0.02)
    assert check(analysed(z, noisy(coupled_modes(z, 4.0, 1.0, 0.0))), "steep_background").state == "clear"


@pytest.mark.parametrize(("g", "period"), [(0.0, 22.0), (0.0, 9.0), (6.0, 17.0)])
def test_an_etalons_ripple_is_fitted_with_the_dip(g, period):
    """A ripple of 4 % of the light: the width comes out to 1 % and in its interval, the curve is drawn with it."""
    z = np.linspace(-60, 60, 4000)
    ripple = 1 + 0.04 * np.cos(2 * np.pi * z / period + 1.0)
    signal = noisy(2.0 * ripple * coupled_modes(z, 4.0, 1.0, g), 0.006)
    a = analysed(z, signal)
    assert a.model == ("split" if g else "single")
    assert a.modes[0].linewidth_mhz.value == pytest.approx(5.0, rel=0.015)
    assert a.device.q_intrinsic.value == pytest.approx(NU_MHZ / 4.0, rel=0.015)
    assert np.std(signal - curve(a.stored, z)) == pytest.approx(0.006, rel=0.1)
    said = check(a, "steep_background")
    assert said.state in {"found", "clear", "not_checkable"}
    assert said.state == "found" or abs(said.bias_percent or 0) < 2


def test_clipped_samples_are_counted():
    """A floor or a ceiling of the digitiser: found; a quantised trace that stays in range is clear."""
    z = np.linspace(-40, 40, 1500)
    t = noisy(coupled_modes(z, 4.0, 1.0, 0.0), 0.01)
    floor = check(analysed(z, np.maximum(t, 0.5)), "clipping")
    assert floor.state == "found"
    assert abs(floor.bias_percent) > 2
    assert check(analysed(z, np.minimum(t, 1.0)), "clipping").state in {"found", "clear"}
    assert "stuck" in check(analysed(z, np.minimum(t, 0.99)), "clipping").text
    assert check(analysed(z, np.round(t * 256) / 256), "clipping").state == "clear"
    assert check(analysed(z, t), "clipping").state == "clear"


def test_few_samples_and_little_baseline_are_told():
    """Four samples a width, and a window that ends a width and a half from the centre."""
    z = np.linspace(-30, 30, 49)
    assert check(analysed(z, noisy(coupled_modes(z, 4.0, 1.0, 0.0))), "too_few_points").state == "found"
    z = np.linspace(-7.5, 7.5, 400)
    assert check(analysed(z, noisy(coupled_modes(z, 4.0, 1.0, 0.0))), "narrow_window").state == "found"


def test_the_lasers_own_line_is_taken_off():
    """A dip convolved with a Lorentz laser line of 1 MHz (numerically): found, width and intrinsic Q as they were."""
    z = np.linspace(-60, 60, 3000)
    fine = np.linspace(-400, 400, 40_001)
    line = 0.5 / np.pi / (fine**2 + 0.25) * (fine[1] - fine[0])
    t = np.array([np.sum(line * coupled_modes(d - fine, 4.0, 1.0, 0.0)) for d in z])
    a = analysed(z, noisy(t, 0.001), laser_mhz=1.0)
    found = check(a, "laser_linewidth")
    assert found.state == "found"
    assert a.modes[0].linewidth_mhz.value == pytest.approx(5.0, rel=0.01)
    assert a.device.q_intrinsic.value == pytest.approx(NU_MHZ / 4.0, rel=0.01)
    assert check(analysed(z, noisy(t, 0.001)), "laser_linewidth").state == "not_checkable"


def test_a_mode_on_top_is_told():
    """Two unrelated dips three quarters of a width apart, of unlike width and depth."""
    z = np.linspace(-60, 60, 3000)
    t = coupled_modes(z, 4.0, 1.0, 0.0) * coupled_modes(z - 4.5, 1.0, 0.4, 0.0)
    assert check(analysed(z, noisy(t), model="single"), "crossing_modes").state == "found"


def test_a_rounded_axis_is_told():
    """Detunings rounded to half a width by whatever wrote them."""
    z = np.linspace(-40, 40, 1500)
    t = noisy(coupled_modes(z, 4.0, 1.0, 0.0))
    assert check(analysed(np.round(z / 2.5) * 2.5, t), "axis_too_coarse").state == "found"
    assert check(analysed(np.round(z / 0.1) * 0.1, t), "axis_too_coarse").state == "clear"


def test_what_one_scan_cannot_show_is_said():
    """Dark level, wrong polarisation, heating in one sweep: not checkable, in words; a dark level given is clear."""
    z = np.linspace(-40, 40, 1500)
    t = noisy(coupled_modes(z, 4.0, 1.0, 0.0))
    a = analysed(z, t)
    for code in ("dark_level", "uncoupled_light", "thermal_drag", "laser_linewidth", "ringing"):
        assert check(a, code).state == "not_checkable"
    assert check(analysed(z, t, dark_given=True), "dark_level").state == "clear"


def test_clean_scans_raise_no_alarm():
    """Single and split, shallow and deep, few samples and many: nothing is found but near-critical coupling."""
    rng = np.random.default_rng(31)
    alarms = []
    for i in range(90):
        a_scan = scan(
            rng,
            kex=(0.2, 1.0, 2.5)[i % 3],
            g=(0.0, 0.0, 6.0)[i // 3 % 3],
            points=(400, 2000)[i % 2],
            noise=(0.002, 0.02)[i // 2 % 2],
            centre=float(rng.uniform(-5, 5)),
        )
        a = analyse(a_scan)
        assert isinstance(a, Analysis)
        alarms += [c.code for c in a.checks if c.state == "found" and c.code != "near_critical"]
    assert len(alarms) <= 1, alarms
