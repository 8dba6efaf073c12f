"""Oxide etch: discs of oxide in buffered oxide etchant."""

from app.core.step import StepKind, choice, lot, number, text

STEP = StepKind(
    name="oxide_etch",
    label="Oxide etch",
    scope="piece",
    pieces=("wafer", "chip"),
    order=20,
    stage="oxide_etched",
    needs=("lithography",),
    tool_kinds=("hood",),
    cautions=("hf",),
    settings=(
        text("etchant_ratio", "Etchant, buffer to HF"),
        lot("bath_lot_id", "Bath", "etchant_bath"),
        number("bath_c"),
        number("etch_s"),
        choice(
            "end_point",
            "End point",
            {"timed": "Timed", "dewets": "Surface dewets", "monitor": "Monitor piece"},
        ),
        number("over_etch_percent"),
        choice("agitation", "Agitation", {"none": "None", "by_hand": "By hand", "stirred": "Stirred"}),
        number("rinse_s"),
        number("disc_after_um", planned=False),
    ),
)
