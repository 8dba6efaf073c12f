"""What the example's happenings are told into: a database, its files, and which row each code has become."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from app.actions.scans import PreparedScan


@dataclass
class Known:
    """Row ids by the codes of the story, filled as it goes on."""

    people: dict[str, int] = field(default_factory=dict)
    tools: dict[str, int] = field(default_factory=dict)
    lots: dict[str, int] = field(default_factory=dict)
    masks: dict[str, tuple[int, ...]] = field(default_factory=dict)
    """Ids of a mask's arrays, in order."""
    recipes: dict[str, int] = field(default_factory=dict)
    versions: dict[tuple[str, int], int] = field(default_factory=dict)
    planned: dict[tuple[str, int], Mapping[str, Any]] = field(default_factory=dict)
    """What a recipe version plans: settings by name."""
    planned_rows: dict[tuple[str, int], tuple[Mapping[str, Any], ...]] = field(default_factory=dict)
    pieces: dict[str, int] = field(default_factory=dict)
    scans: dict[str, Future[PreparedScan]] = field(default_factory=dict)
    """Files being fitted, by their names."""
