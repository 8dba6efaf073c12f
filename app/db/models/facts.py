"""The device table: what a piece's devices inherit, each device's own facts, Q by band and medium.

A projection, rebuilt from the records at any time by `app.db.device_table`; never edited, never audited.
The view `device_table` joins the two halves, one row a device.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, Boolean, Column, Float, ForeignKey, Integer, String, Table, Text

from app.core.step import Setting
from app.core.step_catalogue import PIECE_STEPS, STEPS
from app.core.vocab import STAGES
from app.db.base import Base, Instant

ALL_STAGES: tuple[str, ...] = tuple(stage for stages in STAGES.values() for stage in stages)


def _setting(prefix: str, setting: Setting) -> Column[Any]:
    kinds: dict[str, Any] = {"lot": Integer(), "choice": String(40), "text": Text(), "flag": Boolean()}
    kind = kinds.get(setting.kind) or (Integer() if setting.quantity and setting.quantity.whole else Float())
    return Column(f"{prefix}_{setting.name}", kind)


def _inherited() -> list[Column[Any]]:
    columns: list[Column[Any]] = []
    for name, step in PIECE_STEPS.items():
        columns += [
            Column(f"{name}_event_id", Integer),
            Column(f"{name}_at", Instant),
            Column(f"{name}_recipe_version_id", Integer),
            Column(f"{name}_operator_id", Integer),
            Column(f"{name}_count", Integer, nullable=False, default=0),
        ]
        columns += [_setting(name, setting) for setting in step.settings]
    return columns


PIECE_FACTS = Table(
    "piece_facts",
    Base.metadata,
    Column("piece_id", Integer, ForeignKey("piece.id"), primary_key=True, autoincrement=False),
    Column("root_id", Integer, nullable=False, index=True),
    Column("root_code", String(40), nullable=False),
    Column("piece_code", String(40), nullable=False),
    Column("piece_kind", String(20), nullable=False),
    Column("whereabouts", String(20), nullable=False),
    Column("whereabouts_place", String(120)),
    Column("parted", Boolean, nullable=False),
    Column("ended", Boolean, nullable=False),
    Column("lost_at", Instant),
    Column("lost_found_at", String(30)),
    Column("lost_caused_at", String(30)),
    Column("lost_cause", String(30)),
    Column("arrived_stage", String(30)),
    Column("first_exposed_at", Instant),
    Column("last_deed_at", Instant, nullable=False),
    Column("oxide_um", Float),
    Column("undercut_cycles", Integer),
    Column("undercut_cycle_s", Float),
    Column("undercut_xef2_torr", Float),
    Column("undercut_n2_torr", Float),
    Column("undercut_dose_torr_s", Float),
    *_inherited(),
)
"""One row a piece: what its devices inherit. Undercut segments are summed; unlike pressures show as the mean."""


def _own() -> list[Column[Any]]:
    columns: list[Column[Any]] = []
    for stage in ALL_STAGES:
        columns += [
            Column(f"{stage}_outcome", String(10)),
            Column(f"{stage}_verdict", String(20)),
            Column(f"{stage}_decided_at", Instant),
            Column(f"{stage}_counts", Boolean, nullable=False, default=False),
            Column(f"{stage}_first_pass", Boolean, nullable=False, default=False),
        ]
    columns += [_setting("reflow", setting) for setting in STEPS["reflow"].settings]
    return columns


DEVICE_FACTS = Table(
    "device_facts",
    Base.metadata,
    Column("device_id", Integer, ForeignKey("device.id"), primary_key=True, autoincrement=False),
    Column("piece_id", Integer, nullable=False, index=True),
    Column("device_code", String(60), nullable=False),
    Column("device_kind", String(20), nullable=False),
    Column("purpose", String(20), nullable=False),
    Column("mask_array_id", Integer),
    Column("array_number", Integer),
    Column("row", Integer),
    Column("column", Integer),
    Column("nominal_um", Float),
    Column("lithography_id", Integer),
    Column("disc_um", Float),
    Column("pillar_ratio", Float),
    Column("undercut_um", Float),
    Column("pillar_offset_um", Float),
    Column("reflow_session_id", Integer),
    Column("reflow_recipe_version_id", Integer),
    Column("reflow_operator_id", Integer),
    Column("reflow_at", Instant),
    Column("reflow_shots", Integer, nullable=False, default=0),
    Column("reflow_first_power_w", Float),
    Column("reflow_first_exposure_s", Float),
    Column("reflow_power_w", Float),
    Column("reflow_spot_um", Float),
    Column("reflow_intensity_kw_cm2", Float),
    Column("reflow_outcome", String(20)),
    Column("outer_um", Float),
    Column("minor_um", Float),
    Column("roundness_um", Float),
    Column("defects", JSON),
    Column("lost_at", Instant),
    Column("lost_found_at", String(30)),
    Column("lost_caused_at", String(30)),
    Column("lost_cause", String(30)),
    Column("scans", Integer, nullable=False, default=0),
    Column("picked", String(20)),
    Column("band", String(20)),
    Column("medium", String(20)),
    Column("q_best", Float),
    Column("q_best_low", Float),
    Column("q_best_high", Float),
    Column("q_typical", Float),
    Column("modes_fitted", Integer, nullable=False, default=0),
    Column("splitting_mhz", Float),
    Column("linewidth_mhz", Float),
    Column("days_to_scan", Float),
    Column("last_deed_at", Instant),
    *_own(),
)
"""One row a device: its own facts. Q columns are of its most measured band and medium; `device_q` has all."""

DEVICE_Q = Table(
    "device_q",
    Base.metadata,
    Column("device_id", Integer, ForeignKey("device.id"), primary_key=True, autoincrement=False),
    Column("band", String(20), primary_key=True),
    Column("medium", String(20), primary_key=True),
    Column("q_best", Float),
    Column("q_best_low", Float),
    Column("q_best_high", Float),
    Column("q_typical", Float),
    Column("modes_fitted", Integer, nullable=False),
    Column("splitting_mhz", Float),
    Column("linewidth_mhz", Float),
    Column("scanned_at", Instant),
    Column("days_to_scan", Float),
    Column("picked", String(20)),
)

VIEW_NAME = "device_table"


def device_table_sql() -> str:
    """The view's statement, the same on both databases; columns of the piece give way to the device's own."""
    own = {column.name for column in DEVICE_FACTS.columns}
    inherited = [column.name for column in PIECE_FACTS.columns if column.name not in own]
    renamed = ("lost_at", "lost_found_at", "lost_caused_at", "lost_cause", "last_deed_at")
    columns = [f'd."{name}" AS "{name}"' for name in own_in_order()]
    columns += [f'p."{name}" AS "{name}"' for name in inherited]
    columns += [f'p."{name}" AS "piece_{name}"' for name in renamed]
    return f"CREATE VIEW {VIEW_NAME} AS SELECT {', '.join(columns)} FROM device_facts d JOIN piece_facts p ON p.piece_id = d.piece_id"  # noqa: E501, S608


def own_in_order() -> list[str]:
    """The device's own columns, in their declared order."""
    return [column.name for column in DEVICE_FACTS.columns]
