"""Microspheres: fibre ends prepared, melted, inspected and swept."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from app.core.example import stock, truth
from app.core.example.chips import Rim
from app.core.example.happenings import EndsTaken, FibreBatchRegistered, Inspected, ReflowSat, Seen, Shot, StepDone
from app.core.example.measuring import device_scans
from app.core.example.plan import SEED, BatchPlan
from app.core.example.story import Calendar, Happenings


def fibre_story(plan: BatchPlan, calendar: Calendar) -> Happenings:
    """What happens to one fibre batch."""
    rng = np.random.default_rng([SEED, 500 + plan.number])
    code = f"F{plan.number:03d}"
    at = calendar.at(plan.week, 3, 9, 30)
    happenings: Happenings = [
        FibreBatchRegistered(at, stock.MEASURER, code, "SPOOL-2", plan.ends),
        EndsTaken(at + timedelta(minutes=2), stock.MEASURER, code, plan.ends, "candidate"),
        StepDone(
            at + timedelta(minutes=50),
            stock.MEASURER,
            "fibre_preparation",
            (code,),
            "CLEAVE",
            (stock.FIBRE, 1),
            {"cleave_angle_deg": round(abs(float(rng.normal(0.6, 0.3))), 1)},
        ),
    ]
    ends = [f"{code}-{end:02d}" for end in range(1, plan.ends + 1)]
    bad = {end for end in ends if rng.random() < 0.06}
    seen = tuple(Seen(end, "reject", note="Cleave chipped") for end in ends if end in bad)
    prepared = at + timedelta(minutes=70)
    happenings.append(Inspected(prepared, stock.MEASURER, code, "prepared", "all", seen, plan.ends))
    if plan.waits:
        return happenings
    return happenings + _melt(
        plan, code, [end for end in ends if end not in bad], calendar.at(plan.week, 4, 9, 40), rng
    )


def _melt(plan: BatchPlan, code: str, ends: list[str], at: datetime, rng: np.random.Generator) -> Happenings:
    planned = stock.MELT_SETTINGS[plan.melt]
    dial, exposure_s, bursts = float(planned["dialled"]), float(planned["exposure_s"]), int(planned["bursts"])
    shots: list[Shot] = []
    outcomes: dict[str, str] = {}
    for end in ends:
        outcome = truth.draw(rng, truth.MELT_OUTCOMES[plan.melt])
        shots.append(Shot(end, dial, exposure_s, bursts, "reflow", "not_closed"))
        shots.append(Shot(end, dial + 1, exposure_s, bursts, "re_melt", outcome))
        outcomes[end] = outcome
    watts = dial * stock.W_PER_PERCENT
    start = round(float(rng.normal(watts, 0.08)), 2)
    sat = ReflowSat(
        at,
        stock.MEASURER,
        code,
        "CO2",
        "METER",
        (stock.SPHERE_MELT, plan.melt),
        35.0,
        start,
        round(start - 0.1, 2),
        "At the sample",
        round(float(rng.normal(210, 4)), 0),
        "Knife edge",
        "camera cross-hair",
        "before the first shot",
        tuple(shots),
    )
    end_at = at + timedelta(minutes=20 + 2 * len(shots))
    rims = _spheres(plan, code, outcomes, end_at, rng)
    happenings: Happenings = [sat, _inspect(code, outcomes, end_at + timedelta(minutes=20), rng)]
    for order, rim in enumerate(rims):
        happenings += device_scans(rim, end_at + timedelta(hours=3, minutes=11 * order), "all", rng)
    return happenings


def _spheres(plan: BatchPlan, code: str, outcomes: dict[str, str], at: datetime, rng: np.random.Generator) -> list[Rim]:
    shift = float(rng.normal(0, 0.05))
    return [
        Rim(code, end, truth.Made("microsphere", 0, plan.melt, 0.0, shift + truth.own_dex(rng), 0.0), at)
        for end, outcome in outcomes.items()
        if outcome == "good"
    ]


def _inspect(code: str, outcomes: dict[str, str], at: datetime, rng: np.random.Generator) -> Inspected:
    seen = []
    for end, outcome in outcomes.items():
        if outcome != "good":
            seen.append(Seen(end, "reject", (truth.REFLOW_DEFECTS[outcome],)))
        else:
            round_um = round(abs(float(rng.normal(0.4, 0.2))), 2)
            seen.append(Seen(end, "good", (), round(float(rng.normal(186, 7)), 1), None, round_um))
    return Inspected(at, stock.MEASURER, code, "melted", "all", tuple(seen), len(outcomes))
