"""Specifications: what counts as on specification."""

from __future__ import annotations

from app.schemas.base import In, Name


class NumbersIn(In):
    """The numbers of one version; None sets no limit there."""

    q_intrinsic_min: float
    band: str | None = None
    medium: str | None = None
    pillar_ratio_min: float | None = None
    pillar_ratio_max: float | None = None
    outer_um_min: float | None = None
    outer_um_max: float | None = None


class SpecificationIn(NumbersIn):
    """A specification to found, with its first version; `kind` is the kind of device it is for."""

    name: Name
    kind: str


class SpecificationVersionIn(NumbersIn):
    """A new version; `newest` is the number the form was opened on."""

    specification_id: int
    newest: int | None = None


class SpecificationChangeIn(In):
    """Name, and whether it is in use."""

    name: Name
    active: bool = True
    version: int | None = None
