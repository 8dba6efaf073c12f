"""Treatment: any other step, for what cannot wait for a step kind of its own."""

from app.core.step import StepKind, choice, number, text

STEP = StepKind(
    name="treatment",
    label="Other treatment",
    scope="piece",
    pieces=("wafer", "chip", "fibre_batch"),
    order=60,
    cautions=("hf", "piranha", "solvents"),
    tool_kinds=("furnace", "hood", "asher", "other"),
    settings=(
        choice(
            "treatment_kind",
            "Kind",
            {
                "bake": "Bake",
                "descum": "Descum",
                "ash": "Ash",
                "piranha": "Piranha",
                "rca": "RCA clean",
                "solvent": "Solvent clean",
                "native_oxide_dip": "Native-oxide dip",
                "anneal": "Anneal",
                "coating": "Coating",
                "other": "Other",
            },
        ),
        text("chemistry", "Chemistry"),
        number("treatment_c"),
        number("treatment_s"),
        number("treatment_w"),
    ),
)
