"""Undercut: XeF₂ takes the silicon from under the oxide discs; the dose adds up over segments."""

from app.core.step import Rows, StepKind, flag, number, text

STEP = StepKind(
    name="undercut",
    label="Undercut",
    scope="piece",
    pieces=("wafer", "chip"),
    order=40,
    stage="undercut",
    needs=("oxide_etch",),
    tool_kinds=("xef2",),
    cautions=("xef2",),
    settings=(
        number("since_dip_min", planned=False),
        flag("first_of_day", "First run of the day"),
        text("place_in_chamber", "Place in chamber", planned=False),
    ),
    rows=Rows(
        "segments",
        "Segments",
        (number("cycles"), number("cycle_s"), number("xef2_torr"), number("n2_torr")),
    ),
)
