"""Fibre preparation: stripped, cleaned, cleaved and perhaps tapered fibre ends."""

from app.core.step import StepKind, choice, flag, number, text

STEP = StepKind(
    name="fibre_preparation",
    label="Fibre preparation",
    scope="piece",
    pieces=("fibre_batch",),
    order=15,
    stage="prepared",
    tool_kinds=("cleaver",),
    cautions=("fibre", "solvents"),
    settings=(
        number("stripped_mm"),
        text("solvent", "Solvent"),
        text("cleaver", "Cleaver"),
        number("cleave_angle_deg", planned=False),
        number("tapered_um"),
        choice("melting", "Method of melting", {"co2": "CO₂ laser", "arc": "Arc"}),
        flag("recleaved", "Second cleave"),
    ),
)
