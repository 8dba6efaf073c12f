"""The one rule engine: replay the deeds of a family of pieces and say what cannot have happened.

Deeds are ordered by (done at, entry number). A change is refused if the replay after it has a violation that
the one before had not. Only the impossible is a violation, never the incomplete.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from app.core.vocab import GONE

FUTURE = timedelta(minutes=5)
"""Clocks differ by this much before a deed lies in the future."""

ENDS = frozenset({"parting", "ending", "loss"})
"""Deeds on a piece after which nothing more is done to it."""


@dataclass(frozen=True)
class Deed:
    """One event: `pieces` it was done to, or `device`; `detail` is a whereabouts state or a shot's outcome."""

    entry: int
    done_at: datetime
    kind: str
    pieces: tuple[int, ...] = ()
    device: int | None = None
    detail: str = ""
    label: str = ""


@dataclass(frozen=True)
class Family:
    """Pieces of one wafer or fibre batch: codes, parents, the parting each came from; devices' present piece."""

    codes: Mapping[int, str]
    parents: Mapping[int, int | None]
    partings: Mapping[int, int | None] = field(default_factory=dict)
    devices: Mapping[int, int] = field(default_factory=dict)
    device_codes: Mapping[int, str] = field(default_factory=dict)

    def lineage(self, piece: int) -> tuple[int, ...]:
        """The piece and its ancestors, youngest first."""
        chain: list[int] = []
        at: int | None = piece
        while at is not None:
            chain.append(at)
            at = self.parents.get(at)
        return tuple(chain)


@dataclass(frozen=True)
class Violation:
    """`deed` cannot have happened because of `because` (an earlier deed), in words."""

    rule: str
    entry: int
    piece: int | None
    device: int | None
    because: int | None
    text: str

    @property
    def key(self) -> tuple[str, int, int | None, int | None, int | None]:
        """What makes two violations the same one."""
        return (self.rule, self.entry, self.piece, self.device, self.because)


@dataclass(frozen=True)
class PieceState:
    """What a piece is after its deeds."""

    whereabouts: str = "in_lab"
    ended_by: int | None = None
    ended_how: str = ""
    ended_at: datetime | None = None
    steps: tuple[str, ...] = ()


@dataclass(frozen=True)
class Replay:
    """State of every piece and what was impossible on the way."""

    pieces: Mapping[int, PieceState]
    violations: tuple[Violation, ...]
    gone: frozenset[int] = frozenset()
    """Devices that were lost or shot away."""

    def beyond(self, before: Replay) -> tuple[Violation, ...]:
        """Violations that `before` had not."""
        known = {violation.key for violation in before.violations}
        return tuple(violation for violation in self.violations if violation.key not in known)


def replay(deeds: Iterable[Deed], family: Family, *, now: datetime | None = None) -> Replay:
    """Replay `deeds` over `family`; with `now`, deeds more than five minutes ahead are violations too."""
    ordered = sorted(deeds, key=lambda deed: (deed.done_at, deed.entry))
    partings = {deed.entry: deed for deed in ordered if deed.kind == "parting"}
    states = {piece: PieceState() for piece in family.codes}
    violations: list[Violation] = []
    gone: dict[int, Deed] = {}
    for deed in ordered:
        if now is not None and deed.done_at > now + FUTURE:
            text = f"{deed.label or deed.kind} lies in the future ({deed.done_at:%d %b %Y %H:%M} UTC)."
            violations.append(Violation("future", deed.entry, None, deed.device, None, text))
        for piece in deed.pieces:
            violations += _on_piece(deed, piece, states, family, partings)
            states[piece] = _after(states[piece], deed)
        if deed.device is not None:
            violations += _on_device(deed, states, gone, family)
            if deed.kind == "loss" or (deed.kind == "reflow" and deed.detail == "gone"):
                gone.setdefault(deed.device, deed)
    return Replay(states, tuple(violations), frozenset(gone))


def _on_piece(
    deed: Deed, piece: int, states: Mapping[int, PieceState], family: Family, partings: Mapping[int, Deed]
) -> list[Violation]:
    code, name = family.codes[piece], deed.label or deed.kind
    state = states[piece]
    found: list[Violation] = []
    if state.ended_by is not None and (deed.kind != "whereabouts" or state.ended_how == "parted"):
        text = f"{name} on {code} comes after {code} was {state.ended_how} on {state.ended_at:%d %b %Y %H:%M} UTC."
        found.append(Violation("ended", deed.entry, piece, None, state.ended_by, text))
    elif state.whereabouts in GONE and deed.kind not in ("whereabouts", "loss"):
        text = f"{name} on {code} comes after {code} was {state.whereabouts.replace('_', ' ')}."
        found.append(Violation("gone", deed.entry, piece, None, None, text))
    made_by = family.partings.get(piece)
    if made_by is not None and made_by in partings and deed.done_at < partings[made_by].done_at:
        text = f"{name} on {code} comes before the parting that made {code}."
        found.append(Violation("before_parting", deed.entry, piece, None, made_by, text))
    elif made_by is not None and made_by not in partings:
        text = f"{name} on {code} needs the parting that made {code}."
        found.append(Violation("no_parting", deed.entry, piece, None, made_by, text))
    return found


def _on_device(
    deed: Deed, states: Mapping[int, PieceState], gone: Mapping[int, Deed], family: Family
) -> list[Violation]:
    device = deed.device
    if device is None or device not in family.devices:
        return []
    code, name = family.device_codes.get(device, "the device"), deed.label or deed.kind
    if device in gone and deed.kind != "purpose_change":
        last = gone[device]
        text = f"{name} on {code} comes after it was gone ({last.done_at:%d %b %Y %H:%M} UTC)."
        return [Violation("device_gone", deed.entry, None, device, last.entry, text)]
    state = states[family.devices[device]]
    if state.ended_by is not None and state.ended_how in ("lost", "ended") and deed.kind != "purpose_change":
        piece = family.codes[family.devices[device]]
        text = f"{name} on {code} comes after its piece {piece} was {state.ended_how}."
        return [Violation("piece_ended", deed.entry, None, device, state.ended_by, text)]
    if state.whereabouts in GONE and deed.kind not in ("purpose_change", "loss"):
        piece, how = family.codes[family.devices[device]], state.whereabouts.replace("_", " ")
        text = f"{name} on {code} comes after its piece {piece} was {how}."
        return [Violation("piece_gone", deed.entry, None, device, None, text)]
    return []


_HOW = {"parting": "parted", "ending": "ended", "loss": "lost"}


def _after(state: PieceState, deed: Deed) -> PieceState:
    if deed.kind == "whereabouts":
        return replace(state, whereabouts=deed.detail)
    if deed.kind in ENDS:
        if state.ended_by is not None:
            return state
        return replace(state, ended_by=deed.entry, ended_how=_HOW[deed.kind], ended_at=deed.done_at)
    return replace(state, steps=(*state.steps, deed.kind))
