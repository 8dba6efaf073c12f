"""A step done to pieces, of any kind: everything it needs to know stands in the kind's declaration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import func, select

from app.actions.naming import pieces_named
from app.actions.ranges import check_ranges
from app.actions.rules import NEW, check_new_deeds, event_times
from app.actions.settings import checked_rows, checked_settings, numbers_of, tool_of, version_of
from app.core.refusal import Refusal, Where
from app.core.step import StepKind
from app.core.step_catalogue import PIECE_STEPS
from app.core.timeline import Deed
from app.core.vocab import PIECE_KINDS
from app.db.models.events import Event, EventPiece
from app.db.models.material import Exposure, MaskArray, Piece
from app.db.models.recipes import RecipeVersion
from app.db.models.steps import ROW_CLASSES, STEP_CLASSES
from app.db.session import Writing
from app.queries.sites import lineage_ids
from app.schemas.log import StepIn


def record_step(writing: Writing, data: StepIn) -> Event:
    """Record one act of a step kind on one or several pieces; steps `forgotten` before it go in with it."""
    step = PIECE_STEPS.get(data.kind)
    if step is None:
        raise Refusal.of(f"'{data.kind}' is no step that is done to pieces.")
    pieces = pieces_named(writing.session, data.piece_ids)
    _check_kinds(step, pieces)
    version = version_of(writing.session, data.recipe_version_id, step.name)
    tool_of(writing.session, data.tool_id)
    settings, rows = _settings(writing, step, data)
    numbers = numbers_of(step.settings, settings)
    for row, values in enumerate(rows):
        numbers += numbers_of(step.rows.settings if step.rows else (), values, row=row)
    check_ranges(writing, numbers, recipe_version_id=data.recipe_version_id, confirmed=data.confirmed)
    kinds = [*_forgotten(step, data.forgotten), step.name]
    times = event_times(writing, data.done_at)
    ids = tuple(piece.id for piece in pieces)
    deeds = [
        Deed(NEW + place, times["done_at"], kind, ids, label=PIECE_STEPS[kind].label)
        for place, kind in enumerate(kinds)
    ]
    check_new_deeds(writing, ids, deeds)
    for kind in kinds[:-1]:
        # At the same instant and with a lower entry number, so that it comes before.
        _add(writing, STEP_CLASSES[kind](**times, operator_id=writing.operator_id, unknown=True), ids)
    event = STEP_CLASSES[step.name](
        **times,
        operator_id=writing.operator_id,
        tool_id=data.tool_id,
        recipe_version_id=data.recipe_version_id,
        unknown=data.unknown,
        note=data.note,
        sources=_sources(step, data, version, settings, rows),
        **settings,
    )
    _add(writing, event, ids)
    writing.add(*_row_rows(step, event, rows))
    writing.add(*_exposures(writing, event, pieces, data.array_ids))
    return event


def _add(writing: Writing, event: Event, piece_ids: Sequence[int]) -> None:
    writing.add(event)
    writing.add(*[EventPiece(event_id=event.id, piece_id=piece_id) for piece_id in piece_ids])


def _check_kinds(step: StepKind, pieces: Sequence[Piece]) -> None:
    for piece in pieces:
        if piece.kind not in step.pieces:
            wanted = " or a ".join(PIECE_KINDS[kind].lower() for kind in step.pieces)
            is_a = PIECE_KINDS[piece.kind].lower()
            raise Refusal.of(f"{piece.code} is a {is_a}; {step.label.lower()} is done to a {wanted}.", at="pieces")


def _settings(writing: Writing, step: StepKind, data: StepIn) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    settings = checked_settings(writing.session, step.settings, data.settings)
    if data.rows and step.rows is None:
        raise Refusal.of(f"{step.label} has no repeated settings.")
    rows = checked_rows(writing.session, step.rows.settings, data.rows) if step.rows else []
    if data.array_ids and step.name != "lithography":
        raise Refusal.of("Only lithography exposes mask arrays.", at="array_ids")
    known = [name for name, value in settings.items() if value not in (None, False)]
    if data.unknown and (known or rows):
        told = step.setting(known[0]).words if known else (step.rows.label if step.rows else "")
        raise Refusal.of(
            f"{told} is known here: log the step with its details, or clear them to log it as done, details unknown.",
            at=known[0] if known else None,
        )
    return ({}, []) if data.unknown else (settings, rows)


def _forgotten(step: StepKind, kinds: Sequence[str]) -> list[str]:
    for kind in kinds:
        if kind not in PIECE_STEPS or PIECE_STEPS[kind].order >= step.order:
            raise Refusal.of(f"'{kind}' is no step before {step.label.lower()}.", at="forgotten")
    return sorted(set(kinds), key=lambda kind: PIECE_STEPS[kind].order)


def _sources(
    step: StepKind,
    data: StepIn,
    version: RecipeVersion | None,
    settings: Mapping[str, Any],
    rows: Sequence[Mapping[str, Any]],
) -> dict[str, str]:
    """`recipe` for what stands as planned (taken over, not read off the tool), `typed` for the rest."""
    planned: Mapping[str, Any] = version.settings if version else {}
    sources = {
        name: "recipe" if name in planned and planned[name] == value else "typed"
        for name, value in settings.items()
        if value not in (None, False)
    }
    if step.rows and rows:
        same = [dict(row) for row in rows] == [_without_blanks(row) for row in planned.get(step.rows.name) or ()]
        sources[step.rows.name] = "recipe" if same else "typed"
    return {**sources, **{name: source for name, source in data.sources.items() if name in sources}}


def _without_blanks(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if value is not None}


def _row_rows(step: StepKind, event: Event, rows: Sequence[Mapping[str, Any]]) -> list[Any]:
    if step.rows is None:
        return []
    row_class = ROW_CLASSES[step.name]
    return [row_class(event_id=event.id, sequence=place, **row) for place, row in enumerate(rows, 1)]


def _exposures(writing: Writing, event: Event, pieces: Sequence[Piece], array_ids: Sequence[int]) -> list[Exposure]:
    """An exposure of each array on each piece, numbered on over all that the wafer it came from ever had."""
    session = writing.session
    for place, array_id in enumerate(array_ids):
        if session.get(MaskArray, array_id) is None:
            where: Where = (None, "array_ids")
            raise Refusal({where: f"Mask array {place + 1} of those chosen is not in the list of masks."})
    numbers: dict[int, int] = {}
    exposures = []
    for piece in pieces:
        root = lineage_ids(session, piece.id)[-1]
        if root not in numbers:
            numbers[root] = session.scalar(select(func.max(Exposure.number)).where(Exposure.root_id == root)) or 0
        for array_id in array_ids:
            numbers[root] += 1
            exposures.append(
                Exposure(
                    lithography_id=event.id,
                    piece_id=piece.id,
                    root_id=root,
                    mask_array_id=array_id,
                    number=numbers[root],
                )
            )
    return exposures
