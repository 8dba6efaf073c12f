"""Reflow: one sitting at the laser, then its shots, a batch of rows at a time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, select

from app.actions.naming import devices_named
from app.actions.ranges import Given, check_ranges
from app.actions.rules import NEW, check_new_rows, event_times
from app.actions.settings import checked_settings, numbers_of, tool_of, version_of
from app.core.refusal import Refusal, Where
from app.core.step_catalogue import STEPS
from app.core.timeline import FUTURE, Deed
from app.core.vocab import DIAL_UNITS, SHOT_OUTCOMES, SHOT_PURPOSES
from app.db.models.events import Event
from app.db.models.material import Device
from app.db.models.recipes import RecipeVersion
from app.db.models.steps import ReflowSession, ReflowShot
from app.db.session import Writing
from app.queries.calibration import watts_of
from app.schemas.log import SessionIn, ShotIn, ShotsIn

REFLOW = STEPS["reflow"]
SETTINGS = tuple(setting.name for setting in REFLOW.settings)
SESSION_NUMBERS = ("warm_up_min", "meter_start_w", "meter_end_w", "spot_um")


def open_session(writing: Writing, data: SessionIn) -> ReflowSession:
    """Record a sitting at the laser; its shots are logged into it."""
    tool_of(writing.session, data.tool_id)
    tool_of(writing.session, data.meter_tool_id, at="meter_tool_id")
    numbers = [Given(name, value) for name in SESSION_NUMBERS if (value := getattr(data, name)) is not None]
    check_ranges(writing, numbers, confirmed=data.confirmed)
    times = event_times(writing, data.done_at)
    if times["done_at"] > writing.now + FUTURE:
        raise Refusal.of("A reflow session cannot lie in the future.", at="done_at")
    fields = {
        name: getattr(data, name)
        for name in (
            *SESSION_NUMBERS,
            "meter_where",
            "meter_tool_id",
            "spot_how",
            "alignment",
            "alignment_when",
            "tool_id",
            "note",
        )
    }
    session = ReflowSession(**times, operator_id=writing.operator_id, **fields)
    writing.add(session)
    return session


def record_shots(writing: Writing, data: ShotsIn) -> list[Event]:
    """Record shots of one session, all or none; sites named for the first time are taken in hand.

    Watts are worked out by the calibration of the session's laser that is valid at the time of the shot.
    """
    sitting = writing.session.get(ReflowSession, data.session_id)
    if sitting is None or sitting.voided_at is not None:
        raise Refusal.of("This reflow session is not known here, or was taken back.")
    if not data.rows:
        raise Refusal.of("There is no shot to log: fill in at least one row.")
    version = version_of(writing.session, data.recipe_version_id, "reflow")
    _check_words(data.rows)
    numbers: list[Given] = []
    for row, shot in enumerate(data.rows):
        values = checked_settings(writing.session, REFLOW.settings, _settings(shot), row=row)
        numbers += numbers_of(REFLOW.settings, values, row=row)
    check_ranges(writing, numbers, recipe_version_id=data.recipe_version_id, confirmed=data.confirmed)
    times = [shot.done_at or data.done_at or max(writing.now, sitting.done_at) for shot in data.rows]
    _check_after_opening(times, sitting)
    devices = devices_named(
        writing,
        [shot.device for shot in data.rows],
        piece_id=data.piece_id,
        done_at=min(times),
        purposes=["test" if shot.purpose == "power_test" else "candidate" for shot in data.rows],
    )
    deeds = [
        Deed(NEW + row, at, "reflow", device=device.id, detail=shot.outcome or "", label=f"Shot on {device.code}")
        for row, (device, at, shot) in enumerate(zip(devices, times, data.rows, strict=True))
    ]
    check_new_rows(writing, {device.piece_id for device in devices}, deeds, at="device")
    shots = _shots(writing, data, sitting, version, devices, times)
    writing.add(*shots)
    return shots


def _settings(shot: ShotIn) -> dict[str, object]:
    return {name: value for name in SETTINGS if (value := getattr(shot, name)) is not None}


def _check_words(rows: Sequence[ShotIn]) -> None:
    errors: dict[Where, str] = {}
    for row, shot in enumerate(rows):
        if shot.outcome is not None and shot.outcome not in SHOT_OUTCOMES:
            errors[row, "outcome"] = f"'{shot.outcome}' is no outcome of a shot."
        if shot.purpose not in SHOT_PURPOSES:
            errors[row, "purpose"] = f"'{shot.purpose}' is no purpose of a shot."
        if shot.dial_unit is not None and shot.dial_unit not in DIAL_UNITS:
            errors[row, "dialled"] = f"The dial reads {', '.join(DIAL_UNITS)}, not {shot.dial_unit}."
        if shot.dialled is not None and shot.dial_unit is None:
            errors[row, "dialled"] = "Say the unit of what was dialled: W, % or V."
    if errors:
        raise Refusal(errors)


def _check_after_opening(times: Sequence[datetime], sitting: ReflowSession) -> None:
    errors: dict[Where, str] = {
        (row, "done_at"): "This shot comes before its session began; correct the session's time first."
        for row, at in enumerate(times)
        if at < sitting.done_at
    }
    if errors:
        raise Refusal(errors)


def _shots(
    writing: Writing,
    data: ShotsIn,
    sitting: ReflowSession,
    version: RecipeVersion | None,
    devices: Sequence[Device],
    times: Sequence[datetime],
) -> list[Event]:
    count = _counts(writing, devices)
    planned = version.settings if version else {}
    shots: list[Event] = []
    for device, at, shot in zip(devices, times, data.rows, strict=True):
        count[device.id] = count.get(device.id, 0) + 1
        settings = _settings(shot)
        shots.append(
            ReflowShot(
                done_at=at,
                logged_at=writing.now,
                operator_id=writing.operator_id,
                tool_id=sitting.tool_id,
                recipe_version_id=data.recipe_version_id,
                device_id=device.id,
                session_id=sitting.id,
                sequence=count[device.id],
                power_w=watts_of(writing.session, shot.dialled, shot.dial_unit, sitting.tool_id, at),
                purpose=shot.purpose,
                outcome=shot.outcome,
                note=shot.note or data.note,
                sources={
                    name: "recipe" if planned.get(name) == value else "typed"
                    for name, value in settings.items()
                    if value is not False
                },
                **settings,
            )
        )
    return shots


def _counts(writing: Writing, devices: Sequence[Device]) -> dict[int, int]:
    """The number of the last shot on each device so far."""
    statement = (
        select(ReflowShot.device_id, func.max(ReflowShot.sequence))
        .where(ReflowShot.device_id.in_({device.id for device in devices}), ReflowShot.voided_at.is_(None))
        .group_by(ReflowShot.device_id)
    )
    return {device_id: last for device_id, last in writing.session.execute(statement) if device_id is not None}
