"""Photomasks and their arrays."""

from __future__ import annotations

from app.schemas.base import In, Line, Note


class ArrayIn(In):
    """One array of discs; `ladder_um` gives a size for each row where sizes climb."""

    label: Line | None = None
    rows: int
    columns: int
    disc_um: float
    ladder_um: tuple[float, ...] = ()
    pitch_x_um: float
    pitch_y_um: float
    origin_x_um: float | None = None
    """Centre of row 1, column 1, from the middle of the plate; y runs down. None: beside the array before."""
    origin_y_um: float | None = None


class MaskIn(In):
    """A mask revision to register with its arrays, numbered from 1 in the order given."""

    code: str
    name: Line | None = None
    plate_mm: float | None = None
    edge_margin_mm: float | None = None
    note: Note | None = None
    arrays: tuple[ArrayIn, ...]


class MaskChangeIn(In):
    """A mask's words as they should stand; its arrays stay, since wafers may carry them: cut a new revision."""

    name: Line | None = None
    note: Note | None = None
    version: int | None = None
