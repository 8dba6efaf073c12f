"""From columns to optical frequency: units, directions, windows, refusals."""

import numpy as np
import pytest

from app.core.optics.analyse import analyse
from app.core.optics.axis import build_scan
from app.core.optics.results import Analysis, AxisOptions, Scan
from app.core.optics.scanfile import Columns
from app.core.optics.unreadable import ScanUnreadable

C = 299_792_458.0
N = 101


def columns(x: np.ndarray, *signals: np.ndarray, names=("x", "y"), units=(None, None)) -> Columns:
    signals = signals or (np.arange(len(x)) % 7 + 1.0,)
    return Columns(names, units, np.column_stack([x, *signals]), "comma", "point", "utf-8", 0, (), 0)


def built(x: np.ndarray, **options: object) -> Scan:
    return build_scan(columns(x), AxisOptions(**options))


def refusal(cols: Columns, **options: object) -> ScanUnreadable:
    with pytest.raises(ScanUnreadable) as caught:
        build_scan(cols, AxisOptions(**options))
    return caught.value


@pytest.mark.parametrize(("unit", "scale"), [("nm", 1e9), ("pm", 1e12), ("um", 1e6), ("m", 1.0)])
def test_wavelength_becomes_detuning_exactly(unit, scale):
    """detuning = c/lambda - c/lambda_ref, rising with optical frequency, so the order is turned round."""
    metres = np.linspace(1549.9e-9, 1550.1e-9, N)
    scan = built(metres * scale, x_unit=unit)
    expected = np.sort(C / metres) - scan.axis.reference_thz * 1e12
    np.testing.assert_allclose(scan.detuning_mhz, expected * 1e-6, atol=1e-3)
    assert scan.axis.absolute
    assert scan.axis.basis == "wavelength"
    assert scan.signal[0] == (N - 1) % 7 + 1.0


@pytest.mark.parametrize(("unit", "hz"), [("THz", 1e12), ("GHz", 1e9), ("MHz", 1e6), ("kHz", 1e3), ("Hz", 1.0)])
def test_frequencies_above_one_terahertz_are_absolute(unit, hz):
    """193.4 THz in any unit is optical frequency; no wavelength needs to be given."""
    scan = built(np.linspace(193.40e12, 193.41e12, N) / hz, x_unit=unit)
    assert scan.axis.absolute
    assert scan.axis.basis == "frequency"
    assert scan.axis.reference_thz == pytest.approx(193.405)
    assert np.ptp(scan.detuning_mhz) == pytest.approx(1e4)


def test_other_frequencies_are_detunings():
    """Below one terahertz the axis is relative and keeps its zero."""
    scan = built(np.linspace(-2, 3, N), x_unit="GHz", wavelength_nm=1550.0)
    assert scan.axis.basis == "detuning"
    assert not scan.axis.absolute
    assert scan.detuning_mhz[[0, -1]] == pytest.approx([-2000, 3000])
    assert scan.axis.reference_thz == pytest.approx(193.414489, abs=1e-6)


@pytest.mark.parametrize(("unit", "seconds"), [("s", 1.0), ("ms", 1e-3), ("us", 1e-6)])
@pytest.mark.parametrize("rate", [5e5, -5e5])
def test_time_is_tuned_by_its_rate(unit, seconds, rate):
    """A negative rate turns the scan round; the relative uncertainty of the rate is kept."""
    t = np.linspace(0.01, 0.02, N)
    scan = built(t / seconds, x_unit=unit, tuning_mhz_per_s=rate, wavelength_nm=1550.0, rel_sigma=0.03)
    np.testing.assert_allclose(scan.detuning_mhz, np.sort(t * rate))
    assert scan.axis.basis == "tuning-rate"
    assert scan.axis.rel_sigma == 0.03
    assert scan.signal[0] == (1.0 if rate > 0 else (N - 1) % 7 + 1.0)


def test_ramp_voltage_is_tuned_by_its_rate():
    """Volts times MHz per volt."""
    scan = built(np.linspace(-1, 1, N), x_unit="V", tuning_mhz_per_v=250.0, wavelength_nm=780.0)
    assert scan.detuning_mhz[[0, -1]] == pytest.approx([-250, 250])


def test_small_wavelengths_are_offsets_from_a_line():
    """-5 to 5 pm about 1550 nm: detuning = -c dlambda/lambda^2."""
    scan = built(np.linspace(-5, 5, N), x_unit="pm", wavelength_nm=1550.0)
    assert scan.detuning_mhz[-1] == pytest.approx(C * 5e-12 / 1550e-9**2 * 1e-6, rel=1e-5)
    assert not scan.axis.absolute


def test_the_window_is_in_the_unit_of_the_file():
    """Only rows between its ends are kept, either end first."""
    scan = built(np.linspace(1549.9, 1550.1, N), x_unit="nm", window=(1550.05, 1549.95))
    assert len(scan.detuning_mhz) == 51


def test_unordered_rows_are_put_in_order():
    """Rows in any order give the scan in rising frequency with its signal."""
    x = np.linspace(-50, 50, N)
    mixed = np.random.default_rng(1).permutation(N)
    scan = build_scan(columns(x[mixed], x[mixed] ** 2 + 1), AxisOptions(x_unit="MHz", wavelength_nm=1550.0))
    np.testing.assert_allclose(scan.signal, scan.detuning_mhz**2 + 1)


def test_columns_are_chosen_by_name_or_number():
    """Names, names in other case, 0-based numbers; two columns need no choice, three do."""
    three = columns(
        np.linspace(0, 1, N), np.arange(N) + 1.0, np.arange(N) * 2.0 + 1,
        names=("Time_s", "ref", "signal"), units=("s", None, None),
    )  # fmt: skip
    options = {"tuning_mhz_per_s": 100.0, "wavelength_nm": 1550.0}
    for x, y in (("Time_s", "signal"), ("time_S", 2), ("0", "2")):
        assert build_scan(three, AxisOptions(x=x, y=y, **options)).signal[-1] == 2.0 * (N - 1) + 1
    assert "0 'Time_s', 1 'ref', 2 'signal'" in refusal(three, **options).text
    assert "no such column" in refusal(three, x="time", y="signal").text
    assert "both" not in refusal(three, x="ref", y="1").text


@pytest.mark.parametrize(
    ("x", "options", "code", "words"),
    [
        (np.linspace(0, 1, N), {}, "no_unit", "--x-unit"),
        (np.linspace(0, 1, N), {"x_unit": "furlong"}, "wrong_unit", "furlong"),
        (np.linspace(0, 1, N), {"x_unit": "MHz"}, "no_wavelength", "--wavelength-nm"),
        (np.linspace(0, 1, N), {"x_unit": "s", "wavelength_nm": 1550.0}, "no_tuning_rate", "--tuning-mhz-per-s"),
        (np.linspace(0, 1, N), {"x_unit": "V", "wavelength_nm": 1550.0}, "no_tuning_rate", "--tuning-mhz-per-v"),
        (np.linspace(1549, 1551, N), {"x_unit": "um"}, "wrong_unit", "no light silica guides"),
        (np.linspace(1549, 1551, N), {"x_unit": "THz"}, "wrong_unit", "no light silica guides"),
        (np.linspace(0.5, 1.5, N), {"x_unit": "THz"}, "wrong_unit", "both sides of 1 THz"),
        (np.linspace(0, 1, N), {"x_unit": "MHz", "wavelength_nm": 1.55}, "wrong_wavelength", "1.55"),
        (np.full(N, 1550.0), {"x_unit": "nm"}, "constant_axis", "constant"),
        (np.linspace(1549, 1551, N), {"x_unit": "nm", "window": (1560.0, 1570.0)}, "window", "0 rows"),
    ],
)
def test_an_axis_that_makes_no_sense_is_refused(x, options, code, words):
    """Missing unit, rate or wavelength, wrong unit, constant column, empty window: one sentence each."""
    found = refusal(columns(x), **options)
    assert found.code == code
    assert words in found.text


def test_a_constant_signal_is_refused():
    """A dead channel is no scan."""
    found = refusal(columns(np.linspace(1549, 1551, N), np.full(N, 0.3)), x_unit="nm")
    assert (found.code, "constant: 0.3" in found.text) == ("constant_signal", True)


def test_decibels_become_linear_power():
    """dBm in the heading is stated, values that look like it are assumed, --y-unit decides; no 3,000 dB."""
    x = np.linspace(1549, 1551, N)
    y = -10.0 - np.arange(N) % 9
    linear = 10 ** (y[::-1] / 10)
    assumed = build_scan(columns(x, y), AxisOptions(x_unit="nm"))
    assert assumed.decibels == "assumed"
    np.testing.assert_allclose(assumed.signal, linear)
    stated = build_scan(columns(x, y + 50, units=("nm", "dBm")), AxisOptions())
    assert stated.decibels == "stated"
    np.testing.assert_allclose(stated.signal, linear * 1e5)
    assert build_scan(columns(x, y), AxisOptions(x_unit="nm", y_unit="dB")).decibels == "stated"
    as_is = build_scan(columns(x, y), AxisOptions(x_unit="nm", y_unit="linear"))
    assert (as_is.decibels, as_is.signal.min()) == ("", y.min())
    assert refusal(columns(x, y * 300), x_unit="nm", y_unit="dB").code == "decibels"


def _fringes(t: np.ndarray, mhz: np.ndarray, fsr: float = 204.19, noise: float = 0.01) -> Columns:
    rng = np.random.default_rng(1)
    signal = 1 - 0.6 / (1 + ((mhz - 1500) / 25) ** 2) + 0.005 * rng.normal(size=len(t))
    reference = 0.5 + 0.4 * np.cos(2 * np.pi * mhz / fsr + 0.3) + noise * rng.normal(size=len(t))
    return columns(t, signal, reference, names=("t", "signal", "mzi"), units=("s", None, None))


def test_fringes_make_the_axis_of_an_uneven_sweep():
    """Sweep of 3 GHz that bends by 8 %, fringes of a 1 m delay (204.190 MHz, science A9): the dip keeps its width."""
    t = np.linspace(0, 1, 20_000)
    scan = build_scan(
        _fringes(t, 3000 * (t + 0.08 * t * t)),
        AxisOptions(reference="mzi", y="signal", fsr_mhz=204.19, fsr_sigma_mhz=0.2, wavelength_nm=1550),
    )
    assert (scan.axis.basis, scan.axis.rel_sigma) == ("fringes", pytest.approx(0.2 / 204.19))
    a = analyse(scan)
    assert isinstance(a, Analysis)
    assert a.modes[0].linewidth_mhz.value == pytest.approx(50.0, rel=0.01)
    assert any("fringes" in note for note in scan.notes)


def test_fringes_that_make_no_axis_are_refused():
    """Too few fringes, a sweep that turns back, no free spectral range."""
    t = np.linspace(0, 1, 4000)
    options = {"reference": "mzi", "y": "signal", "wavelength_nm": 1550}
    assert refusal(_fringes(t, 300 * t), fsr_mhz=204.19, **options).code == "fringes"
    there_and_back = 6000 * np.minimum(t, 1 - t)
    assert refusal(_fringes(t, there_and_back), fsr_mhz=204.19, **options).code == "fringes"
    assert refusal(_fringes(t, 3000 * t), **options).code == "no_fsr"
