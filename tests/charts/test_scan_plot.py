"""The server-drawn plot of a scan."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.charts.scan import SMALL_POINTS, nice_steps, scan_plot, small_plot
from app.core.optics.results import AxisOptions, FitOptions
from app.queries.scan_files import ReadFile, fit_file, numbers_of, picture_of
from tests.simulated_scans import Made, flat_file, scan_file


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e9), st.integers(3, 8))
def test_ticks_are_few_even_and_inside(offset: float, span: float, count: int) -> None:
    """Ticks are evenly spaced, within the axis, and never so many that their figures collide."""
    low = offset * span
    high = low + span
    values, places = nice_steps(low, high, count)
    assert len(values) <= count + 1
    assert all(low - 1e-6 * span <= value <= high + 1e-6 * span for value in values)
    assert 0 <= places <= 12
    if len(values) > 2:
        steps = np.diff(values)
        assert steps == pytest.approx(np.full(len(steps), steps[0]), rel=1e-3)


def _drawn(content: bytes) -> tuple[object, ...]:
    fitted = fit_file(content, AxisOptions(wavelength_nm=1550.0), FitOptions())
    picture = picture_of(ReadFile(fitted.columns, fitted.scan), numbers_of(fitted) or None, 0.005)
    plot = scan_plot(picture.trace, zero_mhz=picture.zero_mhz, y_name=picture.y_name)
    return plot, plot.scan


def _places(path: str) -> np.ndarray:
    return np.array([[float(n) for n in pair] for pair in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)])


def test_samples_and_curve_share_one_box_and_the_curve_follows_the_samples() -> None:
    """Nothing lies outside the frame, and the curve's deepest place is where the samples' is."""
    plot, panel = _drawn(scan_file(Made(centre_mhz=2.0)))
    samples, curve = _places(panel.samples), _places(panel.curve)
    for places in (samples, curve):
        assert places.min() >= -0.1
        assert places[:, 0].max() <= 1000.1
        assert places[:, 1].max() <= panel.height + 0.1
    deepest = [places[np.argmax(places[:, 1]), 0] for places in (samples, curve)]
    assert deepest[0] == pytest.approx(deepest[1], abs=8.0)
    assert plot.residuals is not None
    assert "one dip" in plot.says


def test_a_long_scan_gets_a_strip_of_all_of_it() -> None:
    """The plot shows the dip, the strip below the whole sweep, with what is left out shaded on both sides."""
    plot, _ = _drawn(scan_file(Made(half_span_mhz=300.0, points=6001)))
    assert plot.whole is not None
    (left, left_width), (right, right_width) = plot.whole.outside
    assert left == 0.0
    assert right + right_width == pytest.approx(100.0)
    assert left_width + right_width > 80


def test_a_scan_without_a_fit_is_drawn_without_a_curve() -> None:
    """No curve, no residuals, but the samples."""
    plot, panel = _drawn(flat_file())
    assert (panel.curve, plot.residuals, plot.whole) == ("", None, None)
    assert panel.samples.count("M") == 400


def test_a_small_plot_is_light_and_keeps_a_narrow_dip() -> None:
    """However long the scan, few strokes; a dip narrower than a stroke still reaches as deep as the curve."""
    content = scan_file(Made(half_span_mhz=300.0, points=20001))
    fitted = fit_file(content, AxisOptions(wavelength_nm=1550.0), FitOptions())
    picture = picture_of(ReadFile(fitted.columns, fitted.scan), numbers_of(fitted), None)
    small = small_plot(picture.trace)
    assert small.samples.count("M") <= SMALL_POINTS
    ends = [float(n) for n in re.findall(r"V(-?[\d.]+)", small.samples)]
    assert max(ends) == pytest.approx(_places(small.curve)[:, 1].max(), abs=0.05 * small.height)
