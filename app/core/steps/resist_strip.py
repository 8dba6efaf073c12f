"""Resist strip: the resist comes off the oxide discs."""

from app.core.step import StepKind, choice, number

STEP = StepKind(
    name="resist_strip",
    label="Resist strip",
    scope="piece",
    pieces=("wafer", "chip"),
    order=30,
    needs=("lithography",),
    tool_kinds=("hood", "asher"),
    cautions=("solvents", "piranha"),
    settings=(
        choice(
            "method",
            "Method",
            {"solvent": "Solvent", "piranha": "Piranha", "plasma": "Oxygen plasma", "remover": "Resist remover"},
        ),
        number("strip_c"),
        number("strip_s"),
    ),
)
