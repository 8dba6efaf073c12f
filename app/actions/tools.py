"""Tools: registering and changing them, and what happens to them."""

from __future__ import annotations

from datetime import timedelta

from app.actions.rules import check_code, check_version, event_times
from app.core.properties import TOOL_PROPERTIES, TOOL_STATES, UNITS_OF, kept_properties
from app.core.refusal import Refusal
from app.core.vocab import TOOL_EVENTS, TOOL_KINDS
from app.db.models.people import Tool, ToolEvent
from app.db.session import Writing
from app.schemas.tools import ToolChangeIn, ToolEventIn, ToolIn

CLOCKS_DIFFER = timedelta(minutes=5)


def register_tool(writing: Writing, data: ToolIn) -> Tool:
    """Add a tool under a code of its own."""
    code = check_code(writing.session, Tool, data.code)
    if data.kind not in TOOL_KINDS:
        raise Refusal.of("Say what kind of tool it is.", at="kind")
    tool = Tool(
        code=code,
        code_key=code.casefold(),
        kind=data.kind,
        name=_named(data.name),
        place=data.place or None,
        properties=kept_properties(data.properties, TOOL_PROPERTIES.get(data.kind, ())),
        note=data.note or None,
    )
    writing.add(tool)
    return tool


def change_tool(writing: Writing, tool_id: int, data: ToolChangeIn) -> Tool:
    """Change a tool's words, place, properties or state; its code and kind stay, as records name them."""
    tool = _tool(writing, tool_id)
    check_version(tool, data.version)
    if data.state not in TOOL_STATES:
        raise Refusal.of("Say whether the tool is in use.", at="state")
    tool.name, tool.place, tool.state = _named(data.name), data.place or None, data.state
    kept = kept_properties(data.properties, TOOL_PROPERTIES.get(tool.kind, ()))
    if kept != tool.properties:
        tool.properties = kept
    tool.note = data.note or None
    writing.session.flush()
    return tool


def record_tool_event(writing: Writing, data: ToolEventIn) -> ToolEvent:
    """Record a calibration (value, unit, valid until), service, fault or bath change of a tool."""
    tool = _tool(writing, data.tool_id)
    if data.kind not in TOOL_EVENTS:
        raise Refusal.of("Say what happened to the tool.", at="kind")
    times = event_times(writing, data.done_at)
    errors: dict[tuple[int | None, str | None], str] = {}
    if times["done_at"] > writing.now + CLOCKS_DIFFER:
        errors[None, "done_at"] = "This lies in the future."
    if data.valid_until is not None and data.valid_until <= times["done_at"]:
        errors[None, "valid_until"] = "It cannot run out before it was done."
    calibrates = data.kind == "calibration"
    if calibrates and (not data.what or data.value is None):
        errors[None, "what" if not data.what else "value"] = "A calibration states what was found, and its value."
    units = UNITS_OF.get(data.what or "")
    if calibrates and units is not None and (data.unit or "") not in units:
        errors[None, "unit"] = f"The unit of this is {' or '.join(units) or 'none'}."
    if not calibrates and data.value is not None:
        errors[None, "value"] = "Only a calibration states a value; write others into the note."
    if errors:
        raise Refusal(errors)
    event = ToolEvent(
        tool_id=tool.id,
        kind=data.kind,
        **times,
        operator_id=writing.operator_id,
        what=data.what if calibrates else None,
        value=data.value,
        unit=data.unit if calibrates else None,
        valid_until=data.valid_until,
        note=data.note or None,
    )
    writing.add(event)
    return event


def void_tool_event(writing: Writing, event_id: int, reason: str) -> ToolEvent:
    """Mark an event of a tool as entered by mistake: it stays readable and counts nowhere."""
    event = writing.session.get(ToolEvent, event_id)
    if event is None:
        raise Refusal.of("There is no such record.")
    if event.voided_at is not None:
        raise Refusal.of("This record was taken back already.")
    if not reason.strip():
        raise Refusal.of("Say why it is taken back.", at="reason")
    event.voided_at, event.void_reason = writing.now, reason.strip()[:200]
    writing.session.flush()
    return event


def _named(name: str) -> str:
    if not name:
        raise Refusal.of("Give a name.", at="name")
    return name


def _tool(writing: Writing, tool_id: int) -> Tool:
    tool = writing.session.get(Tool, tool_id)
    if tool is None:
        raise Refusal.of("There is no such tool.")
    return tool
