"""Reflection and drop-port peaks: the scan upside down, fitted as a shallow dip in much light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from app.core.optics.results import Analysis, Check, Evidence, Measured, Mode, Quality, Scan

_MUCH = 8.0
"""Light added, in heights of the trace: a peak on it is the sum of Lorentz lines to a few per cent of that."""


def mirrored(scan: Scan) -> Scan:
    """`scan` with its signal s turned into c - s."""
    return replace(scan, signal=_turn(scan) - scan.signal, others=tuple(mirrored(other) for other in scan.others))


def _turn(scan: Scan) -> float:
    top, bottom = float(np.max(scan.signal)), float(np.min(scan.signal))
    return top + _MUCH * (top - bottom)


def turned_back(one: Analysis, turn: float) -> Analysis:
    """The stored curve with the light `turn` that the scan was taken from, so that it draws the peak."""
    return replace(one, stored=replace(one.stored, constants={**one.stored.constants, "turn": turn}))


def as_peak(one: Analysis) -> Analysis:
    """The analysis of the mirrored scan in terms of the peak.

    Width, loaded Q and splitting are the peak's own. Its height does not tell how strongly it is coupled, so that
    intrinsic Q is given as the lower bound it must exceed, the loaded one; contrast is the peak's share of the light
    at its top.
    """
    constants = one.stored.constants
    turn = constants["turn"]
    light = one.stored.parameters[-3]
    height = light * one.contrast.value
    top = turn - light + height
    share = height / top if top > 0 else 1.0
    by = share / one.contrast.value
    modes = tuple(_bound(mode) for mode in one.modes)
    best = max(modes, key=lambda m: m.q_loaded.value)
    checks = tuple(
        Check(c.code, "not_checkable", None, "A peak's height does not tell how strongly it is coupled.")
        if c.code in {"near_critical", "dark_level"}
        else c
        for c in one.checks
    )
    return replace(
        one,
        modes=modes,
        device=replace(one.device, q_intrinsic=_open(best.q_loaded), grade="C"),
        contrast=_scaled(one.contrast, by),
        coupling_mhz=Measured(one.coupling_mhz.value, None, None, None),
        quality=Quality(
            noise=one.quality.noise * light / max(top, 1e-300),
            reduced_chi2=one.quality.reduced_chi2,
            points_per_linewidth=one.quality.points_per_linewidth,
        ),
        evidence=Evidence(one.evidence.delta_bic, one.evidence.text),
        checks=checks,
    )


def _open(m: Measured) -> Measured:
    """A lower bound: no upper end."""
    return Measured(m.value, m.sigma, m.low, None)


def _bound(mode: Mode) -> Mode:
    return replace(mode, q_intrinsic=_open(mode.q_loaded), q_intrinsic_other=None)


def _scaled(m: Measured, by: float) -> Measured:
    parts = (None if v is None else v * by for v in (m.sigma, m.low, m.high))
    return Measured(m.value * by, *parts)
