"""Reflow: one laser shot (or arc) on one device; rims of discs melt to toroids, fibre ends to spheres."""

from app.core.step import StepKind, choice, flag, number
from app.core.vocab import DIAL_UNITS

STEP = StepKind(
    name="reflow",
    label="Reflow",
    scope="device",
    pieces=("wafer", "chip", "fibre_batch"),
    order=50,
    stage="reflowed",
    needs=("undercut",),
    tool_kinds=("co2_laser", "splicer"),
    cautions=("laser",),
    settings=(
        number("dialled"),
        choice("dial_unit", "Dial unit", DIAL_UNITS),
        number("exposure_s"),
        number("bursts"),
        flag("by_eye", "Timed by eye", planned=True),
        number("beam_offset_x_um", planned=False),
        number("beam_offset_y_um", planned=False),
    ),
)
