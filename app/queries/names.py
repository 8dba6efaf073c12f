"""Words for ids that the device table holds: recipe versions, people, lots, acts, specifications."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from app.core import figures
from app.core.stats.coverage import Window
from app.core.vocab import MEDIA, STAGES
from app.db.models.events import Event
from app.db.models.facts import ALL_STAGES, DEVICE_FACTS, DEVICE_Q
from app.db.models.material import Lot, Mask, MaskArray
from app.db.models.people import LabSetting, Operator
from app.db.models.recipes import Recipe, RecipeVersion, Specification, SpecificationVersion

CHUNK = 400
STALLED_DAYS = 60
KINDS = tuple(STAGES)


def version_names(session: Session) -> dict[int, str]:
    """`Melt 92, version 3` by recipe version."""
    rows = session.execute(select(RecipeVersion.id, Recipe.name, RecipeVersion.number).join(RecipeVersion.recipe))
    return {row.id: f"{row.name}, version {row.number}" for row in rows}


def people_names(session: Session) -> dict[int, str]:
    """`TVE, Tova Ekdal` by operator."""
    return {row.id: f"{row.initials}, {row.name}" for row in session.scalars(select(Operator))}


def lot_names(session: Session) -> dict[int, str]:
    """Codes of lots."""
    return {row.id: row.code for row in session.execute(select(Lot.id, Lot.code))}


def times_of(session: Session, event_ids: Iterable[int]) -> dict[int, datetime]:
    """When each of these events was done."""
    ids = sorted(set(event_ids))
    found: dict[int, datetime] = {}
    for start in range(0, len(ids), CHUNK):
        rows = session.execute(select(Event.id, Event.done_at).where(Event.id.in_(ids[start : start + CHUNK])))
        found.update({row.id: row.done_at for row in rows})
    return found


def stalled_days(session: Session) -> int:
    """After how many days without an event a piece counts as stalled."""
    value = session.scalar(select(LabSetting.value).where(LabSetting.name == "stalled_days"))
    return int(value) if isinstance(value, (int, float)) and value > 0 else STALLED_DAYS


@dataclass(frozen=True)
class Measured:
    """One band and medium in which devices of a kind were measured, and how many."""

    band: str
    medium: str
    devices: int

    @property
    def words(self) -> str:
        """`1550 nm in air`."""
        return place_words(self.band, self.medium)


def place_words(band: str, medium: str) -> str:
    """`1550 nm in air`: never pooled with another."""
    return f"{band} in {_medium_word(medium)}"


def _medium_word(medium: str) -> str:
    """Air becomes `air` within a sentence; N₂ stays as it is."""
    word = MEDIA.get(medium, medium)
    return word.lower() if word.isalpha() else word


def measured_in(session: Session, kind: str) -> tuple[Measured, ...]:
    """Bands and media of the devices of a kind, the most measured first."""
    q, facts = DEVICE_Q, DEVICE_FACTS
    statement = (
        select(q.c.band, q.c.medium, func.count().label("devices"))
        .join(facts, facts.c.device_id == q.c.device_id)
        .where(facts.c.device_kind == kind)
        .group_by(q.c.band, q.c.medium)
        .order_by(func.count().desc(), q.c.band, q.c.medium)
    )
    return tuple(Measured(row.band, row.medium, row.devices) for row in session.execute(statement))


@dataclass(frozen=True)
class SpecificationChoice:
    """One version of a specification; band and medium are '' where it names none."""

    id: int
    label: str
    says: str
    window: Window
    band: str
    medium: str


def specification_choices(session: Session, kind: str) -> tuple[SpecificationChoice, ...]:
    """Versions of active specifications for a kind: by name, the latest version of each first."""
    rows = session.execute(
        select(SpecificationVersion, Specification.name)
        .join(SpecificationVersion.specification)
        .where(SpecificationVersion.kind == kind, Specification.active)
        .order_by(Specification.id, SpecificationVersion.number.desc())
    )
    return tuple(_choice(version, name) for version, name in rows)


def _choice(version: SpecificationVersion, name: str) -> SpecificationChoice:
    limits = {
        "pillar_ratio": (version.pillar_ratio_min, version.pillar_ratio_max),
        "outer_um": (version.outer_um_min, version.outer_um_max),
    }
    head = f"Q ≥ {figures.q_text(version.q_intrinsic_min, decimals=1)}"
    if version.band:
        head += f" at {version.band}"
    if version.medium:
        head += f" in {_medium_word(version.medium)}"
    says = [head]
    for words, (low, high), decimals in (
        ("pillar ratio", limits["pillar_ratio"], 2),
        ("outer diameter in µm", limits["outer_um"], 0),
    ):
        if low is not None or high is not None:
            says.append(f"{words} {figures.interval_text(low, high, 0, decimals)}")
    return SpecificationChoice(
        id=version.id,
        label=f"{name}, version {version.number}",
        says=", ".join(says),
        window=Window(version.q_intrinsic_min, limits),
        band=version.band or "",
        medium=version.medium or "",
    )


def mask_array_names(session: Session) -> dict[int, str]:
    """`ROWAN-3, array 2` by mask array."""
    rows = session.execute(
        select(MaskArray.id, MaskArray.number, MaskArray.label, Mask.code).join(Mask, Mask.id == MaskArray.mask_id)
    )
    return {row.id: f"{row.code}, {row.label or f'array {row.number}'}" for row in rows}


def people_initials(session: Session) -> dict[int, str]:
    """Initials by operator."""
    return {row.id: row.initials for row in session.execute(select(Operator.id, Operator.initials))}


def candidates_by_kind(session: Session) -> dict[str, int]:
    """Devices in hand that count at some stage, by kind."""
    facts = DEVICE_FACTS.c
    counts = or_(*(facts[f"{stage}_counts"] for stage in ALL_STAGES))
    rows = session.execute(select(facts.device_kind, func.count()).where(counts).group_by(facts.device_kind))
    found: dict[str, int] = {row[0]: row[1] for row in rows}
    return {kind: found.get(kind, 0) for kind in STAGES}
