"""Deeds on the devices of a piece, summed up by sitting, day or act for the piece's process sheet."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from statistics import median
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.vocab import LOSS_CAUSES, PURPOSES, SHORT_STAGES, SHOT_OUTCOMES, VERDICTS, defect_words
from app.db.models.events import Event, Loss, PurposeChange
from app.db.models.material import Device
from app.db.models.seen import Defect, Finding, Inspection, ResonanceFit, Scan, UndercutMeasurement
from app.db.models.steps import ReflowShot
from app.queries.histories import Fact, Happening, names_for


def device_sums(session: Session, piece_ids: Sequence[int], melted: bool) -> list[Happening]:
    """Valid deeds on devices that are on these pieces now, one entry a sitting, inspection or day."""
    devices = select(Device.id).where(Device.piece_id.in_(piece_ids))
    found = [*_shots(session, devices, melted), *_inspections(session, devices), *_measured(session, devices)]
    found += [*_scans(session, devices), *_losses(session, devices), *_purposes(session, devices)]
    return sorted(found, key=lambda each: (each.at, each.entry))


def _events(session: Session, kind: type[Event], devices: Any) -> list[Any]:
    statement = select(kind).where(kind.device_id.in_(devices), kind.voided_at.is_(None))
    return list(session.scalars(statement.order_by(kind.done_at, kind.id)))


def _shots(session: Session, devices: Any, melted: bool) -> list[Happening]:
    shots = _events(session, ReflowShot, devices)
    names = names_for(session, shots)
    noun = "fibre end" if melted else "disc"
    found: list[Happening] = []
    for session_id, some in _grouped(shots, lambda shot: shot.session_id).items():
        last = {shot.device_id: shot for shot in some}
        outcomes = Counter(shot.outcome for shot in last.values() if shot.outcome)
        recipes = Counter(shot.recipe_version_id for shot in some if shot.recipe_version_id)
        version = recipes.most_common(1)[0][0] if recipes else None
        recipe, planned = names.versions.get(version or 0, ("", {}))
        facts = [Fact(f"{_n(len(some), 'shot')}: {_counts(outcomes, SHOT_OUTCOMES)}".rstrip(": "))]
        for name in ("dialled", "exposure_s"):
            plan = planned.get(name)
            other = {s.device_id for s in some if plan is not None and getattr(s, name) not in (None, plan)}
            if other:
                unit = (planned.get("dial_unit") or "W") if name == "dialled" else "s"
                facts.append(Fact(_n(len(other), noun), f"{plan:g} {unit}"))
        found.append(
            Happening(
                entry=some[0].id,
                at=some[0].done_at,
                kind="reflow",
                heading=f"{'Melting' if melted else 'Reflow'}, {_n(len(last), noun)}",
                who=_who(names.people, some),
                recipe=recipe,
                facts=tuple(facts),
                href=f"/log/reflow/{session_id}" if session_id else "",
            )
        )
    return found


def _inspections(session: Session, devices: Any) -> list[Happening]:
    rows = session.execute(
        select(Inspection, Finding)
        .join(Finding, Finding.inspection_id == Inspection.id)
        .where(Finding.device_id.in_(devices), Inspection.voided_at.is_(None))
        .order_by(Inspection.done_at, Inspection.id)
    ).all()
    names = names_for(session, [inspection for inspection, _ in rows])
    kinds = Counter[tuple[int, str]]()
    defects = session.execute(
        select(Finding.inspection_id, Defect.kind)
        .join(Finding, Finding.id == Defect.finding_id)
        .where(Finding.device_id.in_(devices))
    )
    for inspection_id, kind in defects:
        kinds[inspection_id, kind] += 1
    words = defect_words()
    found: list[Happening] = []
    for inspection_id, some in _grouped(rows, lambda row: row[0].id).items():
        inspection = some[0][0]
        verdicts = Counter(finding.verdict for _, finding in some)
        short = {"good": "good", "usable": "usable", "reject": "rejected"}
        facts = [Fact(_counts(verdicts, {v: short[v] for v in VERDICTS}))]
        seen = {kind: n for (of, kind), n in kinds.items() if of == inspection_id}
        if seen:
            facts.append(Fact(", ".join(f"{words.get(k, k).lower()} {n}" for k, n in sorted(seen.items()))))
        cover = {"all": "all seen, exceptions named", "sample": f"{inspection.seen_n} of {inspection.of_n} seen"}
        if inspection.cover in cover:
            facts.append(Fact(cover[inspection.cover]))
        stage = SHORT_STAGES.get(inspection.stage, inspection.stage).lower()
        found.append(
            Happening(
                entry=inspection.id,
                at=inspection.done_at,
                kind="inspection",
                heading=f"Inspection, {stage}",
                who=names.people.get(inspection.operator_id or 0, ""),
                facts=tuple(facts),
                note=inspection.note or "",
                href=f"/log/record/{inspection.id}",
            )
        )
    return found


def _measured(session: Session, devices: Any) -> list[Happening]:
    return [
        _summed(session, some, "undercut_measurement", f"Undercut measured, {_n(_devices(some), 'disc')}", _ratio(some))
        for some in _by_day(_events(session, UndercutMeasurement, devices))
    ]


def _ratio(some: Iterable[Any]) -> list[Fact]:
    ratios = []
    for seen in some:
        pillars = [p for p in (seen.pillar_top_x_um, seen.pillar_top_y_um) if p is not None]
        if pillars and seen.disc_um and seen.rim_to_pillar_um is None:
            ratios.append(sum(pillars) / len(pillars) / seen.disc_um)
    if not ratios:
        return []
    text = value_text(round(median(ratios), 2), QUANTITIES["pillar_ratio"])
    return [Fact(f"Pillar ratio {text}, median of {len(ratios)}")]


def _scans(session: Session, devices: Any) -> list[Happening]:
    scans = _events(session, Scan, devices)
    states = Counter[tuple[int, str]]()
    for scan_id, state in session.execute(
        select(ResonanceFit.scan_id, ResonanceFit.state).where(ResonanceFit.scan_id.in_([s.id for s in scans]))
    ):
        states[scan_id, state] += 1
    found: list[Happening] = []
    for some in _by_day(scans):
        accepted = sum(1 for scan in some if states[scan.id, "accepted"])
        facts = [Fact(f"{_n(len(some), 'scan')}, {accepted} with an accepted fit")]
        found.append(_summed(session, some, "scan", f"Q measured, {_n(_devices(some), 'device')}", facts))
    return found


def _losses(session: Session, devices: Any) -> list[Happening]:
    found: list[Happening] = []
    for some in _by_day(_events(session, Loss, devices)):
        causes = Counter(loss.cause for loss in some)
        facts = [Fact(_counts(causes, LOSS_CAUSES))]
        found.append(_summed(session, some, "loss", f"Lost, {_n(_devices(some), 'device')}", facts))
    return found


def _purposes(session: Session, devices: Any) -> list[Happening]:
    found: list[Happening] = []
    for some in _by_day(_events(session, PurposeChange, devices)):
        kinds = Counter(change.purpose for change in some)
        facts = [Fact(f"from now on {_counts(kinds, PURPOSES)}")]
        heading = f"Change of purpose, {_n(_devices(some), 'device')}"
        found.append(_summed(session, some, "purpose_change", heading, facts))
    return found


def _summed(session: Session, some: Sequence[Any], kind: str, heading: str, facts: Sequence[Fact]) -> Happening:
    people = names_for(session, ()).people
    return Happening(
        entry=some[0].id,
        at=some[0].done_at,
        kind=kind,
        heading=heading,
        who=_who(people, some),
        facts=tuple(facts),
        href=f"/log/record/{some[0].id}" if len(some) == 1 and kind != "scan" else "",
    )


def _grouped(rows: Iterable[Any], key: Any) -> dict[Any, list[Any]]:
    groups: dict[Any, list[Any]] = defaultdict(list)
    for row in rows:
        groups[key(row)].append(row)
    return groups


def _by_day(events: Iterable[Any]) -> list[list[Any]]:
    def day(event: Any) -> tuple[Any, int | None]:
        at: datetime = event.done_at
        return at.date(), event.operator_id

    return list(_grouped(events, day).values())


def _devices(some: Iterable[Any]) -> int:
    return len({event.device_id for event in some})


def _who(people: Any, some: Iterable[Any]) -> str:
    ids = dict.fromkeys(event.operator_id for event in some if event.operator_id is not None)
    return ", ".join(people.get(each, "") for each in ids)


def _n(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _counts(counts: Counter[Any], words: Any) -> str:
    ordered = [key for key in words if key in counts] + [key for key in counts if key not in words]
    return ", ".join(f"{counts[key]} {words.get(key, key).lower()}" for key in ordered)
