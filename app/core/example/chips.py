"""From chip to rims: undercut, pillar measurements, reflow sessions with their shots, inspections."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from app.core.example import stock, truth
from app.core.example.happenings import (
    Happening,
    Inspected,
    PieceLost,
    Pillar,
    ReflowSat,
    Seen,
    Shot,
    StepDone,
    UndercutMeasured,
    Value,
)
from app.core.example.plan import SEED, WaferPlan
from app.core.example.story import Calendar, ChipState, Disc, Happenings

PAIRS = (("A", "B"), ("C", "D"))
"""Chips that go into the XeF₂ chamber together."""


@dataclass(frozen=True)
class Rim:
    """A closed rim: its device and how it was made, and when."""

    piece: str
    device: str
    made: truth.Made
    reflowed_at: datetime


@dataclass(frozen=True)
class ReflowedChip:
    """A chip after reflow with its good rims."""

    code: str
    letter: str
    rims: tuple[Rim, ...]
    reflowed_at: datetime


def chips_story(plan: WaferPlan, chips: list[ChipState], calendar: Calendar) -> tuple[Happenings, list[ReflowedChip]]:
    """What happens to a wafer's chips until their rims are inspected."""
    rng = np.random.default_rng([SEED, plan.number, 1])
    happenings: Happenings = []
    reflowed = []
    for turn, pair in enumerate(PAIRS):
        together = [chip for chip in chips if chip.letter in pair and chip.letter not in plan.waits_etched]
        if not together:
            continue
        at = calendar.at(plan.week + 1, turn, 10, 15)
        run, under_um = _undercut(plan, together, at, rng)
        happenings += run
        for place, chip in enumerate(together):
            looked_at = at + timedelta(hours=3, minutes=40 * place)
            seen, chip_after = _after_undercut(plan, chip, under_um, looked_at, rng)
            happenings += seen
            if chip.letter in plan.waits_undercut:
                continue
            laser_at = calendar.at(plan.week + 1, 2 + turn, 9 + 4 * place, 20)
            if chip.letter in plan.dropped:
                note = "Slipped off the stage while loading the laser; every disc broken"
                lost = PieceLost(laser_at, stock.MEASURER, chip.code, "dropped", "reflowed", "handling", note)
                happenings.append(lost)
                continue
            fired, done = _reflow(plan, chip_after, under_um, laser_at, rng)
            happenings += fired
            reflowed.append(done)
    return happenings, reflowed


def _undercut(
    plan: WaferPlan, chips: list[ChipState], at: datetime, rng: np.random.Generator
) -> tuple[list[Happening], float]:
    rows = stock.UNDERCUT_ROWS[plan.undercut]
    dose = sum(float(row["cycles"]) * float(row["cycle_s"]) * float(row["xef2_torr"]) for row in rows)
    settings: dict[str, Value] = {
        "since_dip_min": int(rng.integers(8, 25)),
        "first_of_day": True,
        "place_in_chamber": "centre",
    }
    codes = tuple(chip.code for chip in chips)
    run = StepDone(at, stock.MAKER, "undercut", codes, "XE", (stock.UNDERCUT, plan.undercut), settings)
    return [run], truth.undercut_um(rng, dose)


def _pillar_um(disc: Disc, under_um: float) -> tuple[float, float]:
    """Disc and pillar top; the oxide etch takes about 3 µm of the mask's diameter at the top."""
    disc_um = disc.nominal_um - 3
    return disc_um, disc_um - 2 * under_um


def _after_undercut(
    plan: WaferPlan, chip: ChipState, under_um: float, at: datetime, rng: np.random.Generator
) -> tuple[list[Happening], ChipState]:
    """Six discs measured; all looked at, or on chips C only twelve of them."""
    pillars = []
    for index in sorted(rng.choice(len(chip.discs), size=6, replace=False).tolist()):
        disc_um, pillar_um = _pillar_um(chip.discs[index], under_um)
        across, along = (round(float(pillar_um + rng.normal(0, 0.5)), 1) for _ in range(2))
        offset = round(abs(float(rng.normal(0, 0.6))), 1)
        size = round(float(disc_um + rng.normal(0, 0.25)), 1)
        pillars.append(Pillar(chip.discs[index].code, size, across, along, offset))
    measured = UndercutMeasured(at, stock.MAKER, chip.code, tuple(pillars))
    sample = chip.letter == "C" and plan.number % 2 == 0
    after, seen = [], []
    for index, disc in enumerate(chip.discs):
        looked_at = not sample or index % 5 < 3
        faulty = bool(rng.random() < (0.055 if plan.undercut == 1 else 0.045))
        bad = faulty and looked_at and not disc.reject
        kind = str(rng.choice(["uneven", "buckled_disc", "fallen"], p=[0.6, 0.25, 0.15]))
        if bad:
            seen.append(Seen(disc.code, "reject", (kind,)))
        elif sample and looked_at and not disc.reject:
            seen.append(Seen(disc.code, "good"))
        after.append(replace(disc, reject=disc.reject or bad))
    cover = "sample" if sample else "all"
    looked = Inspected(at + timedelta(minutes=20), stock.MAKER, chip.code, "undercut", cover, tuple(seen), len(after))
    return [measured, looked], replace(chip, discs=tuple(after))


def _reflow(
    plan: WaferPlan, chip: ChipState, under_um: float, at: datetime, rng: np.random.Generator
) -> tuple[list[Happening], ReflowedChip]:
    version = 2 if chip.letter in plan.reflow_2_on else plan.reflow
    misaligned = chip.letter in plan.misaligned
    chances = truth.MISALIGNED if misaligned else truth.REFLOW_OUTCOMES[version]
    shots = [*_power_tests(chip, version, rng)]
    outcomes: dict[str, str] = {}
    for disc in chip.candidates:
        fired = _shots_on(disc.code, stock.REFLOW_SETTINGS[version], chances, rng)
        shots += fired
        outcomes[disc.code] = fired[-1].outcome
    end = at + timedelta(minutes=30 + 3 * len(shots))
    sat = _session(chip.code, version, tuple(shots), misaligned, at, rng)
    shift = chip.shift_dex + float(rng.normal(0, 0.05))
    rims = [
        Rim(chip.code, disc.code, _made(plan, disc, version, under_um, shift, rng), end)
        for disc in chip.candidates
        if outcomes[disc.code] == "good"
    ]
    looked = _inspect(chip, version, outcomes, end + timedelta(minutes=25), rng)
    return [sat, looked], ReflowedChip(chip.code, chip.letter, tuple(rims), end)


def _made(
    plan: WaferPlan, disc: Disc, version: int, under_um: float, shift: float, rng: np.random.Generator
) -> truth.Made:
    disc_um, pillar_um = _pillar_um(disc, under_um)
    own = shift + truth.own_dex(rng)
    return truth.Made("microtoroid", plan.lithography, version, pillar_um / disc_um, own, 0.0)


def _power_tests(chip: ChipState, version: int, rng: np.random.Generator) -> list[Shot]:
    planned = stock.REFLOW_SETTINGS[version]
    tests = [disc for disc in chip.discs if disc.purpose == "test" and not disc.reject]
    shots = []
    for disc in tests:
        step = int(rng.choice([-8, -4, 4, 8]))
        outcome = "no_change" if step < -4 else "not_closed" if step < 0 else "good" if step < 8 else "over_melted"
        shots.append(
            Shot(disc.code, float(planned["dialled"]) + step, float(planned["exposure_s"]), 1, "power_test", outcome)
        )
    return shots


def _shots_on(device: str, planned: stock.Settings, chances: dict[str, float], rng: np.random.Generator) -> list[Shot]:
    """One planned shot; a rim that did not close usually gets a second."""
    dial, exposure_s, bursts = float(planned["dialled"]), float(planned["exposure_s"]), int(planned["bursts"])
    first = Shot(device, dial, exposure_s, bursts, "reflow", truth.draw(rng, chances))
    if first.outcome != "not_closed" or rng.random() > 0.8:
        return [first]
    again = truth.draw(rng, {"good": 0.7, "not_closed": 0.15, "over_melted": 0.15})
    return [first, Shot(device, dial + 2, exposure_s, bursts, "re_melt", again)]


def _session(
    piece: str, version: int, shots: tuple[Shot, ...], misaligned: bool, at: datetime, rng: np.random.Generator
) -> ReflowSat:
    watts = float(stock.REFLOW_SETTINGS[version]["dialled"]) * stock.W_PER_PERCENT
    start, drift = float(rng.normal(watts, 0.08)), float(rng.normal(-0.1, 0.06))
    return ReflowSat(
        at,
        stock.MEASURER,
        piece,
        "CO2",
        "METER",
        (stock.REFLOW, version),
        10.0 if misaligned else 40.0,
        round(start, 2),
        round(start + drift, 2),
        "At the sample",
        round(float(rng.normal(168, 3)), 0),
        "Knife edge",
        "pointer" if misaligned else "burn mark",
        "the day before" if misaligned else "before the first shot",
        shots,
        "Rims sit to one side: the beam had walked since the pointer was set" if misaligned else "",
    )


def _inspect(
    chip: ChipState, version: int, outcomes: dict[str, str], at: datetime, rng: np.random.Generator
) -> Inspected:
    """Spoiled rims are named with their defect, a few good ones with their sizes; on chips D not all are looked at."""
    sample = chip.letter == "D"
    seen = []
    for index, disc in enumerate(chip.candidates):
        if sample and index % 4 == 3:
            continue
        outcome = outcomes[disc.code]
        if outcome != "good":
            seen.append(Seen(disc.code, "reject", (truth.REFLOW_DEFECTS[outcome],)))
        elif sample or index % 3 == 0:
            outer, minor = truth.rim(disc.nominal_um - 3, chip.oxide_um, version, rng)
            verdict = "usable" if rng.random() < 0.12 else "good"
            uneven = round(abs(float(rng.normal(0.25, 0.1))), 2)
            seen.append(Seen(disc.code, verdict, (), round(outer, 1), round(minor, 2), uneven))
    cover = "sample" if sample else "all"
    return Inspected(at, stock.MEASURER, chip.code, "reflowed", cover, tuple(seen), len(chip.candidates))
