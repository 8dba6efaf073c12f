"""What was seen: measurements, inspections, scans and fits, and files kept beside any record."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db.base import Base, Versioned
from app.db.models.events import Event


class UndercutMeasurement(Event):
    """Disc and pillar top of one device, after undercut or after reflow."""

    __tablename__ = "undercut_measurement"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    disc_um: Mapped[float | None]
    pillar_top_x_um: Mapped[float | None]
    pillar_top_y_um: Mapped[float | None]
    pillar_offset_um: Mapped[float | None]
    rim_to_pillar_um: Mapped[float | None]
    method: Mapped[str | None] = mapped_column(String(60))
    __mapper_args__ = {"polymorphic_identity": "undercut_measurement"}


class OxideMeasurement(Event):
    """Oxide thickness of a piece at n points."""

    __tablename__ = "oxide_measurement"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    points_um: Mapped[list[float]] = mapped_column(JSON)
    method: Mapped[str | None] = mapped_column(String(60))
    __mapper_args__ = {"polymorphic_identity": "oxide_measurement"}


class Finding(Base):
    """What an inspection says of one device; `named` is False where it passed among the rest."""

    __tablename__ = "finding"
    __table_args__ = (
        UniqueConstraint("inspection_id", "device_id"),
        Index("ix_finding_device", "device_id", "inspection_id"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("event.id"))
    device_id: Mapped[int] = mapped_column(ForeignKey("device.id"))
    verdict: Mapped[str] = mapped_column(String(20))
    named: Mapped[bool] = mapped_column(default=True)
    outer_um: Mapped[float | None]
    minor_um: Mapped[float | None]
    roundness_um: Mapped[float | None]
    note: Mapped[str | None] = mapped_column(Text)


class Defect(Base):
    """One defect of a finding; `caused_at` is kept apart from the stage it was found at."""

    __tablename__ = "defect"
    id: Mapped[int] = mapped_column(primary_key=True)
    finding_id: Mapped[int] = mapped_column(ForeignKey("finding.id"), index=True)
    kind: Mapped[str] = mapped_column(String(40))
    caused_at: Mapped[str | None] = mapped_column(String(30))


class Inspection(Event):
    """Devices seen at a stage. Cover `devices` (those named), `all` (all seen, exceptions named), `sample` (k of n)."""

    __tablename__ = "inspection"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    stage: Mapped[str] = mapped_column(String(30))
    cover: Mapped[str] = mapped_column(String(10))
    seen_n: Mapped[int | None]
    of_n: Mapped[int | None]
    method: Mapped[str | None] = mapped_column(String(60))
    reinstates: Mapped[str | None] = mapped_column(String(200))
    """Why a reject counts again, where it does."""
    findings: Mapped[list[Finding]] = relationship(lazy="raise", order_by=Finding.id)
    __mapper_args__ = {"polymorphic_identity": "inspection"}


class Attachment(Versioned, Base):
    """An original file, byte for byte, stored once by SHA-256; belongs to any record by table and id."""

    __tablename__ = "attachment"
    __table_args__ = (Index("ix_attachment_of", "of_table", "of_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    file_name: Mapped[str] = mapped_column(String(255))
    media_type: Mapped[str | None] = mapped_column(String(100))
    size_bytes: Mapped[int]
    kept_at: Mapped[datetime]
    of_table: Mapped[str | None] = mapped_column(String(40))
    of_id: Mapped[int | None]


class Scan(Event):
    """An optical sweep over one device's resonances. Its laser is `tool_id`."""

    __tablename__ = "scan"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    attachment_id: Mapped[int] = mapped_column(ForeignKey("attachment.id"))
    detector_id: Mapped[int | None] = mapped_column(ForeignKey("tool.id"))
    wavelength_nm: Mapped[float | None]
    input_power_uw: Mapped[float | None]
    sweep_mhz_per_s: Mapped[float | None]
    direction: Mapped[str | None] = mapped_column(String(10))
    averages: Mapped[int | None]
    reading: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    """How the file was read and its axis made: columns, units, tuning rate and its uncertainty."""
    dark_v: Mapped[float | None]
    taper: Mapped[str | None] = mapped_column(String(20))
    taper_position_um: Mapped[float | None]
    taper_transmission: Mapped[float | None]
    polarisation: Mapped[str | None] = mapped_column(String(20))
    polarisation_known: Mapped[str | None] = mapped_column(String(60))
    medium: Mapped[str] = mapped_column(String(20), default="air")
    picked: Mapped[str] = mapped_column(String(20), default="unknown")
    """How the device was picked for measuring."""
    attachment: Mapped[Attachment] = relationship(lazy="raise")
    __mapper_args__ = {"polymorphic_identity": "scan"}


class Resonance(Versioned, Base):
    """One mode of a device, seen in many scans."""

    __tablename__ = "resonance"
    __table_args__ = (UniqueConstraint("device_id", "label"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    device_id: Mapped[int] = mapped_column(ForeignKey("device.id"))
    label: Mapped[str] = mapped_column(String(40))
    band: Mapped[str] = mapped_column(String(20))
    medium: Mapped[str] = mapped_column(String(20))


class ResonanceFit(Versioned, Base):
    """A fit of a resonance in a scan, stored as numbers; refitting adds a row, none is overwritten."""

    __tablename__ = "resonance_fit"
    id: Mapped[int] = mapped_column(primary_key=True)
    resonance_id: Mapped[int] = mapped_column(ForeignKey("resonance.id"), index=True)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    made_at: Mapped[datetime]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    model: Mapped[str] = mapped_column(String(20))
    window_low: Mapped[float | None]
    window_high: Mapped[float | None]
    result: Mapped[dict[str, Any]] = mapped_column(JSON)
    """As the fit command prints it: modes, device Q, regime, evidence, checks, quality."""
    numbers: Mapped[dict[str, Any]] = mapped_column(JSON)
    """Shape name and version, parameters, covariance, start values, options: enough to draw the curve again."""
    q_intrinsic: Mapped[float | None]
    q_intrinsic_low: Mapped[float | None]
    q_intrinsic_high: Mapped[float | None]
    q_loaded: Mapped[float | None]
    linewidth_mhz: Mapped[float | None]
    splitting_mhz: Mapped[float | None]
    grade: Mapped[str | None] = mapped_column(String(1))
    file_sha256: Mapped[str] = mapped_column(String(64))
    software: Mapped[str] = mapped_column(String(40))
    state: Mapped[str] = mapped_column(String(20), default="proposed")
    judged_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    judged_at: Mapped[datetime | None]
    judged_reason: Mapped[str | None] = mapped_column(String(200))


class RingDown(Event):
    """A decay of a resonance to a lifetime."""

    __tablename__ = "ring_down"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    resonance_id: Mapped[int | None] = mapped_column(ForeignKey("resonance.id"))
    attachment_id: Mapped[int] = mapped_column(ForeignKey("attachment.id"))
    lifetime_ns: Mapped[float | None]
    numbers: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    __mapper_args__ = {"polymorphic_identity": "ring_down"}
