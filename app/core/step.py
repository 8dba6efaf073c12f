"""What one step kind declares: its settings, what it needs and decides, its cautions.

A step kind is one module in `app/core/steps`; the catalogue finds it, and table, form, recipe editor,
process sheet, search, export and yield follow from the declaration.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from app.core.quantities import QUANTITIES, Quantity
from app.core.vocab import Words

SettingKind = Literal["quantity", "choice", "text", "flag", "lot"]


@dataclass(frozen=True)
class Setting:
    """One setting of a step; `name` is column, field and JSON key. Quantities take label and unit from theirs."""

    name: str
    kind: SettingKind = "quantity"
    label: str = ""
    choices: Words = field(default_factory=dict)
    lot_kind: str = ""
    planned: bool = True
    """Whether a recipe may plan it; a reading taken while doing it never is."""

    @property
    def quantity(self) -> Quantity | None:
        """The declaration of the quantity, where the setting is one."""
        return QUANTITIES[self.name] if self.kind == "quantity" else None

    @property
    def words(self) -> str:
        """What a person reads as its name."""
        return self.label or (self.quantity.label if self.quantity else self.name)


def number(name: str, *, planned: bool = True) -> Setting:
    """A setting that is a declared quantity."""
    return Setting(name, planned=planned)


def choice(name: str, label: str, choices: Words, *, planned: bool = True) -> Setting:
    """One of a few words; the list is a help, other values stay readable."""
    return Setting(name, "choice", label, choices, planned=planned)


def text(name: str, label: str, *, planned: bool = True) -> Setting:
    """Free text."""
    return Setting(name, "text", label, planned=planned)


def flag(name: str, label: str, *, planned: bool = False) -> Setting:
    """Yes or no."""
    return Setting(name, "flag", label, planned=planned)


def lot(name: str, label: str, lot_kind: str) -> Setting:
    """A lot of bought or mixed material; a recipe does not plan the bottle."""
    return Setting(name, "lot", label, lot_kind=lot_kind, planned=False)


@dataclass(frozen=True)
class Rows:
    """Repeated settings of one step, such as the segments of an undercut."""

    name: str
    label: str
    settings: tuple[Setting, ...]


@dataclass(frozen=True)
class StepKind:
    """One step kind. `scope`: done to pieces, or to one device. `stage` is what it attempts, if any."""

    name: str
    label: str
    scope: Literal["piece", "device"]
    pieces: tuple[str, ...]
    """Kinds of piece it can be done to (for a device step: whose devices)."""
    settings: tuple[Setting, ...]
    order: int
    """Place in the usual order of work; forms and searches list steps by it."""
    rows: Rows | None = None
    cautions: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    """Step kinds that must have happened before, logged or not; an unlogged one is offered as 'details unknown'."""
    stage: str = ""
    tool_kinds: tuple[str, ...] = ()
    """What kinds of tool it is done with, for the choice on the form."""

    def setting(self, name: str) -> Setting:
        """The setting called `name`; KeyError for another."""
        for each in self.settings:
            if each.name == name:
                return each
        raise KeyError(name)
