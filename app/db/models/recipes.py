"""How: recipes and their versions, routes, specifications, saved searches."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db.base import Base, Versioned


class Recipe(Versioned, Base):
    """A way to do one step kind."""

    __tablename__ = "recipe"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(80), unique=True)
    step_kind: Mapped[str] = mapped_column(String(40), index=True)
    active: Mapped[bool] = mapped_column(default=True)
    note: Mapped[str | None] = mapped_column(Text)


class RecipeVersion(Versioned, Base):
    """Settings of one step kind; frozen once used. `settings` may hold the step's rows under their name."""

    __tablename__ = "recipe_version"
    __table_args__ = (UniqueConstraint("recipe_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    recipe_id: Mapped[int] = mapped_column(ForeignKey("recipe.id"))
    number: Mapped[int]
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    planned_shots: Mapped[int | None]
    changed: Mapped[str | None] = mapped_column(Text)
    """What changed against the version before, and why."""
    made_at: Mapped[datetime]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    recipe: Mapped[Recipe] = relationship(lazy="raise")


class Route(Versioned, Base):
    """Recipe versions in order."""

    __tablename__ = "route"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(80), unique=True)
    active: Mapped[bool] = mapped_column(default=True)


class RouteStep(Base):
    """One step of a route."""

    __tablename__ = "route_step"
    __table_args__ = (UniqueConstraint("route_id", "sequence"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    route_id: Mapped[int] = mapped_column(ForeignKey("route.id"))
    sequence: Mapped[int]
    recipe_version_id: Mapped[int] = mapped_column(ForeignKey("recipe_version.id"))


class RouteAssignment(Versioned, Base):
    """The route a piece is planned to take, from `assigned_at` until another is assigned."""

    __tablename__ = "route_assignment"
    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    route_id: Mapped[int] = mapped_column(ForeignKey("route.id"))
    assigned_at: Mapped[datetime]
    assigned_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))


class Specification(Versioned, Base):
    """What counts as on specification, by name; its versions hold the numbers."""

    __tablename__ = "specification"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(80), unique=True)
    active: Mapped[bool] = mapped_column(default=True)


class SpecificationVersion(Versioned, Base):
    """Numbers of a specification; frozen once made."""

    __tablename__ = "specification_version"
    __table_args__ = (UniqueConstraint("specification_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    specification_id: Mapped[int] = mapped_column(ForeignKey("specification.id"))
    number: Mapped[int]
    kind: Mapped[str] = mapped_column(String(20))
    q_intrinsic_min: Mapped[float]
    band: Mapped[str | None] = mapped_column(String(20))
    medium: Mapped[str | None] = mapped_column(String(20))
    pillar_ratio_min: Mapped[float | None]
    pillar_ratio_max: Mapped[float | None]
    outer_um_min: Mapped[float | None]
    outer_um_max: Mapped[float | None]
    made_at: Mapped[datetime]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    specification: Mapped[Specification] = relationship(lazy="raise")
