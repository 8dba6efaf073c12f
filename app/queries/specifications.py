"""Specifications with their versions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.figures import q_text
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.vocab import DEVICE_KINDS, MEDIA
from app.db.models.people import Operator
from app.db.models.recipes import Specification, SpecificationVersion


@dataclass(frozen=True)
class SpecificationVersionRow:
    """One version: its numbers, and the same in words."""

    id: int
    number: int
    q_intrinsic_min: float
    band: str | None
    medium: str | None
    pillar_ratio_min: float | None
    pillar_ratio_max: float | None
    outer_um_min: float | None
    outer_um_max: float | None
    made_at: datetime
    made_by: str
    words: str


@dataclass(frozen=True)
class SpecificationFacts:
    """One specification with its versions, newest first."""

    id: int
    name: str
    kind: str
    kind_word: str
    active: bool
    version: int
    versions: tuple[SpecificationVersionRow, ...]

    @property
    def newest(self) -> SpecificationVersionRow:
        """The version that holds now."""
        return self.versions[0]


def specification_list(session: Session) -> list[SpecificationFacts]:
    """Every specification with its versions; those out of use last."""
    people = dict(session.execute(select(Operator.id, Operator.initials)).all())
    versions: dict[int, list[SpecificationVersion]] = {}
    for row in session.scalars(select(SpecificationVersion).order_by(SpecificationVersion.number.desc())):
        versions.setdefault(row.specification_id, []).append(row)
    order = (Specification.active.desc(), Specification.name_key)
    return [
        SpecificationFacts(
            id=each.id,
            name=each.name,
            kind=versions[each.id][0].kind,
            kind_word=DEVICE_KINDS.get(versions[each.id][0].kind, versions[each.id][0].kind),
            active=each.active,
            version=each.version,
            versions=tuple(_version_row(row, people.get(row.made_by_id or 0, "")) for row in versions[each.id]),
        )
        for each in session.scalars(select(Specification).order_by(*order))
        if each.id in versions
    ]


def specification_by_id(session: Session, specification_id: int) -> SpecificationFacts | None:
    """One specification; None where there is none with this id."""
    return next((each for each in specification_list(session) if each.id == specification_id), None)


def _version_row(row: SpecificationVersion, made_by: str) -> SpecificationVersionRow:
    return SpecificationVersionRow(
        id=row.id,
        number=row.number,
        q_intrinsic_min=row.q_intrinsic_min,
        band=row.band,
        medium=row.medium,
        pillar_ratio_min=row.pillar_ratio_min,
        pillar_ratio_max=row.pillar_ratio_max,
        outer_um_min=row.outer_um_min,
        outer_um_max=row.outer_um_max,
        made_at=row.made_at,
        made_by=made_by,
        words=_words(row),
    )


def _words(row: SpecificationVersion) -> str:
    parts = [f"intrinsic Q at least {q_text(row.q_intrinsic_min, decimals=1)}"]
    parts.append(f"at {row.band}" if row.band else "in any band")
    medium = MEDIA.get(row.medium, row.medium) if row.medium else "any medium"
    parts.append(f"in {medium.lower() if medium.replace(' ', '').isalpha() else medium}")
    for name, low, high in (
        ("pillar_ratio", row.pillar_ratio_min, row.pillar_ratio_max),
        ("outer_um", row.outer_um_min, row.outer_um_max),
    ):
        quantity = QUANTITIES[name]
        ends = [value_text(end, quantity) if end is not None else "" for end in (low, high)]
        if ends[0] and ends[1]:
            parts.append(f"{quantity.label.lower()} {ends[0]} to {ends[1]}")
        elif ends[0] or ends[1]:
            parts.append(f"{quantity.label.lower()} {'at least' if ends[0] else 'at most'} {ends[0] or ends[1]}")
    return ", ".join(parts)
