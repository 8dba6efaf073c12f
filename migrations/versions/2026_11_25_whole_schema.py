"""The whole schema

Revision ID: 2026_11_25_whole_schema
Revises:
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_whole_schema"
down_revision = None
branch_labels = None
depends_on = None

VIEW = (
    'CREATE VIEW device_table AS SELECT d."device_id" AS "device_id", d."piece_id" AS "piece_id", '
    'd."device_code" AS "device_code", d."device_kind" AS "device_kind", d."purpose" AS "purpose", '
    'd."mask_array_id" AS "mask_array_id", d."array_number" AS "array_number", d."row" AS "row", '
    'd."column" AS "column", d."nominal_um" AS "nominal_um", d."lithography_id" AS "lithography_id", '
    'd."disc_um" AS "disc_um", d."pillar_ratio" AS "pillar_ratio", d."undercut_um" AS "undercut_um", '
    'd."pillar_offset_um" AS "pillar_offset_um", d."reflow_session_id" AS "reflow_session_id", '
    'd."reflow_recipe_version_id" AS "reflow_recipe_version_id", '
    'd."reflow_operator_id" AS "reflow_operator_id", d."reflow_at" AS "reflow_at", '
    'd."reflow_shots" AS "reflow_shots", d."reflow_first_power_w" AS "reflow_first_power_w", '
    'd."reflow_first_exposure_s" AS "reflow_first_exposure_s", d."reflow_power_w" AS "reflow_power_w", '
    'd."reflow_spot_um" AS "reflow_spot_um", d."reflow_intensity_kw_cm2" AS "reflow_intensity_kw_cm2", '
    'd."reflow_outcome" AS "reflow_outcome", d."outer_um" AS "outer_um", d."minor_um" AS "minor_um", '
    'd."roundness_um" AS "roundness_um", d."defects" AS "defects", d."lost_at" AS "lost_at", '
    'd."lost_found_at" AS "lost_found_at", d."lost_caused_at" AS "lost_caused_at", '
    'd."lost_cause" AS "lost_cause", d."scans" AS "scans", d."picked" AS "picked", d."band" AS "band", '
    'd."medium" AS "medium", d."q_best" AS "q_best", d."q_best_low" AS "q_best_low", '
    'd."q_best_high" AS "q_best_high", d."q_typical" AS "q_typical", d."modes_fitted" AS "modes_fitted", '
    'd."splitting_mhz" AS "splitting_mhz", d."linewidth_mhz" AS "linewidth_mhz", '
    'd."days_to_scan" AS "days_to_scan", d."last_deed_at" AS "last_deed_at", '
    'd."patterned_outcome" AS "patterned_outcome", d."patterned_verdict" AS "patterned_verdict", '
    'd."patterned_decided_at" AS "patterned_decided_at", d."patterned_counts" AS "patterned_counts", '
    'd."patterned_first_pass" AS "patterned_first_pass", '
    'd."oxide_etched_outcome" AS "oxide_etched_outcome", '
    'd."oxide_etched_verdict" AS "oxide_etched_verdict", '
    'd."oxide_etched_decided_at" AS "oxide_etched_decided_at", '
    'd."oxide_etched_counts" AS "oxide_etched_counts", '
    'd."oxide_etched_first_pass" AS "oxide_etched_first_pass", d."undercut_outcome" AS "undercut_outcome", '
    'd."undercut_verdict" AS "undercut_verdict", d."undercut_decided_at" AS "undercut_decided_at", '
    'd."undercut_counts" AS "undercut_counts", d."undercut_first_pass" AS "undercut_first_pass", '
    'd."reflowed_outcome" AS "reflowed_outcome", d."reflowed_verdict" AS "reflowed_verdict", '
    'd."reflowed_decided_at" AS "reflowed_decided_at", d."reflowed_counts" AS "reflowed_counts", '
    'd."reflowed_first_pass" AS "reflowed_first_pass", d."prepared_outcome" AS "prepared_outcome", '
    'd."prepared_verdict" AS "prepared_verdict", d."prepared_decided_at" AS "prepared_decided_at", '
    'd."prepared_counts" AS "prepared_counts", d."prepared_first_pass" AS "prepared_first_pass", '
    'd."melted_outcome" AS "melted_outcome", d."melted_verdict" AS "melted_verdict", '
    'd."melted_decided_at" AS "melted_decided_at", d."melted_counts" AS "melted_counts", '
    'd."melted_first_pass" AS "melted_first_pass", d."reflow_dialled" AS "reflow_dialled", '
    'd."reflow_dial_unit" AS "reflow_dial_unit", d."reflow_exposure_s" AS "reflow_exposure_s", '
    'd."reflow_bursts" AS "reflow_bursts", d."reflow_by_eye" AS "reflow_by_eye", '
    'd."reflow_beam_offset_x_um" AS "reflow_beam_offset_x_um", '
    'd."reflow_beam_offset_y_um" AS "reflow_beam_offset_y_um", p."root_id" AS "root_id", '
    'p."root_code" AS "root_code", p."piece_code" AS "piece_code", p."piece_kind" AS "piece_kind", '
    'p."whereabouts" AS "whereabouts", p."whereabouts_place" AS "whereabouts_place", '
    'p."parted" AS "parted", p."ended" AS "ended", p."arrived_stage" AS "arrived_stage", '
    'p."first_exposed_at" AS "first_exposed_at", p."oxide_um" AS "oxide_um", '
    'p."undercut_cycles" AS "undercut_cycles", p."undercut_cycle_s" AS "undercut_cycle_s", '
    'p."undercut_xef2_torr" AS "undercut_xef2_torr", p."undercut_n2_torr" AS "undercut_n2_torr", '
    'p."undercut_dose_torr_s" AS "undercut_dose_torr_s", '
    'p."lithography_event_id" AS "lithography_event_id", p."lithography_at" AS "lithography_at", '
    'p."lithography_recipe_version_id" AS "lithography_recipe_version_id", '
    'p."lithography_operator_id" AS "lithography_operator_id", '
    'p."lithography_count" AS "lithography_count", '
    'p."lithography_dehydration_c" AS "lithography_dehydration_c", '
    'p."lithography_dehydration_s" AS "lithography_dehydration_s", '
    'p."lithography_primer" AS "lithography_primer", p."lithography_resist" AS "lithography_resist", '
    'p."lithography_resist_lot_id" AS "lithography_resist_lot_id", '
    'p."lithography_spin_rpm" AS "lithography_spin_rpm", p."lithography_spin_s" AS "lithography_spin_s", '
    'p."lithography_resist_um" AS "lithography_resist_um", '
    'p."lithography_soft_bake_c" AS "lithography_soft_bake_c", '
    'p."lithography_soft_bake_s" AS "lithography_soft_bake_s", '
    'p."lithography_lamp_mw_cm2" AS "lithography_lamp_mw_cm2", '
    'p."lithography_uv_exposure_s" AS "lithography_uv_exposure_s", '
    'p."lithography_contact_mode" AS "lithography_contact_mode", '
    'p."lithography_developer" AS "lithography_developer", '
    'p."lithography_develop_s" AS "lithography_develop_s", '
    'p."lithography_descum_s" AS "lithography_descum_s", '
    'p."lithography_hard_bake_c" AS "lithography_hard_bake_c", '
    'p."lithography_hard_bake_s" AS "lithography_hard_bake_s", '
    'p."lithography_reflow_bake_c" AS "lithography_reflow_bake_c", '
    'p."lithography_reflow_bake_s" AS "lithography_reflow_bake_s", '
    'p."lithography_offset_x_um" AS "lithography_offset_x_um", '
    'p."lithography_offset_y_um" AS "lithography_offset_y_um", '
    'p."lithography_redone" AS "lithography_redone", '
    'p."fibre_preparation_event_id" AS "fibre_preparation_event_id", '
    'p."fibre_preparation_at" AS "fibre_preparation_at", '
    'p."fibre_preparation_recipe_version_id" AS "fibre_preparation_recipe_version_id", '
    'p."fibre_preparation_operator_id" AS "fibre_preparation_operator_id", '
    'p."fibre_preparation_count" AS "fibre_preparation_count", '
    'p."fibre_preparation_stripped_mm" AS "fibre_preparation_stripped_mm", '
    'p."fibre_preparation_solvent" AS "fibre_preparation_solvent", '
    'p."fibre_preparation_cleaver" AS "fibre_preparation_cleaver", '
    'p."fibre_preparation_cleave_angle_deg" AS "fibre_preparation_cleave_angle_deg", '
    'p."fibre_preparation_tapered_um" AS "fibre_preparation_tapered_um", '
    'p."fibre_preparation_melting" AS "fibre_preparation_melting", '
    'p."fibre_preparation_recleaved" AS "fibre_preparation_recleaved", '
    'p."oxide_etch_event_id" AS "oxide_etch_event_id", p."oxide_etch_at" AS "oxide_etch_at", '
    'p."oxide_etch_recipe_version_id" AS "oxide_etch_recipe_version_id", '
    'p."oxide_etch_operator_id" AS "oxide_etch_operator_id", p."oxide_etch_count" AS "oxide_etch_count", '
    'p."oxide_etch_etchant_ratio" AS "oxide_etch_etchant_ratio", '
    'p."oxide_etch_bath_lot_id" AS "oxide_etch_bath_lot_id", p."oxide_etch_bath_c" AS "oxide_etch_bath_c", '
    'p."oxide_etch_etch_s" AS "oxide_etch_etch_s", p."oxide_etch_end_point" AS "oxide_etch_end_point", '
    'p."oxide_etch_over_etch_percent" AS "oxide_etch_over_etch_percent", '
    'p."oxide_etch_agitation" AS "oxide_etch_agitation", p."oxide_etch_rinse_s" AS "oxide_etch_rinse_s", '
    'p."oxide_etch_disc_after_um" AS "oxide_etch_disc_after_um", '
    'p."resist_strip_event_id" AS "resist_strip_event_id", p."resist_strip_at" AS "resist_strip_at", '
    'p."resist_strip_recipe_version_id" AS "resist_strip_recipe_version_id", '
    'p."resist_strip_operator_id" AS "resist_strip_operator_id", '
    'p."resist_strip_count" AS "resist_strip_count", p."resist_strip_method" AS "resist_strip_method", '
    'p."resist_strip_strip_c" AS "resist_strip_strip_c", '
    'p."resist_strip_strip_s" AS "resist_strip_strip_s", p."undercut_event_id" AS "undercut_event_id", '
    'p."undercut_at" AS "undercut_at", p."undercut_recipe_version_id" AS "undercut_recipe_version_id", '
    'p."undercut_operator_id" AS "undercut_operator_id", p."undercut_count" AS "undercut_count", '
    'p."undercut_since_dip_min" AS "undercut_since_dip_min", '
    'p."undercut_first_of_day" AS "undercut_first_of_day", '
    'p."undercut_place_in_chamber" AS "undercut_place_in_chamber", '
    'p."treatment_event_id" AS "treatment_event_id", p."treatment_at" AS "treatment_at", '
    'p."treatment_recipe_version_id" AS "treatment_recipe_version_id", '
    'p."treatment_operator_id" AS "treatment_operator_id", p."treatment_count" AS "treatment_count", '
    'p."treatment_treatment_kind" AS "treatment_treatment_kind", '
    'p."treatment_chemistry" AS "treatment_chemistry", '
    'p."treatment_treatment_c" AS "treatment_treatment_c", '
    'p."treatment_treatment_s" AS "treatment_treatment_s", '
    'p."treatment_treatment_w" AS "treatment_treatment_w", p."lost_at" AS "piece_lost_at", '
    'p."lost_found_at" AS "piece_lost_found_at", p."lost_caused_at" AS "piece_lost_caused_at", '
    'p."lost_cause" AS "piece_lost_cause", '
    'p."last_deed_at" AS "piece_last_deed_at" FROM device_facts d JOIN piece_facts p ON p.piece_id = d.piece_id'
)


def upgrade() -> None:
    """Up."""
    op.create_table(
        "attachment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("media_type", sa.String(length=100), nullable=True),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.Column("of_table", sa.String(length=40), nullable=True),
        sa.Column("of_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attachment")),
    )
    with op.batch_alter_table("attachment", schema=None) as batch_op:
        batch_op.create_index("ix_attachment_of", ["of_table", "of_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_attachment_sha256"), ["sha256"], unique=False)

    op.create_table(
        "audit_entry",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("operator_id", sa.Integer(), nullable=True),
        sa.Column("deed", sa.String(length=80), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=True),
        sa.Column("key", sa.String(length=80), nullable=True),
        sa.Column("previous_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_audit_entry")),
    )
    with op.batch_alter_table("audit_entry", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_entry_deed"), ["deed"], unique=False)

    op.create_table(
        "lab_setting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lab_setting")),
        sa.UniqueConstraint("name", name=op.f("uq_lab_setting_name")),
    )
    op.create_table(
        "lot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("code_key", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=True),
        sa.Column("supplier_lot", sa.String(length=80), nullable=True),
        sa.Column("opened_at", sa.DateTime(), nullable=True),
        sa.Column("expires_at", sa.DateTime(), nullable=True),
        sa.Column("properties", sa.JSON(), nullable=False),
        sa.Column("used_up", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint("code_key", name=op.f("uq_lot_code_key")),
    )
    with op.batch_alter_table("lot", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_lot_kind"), ["kind"], unique=False)

    op.create_table(
        "mask",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("code_key", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=True),
        sa.Column("plate_mm", sa.Double(), nullable=True),
        sa.Column("edge_margin_mm", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mask")),
        sa.UniqueConstraint("code_key", name=op.f("uq_mask_code_key")),
    )
    op.create_table(
        "operator",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("initials", sa.String(length=8), nullable=False),
        sa.Column("initials_key", sa.String(length=8), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("secret", sa.String(length=200), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_operator")),
        sa.UniqueConstraint("initials_key", name=op.f("uq_operator_initials_key")),
    )
    op.create_table(
        "quantity_range",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(length=60), nullable=False),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quantity_range")),
        sa.UniqueConstraint("quantity", name=op.f("uq_quantity_range_quantity")),
    )
    op.create_table(
        "recipe",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("step_kind", sa.String(length=40), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recipe")),
        sa.UniqueConstraint("name_key", name=op.f("uq_recipe_name_key")),
    )
    with op.batch_alter_table("recipe", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_recipe_step_kind"), ["step_kind"], unique=False)

    op.create_table(
        "route",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_route")),
        sa.UniqueConstraint("name_key", name=op.f("uq_route_name_key")),
    )
    op.create_table(
        "specification",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_specification")),
        sa.UniqueConstraint("name_key", name=op.f("uq_specification_name_key")),
    )
    op.create_table(
        "submission",
        sa.Column("key", sa.String(length=80), nullable=False),
        sa.Column("operator_id", sa.Integer(), nullable=True),
        sa.Column("body_hash", sa.String(length=64), nullable=False),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_submission")),
    )
    op.create_table(
        "tool",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("code_key", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("place", sa.String(length=120), nullable=True),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("properties", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tool")),
        sa.UniqueConstraint("code_key", name=op.f("uq_tool_code_key")),
    )
    with op.batch_alter_table("tool", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tool_kind"), ["kind"], unique=False)

    op.create_table(
        "audit_change",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("table_name", sa.String(length=60), nullable=False),
        sa.Column("row_id", sa.String(length=60), nullable=False),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["seq"], ["audit_entry.seq"], name=op.f("fk_audit_change_seq_audit_entry")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_change")),
    )
    with op.batch_alter_table("audit_change", schema=None) as batch_op:
        batch_op.create_index("ix_audit_change_row", ["table_name", "row_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_audit_change_seq"), ["seq"], unique=False)

    op.create_table(
        "mask_array",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mask_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=60), nullable=True),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("columns", sa.Integer(), nullable=False),
        sa.Column("disc_um", sa.Double(), nullable=False),
        sa.Column("ladder_um", sa.JSON(), nullable=True),
        sa.Column("pitch_x_um", sa.Double(), nullable=False),
        sa.Column("pitch_y_um", sa.Double(), nullable=False),
        sa.Column("origin_x_um", sa.Double(), nullable=False),
        sa.Column("origin_y_um", sa.Double(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["mask_id"], ["mask.id"], name=op.f("fk_mask_array_mask_id_mask")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mask_array")),
        sa.UniqueConstraint("mask_id", "number", name=op.f("uq_mask_array_mask_id_number")),
    )
    op.create_table(
        "recipe_version",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("recipe_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("planned_shots", sa.Integer(), nullable=True),
        sa.Column("changed", sa.Text(), nullable=True),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["made_by_id"], ["operator.id"], name=op.f("fk_recipe_version_made_by_id_operator")),
        sa.ForeignKeyConstraint(["recipe_id"], ["recipe.id"], name=op.f("fk_recipe_version_recipe_id_recipe")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recipe_version")),
        sa.UniqueConstraint("recipe_id", "number", name=op.f("uq_recipe_version_recipe_id_number")),
    )
    op.create_table(
        "specification_version",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specification_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("q_intrinsic_min", sa.Double(), nullable=False),
        sa.Column("band", sa.String(length=20), nullable=True),
        sa.Column("medium", sa.String(length=20), nullable=True),
        sa.Column("pillar_ratio_min", sa.Double(), nullable=True),
        sa.Column("pillar_ratio_max", sa.Double(), nullable=True),
        sa.Column("outer_um_min", sa.Double(), nullable=True),
        sa.Column("outer_um_max", sa.Double(), nullable=True),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["operator.id"], name=op.f("fk_specification_version_made_by_id_operator")
        ),
        sa.ForeignKeyConstraint(
            ["specification_id"],
            ["specification.id"],
            name=op.f("fk_specification_version_specification_id_specification"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_specification_version")),
        sa.UniqueConstraint(
            "specification_id", "number", name=op.f("uq_specification_version_specification_id_number")
        ),
    )
    op.create_table(
        "tool_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("tool_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("done_at", sa.DateTime(), nullable=False),
        sa.Column("logged_at", sa.DateTime(), nullable=False),
        sa.Column("operator_id", sa.Integer(), nullable=True),
        sa.Column("what", sa.String(length=80), nullable=True),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=True),
        sa.Column("valid_until", sa.DateTime(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("voided_at", sa.DateTime(), nullable=True),
        sa.Column("void_reason", sa.String(length=200), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["operator_id"], ["operator.id"], name=op.f("fk_tool_event_operator_id_operator")),
        sa.ForeignKeyConstraint(["tool_id"], ["tool.id"], name=op.f("fk_tool_event_tool_id_tool")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tool_event")),
    )
    with op.batch_alter_table("tool_event", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tool_event_done_at"), ["done_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_tool_event_tool_id"), ["tool_id"], unique=False)

    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("done_at", sa.DateTime(), nullable=False),
        sa.Column("logged_at", sa.DateTime(), nullable=False),
        sa.Column("operator_id", sa.Integer(), nullable=True),
        sa.Column("tool_id", sa.Integer(), nullable=True),
        sa.Column("recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("device_id", sa.Integer(), nullable=True),
        sa.Column("unknown", sa.Boolean(), nullable=False),
        sa.Column("sources", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("voided_at", sa.DateTime(), nullable=True),
        sa.Column("voided_by_id", sa.Integer(), nullable=True),
        sa.Column("void_reason", sa.String(length=200), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["operator_id"], ["operator.id"], name=op.f("fk_event_operator_id_operator")),
        sa.ForeignKeyConstraint(
            ["recipe_version_id"], ["recipe_version.id"], name=op.f("fk_event_recipe_version_id_recipe_version")
        ),
        sa.ForeignKeyConstraint(["tool_id"], ["tool.id"], name=op.f("fk_event_tool_id_tool")),
        sa.ForeignKeyConstraint(["voided_by_id"], ["operator.id"], name=op.f("fk_event_voided_by_id_operator")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event")),
    )
    with op.batch_alter_table("event", schema=None) as batch_op:
        batch_op.create_index("ix_event_device", ["device_id", "done_at"], unique=False)
        batch_op.create_index("ix_event_kind_done", ["kind", "done_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_event_recipe_version_id"), ["recipe_version_id"], unique=False)

    op.create_table(
        "range_confirmation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("quantity", sa.String(length=60), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("operator_id", sa.Integer(), nullable=True),
        sa.Column("confirmed_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["operator_id"], ["operator.id"], name=op.f("fk_range_confirmation_operator_id_operator")
        ),
        sa.ForeignKeyConstraint(
            ["recipe_version_id"],
            ["recipe_version.id"],
            name=op.f("fk_range_confirmation_recipe_version_id_recipe_version"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_range_confirmation")),
        sa.UniqueConstraint(
            "recipe_version_id",
            "quantity",
            "value",
            name=op.f("uq_range_confirmation_recipe_version_id_quantity_value"),
        ),
    )
    op.create_table(
        "route_step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("route_id", sa.Integer(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("recipe_version_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["recipe_version_id"], ["recipe_version.id"], name=op.f("fk_route_step_recipe_version_id_recipe_version")
        ),
        sa.ForeignKeyConstraint(["route_id"], ["route.id"], name=op.f("fk_route_step_route_id_route")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_route_step")),
        sa.UniqueConstraint("route_id", "sequence", name=op.f("uq_route_step_route_id_sequence")),
    )
    op.create_table(
        "ending",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_ending_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ending")),
    )
    op.create_table(
        "fibre_preparation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("stripped_mm", sa.Float(), nullable=True),
        sa.Column("solvent", sa.Text(), nullable=True),
        sa.Column("cleaver", sa.Text(), nullable=True),
        sa.Column("cleave_angle_deg", sa.Float(), nullable=True),
        sa.Column("tapered_um", sa.Float(), nullable=True),
        sa.Column("melting", sa.String(length=40), nullable=True),
        sa.Column("recleaved", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_fibre_preparation_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fibre_preparation")),
    )
    op.create_table(
        "inspection",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("stage", sa.String(length=30), nullable=False),
        sa.Column("cover", sa.String(length=10), nullable=False),
        sa.Column("seen_n", sa.Integer(), nullable=True),
        sa.Column("of_n", sa.Integer(), nullable=True),
        sa.Column("method", sa.String(length=60), nullable=True),
        sa.Column("reinstates", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_inspection_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    op.create_table(
        "lithography",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("dehydration_c", sa.Float(), nullable=True),
        sa.Column("dehydration_s", sa.Float(), nullable=True),
        sa.Column("primer", sa.String(length=40), nullable=True),
        sa.Column("resist", sa.Text(), nullable=True),
        sa.Column("resist_lot_id", sa.Integer(), nullable=True),
        sa.Column("spin_rpm", sa.Float(), nullable=True),
        sa.Column("spin_s", sa.Float(), nullable=True),
        sa.Column("resist_um", sa.Float(), nullable=True),
        sa.Column("soft_bake_c", sa.Float(), nullable=True),
        sa.Column("soft_bake_s", sa.Float(), nullable=True),
        sa.Column("lamp_mw_cm2", sa.Float(), nullable=True),
        sa.Column("uv_exposure_s", sa.Float(), nullable=True),
        sa.Column("contact_mode", sa.String(length=40), nullable=True),
        sa.Column("developer", sa.Text(), nullable=True),
        sa.Column("develop_s", sa.Float(), nullable=True),
        sa.Column("descum_s", sa.Float(), nullable=True),
        sa.Column("hard_bake_c", sa.Float(), nullable=True),
        sa.Column("hard_bake_s", sa.Float(), nullable=True),
        sa.Column("reflow_bake_c", sa.Float(), nullable=True),
        sa.Column("reflow_bake_s", sa.Float(), nullable=True),
        sa.Column("offset_x_um", sa.Float(), nullable=True),
        sa.Column("offset_y_um", sa.Float(), nullable=True),
        sa.Column("redone", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_lithography_id_event")),
        sa.ForeignKeyConstraint(["resist_lot_id"], ["lot.id"], name=op.f("fk_lithography_resist_lot_id_lot")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lithography")),
    )
    op.create_table(
        "loss",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("found_at", sa.String(length=30), nullable=True),
        sa.Column("caused_at", sa.String(length=30), nullable=True),
        sa.Column("cause", sa.String(length=30), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_loss_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_loss")),
    )
    op.create_table(
        "oxide_etch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("etchant_ratio", sa.Text(), nullable=True),
        sa.Column("bath_lot_id", sa.Integer(), nullable=True),
        sa.Column("bath_c", sa.Float(), nullable=True),
        sa.Column("etch_s", sa.Float(), nullable=True),
        sa.Column("end_point", sa.String(length=40), nullable=True),
        sa.Column("over_etch_percent", sa.Float(), nullable=True),
        sa.Column("agitation", sa.String(length=40), nullable=True),
        sa.Column("rinse_s", sa.Float(), nullable=True),
        sa.Column("disc_after_um", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["bath_lot_id"], ["lot.id"], name=op.f("fk_oxide_etch_bath_lot_id_lot")),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_oxide_etch_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_oxide_etch")),
    )
    op.create_table(
        "oxide_measurement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("points_um", sa.JSON(), nullable=False),
        sa.Column("method", sa.String(length=60), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_oxide_measurement_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_oxide_measurement")),
    )
    op.create_table(
        "parting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("method", sa.String(length=30), nullable=True),
        sa.Column("protection", sa.String(length=80), nullable=True),
        sa.Column("sites_lost", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_parting_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parting")),
    )
    op.create_table(
        "piece",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("code_key", sa.String(length=40), nullable=False),
        sa.Column("parent_id", sa.Integer(), nullable=True),
        sa.Column("parting_id", sa.Integer(), nullable=True),
        sa.Column("lot_id", sa.Integer(), nullable=True),
        sa.Column("registered_at", sa.DateTime(), nullable=False),
        sa.Column("registered_by_id", sa.Integer(), nullable=True),
        sa.Column("arrived_stage", sa.String(length=30), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_piece_lot_id_lot")),
        sa.ForeignKeyConstraint(["parent_id"], ["piece.id"], name=op.f("fk_piece_parent_id_piece")),
        sa.ForeignKeyConstraint(["parting_id"], ["event.id"], name=op.f("fk_piece_parting_id_event")),
        sa.ForeignKeyConstraint(["registered_by_id"], ["operator.id"], name=op.f("fk_piece_registered_by_id_operator")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
        sa.UniqueConstraint("code_key", name=op.f("uq_piece_code_key")),
    )
    with op.batch_alter_table("piece", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_piece_kind"), ["kind"], unique=False)
        batch_op.create_index(batch_op.f("ix_piece_parent_id"), ["parent_id"], unique=False)

    op.create_table(
        "purpose_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_purpose_change_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_purpose_change")),
    )
    op.create_table(
        "reflow_session",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("warm_up_min", sa.Double(), nullable=True),
        sa.Column("meter_start_w", sa.Double(), nullable=True),
        sa.Column("meter_end_w", sa.Double(), nullable=True),
        sa.Column("meter_where", sa.String(length=80), nullable=True),
        sa.Column("meter_tool_id", sa.Integer(), nullable=True),
        sa.Column("spot_um", sa.Double(), nullable=True),
        sa.Column("spot_how", sa.String(length=80), nullable=True),
        sa.Column("alignment", sa.String(length=40), nullable=True),
        sa.Column("alignment_when", sa.String(length=40), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_reflow_session_id_event")),
        sa.ForeignKeyConstraint(["meter_tool_id"], ["tool.id"], name=op.f("fk_reflow_session_meter_tool_id_tool")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reflow_session")),
    )
    op.create_table(
        "resist_strip",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("method", sa.String(length=40), nullable=True),
        sa.Column("strip_c", sa.Float(), nullable=True),
        sa.Column("strip_s", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_resist_strip_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_resist_strip")),
    )
    op.create_table(
        "scan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("attachment_id", sa.Integer(), nullable=False),
        sa.Column("detector_id", sa.Integer(), nullable=True),
        sa.Column("wavelength_nm", sa.Double(), nullable=True),
        sa.Column("input_power_uw", sa.Double(), nullable=True),
        sa.Column("sweep_mhz_per_s", sa.Double(), nullable=True),
        sa.Column("direction", sa.String(length=10), nullable=True),
        sa.Column("averages", sa.Integer(), nullable=True),
        sa.Column("reading", sa.JSON(), nullable=False),
        sa.Column("dark_v", sa.Double(), nullable=True),
        sa.Column("taper", sa.String(length=20), nullable=True),
        sa.Column("taper_position_um", sa.Double(), nullable=True),
        sa.Column("taper_transmission", sa.Double(), nullable=True),
        sa.Column("polarisation", sa.String(length=20), nullable=True),
        sa.Column("polarisation_known", sa.String(length=60), nullable=True),
        sa.Column("medium", sa.String(length=20), nullable=False),
        sa.Column("picked", sa.String(length=20), nullable=False),
        sa.ForeignKeyConstraint(["attachment_id"], ["attachment.id"], name=op.f("fk_scan_attachment_id_attachment")),
        sa.ForeignKeyConstraint(["detector_id"], ["tool.id"], name=op.f("fk_scan_detector_id_tool")),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_scan_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_scan")),
    )
    op.create_table(
        "taking",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("sites", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_taking_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_taking")),
    )
    op.create_table(
        "treatment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("treatment_kind", sa.String(length=40), nullable=True),
        sa.Column("chemistry", sa.Text(), nullable=True),
        sa.Column("treatment_c", sa.Float(), nullable=True),
        sa.Column("treatment_s", sa.Float(), nullable=True),
        sa.Column("treatment_w", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_treatment_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_treatment")),
    )
    op.create_table(
        "undercut",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("since_dip_min", sa.Float(), nullable=True),
        sa.Column("first_of_day", sa.Boolean(), nullable=True),
        sa.Column("place_in_chamber", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_undercut_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_undercut")),
    )
    op.create_table(
        "undercut_measurement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("disc_um", sa.Double(), nullable=True),
        sa.Column("pillar_top_x_um", sa.Double(), nullable=True),
        sa.Column("pillar_top_y_um", sa.Double(), nullable=True),
        sa.Column("pillar_offset_um", sa.Double(), nullable=True),
        sa.Column("rim_to_pillar_um", sa.Double(), nullable=True),
        sa.Column("method", sa.String(length=60), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_undercut_measurement_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_undercut_measurement")),
    )
    op.create_table(
        "undercut_segments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=True),
        sa.Column("cycle_s", sa.Float(), nullable=True),
        sa.Column("xef2_torr", sa.Float(), nullable=True),
        sa.Column("n2_torr", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=op.f("fk_undercut_segments_event_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_undercut_segments")),
    )
    with op.batch_alter_table("undercut_segments", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_undercut_segments_event_id"), ["event_id"], unique=False)

    op.create_table(
        "whereabouts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("place", sa.String(length=120), nullable=True),
        sa.Column("until", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_whereabouts_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_whereabouts")),
    )
    op.create_table(
        "chip",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("width_mm", sa.Double(), nullable=True),
        sa.Column("height_mm", sa.Double(), nullable=True),
        sa.Column("thickness_um", sa.Double(), nullable=True),
        sa.Column("backside", sa.String(length=20), nullable=False),
        sa.Column("orientation_mark", sa.String(length=60), nullable=True),
        sa.Column("container", sa.String(length=60), nullable=True),
        sa.Column("slot", sa.String(length=20), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["piece.id"], name=op.f("fk_chip_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chip")),
    )
    op.create_table(
        "event_piece",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=op.f("fk_event_piece_event_id_event")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_event_piece_piece_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event_piece")),
    )
    with op.batch_alter_table("event_piece", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_event_piece_event_id"), ["event_id"], unique=False)
        batch_op.create_index("ix_event_piece_piece", ["piece_id", "event_id"], unique=False)

    op.create_table(
        "exposure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lithography_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("root_id", sa.Integer(), nullable=False),
        sa.Column("mask_array_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["lithography_id"], ["event.id"], name=op.f("fk_exposure_lithography_id_event")),
        sa.ForeignKeyConstraint(
            ["mask_array_id"], ["mask_array.id"], name=op.f("fk_exposure_mask_array_id_mask_array")
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_exposure_piece_id_piece")),
        sa.ForeignKeyConstraint(["root_id"], ["piece.id"], name=op.f("fk_exposure_root_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_exposure")),
        sa.UniqueConstraint("root_id", "number", name=op.f("uq_exposure_root_id_number")),
    )
    with op.batch_alter_table("exposure", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_exposure_lithography_id"), ["lithography_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_exposure_piece_id"), ["piece_id"], unique=False)

    op.create_table(
        "fibre_batch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ends", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["piece.id"], name=op.f("fk_fibre_batch_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fibre_batch")),
    )
    op.create_table(
        "piece_facts",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("root_id", sa.Integer(), nullable=False),
        sa.Column("root_code", sa.String(length=40), nullable=False),
        sa.Column("piece_code", sa.String(length=40), nullable=False),
        sa.Column("piece_kind", sa.String(length=20), nullable=False),
        sa.Column("whereabouts", sa.String(length=20), nullable=False),
        sa.Column("whereabouts_place", sa.String(length=120), nullable=True),
        sa.Column("parted", sa.Boolean(), nullable=False),
        sa.Column("ended", sa.Boolean(), nullable=False),
        sa.Column("lost_at", sa.DateTime(), nullable=True),
        sa.Column("lost_found_at", sa.String(length=30), nullable=True),
        sa.Column("lost_caused_at", sa.String(length=30), nullable=True),
        sa.Column("lost_cause", sa.String(length=30), nullable=True),
        sa.Column("arrived_stage", sa.String(length=30), nullable=True),
        sa.Column("first_exposed_at", sa.DateTime(), nullable=True),
        sa.Column("last_deed_at", sa.DateTime(), nullable=False),
        sa.Column("oxide_um", sa.Float(), nullable=True),
        sa.Column("undercut_cycles", sa.Integer(), nullable=True),
        sa.Column("undercut_cycle_s", sa.Float(), nullable=True),
        sa.Column("undercut_xef2_torr", sa.Float(), nullable=True),
        sa.Column("undercut_n2_torr", sa.Float(), nullable=True),
        sa.Column("undercut_dose_torr_s", sa.Float(), nullable=True),
        sa.Column("lithography_event_id", sa.Integer(), nullable=True),
        sa.Column("lithography_at", sa.DateTime(), nullable=True),
        sa.Column("lithography_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("lithography_operator_id", sa.Integer(), nullable=True),
        sa.Column("lithography_count", sa.Integer(), nullable=False),
        sa.Column("lithography_dehydration_c", sa.Float(), nullable=True),
        sa.Column("lithography_dehydration_s", sa.Float(), nullable=True),
        sa.Column("lithography_primer", sa.String(length=40), nullable=True),
        sa.Column("lithography_resist", sa.Text(), nullable=True),
        sa.Column("lithography_resist_lot_id", sa.Integer(), nullable=True),
        sa.Column("lithography_spin_rpm", sa.Float(), nullable=True),
        sa.Column("lithography_spin_s", sa.Float(), nullable=True),
        sa.Column("lithography_resist_um", sa.Float(), nullable=True),
        sa.Column("lithography_soft_bake_c", sa.Float(), nullable=True),
        sa.Column("lithography_soft_bake_s", sa.Float(), nullable=True),
        sa.Column("lithography_lamp_mw_cm2", sa.Float(), nullable=True),
        sa.Column("lithography_uv_exposure_s", sa.Float(), nullable=True),
        sa.Column("lithography_contact_mode", sa.String(length=40), nullable=True),
        sa.Column("lithography_developer", sa.Text(), nullable=True),
        sa.Column("lithography_develop_s", sa.Float(), nullable=True),
        sa.Column("lithography_descum_s", sa.Float(), nullable=True),
        sa.Column("lithography_hard_bake_c", sa.Float(), nullable=True),
        sa.Column("lithography_hard_bake_s", sa.Float(), nullable=True),
        sa.Column("lithography_reflow_bake_c", sa.Float(), nullable=True),
        sa.Column("lithography_reflow_bake_s", sa.Float(), nullable=True),
        sa.Column("lithography_offset_x_um", sa.Float(), nullable=True),
        sa.Column("lithography_offset_y_um", sa.Float(), nullable=True),
        sa.Column("lithography_redone", sa.Boolean(), nullable=True),
        sa.Column("fibre_preparation_event_id", sa.Integer(), nullable=True),
        sa.Column("fibre_preparation_at", sa.DateTime(), nullable=True),
        sa.Column("fibre_preparation_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("fibre_preparation_operator_id", sa.Integer(), nullable=True),
        sa.Column("fibre_preparation_count", sa.Integer(), nullable=False),
        sa.Column("fibre_preparation_stripped_mm", sa.Float(), nullable=True),
        sa.Column("fibre_preparation_solvent", sa.Text(), nullable=True),
        sa.Column("fibre_preparation_cleaver", sa.Text(), nullable=True),
        sa.Column("fibre_preparation_cleave_angle_deg", sa.Float(), nullable=True),
        sa.Column("fibre_preparation_tapered_um", sa.Float(), nullable=True),
        sa.Column("fibre_preparation_melting", sa.String(length=40), nullable=True),
        sa.Column("fibre_preparation_recleaved", sa.Boolean(), nullable=True),
        sa.Column("oxide_etch_event_id", sa.Integer(), nullable=True),
        sa.Column("oxide_etch_at", sa.DateTime(), nullable=True),
        sa.Column("oxide_etch_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("oxide_etch_operator_id", sa.Integer(), nullable=True),
        sa.Column("oxide_etch_count", sa.Integer(), nullable=False),
        sa.Column("oxide_etch_etchant_ratio", sa.Text(), nullable=True),
        sa.Column("oxide_etch_bath_lot_id", sa.Integer(), nullable=True),
        sa.Column("oxide_etch_bath_c", sa.Float(), nullable=True),
        sa.Column("oxide_etch_etch_s", sa.Float(), nullable=True),
        sa.Column("oxide_etch_end_point", sa.String(length=40), nullable=True),
        sa.Column("oxide_etch_over_etch_percent", sa.Float(), nullable=True),
        sa.Column("oxide_etch_agitation", sa.String(length=40), nullable=True),
        sa.Column("oxide_etch_rinse_s", sa.Float(), nullable=True),
        sa.Column("oxide_etch_disc_after_um", sa.Float(), nullable=True),
        sa.Column("resist_strip_event_id", sa.Integer(), nullable=True),
        sa.Column("resist_strip_at", sa.DateTime(), nullable=True),
        sa.Column("resist_strip_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("resist_strip_operator_id", sa.Integer(), nullable=True),
        sa.Column("resist_strip_count", sa.Integer(), nullable=False),
        sa.Column("resist_strip_method", sa.String(length=40), nullable=True),
        sa.Column("resist_strip_strip_c", sa.Float(), nullable=True),
        sa.Column("resist_strip_strip_s", sa.Float(), nullable=True),
        sa.Column("undercut_event_id", sa.Integer(), nullable=True),
        sa.Column("undercut_at", sa.DateTime(), nullable=True),
        sa.Column("undercut_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("undercut_operator_id", sa.Integer(), nullable=True),
        sa.Column("undercut_count", sa.Integer(), nullable=False),
        sa.Column("undercut_since_dip_min", sa.Float(), nullable=True),
        sa.Column("undercut_first_of_day", sa.Boolean(), nullable=True),
        sa.Column("undercut_place_in_chamber", sa.Text(), nullable=True),
        sa.Column("treatment_event_id", sa.Integer(), nullable=True),
        sa.Column("treatment_at", sa.DateTime(), nullable=True),
        sa.Column("treatment_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("treatment_operator_id", sa.Integer(), nullable=True),
        sa.Column("treatment_count", sa.Integer(), nullable=False),
        sa.Column("treatment_treatment_kind", sa.String(length=40), nullable=True),
        sa.Column("treatment_chemistry", sa.Text(), nullable=True),
        sa.Column("treatment_treatment_c", sa.Float(), nullable=True),
        sa.Column("treatment_treatment_s", sa.Float(), nullable=True),
        sa.Column("treatment_treatment_w", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_piece_facts_piece_id_piece")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_piece_facts")),
    )
    with op.batch_alter_table("piece_facts", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_piece_facts_root_id"), ["root_id"], unique=False)

    op.create_table(
        "reflow",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("dialled", sa.Float(), nullable=True),
        sa.Column("dial_unit", sa.String(length=40), nullable=True),
        sa.Column("exposure_s", sa.Float(), nullable=True),
        sa.Column("bursts", sa.Integer(), nullable=True),
        sa.Column("by_eye", sa.Boolean(), nullable=True),
        sa.Column("beam_offset_x_um", sa.Float(), nullable=True),
        sa.Column("beam_offset_y_um", sa.Float(), nullable=True),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("power_w", sa.Double(), nullable=True),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_reflow_id_event")),
        sa.ForeignKeyConstraint(
            ["session_id"], ["reflow_session.id"], name=op.f("fk_reflow_session_id_reflow_session")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reflow")),
    )
    with op.batch_alter_table("reflow", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_reflow_session_id"), ["session_id"], unique=False)

    op.create_table(
        "route_assignment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("route_id", sa.Integer(), nullable=False),
        sa.Column("assigned_at", sa.DateTime(), nullable=False),
        sa.Column("assigned_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["assigned_by_id"], ["operator.id"], name=op.f("fk_route_assignment_assigned_by_id_operator")
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_route_assignment_piece_id_piece")),
        sa.ForeignKeyConstraint(["route_id"], ["route.id"], name=op.f("fk_route_assignment_route_id_route")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_route_assignment")),
    )
    with op.batch_alter_table("route_assignment", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_route_assignment_piece_id"), ["piece_id"], unique=False)

    op.create_table(
        "wafer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("diameter_mm", sa.Double(), nullable=True),
        sa.Column("shape", sa.String(length=20), nullable=False),
        sa.Column("orientation", sa.String(length=20), nullable=True),
        sa.Column("dopant", sa.String(length=40), nullable=True),
        sa.Column("resistivity_ohm_cm", sa.Double(), nullable=True),
        sa.Column("oxide_grown", sa.String(length=20), nullable=True),
        sa.Column("oxide_sides", sa.String(length=10), nullable=True),
        sa.Column("oxide_um", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["piece.id"], name=op.f("fk_wafer_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wafer")),
    )
    op.create_table(
        "device",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("code_key", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("taking_id", sa.Integer(), nullable=False),
        sa.Column("exposure_id", sa.Integer(), nullable=True),
        sa.Column("row", sa.Integer(), nullable=True),
        sa.Column("column", sa.Integer(), nullable=True),
        sa.Column("nominal_um", sa.Double(), nullable=True),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["exposure_id"], ["exposure.id"], name=op.f("fk_device_exposure_id_exposure")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_device_piece_id_piece")),
        sa.ForeignKeyConstraint(["taking_id"], ["event.id"], name=op.f("fk_device_taking_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_device")),
        sa.UniqueConstraint("code_key", name=op.f("uq_device_code_key")),
    )
    with op.batch_alter_table("device", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_device_piece_id"), ["piece_id"], unique=False)
        batch_op.create_index("ix_device_site", ["exposure_id", "row", "column"], unique=True)

    op.create_table(
        "piece_region",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("exposure_id", sa.Integer(), nullable=False),
        sa.Column("row_low", sa.Integer(), nullable=False),
        sa.Column("row_high", sa.Integer(), nullable=False),
        sa.Column("column_low", sa.Integer(), nullable=False),
        sa.Column("column_high", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["exposure_id"], ["exposure.id"], name=op.f("fk_piece_region_exposure_id_exposure")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_piece_region_piece_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece_region")),
    )
    with op.batch_alter_table("piece_region", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_piece_region_piece_id"), ["piece_id"], unique=False)

    op.create_table(
        "device_facts",
        sa.Column("device_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("device_code", sa.String(length=60), nullable=False),
        sa.Column("device_kind", sa.String(length=20), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("mask_array_id", sa.Integer(), nullable=True),
        sa.Column("array_number", sa.Integer(), nullable=True),
        sa.Column("row", sa.Integer(), nullable=True),
        sa.Column("column", sa.Integer(), nullable=True),
        sa.Column("nominal_um", sa.Float(), nullable=True),
        sa.Column("lithography_id", sa.Integer(), nullable=True),
        sa.Column("disc_um", sa.Float(), nullable=True),
        sa.Column("pillar_ratio", sa.Float(), nullable=True),
        sa.Column("undercut_um", sa.Float(), nullable=True),
        sa.Column("pillar_offset_um", sa.Float(), nullable=True),
        sa.Column("reflow_session_id", sa.Integer(), nullable=True),
        sa.Column("reflow_recipe_version_id", sa.Integer(), nullable=True),
        sa.Column("reflow_operator_id", sa.Integer(), nullable=True),
        sa.Column("reflow_at", sa.DateTime(), nullable=True),
        sa.Column("reflow_shots", sa.Integer(), nullable=False),
        sa.Column("reflow_first_power_w", sa.Float(), nullable=True),
        sa.Column("reflow_first_exposure_s", sa.Float(), nullable=True),
        sa.Column("reflow_power_w", sa.Float(), nullable=True),
        sa.Column("reflow_spot_um", sa.Float(), nullable=True),
        sa.Column("reflow_intensity_kw_cm2", sa.Float(), nullable=True),
        sa.Column("reflow_outcome", sa.String(length=20), nullable=True),
        sa.Column("outer_um", sa.Float(), nullable=True),
        sa.Column("minor_um", sa.Float(), nullable=True),
        sa.Column("roundness_um", sa.Float(), nullable=True),
        sa.Column("defects", sa.JSON(), nullable=True),
        sa.Column("lost_at", sa.DateTime(), nullable=True),
        sa.Column("lost_found_at", sa.String(length=30), nullable=True),
        sa.Column("lost_caused_at", sa.String(length=30), nullable=True),
        sa.Column("lost_cause", sa.String(length=30), nullable=True),
        sa.Column("scans", sa.Integer(), nullable=False),
        sa.Column("picked", sa.String(length=20), nullable=True),
        sa.Column("band", sa.String(length=20), nullable=True),
        sa.Column("medium", sa.String(length=20), nullable=True),
        sa.Column("q_best", sa.Float(), nullable=True),
        sa.Column("q_best_low", sa.Float(), nullable=True),
        sa.Column("q_best_high", sa.Float(), nullable=True),
        sa.Column("q_typical", sa.Float(), nullable=True),
        sa.Column("modes_fitted", sa.Integer(), nullable=False),
        sa.Column("splitting_mhz", sa.Float(), nullable=True),
        sa.Column("linewidth_mhz", sa.Float(), nullable=True),
        sa.Column("days_to_scan", sa.Float(), nullable=True),
        sa.Column("last_deed_at", sa.DateTime(), nullable=True),
        sa.Column("patterned_outcome", sa.String(length=10), nullable=True),
        sa.Column("patterned_verdict", sa.String(length=20), nullable=True),
        sa.Column("patterned_decided_at", sa.DateTime(), nullable=True),
        sa.Column("patterned_counts", sa.Boolean(), nullable=False),
        sa.Column("patterned_first_pass", sa.Boolean(), nullable=False),
        sa.Column("oxide_etched_outcome", sa.String(length=10), nullable=True),
        sa.Column("oxide_etched_verdict", sa.String(length=20), nullable=True),
        sa.Column("oxide_etched_decided_at", sa.DateTime(), nullable=True),
        sa.Column("oxide_etched_counts", sa.Boolean(), nullable=False),
        sa.Column("oxide_etched_first_pass", sa.Boolean(), nullable=False),
        sa.Column("undercut_outcome", sa.String(length=10), nullable=True),
        sa.Column("undercut_verdict", sa.String(length=20), nullable=True),
        sa.Column("undercut_decided_at", sa.DateTime(), nullable=True),
        sa.Column("undercut_counts", sa.Boolean(), nullable=False),
        sa.Column("undercut_first_pass", sa.Boolean(), nullable=False),
        sa.Column("reflowed_outcome", sa.String(length=10), nullable=True),
        sa.Column("reflowed_verdict", sa.String(length=20), nullable=True),
        sa.Column("reflowed_decided_at", sa.DateTime(), nullable=True),
        sa.Column("reflowed_counts", sa.Boolean(), nullable=False),
        sa.Column("reflowed_first_pass", sa.Boolean(), nullable=False),
        sa.Column("prepared_outcome", sa.String(length=10), nullable=True),
        sa.Column("prepared_verdict", sa.String(length=20), nullable=True),
        sa.Column("prepared_decided_at", sa.DateTime(), nullable=True),
        sa.Column("prepared_counts", sa.Boolean(), nullable=False),
        sa.Column("prepared_first_pass", sa.Boolean(), nullable=False),
        sa.Column("melted_outcome", sa.String(length=10), nullable=True),
        sa.Column("melted_verdict", sa.String(length=20), nullable=True),
        sa.Column("melted_decided_at", sa.DateTime(), nullable=True),
        sa.Column("melted_counts", sa.Boolean(), nullable=False),
        sa.Column("melted_first_pass", sa.Boolean(), nullable=False),
        sa.Column("reflow_dialled", sa.Float(), nullable=True),
        sa.Column("reflow_dial_unit", sa.String(length=40), nullable=True),
        sa.Column("reflow_exposure_s", sa.Float(), nullable=True),
        sa.Column("reflow_bursts", sa.Integer(), nullable=True),
        sa.Column("reflow_by_eye", sa.Boolean(), nullable=True),
        sa.Column("reflow_beam_offset_x_um", sa.Float(), nullable=True),
        sa.Column("reflow_beam_offset_y_um", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["device_id"], ["device.id"], name=op.f("fk_device_facts_device_id_device")),
        sa.PrimaryKeyConstraint("device_id", name=op.f("pk_device_facts")),
    )
    with op.batch_alter_table("device_facts", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_device_facts_piece_id"), ["piece_id"], unique=False)

    op.create_table(
        "device_q",
        sa.Column("device_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("band", sa.String(length=20), nullable=False),
        sa.Column("medium", sa.String(length=20), nullable=False),
        sa.Column("q_best", sa.Float(), nullable=True),
        sa.Column("q_best_low", sa.Float(), nullable=True),
        sa.Column("q_best_high", sa.Float(), nullable=True),
        sa.Column("q_typical", sa.Float(), nullable=True),
        sa.Column("modes_fitted", sa.Integer(), nullable=False),
        sa.Column("splitting_mhz", sa.Float(), nullable=True),
        sa.Column("linewidth_mhz", sa.Float(), nullable=True),
        sa.Column("scanned_at", sa.DateTime(), nullable=True),
        sa.Column("days_to_scan", sa.Float(), nullable=True),
        sa.Column("picked", sa.String(length=20), nullable=True),
        sa.ForeignKeyConstraint(["device_id"], ["device.id"], name=op.f("fk_device_q_device_id_device")),
        sa.PrimaryKeyConstraint("device_id", "band", "medium", name=op.f("pk_device_q")),
    )
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("named", sa.Boolean(), nullable=False),
        sa.Column("outer_um", sa.Double(), nullable=True),
        sa.Column("minor_um", sa.Double(), nullable=True),
        sa.Column("roundness_um", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["device_id"], ["device.id"], name=op.f("fk_finding_device_id_device")),
        sa.ForeignKeyConstraint(["inspection_id"], ["event.id"], name=op.f("fk_finding_inspection_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
        sa.UniqueConstraint("inspection_id", "device_id", name=op.f("uq_finding_inspection_id_device_id")),
    )
    with op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.create_index("ix_finding_device", ["device_id", "inspection_id"], unique=False)

    op.create_table(
        "resonance",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=40), nullable=False),
        sa.Column("band", sa.String(length=20), nullable=False),
        sa.Column("medium", sa.String(length=20), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["device_id"], ["device.id"], name=op.f("fk_resonance_device_id_device")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_resonance")),
        sa.UniqueConstraint("device_id", "label", name=op.f("uq_resonance_device_id_label")),
    )
    op.create_table(
        "defect",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("caused_at", sa.String(length=30), nullable=True),
        sa.ForeignKeyConstraint(["finding_id"], ["finding.id"], name=op.f("fk_defect_finding_id_finding")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_defect")),
    )
    with op.batch_alter_table("defect", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_defect_finding_id"), ["finding_id"], unique=False)

    op.create_table(
        "resonance_fit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("resonance_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("model", sa.String(length=20), nullable=False),
        sa.Column("window_low", sa.Double(), nullable=True),
        sa.Column("window_high", sa.Double(), nullable=True),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.Column("q_intrinsic", sa.Double(), nullable=True),
        sa.Column("q_intrinsic_low", sa.Double(), nullable=True),
        sa.Column("q_intrinsic_high", sa.Double(), nullable=True),
        sa.Column("q_loaded", sa.Double(), nullable=True),
        sa.Column("linewidth_mhz", sa.Double(), nullable=True),
        sa.Column("splitting_mhz", sa.Double(), nullable=True),
        sa.Column("grade", sa.String(length=1), nullable=True),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("software", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("judged_by_id", sa.Integer(), nullable=True),
        sa.Column("judged_at", sa.DateTime(), nullable=True),
        sa.Column("judged_reason", sa.String(length=200), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["judged_by_id"], ["operator.id"], name=op.f("fk_resonance_fit_judged_by_id_operator")),
        sa.ForeignKeyConstraint(["made_by_id"], ["operator.id"], name=op.f("fk_resonance_fit_made_by_id_operator")),
        sa.ForeignKeyConstraint(
            ["resonance_id"], ["resonance.id"], name=op.f("fk_resonance_fit_resonance_id_resonance")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_resonance_fit_scan_id_scan")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_resonance_fit")),
    )
    with op.batch_alter_table("resonance_fit", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_resonance_fit_resonance_id"), ["resonance_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_resonance_fit_scan_id"), ["scan_id"], unique=False)

    op.create_table(
        "ring_down",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("resonance_id", sa.Integer(), nullable=True),
        sa.Column("attachment_id", sa.Integer(), nullable=False),
        sa.Column("lifetime_ns", sa.Double(), nullable=True),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["attachment_id"], ["attachment.id"], name=op.f("fk_ring_down_attachment_id_attachment")
        ),
        sa.ForeignKeyConstraint(["id"], ["event.id"], name=op.f("fk_ring_down_id_event")),
        sa.ForeignKeyConstraint(["resonance_id"], ["resonance.id"], name=op.f("fk_ring_down_resonance_id_resonance")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ring_down")),
    )
    # Event and device name each other, so one of the two references can only be added once both stand.
    with op.batch_alter_table("event") as batch_op:
        batch_op.create_foreign_key("fk_event_device_id_device", "device", ["device_id"], ["id"])
    op.execute(VIEW)


def downgrade() -> None:
    """Down."""
    op.execute("DROP VIEW device_table")
    with op.batch_alter_table("event") as batch_op:
        batch_op.drop_constraint("fk_event_device_id_device", type_="foreignkey")
    op.drop_table("ring_down")
    with op.batch_alter_table("resonance_fit", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_resonance_fit_scan_id"))
        batch_op.drop_index(batch_op.f("ix_resonance_fit_resonance_id"))

    op.drop_table("resonance_fit")
    with op.batch_alter_table("defect", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_defect_finding_id"))

    op.drop_table("defect")
    op.drop_table("resonance")
    with op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.drop_index("ix_finding_device")

    op.drop_table("finding")
    op.drop_table("device_q")
    with op.batch_alter_table("device_facts", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_device_facts_piece_id"))

    op.drop_table("device_facts")
    with op.batch_alter_table("piece_region", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_piece_region_piece_id"))

    op.drop_table("piece_region")
    with op.batch_alter_table("device", schema=None) as batch_op:
        batch_op.drop_index("ix_device_site")
        batch_op.drop_index(batch_op.f("ix_device_piece_id"))

    op.drop_table("device")
    op.drop_table("wafer")
    with op.batch_alter_table("route_assignment", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_route_assignment_piece_id"))

    op.drop_table("route_assignment")
    with op.batch_alter_table("reflow", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_reflow_session_id"))

    op.drop_table("reflow")
    with op.batch_alter_table("piece_facts", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_piece_facts_root_id"))

    op.drop_table("piece_facts")
    op.drop_table("fibre_batch")
    with op.batch_alter_table("exposure", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_exposure_piece_id"))
        batch_op.drop_index(batch_op.f("ix_exposure_lithography_id"))

    op.drop_table("exposure")
    with op.batch_alter_table("event_piece", schema=None) as batch_op:
        batch_op.drop_index("ix_event_piece_piece")
        batch_op.drop_index(batch_op.f("ix_event_piece_event_id"))

    op.drop_table("event_piece")
    op.drop_table("chip")
    op.drop_table("whereabouts")
    with op.batch_alter_table("undercut_segments", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_undercut_segments_event_id"))

    op.drop_table("undercut_segments")
    op.drop_table("undercut_measurement")
    op.drop_table("undercut")
    op.drop_table("treatment")
    op.drop_table("taking")
    op.drop_table("scan")
    op.drop_table("resist_strip")
    op.drop_table("reflow_session")
    op.drop_table("purpose_change")
    with op.batch_alter_table("piece", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_piece_parent_id"))
        batch_op.drop_index(batch_op.f("ix_piece_kind"))

    op.drop_table("piece")
    op.drop_table("parting")
    op.drop_table("oxide_measurement")
    op.drop_table("oxide_etch")
    op.drop_table("loss")
    op.drop_table("lithography")
    op.drop_table("inspection")
    op.drop_table("fibre_preparation")
    op.drop_table("ending")
    op.drop_table("route_step")
    op.drop_table("range_confirmation")
    with op.batch_alter_table("event", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_event_recipe_version_id"))
        batch_op.drop_index("ix_event_kind_done")
        batch_op.drop_index("ix_event_device")

    op.drop_table("event")
    with op.batch_alter_table("tool_event", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tool_event_tool_id"))
        batch_op.drop_index(batch_op.f("ix_tool_event_done_at"))

    op.drop_table("tool_event")
    op.drop_table("specification_version")
    op.drop_table("recipe_version")
    op.drop_table("mask_array")
    with op.batch_alter_table("audit_change", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_audit_change_seq"))
        batch_op.drop_index("ix_audit_change_row")

    op.drop_table("audit_change")
    with op.batch_alter_table("tool", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tool_kind"))

    op.drop_table("tool")
    op.drop_table("submission")
    op.drop_table("specification")
    op.drop_table("route")
    with op.batch_alter_table("recipe", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_recipe_step_kind"))

    op.drop_table("recipe")
    op.drop_table("quantity_range")
    op.drop_table("operator")
    op.drop_table("mask")
    with op.batch_alter_table("lot", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_lot_kind"))

    op.drop_table("lot")
    op.drop_table("lab_setting")
    with op.batch_alter_table("audit_entry", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_audit_entry_deed"))

    op.drop_table("audit_entry")
    with op.batch_alter_table("attachment", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_attachment_sha256"))
        batch_op.drop_index("ix_attachment_of")

    op.drop_table("attachment")
