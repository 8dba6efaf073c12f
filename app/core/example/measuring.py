"""Sweeps over the resonances of finished devices, and what happens to a few of them on the optical table."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from app.core.example import stock, truth
from app.core.example.chips import ReflowedChip, Rim
from app.core.example.happenings import DeviceLost, PieceEnded, PieceMoved, Scanned
from app.core.example.plan import SEED, WaferPlan
from app.core.example.story import Calendar, Happenings
from app.core.example.sweeps import Sweep

BANDS = {"1550": (stock.PROBE_1550, (1540.0, 1562.0)), "780": (stock.PROBE_780, (778.5, 781.5))}
FORMS = ("trace", "counter", "wavemeter")


def scans_story(plan: WaferPlan, chips: list[ReflowedChip], calendar: Calendar) -> Happenings:
    """Two chips a day on the optical table in the week after reflow."""
    rng = np.random.default_rng([SEED, plan.number, 2])
    happenings: Happenings = []
    for place, chip in enumerate(chips):
        at = calendar.at(plan.week + 2, place // 2, 9 + 4 * (place % 2), 10)
        picked, rims = _pick(chip, rng)
        for order, rim in enumerate(rims):
            happenings += device_scans(rim, at + timedelta(minutes=11 * order), picked, rng)
            if plan.number == 8 and chip.letter == "A" and order < 4:
                later = at + timedelta(hours=3, minutes=5 * order)
                happenings.append(_scan(rim, "780-a", "780", later, picked, rng))
        if rims and rng.random() < 0.16:
            broken = at + timedelta(hours=3, minutes=50)
            loss = DeviceLost(broken, stock.MEASURER, rims[-1].device, "taper", "characterised", "handling")
            happenings.append(replace(loss, note="Taper stuck to the rim and tore it"))
        if chip.letter not in plan.forgotten + plan.lent and plan.number % 12 < 9:
            away = calendar.at(plan.week + 3, 4, 16, place)
            happenings.append(PieceEnded(away, stock.MEASURER, chip.code, "Measured; kept in box 3 to compare with"))
        if chip.letter in plan.lent:
            gone = calendar.at(plan.week + 3, 0, 10)
            happenings.append(PieceMoved(gone, stock.LEAD, chip.code, "lent", "Harrow group (invented)", 90))
    return happenings


def _pick(chip: ReflowedChip, rng: np.random.Generator) -> tuple[str, list[Rim]]:
    """How many rims were measured, and how they were chosen."""
    rims = list(chip.rims)
    how = {"A": "all", "B": "random", "C": "in_reach", "D": "best_looking"}[chip.letter]
    if how == "all":
        return how, rims
    count = min(len(rims), int(rng.integers(6, 10)))
    if how == "best_looking":
        rims.sort(key=lambda rim: -truth.intrinsic_q(rim.made) * float(10 ** rng.normal(0, 0.12)))
        return how, rims[:count]
    if how == "in_reach":
        return how, rims[:count]
    return how, [rims[index] for index in sorted(rng.choice(len(rims), size=count, replace=False).tolist())]


def device_scans(rim: Rim, at: datetime, picked: str, rng: np.random.Generator) -> Happenings:
    """One to three modes at 1550 nm; now and then the same mode again with the taper nearer, or an empty sweep."""
    happenings: Happenings = []
    for index in range(int(rng.choice([1, 2, 3], p=[0.45, 0.4, 0.15]))):
        label = f"1550-{'abc'[index]}"
        scan = _scan(rim, label, "1550", at + timedelta(minutes=3 * index), picked, rng)
        happenings.append(scan)
        if rng.random() < 0.06:
            happenings.append(_nearer(scan, at + timedelta(minutes=3 * index + 1), rng))
        if rng.random() < 0.015:
            empty = replace(scan.sweep, intrinsic_mhz=0.0, seed=int(rng.integers(2**31)))
            empty = replace(empty, file_name=empty.file_name.replace(".", "_empty."))
            when = at + timedelta(minutes=3 * index + 2)
            happenings.append(replace(scan, at=when, sweep=empty, accept=False))
    return happenings


def _scan(rim: Rim, label: str, band: str, at: datetime, picked: str, rng: np.random.Generator) -> Scanned:
    laser, band_nm = BANDS[band]
    days = (at - rim.reflowed_at) / timedelta(days=1)
    mode = truth.mode(rng, replace(rim.made, days_in_air=days), band_nm)
    return Scanned(
        at,
        stock.MEASURER,
        rim.piece,
        rim.device,
        label,
        _sweep(rim.device, label, mode, rng),
        laser,
        "DETECT",
        round(float(rng.uniform(0.4, 1.5)), 2),
        int(rng.choice([1, 4, 8])),
        "resting" if rim.made.kind == "microtoroid" else "none",
        round(float(rng.uniform(0.7, 0.95)), 2),
        str(rng.choice(["TE", "TM"])),
        "air",
        picked,
        accept=bool(rng.random() > 0.03),
    )


def _sweep(device: str, label: str, mode: truth.Mode, rng: np.random.Generator) -> Sweep:
    width_mhz = mode.intrinsic_mhz + mode.coupling_mhz
    span_mhz = float(rng.uniform(14, 24)) * width_mhz + 4 * mode.splitting_mhz
    # Slow against the resonance (sweep rate over linewidth² at most 0.005), so that the line does not ring.
    rate_mhz_per_s = round(0.004 * 2 * np.pi * width_mhz**2 * 1e6, -3)
    form = str(rng.choice(FORMS, p=[0.5, 0.3, 0.2]))
    points = int(np.clip(span_mhz / width_mhz * rng.uniform(25, 40), 600, 1500))
    return Sweep(
        wavelength_nm=round(mode.wavelength_nm, 5),
        intrinsic_mhz=mode.intrinsic_mhz,
        coupling_mhz=mode.coupling_mhz,
        splitting_mhz=mode.splitting_mhz,
        span_mhz=span_mhz,
        centre_mhz=float(rng.uniform(-0.12, 0.12)) * span_mhz,
        points=points,
        noise=float(rng.uniform(0.003, 0.012)),
        light_v=float(rng.uniform(0.6, 2.4)),
        tilt=float(rng.normal(0, 0.03)),
        bend=float(rng.normal(0, 0.01)),
        dark_v=0.012,
        tuning_mhz_per_s=max(rate_mhz_per_s, 1000.0) * (1 if rng.random() < 0.5 else -1),
        form=form,
        file_name=f"{device}_{label}.{'txt' if form == 'wavemeter' else 'csv'}",
        seed=int(rng.integers(2**31)),
    )


def _nearer(scan: Scanned, at: datetime, rng: np.random.Generator) -> Scanned:
    """The same mode with the taper nearer: more coupling, wider and deeper."""
    sweep = scan.sweep
    coupling_mhz = sweep.coupling_mhz * 1.7
    nearer = replace(
        sweep,
        coupling_mhz=coupling_mhz,
        span_mhz=sweep.span_mhz * 1.3,
        file_name=sweep.file_name.replace(".", "_near."),
        seed=int(rng.integers(2**31)),
    )
    return replace(scan, at=at, sweep=nearer)
