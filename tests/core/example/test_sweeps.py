"""The invented scans follow the coupled-mode equations; expected values are those derived in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from app.core.example.sweeps import NOTICE, Sweep, scan_bytes, transmission

SWEEP = Sweep(
    wavelength_nm=1550.0,
    intrinsic_mhz=1.0,
    coupling_mhz=0.25,
    splitting_mhz=0.0,
    span_mhz=25.0,
    centre_mhz=0.0,
    points=901,
    noise=0.0,
    light_v=2.0,
    tilt=0.0,
    bend=0.0,
    dark_v=0.0,
    tuning_mhz_per_s=1000.0,
    form="counter",
    file_name="a.csv",
    seed=1,
)


def at(sweep: Sweep, *detuning_mhz: float) -> list[float]:
    """Transmission at some detunings."""
    return transmission(np.array(detuning_mhz), sweep).tolist()


def test_single_dip_has_its_depth_and_width() -> None:
    """T_min = ((κ₀ − κ_ex)/κ)² and half the depth at half the full width (singlet, derived)."""
    depth, half = at(SWEEP, 0.0, 0.625)
    assert depth == pytest.approx(0.36)
    assert 1 - half == pytest.approx((1 - depth) / 2)


@pytest.mark.parametrize(
    ("intrinsic", "coupling", "g", "values"),
    [(1.0, 1.0, 1.0, [0.25, 0.20]), (1.0, 0.25, 5.0, [0.98773, 0.63891])],
)
def test_split_dip_has_its_known_values(intrinsic: float, coupling: float, g: float, values: list[float]) -> None:
    """T(0) and T(g) of the doublet in the coupled-mode form (Weiss et al. 1995; values derived)."""
    sweep = replace(SWEEP, intrinsic_mhz=intrinsic, coupling_mhz=coupling, splitting_mhz=2 * g)
    assert at(sweep, 0.0, g) == pytest.approx(values, abs=6e-6)


@pytest.mark.parametrize("form", ["trace", "counter", "wavemeter"])
def test_each_file_says_that_it_is_invented(form: str) -> None:
    """Whoever finds a file outside the lab can tell where it came from."""
    lines = scan_bytes(replace(SWEEP, form=form)).decode().splitlines()
    assert NOTICE in lines[0]
    assert len([line for line in lines if line[:1].isdigit() or line[:1] == "-"]) == SWEEP.points


def test_detuning_rises_with_optical_frequency() -> None:
    """A dip above zero detuning stands at a shorter wavelength than the carrier."""
    sweep = replace(SWEEP, form="wavemeter", centre_mhz=5.0)
    rows = [line.split("\t") for line in scan_bytes(sweep).decode().splitlines()[3:]]
    deepest = min(rows, key=lambda row: float(row[1]))
    assert float(deepest[0]) < sweep.wavelength_nm
