"""Photomasks: registering a revision with its arrays, changing its words."""

from __future__ import annotations

from app.actions.rules import check_code, check_version
from app.core.mask_layout import faults, side_by_side
from app.core.quantities import QUANTITIES
from app.core.refusal import Refusal, Where
from app.core.sites import Array
from app.db.models.material import Mask, MaskArray
from app.db.session import Writing
from app.schemas.masks import ArrayIn, MaskChangeIn, MaskIn

MEASURES = ("disc_um", "pitch_x_um", "pitch_y_um")


def register_mask(writing: Writing, data: MaskIn) -> Mask:
    """Add a mask with its arrays, after checking that its geometry can be."""
    code = check_code(writing.session, Mask, data.code)
    if not data.arrays:
        raise Refusal.of("Describe at least one array: a mask without discs makes none.", row=0, at="rows")
    arrays = _arrays(data)
    mask = Mask(
        code=code,
        code_key=code.casefold(),
        name=data.name or None,
        plate_mm=data.plate_mm,
        edge_margin_mm=data.edge_margin_mm,
        note=data.note or None,
    )
    writing.add(mask)
    writing.add(
        *[
            MaskArray(
                mask_id=mask.id,
                number=number,
                label=given.label or None,
                rows=array.rows,
                columns=array.columns,
                disc_um=array.disc_um,
                ladder_um=list(array.ladder_um) or None,
                pitch_x_um=array.pitch_x_um,
                pitch_y_um=array.pitch_y_um,
                origin_x_um=array.origin_x_um,
                origin_y_um=array.origin_y_um,
            )
            for number, (given, array) in enumerate(zip(data.arrays, arrays, strict=True), 1)
        ]
    )
    return mask


def change_mask(writing: Writing, mask_id: int, data: MaskChangeIn) -> Mask:
    """Change a mask's name or note; its geometry never changes, since devices stand on it."""
    mask = writing.session.get(Mask, mask_id)
    if mask is None:
        raise Refusal.of("There is no such mask.")
    check_version(mask, data.version)
    mask.name, mask.note = data.name or None, data.note or None
    writing.session.flush()
    return mask


def _arrays(data: MaskIn) -> list[Array]:
    """The arrays as geometry; every fault of every array is told at once."""
    errors: dict[Where, str] = {}
    for at in ("plate_mm", "edge_margin_mm"):
        value = getattr(data, at)
        if value is not None and not QUANTITIES[at].is_hard(value):
            errors[None, at] = f"{QUANTITIES[at].label} cannot be {value:g} mm."
    arrays: list[Array] = []
    for row, given in enumerate(data.arrays):
        try:
            arrays.append(_array(row, given, errors))
        except ValueError as wrong:
            errors[row, _field_of(str(wrong))] = f"{str(wrong)[:1].upper()}{str(wrong)[1:]}."
    if not errors and all(given.origin_x_um is None and given.origin_y_um is None for given in data.arrays):
        arrays = side_by_side(arrays)
    if not errors:
        for fault in faults(arrays, data.plate_mm, data.edge_margin_mm):
            where = (None, fault.at) if fault.at == "edge_margin_mm" else (fault.array, fault.at)
            errors.setdefault(where, fault.text)
    if errors:
        raise Refusal(errors)
    return arrays


def _field_of(words: str) -> str:
    return "ladder_um" if "ladder" in words else "columns" if "99" in words else "rows"


def _array(row: int, given: ArrayIn, errors: dict[Where, str]) -> Array:
    for at in MEASURES:
        if not QUANTITIES[at].is_hard(getattr(given, at)):
            errors[row, at] = f"{QUANTITIES[at].label} cannot be {getattr(given, at):g} µm."
    if any(not QUANTITIES["disc_um"].is_hard(size) for size in given.ladder_um):
        errors[row, "ladder_um"] = "A disc of the size ladder cannot be."
    measures = given.model_dump(exclude={"label", "origin_x_um", "origin_y_um"})
    return Array(**measures, origin_x_um=given.origin_x_um or 0.0, origin_y_um=given.origin_y_um or 0.0)
