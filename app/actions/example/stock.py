"""People, tools, lots, masks, recipes and specifications of the example, as deeds."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import select

from app.actions.example.intake import Known
from app.actions.lots import change_lot, register_lot
from app.actions.masks import register_mask
from app.actions.people import register_person
from app.actions.recipes import add_version, register_recipe
from app.actions.specifications import register_specification
from app.actions.tools import record_tool_event, register_tool
from app.core.example import happenings as told
from app.db.models.material import Lot, MaskArray
from app.db.session import Writing
from app.schemas.lots import LotChangeIn, LotIn
from app.schemas.masks import ArrayIn, MaskIn
from app.schemas.people import PersonIn
from app.schemas.recipes import RecipeIn, RecipeVersionIn
from app.schemas.specifications import SpecificationIn
from app.schemas.tools import ToolEventIn, ToolIn


def person(writing: Writing, it: told.PersonJoins, known: Known) -> None:
    """A person is registered."""
    row = register_person(writing, PersonIn.model_validate({"initials": it.who, "name": it.name, "role": it.role}))
    known.people[it.who] = row.id


def tool(writing: Writing, it: told.ToolArrives, known: Known) -> None:
    """A tool is registered."""
    data = ToolIn(code=it.code, kind=it.kind, name=it.name, place=it.place, properties=dict(it.properties))
    known.tools[it.code] = register_tool(writing, data).id


def tool_event(writing: Writing, it: told.ToolLooked, known: Known) -> None:
    """A tool is calibrated, serviced or its bath changed."""
    until = None if it.valid_days is None else it.at + timedelta(days=it.valid_days)
    data = ToolEventIn(
        tool_id=known.tools[it.tool],
        kind=it.kind,
        done_at=it.at,
        what=it.what or None,
        value=it.value,
        unit=it.unit or None,
        valid_until=until,
        note=it.note or None,
    )
    record_tool_event(writing, data)


def lot(writing: Writing, it: told.LotOpened, known: Known) -> None:
    """A lot is opened."""
    expires = None if it.good_days is None else it.at + timedelta(days=it.good_days)
    data = LotIn(
        code=it.code,
        kind=it.kind,
        name=it.name,
        supplier_lot=it.supplier_lot,
        opened_at=it.at,
        expires_at=expires,
        properties=dict(it.properties),
    )
    known.lots[it.code] = register_lot(writing, data).id


def lot_used_up(writing: Writing, it: told.LotUsedUp, known: Known) -> None:
    """A lot is used up; all else of it stays as it stands."""
    row = writing.session.get_one(Lot, known.lots[it.code])
    data = LotChangeIn(
        name=row.name,
        supplier_lot=row.supplier_lot,
        opened_at=row.opened_at,
        expires_at=row.expires_at,
        properties=row.properties,
        used_up=True,
        note=row.note,
    )
    change_lot(writing, row.id, data)


def mask(writing: Writing, it: told.MaskArrives, known: Known) -> None:
    """A mask is registered with its arrays."""
    arrays = tuple(
        ArrayIn(
            label=array.label,
            rows=array.rows,
            columns=array.columns,
            disc_um=array.disc_um,
            ladder_um=array.ladder_um,
            pitch_x_um=array.pitch_x_um,
            pitch_y_um=array.pitch_y_um,
            origin_x_um=array.origin_x_um,
            origin_y_um=array.origin_y_um,
        )
        for array in it.arrays
    )
    data = MaskIn(code=it.code, name=it.name, plate_mm=it.plate_mm, edge_margin_mm=it.edge_margin_mm, arrays=arrays)
    row = register_mask(writing, data)
    ids = select(MaskArray.id).where(MaskArray.mask_id == row.id).order_by(MaskArray.number)
    known.masks[it.code] = tuple(writing.session.scalars(ids))


def recipe_version(writing: Writing, it: told.RecipeVersionMade, known: Known) -> None:
    """A recipe is registered, or gets its next version."""
    planned = {
        "settings": dict(it.settings),
        "rows": tuple(dict(row) for row in it.rows),
        "planned_shots": it.planned_shots,
    }
    if it.name not in known.recipes:
        first = RecipeIn.model_validate({"name": it.name, "step_kind": it.step_kind, **planned})
        version = register_recipe(writing, first)
        known.recipes[it.name] = version.recipe_id
    else:
        next_one = {"recipe_id": known.recipes[it.name], "changed": it.changed, **planned}
        version = add_version(writing, RecipeVersionIn.model_validate(next_one))
    key = (it.name, it.number)
    known.versions[key], known.planned[key], known.planned_rows[key] = version.id, it.settings, it.rows


def specification(writing: Writing, it: told.SpecificationMade, _known: Known) -> None:
    """A specification is registered."""
    data = SpecificationIn(
        name=it.name, kind=it.kind, q_intrinsic_min=it.q_intrinsic_min, band=it.band, medium=it.medium
    )
    register_specification(writing, data)
