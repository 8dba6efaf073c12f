"""Finds the step kinds: every module of `app.core.steps` that declares a `STEP`."""

from __future__ import annotations

import importlib
import pkgutil

from app.core import steps
from app.core.step import StepKind


def _found() -> dict[str, StepKind]:
    kinds = [
        importlib.import_module(f"{steps.__name__}.{module.name}").STEP
        for module in pkgutil.iter_modules(steps.__path__)
    ]
    return {kind.name: kind for kind in sorted(kinds, key=lambda kind: kind.order)}


STEPS: dict[str, StepKind] = _found()
"""Step kinds by name, in the usual order of work."""

PIECE_STEPS: dict[str, StepKind] = {name: kind for name, kind in STEPS.items() if kind.scope == "piece"}
"""Those done to whole pieces."""
