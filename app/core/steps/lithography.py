"""Lithography: the mask's discs in resist on oxide."""

from app.core.step import StepKind, choice, flag, lot, number, text

STEP = StepKind(
    name="lithography",
    label="Lithography",
    scope="piece",
    pieces=("wafer", "chip"),
    order=10,
    stage="patterned",
    tool_kinds=("aligner", "spinner"),
    cautions=("lithography", "solvents"),
    settings=(
        number("dehydration_c"),
        number("dehydration_s"),
        choice("primer", "Primer", {"none": "None", "vapour": "Vapour", "spin": "Spun on"}),
        text("resist", "Resist"),
        lot("resist_lot_id", "Resist bottle", "resist"),
        number("spin_rpm"),
        number("spin_s"),
        number("resist_um", planned=False),
        number("soft_bake_c"),
        number("soft_bake_s"),
        number("lamp_mw_cm2"),
        number("uv_exposure_s"),
        choice(
            "contact_mode",
            "Contact mode",
            {"proximity": "Proximity", "soft": "Soft contact", "hard": "Hard contact", "vacuum": "Vacuum contact"},
        ),
        text("developer", "Developer"),
        number("develop_s"),
        number("descum_s"),
        number("hard_bake_c"),
        number("hard_bake_s"),
        number("reflow_bake_c"),
        number("reflow_bake_s"),
        number("offset_x_um", planned=False),
        number("offset_y_um", planned=False),
        flag("redone", "Stripped and done again"),
    ),
)
