"""What Marver reads and fits out of the invented files is what went into them."""

from __future__ import annotations

from datetime import date

import pytest

from app.core.example.happenings import Scanned
from app.core.example.lab import example_lab
from app.core.example.sweeps import scan_bytes
from app.core.example.truth import LIGHT_MHZ_NM
from app.core.optics.analyse import analyse
from app.core.optics.axis import build_scan
from app.core.optics.results import Analysis, AxisOptions, FitOptions, NoFit
from app.core.optics.scanfile import read_columns


@pytest.fixture(scope="module")
def scans() -> list[Scanned]:
    """Every scan of the small lab."""
    return [each for each in example_lab(date(2026, 3, 4)).happenings if isinstance(each, Scanned)]


def fitted(scan: Scanned) -> Analysis | NoFit:
    """The analysis of its file, told what the person at the table knew."""
    sweep = scan.sweep
    rate = sweep.tuning_mhz_per_s if sweep.form == "trace" else None
    options = AxisOptions(wavelength_nm=sweep.wavelength_nm, tuning_mhz_per_s=rate, rel_sigma=0.02)
    return analyse(build_scan(read_columns(scan_bytes(sweep)), options), FitOptions(dark=sweep.dark_v))


def test_intrinsic_q_is_found_again(scans: list[Scanned]) -> None:
    """Of 45 undercoupled resonances through all three instruments, at least 90 % lie in their 95 % intervals."""
    under = [each for each in scans if 0 < each.sweep.coupling_mhz < 0.6 * each.sweep.intrinsic_mhz]
    chosen = sorted(under, key=lambda scan: scan.sweep.form)[::13][:45]
    assert {scan.sweep.form for scan in chosen} == {"trace", "counter", "wavemeter"}
    held = 0
    for scan in chosen:
        true_q = LIGHT_MHZ_NM / scan.sweep.wavelength_nm / scan.sweep.intrinsic_mhz
        analysis = fitted(scan)
        assert isinstance(analysis, Analysis), scan.sweep.file_name
        q = analysis.device.q_intrinsic
        assert q.value == pytest.approx(true_q, rel=0.35), scan.sweep.file_name
        held += (q.low or 0) <= true_q <= (q.high or float("inf"))
    assert held >= 0.9 * len(chosen)


def test_an_empty_sweep_has_no_resonance(scans: list[Scanned]) -> None:
    """Sweeps that missed the resonance are kept without a fit."""
    empty = [scan for scan in scans if scan.sweep.intrinsic_mhz == 0]
    assert empty
    for scan in empty:
        assert isinstance(fitted(scan), NoFit)
