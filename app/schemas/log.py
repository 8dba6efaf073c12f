"""What is logged: one input per deed, of parsed values in declared units, shared by form, API and table import.

`confirmed` names the places (row, field) whose unusual value somebody has confirmed; rows count from 0.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Place = tuple[int | None, str | None]
Code = Annotated[str, Field(max_length=60)]
Words = Annotated[str, Field(max_length=40)]
Line = Annotated[str, Field(max_length=60)]
Note = Annotated[str, Field(max_length=10_000)]
Reason = Annotated[str, Field(max_length=200)]


class _In(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _Deed(_In):
    done_at: datetime | None = None
    """When it was done; None means now."""
    tool_id: int | None = None
    note: Note | None = None
    confirmed: frozenset[Place] = frozenset()


class StepIn(_Deed):
    """One act of a step kind on one or several pieces."""

    kind: str
    piece_ids: tuple[int, ...]
    recipe_version_id: int | None = None
    settings: dict[str, Any] = Field(default_factory=dict)
    rows: tuple[dict[str, Any], ...] = ()
    """The step's repeated settings, such as the segments of an undercut."""
    array_ids: tuple[int, ...] = ()
    """Lithography: the mask arrays exposed, in order."""
    unknown: bool = False
    """Done, details unknown."""
    forgotten: tuple[str, ...] = ()
    """Step kinds done before it but never logged: recorded with it, details unknown."""
    sources: dict[str, str] = Field(default_factory=dict)
    """Where a setting came from (`recipe`, `typed`, `tool`), where the caller knows better than comparing."""


class SessionIn(_Deed):
    """One sitting at the laser; the laser is `tool_id`."""

    warm_up_min: float | None = None
    meter_start_w: float | None = None
    meter_end_w: float | None = None
    meter_where: Annotated[str, Field(max_length=80)] | None = None
    meter_tool_id: int | None = None
    spot_um: float | None = None
    spot_how: Annotated[str, Field(max_length=80)] | None = None
    alignment: Words | None = None
    alignment_when: Words | None = None


class ShotIn(_In):
    """One shot on one device, named by its code or, on a known piece, by its site."""

    device: Code
    dialled: float | None = None
    dial_unit: str | None = None
    exposure_s: float | None = None
    bursts: int | None = None
    by_eye: bool | None = None
    beam_offset_x_um: float | None = None
    beam_offset_y_um: float | None = None
    purpose: str = "reflow"
    outcome: str | None = None
    note: Note | None = None
    done_at: datetime | None = None


class ShotsIn(_Deed):
    """Shots of one session, saved whole."""

    session_id: int
    piece_id: int | None = None
    """Where given, every device must be on this piece."""
    recipe_version_id: int | None = None
    rows: tuple[ShotIn, ...]


class MeasurementIn(_In):
    """Disc and pillar of one device."""

    device: Code
    disc_um: float | None = None
    pillar_top_x_um: float | None = None
    pillar_top_y_um: float | None = None
    pillar_offset_um: float | None = None
    rim_to_pillar_um: float | None = None
    note: Note | None = None


class MeasurementsIn(_Deed):
    """Undercut measurements of several devices."""

    piece_id: int | None = None
    method: Line | None = None
    rows: tuple[MeasurementIn, ...]


class OxideIn(_Deed):
    """Oxide thickness of a piece at n points."""

    piece_id: int
    points_um: tuple[float, ...]
    method: Line | None = None


class DefectIn(_In):
    """One defect; without `caused_at` the step that usually causes it."""

    kind: Words
    caused_at: str | None = None


class FindingIn(_In):
    """What is said of one named device."""

    device: Code
    verdict: str
    defects: tuple[DefectIn, ...] = ()
    outer_um: float | None = None
    minor_um: float | None = None
    roundness_um: float | None = None
    note: Note | None = None


class InspectionIn(_Deed):
    """Devices seen at a stage. Cover `devices`: those named; `all`: all seen, exceptions named; `sample`: k of n."""

    stage: str
    cover: Literal["devices", "all", "sample"]
    piece_id: int | None = None
    rows: tuple[FindingIn, ...] = ()
    rest: str = "good"
    """Cover `all`: the verdict of those not named."""
    seen_n: int | None = None
    of_n: int | None = None
    method: Line | None = None
    reinstates: Reason | None = None
    """Why a reject counts again."""


class LossIn(_In):
    """One piece or device lost; a piece's devices go with it."""

    what: Code
    cause: str
    found_at: str | None = None
    caused_at: str | None = None
    note: Note | None = None


class LossesIn(_Deed):
    """Losses found together."""

    rows: tuple[LossIn, ...]


class CorrectIn(_In):
    """New values of one record's fields; `version` is the one the form showed. What is None stays as it is."""

    event_id: int
    version: int | None = None
    changes: dict[str, Any] = Field(default_factory=dict)
    """By column: settings of the step, the record's own fields, `tool_id`, `recipe_version_id`; None clears."""
    done_at: datetime | None = None
    note: Note | None = None
    piece_ids: tuple[int, ...] | None = None
    """The pieces it was done to, where the wrong ones were named."""
    rows: tuple[dict[str, Any], ...] | None = None
    """The step's repeated settings, such as the segments of an undercut, all of them."""
    points_um: tuple[float, ...] | None = None
    """Of an oxide measurement."""
    findings: tuple[FindingIn, ...] | None = None
    """Of an inspection: what it should say of these devices; the others stay as they are."""
    until: datetime | None = None
    """Of a whereabouts: when a lent piece is due back."""
    reason: Reason | None = None
    confirmed: frozenset[Place] = frozenset()
    with_dependents: bool = False
    """Take back too what the correction makes impossible, as one deed."""


class MoveFactsIn(_In):
    """What was logged for one device and belongs to another; `event_ids` None means all that can be moved."""

    from_device: Code
    to_device: Code
    event_ids: tuple[int, ...] | None = None
    reason: Reason
