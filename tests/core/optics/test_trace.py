"""What a plot is given: a narrow dip is not thinned away, and the modes stand where they were put."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.optics.analyse import analyse
from app.core.optics.axis import build_scan
from app.core.optics.results import Analysis, AxisOptions
from app.core.optics.scanfile import read_columns
from app.core.optics.trace import Trace, mode_centres, thin, trace_of
from tests.simulated_scans import Made, scan_file


@given(st.integers(2401, 60_000), st.data())
def test_a_dip_of_one_sample_survives_the_thinning(n: int, data: st.DataObject) -> None:
    """However long the scan and wherever it lies, its depth is drawn."""
    at = data.draw(st.integers(0, n - 1))
    y = np.ones(n)
    y[at] = 0.2
    x = np.arange(n, dtype=float)
    thinned = thin(x, y, bins=1200)
    assert len(thinned.at) <= 1200
    lowest = int(np.argmin(thinned.low))
    assert thinned.low[lowest] == 0.2
    assert abs(thinned.at[lowest] - at) <= n / 1200 + 1
    assert thinned.high.max() == 1.0


def test_few_samples_are_drawn_one_by_one() -> None:
    """A scan that fits the plot is not thinned at all."""
    x = np.arange(500.0)
    thinned = thin(x, x**2)
    assert np.array_equal(thinned.low, x**2)
    assert np.array_equal(thinned.high, x**2)


def _traced(made: Made) -> tuple[Analysis, Trace]:
    scan = build_scan(read_columns(scan_file(made)), AxisOptions(wavelength_nm=1550.0))
    analysis = analyse(scan)
    assert isinstance(analysis, Analysis)
    return analysis, trace_of(scan, analysis.stored, analysis.window_mhz, analysis.quality.noise)


def test_the_modes_are_marked_where_the_equations_have_them() -> None:
    """Two standing waves lie half the splitting to each side of the middle."""
    analysis, trace = _traced(Made(splitting_mhz=6.0, centre_mhz=1.5))
    assert mode_centres(analysis.stored) == pytest.approx((-1.5, 4.5), abs=0.05)
    assert trace.fit is not None
    assert trace.fit.centres_mhz == mode_centres(analysis.stored)


def test_residuals_are_in_units_of_the_noise_and_the_curve_shows_the_dip() -> None:
    """The residuals scatter by one, and the drawn curve comes down to the dip's floor, however long the scan."""
    analysis, trace = _traced(Made(half_span_mhz=200.0, points=16_001))
    assert trace.fit is not None
    assert trace.fit.residuals.high.std() == pytest.approx(1.0, abs=0.15)
    floor = 1.0 - analysis.contrast.value
    assert trace.fit.curve.min() == pytest.approx(1.5 * floor, rel=0.01)
    assert trace.span_mhz == pytest.approx((-200.0, 200.0))
    assert trace.view_mhz[1] - trace.view_mhz[0] < 60.0
