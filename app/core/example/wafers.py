"""From oxidised wafer to chips: lithography, taking in hand, oxide etch, strip, parting."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import numpy as np

from app.core.example import stock
from app.core.example.happenings import (
    Inspected,
    OxideMeasured,
    Part,
    Parted,
    PieceEnded,
    Seen,
    SitesTaken,
    StepDone,
    Value,
    WaferRegistered,
)
from app.core.example.plan import SEED, WaferPlan
from app.core.example.story import Calendar, ChipState, Disc, Happenings

CHIP_ROWS = {"A": (1, 1, 4), "B": (1, 5, 8), "C": (2, 1, 4), "D": (2, 5, 8)}
"""Array and rows (low, high) of each chip."""
ROWS_IN_HAND = (2, 3, 6, 7)


def wafer_story(plan: WaferPlan, calendar: Calendar) -> tuple[Happenings, list[ChipState]]:
    """What happens to one wafer until it is parted, and its chips."""
    rng = np.random.default_rng([SEED, plan.number])
    code = f"W{plan.number:03d}"
    oxide_um = float(rng.normal(2.0, 0.015))
    discs = _discs(plan, code, rng)
    happenings: Happenings = [*_begin(plan, code, oxide_um, calendar, rng), *_pattern(plan, code, discs, calendar)]
    discs, seen = _after_lithography(plan, discs, rng)
    at = calendar.at(plan.week, 1, 14, 20)
    happenings.append(Inspected(at, stock.MAKER, code, "patterned", "all", tuple(seen), len(discs)))
    if plan.ended:
        why = "Aligner lamp drifted: dose too low over the whole wafer; W011 takes its place"
        happenings.append(PieceEnded(at + timedelta(hours=1), stock.LEAD, code, why))
        return happenings, []
    happenings += _etch_and_strip(plan, code, calendar, rng)
    discs, seen = _after_etch(plan, discs, rng)
    at = calendar.at(plan.week, 2, 13, 40)
    happenings.append(Inspected(at, stock.MAKER, code, "oxide_etched", "all", tuple(seen), len(discs)))
    if plan.whole:
        return happenings, []
    happenings.append(_part(plan, code, calendar))
    shift = float(rng.normal(0, 0.05))
    return happenings, [
        ChipState(f"{code}-{letter}", letter, tuple(_on_chip(discs, letter)), oxide_um, shift) for letter in CHIP_ROWS
    ]


def _discs(plan: WaferPlan, code: str, rng: np.random.Generator) -> list[Disc]:
    """Ten columns of four rows in each array: nine candidates and one for tests or as monitor."""
    arrays = stock.MASKS[plan.mask]
    first = int(rng.integers(3, 7))
    return [
        Disc(
            f"{code}-{array.number}-{row:02d}{column:02d}",
            array.number,
            row,
            column,
            array.nominal_um(row),
            "candidate" if column < first + 9 else ("test" if row % 2 == 0 else "monitor"),
        )
        for array in arrays[:2]
        for row in ROWS_IN_HAND
        for column in range(first, first + 10)
    ]


def _on_chip(discs: list[Disc], letter: str) -> list[Disc]:
    array, low, high = CHIP_ROWS[letter]
    return [disc for disc in discs if disc.exposure == array and low <= disc.row <= high]


def _begin(
    plan: WaferPlan, code: str, oxide_um: float, calendar: Calendar, rng: np.random.Generator
) -> Iterator[WaferRegistered | OxideMeasured]:
    at = calendar.at(plan.week, 0, 9, 10)
    box = "BOX-5" if plan.number <= 6 else "BOX-6"
    yield WaferRegistered(at, stock.LEAD, code, box, 100, "quarter", "(100)", "p, boron", 10.0, "wet", "both", 2.0)
    points = tuple(round(float(oxide_um + rng.normal(0, 0.006)), 3) for _ in range(5))
    yield OxideMeasured(at + timedelta(minutes=35), stock.MAKER, code, points, "Reflectometer")


def _pattern(plan: WaferPlan, code: str, discs: list[Disc], calendar: Calendar) -> Iterator[StepDone | SitesTaken]:
    at = calendar.at(plan.week, 1, 10, 5)
    settings: dict[str, Value] = {"resist_um": 1.8, "offset_x_um": 0, "offset_y_um": 1200}
    note = ""
    if plan.ended:
        settings["lamp_mw_cm2"] = 6.5
        note = "Lamp read low at the start"
    recipe = (stock.LITHOGRAPHY, plan.lithography)
    lots = {"resist_lot_id": "RES-1"}
    yield StepDone(at, stock.MAKER, "lithography", (code,), "ALIGN", recipe, settings, (), plan.mask, lots, note)
    for number in (1, 2):
        for purpose in ("candidate", "test", "monitor"):
            sites = tuple((d.row, d.column) for d in discs if d.exposure == number and d.purpose == purpose)
            minute = 10 * number + {"candidate": 0, "test": 2, "monitor": 4}[purpose]
            yield SitesTaken(at + timedelta(hours=3, minutes=minute), stock.MAKER, code, number, sites, purpose)


def _after_lithography(plan: WaferPlan, discs: list[Disc], rng: np.random.Generator) -> tuple[list[Disc], list[Seen]]:
    """A mask row with a scratch prints crescents; an under-dosed wafer prints little; else a few faults."""
    after, seen = [], []
    for disc in discs:
        damaged = (plan.mask, disc.exposure, disc.row) == (stock.DAMAGED_MASK, stock.DAMAGED_ARRAY, stock.DAMAGED_ROW)
        chance = 0.72 if damaged else 0.55 if plan.ended else {1: 0.045, 2: 0.025}[plan.lithography]
        bad = bool(rng.random() < chance)
        kind = "crescent" if damaged else str(rng.choice(["incomplete_disc", "rough_edge", "adhesion"]))
        if bad:
            seen.append(Seen(disc.code, "reject", (kind,)))
        after.append(replace(disc, reject=bad))
    return after, seen


def _etch_and_strip(plan: WaferPlan, code: str, calendar: Calendar, rng: np.random.Generator) -> Iterator[StepDone]:
    at = calendar.at(plan.week, 2, 9, 50)
    typed: dict[str, Value] = {
        "bath_c": round(float(rng.normal(22.0, 0.25)), 1),
        "etch_s": int(round(1200 * plan.slow, -1)),
        "disc_after_um": round(float(rng.normal(101.2, 0.3)), 1),
    }
    lots = {"bath_lot_id": f"BATH-{plan.bath}"}
    note = "Slow: the bath is getting old" if plan.slow > 1.15 else ""
    recipe = (stock.OXIDE_ETCH, 1)
    yield StepDone(at, stock.MAKER, "oxide_etch", (code,), "HOOD", recipe, typed, (), "", lots, note)
    yield StepDone(at + timedelta(hours=1, minutes=30), stock.MAKER, "resist_strip", (code,), "HOOD", (stock.STRIP, 1))


def _after_etch(plan: WaferPlan, discs: list[Disc], rng: np.random.Generator) -> tuple[list[Disc], list[Seen]]:
    after, seen = [], []
    for disc in discs:
        not_clear = bool(rng.random() < 0.012 + 0.55 * max(plan.slow - 1.08, 0))
        other = bool(rng.random() < 0.018)
        if not disc.reject and (not_clear or other):
            kind = "not_clear" if not_clear else str(rng.choice(["wicking", "pinhole", "residue"]))
            seen.append(Seen(disc.code, "reject", (kind,)))
        after.append(replace(disc, reject=disc.reject or not_clear or other))
    return after, seen


def _part(plan: WaferPlan, code: str, calendar: Calendar) -> Parted:
    arrays = stock.MASKS[plan.mask]
    chips = []
    for place, (letter, (number, low, high)) in enumerate(CHIP_ROWS.items()):
        regions = [(number, low, high, 1, arrays[number - 1].columns)]
        if letter == "D":
            regions += [(extra.number, 1, extra.rows, 1, extra.columns) for extra in arrays[2:]]
        chips.append(Part(f"{code}-{letter}", 13.0, 10.0, 525, tuple(regions), str(place + 1)))
    at = calendar.at(plan.week, 3, 10, 30)
    return Parted(at, stock.MAKER, code, "scribe_and_cleave", "Resist over the discs", tuple(chips))
