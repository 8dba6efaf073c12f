"""Wafers, chips and fibre batches of the example, as deeds."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import select

from app.actions.example.intake import Known
from app.actions.log_fate import record_losses
from app.actions.log_steps import record_step
from app.actions.parting import part_piece
from app.actions.pieces import end_piece, move_piece, register_fibre_batch, register_wafer, take_in_hand
from app.core.example import happenings as told
from app.core.sites import Region
from app.db.models.material import Piece
from app.db.session import Writing
from app.schemas.log import LossesIn, LossIn, StepIn
from app.schemas.pieces import ChildIn, EndingIn, FibreBatchIn, MoveIn, PartingIn, SitesIn, TakingIn, WaferIn


def wafer(writing: Writing, it: told.WaferRegistered, known: Known) -> None:
    """A quarter wafer is registered."""
    data = WaferIn.model_validate(
        {
            "code": it.code,
            "lot_id": known.lots[it.lot],
            "diameter_mm": it.diameter_mm,
            "shape": it.shape,
            "orientation": it.orientation,
            "dopant": it.dopant,
            "resistivity_ohm_cm": it.resistivity_ohm_cm,
            "oxide_grown": it.oxide_grown,
            "oxide_sides": it.oxide_sides,
            "oxide_um": it.oxide_um,
        }
    )
    known.pieces[it.code] = register_wafer(writing, data).id


def fibre_batch(writing: Writing, it: told.FibreBatchRegistered, known: Known) -> None:
    """A fibre batch is registered."""
    data = FibreBatchIn(code=it.code, ends=it.ends, lot_id=known.lots[it.lot])
    known.pieces[it.code] = register_fibre_batch(writing, data).id


def step(writing: Writing, it: told.StepDone, known: Known) -> None:
    """A step is done to pieces, as its recipe plans but for what was typed."""
    planned = known.planned[it.recipe] if it.recipe else {}
    rows = it.rows or (known.planned_rows[it.recipe] if it.recipe else ())
    data = StepIn(
        kind=it.kind,
        piece_ids=tuple(known.pieces[code] for code in it.pieces),
        recipe_version_id=known.versions[it.recipe] if it.recipe else None,
        tool_id=known.tools[it.tool],
        settings={**planned, **it.settings, **{name: known.lots[code] for name, code in it.lots.items()}},
        rows=tuple(dict(row) for row in rows),
        array_ids=known.masks[it.mask] if it.mask else (),
        done_at=it.at,
        note=it.note or None,
    )
    record_step(writing, data)


def sites(writing: Writing, it: told.SitesTaken, known: Known) -> None:
    """Sites are taken in hand."""
    chosen = (SitesIn(exposure_number=it.exposure, sites=it.sites),)
    taken = TakingIn(piece_id=known.pieces[it.piece], chosen=chosen, purpose=it.purpose, done_at=it.at)
    take_in_hand(writing, taken)


def ends(writing: Writing, it: told.EndsTaken, known: Known) -> None:
    """Fibre ends are taken in hand."""
    numbers = tuple(range(1, it.ends + 1))
    taken = TakingIn(piece_id=known.pieces[it.piece], ends=numbers, purpose=it.purpose, done_at=it.at)
    take_in_hand(writing, taken)


def parting(writing: Writing, it: told.Parted, known: Known) -> None:
    """A wafer is cleaved into chips."""
    children = tuple(
        ChildIn(
            code=chip.code,
            kept=tuple(_sites(region) for region in chip.regions),
            width_mm=chip.width_mm,
            height_mm=chip.height_mm,
            thickness_um=chip.thickness_um,
            backside="oxide",
            container="Box 3",
            slot=chip.slot,
        )
        for chip in it.chips
    )
    data = PartingIn.model_validate(
        {
            "piece_id": known.pieces[it.piece],
            "children": children,
            "method": it.method,
            "protection": it.protection,
            "done_at": it.at,
        }
    )
    part_piece(writing, data)
    codes = [chip.code for chip in it.chips]
    rows = writing.session.execute(select(Piece.code, Piece.id).where(Piece.code.in_(codes))).all()
    known.pieces.update({row.code: row.id for row in rows})


def _sites(region: tuple[int, int, int, int, int]) -> SitesIn:
    exposure, row_low, row_high, column_low, column_high = region
    return SitesIn(exposure_number=exposure, sites=tuple(Region(row_low, row_high, column_low, column_high).sites()))


def moved(writing: Writing, it: told.PieceMoved, known: Known) -> None:
    """A piece is lent."""
    until = None if it.days is None else it.at + timedelta(days=it.days)
    ids = (known.pieces[it.piece],)
    move_piece(writing, MoveIn(piece_ids=ids, state=it.state, place=it.place, until=until, done_at=it.at))


def ended(writing: Writing, it: told.PieceEnded, known: Known) -> None:
    """A piece is stopped on purpose."""
    end_piece(writing, EndingIn(piece_id=known.pieces[it.piece], reason=it.reason, done_at=it.at))


def piece_lost(writing: Writing, it: told.PieceLost, _known: Known) -> None:
    """A piece is lost with its devices."""
    _lost(writing, it.piece, it)


def device_lost(writing: Writing, it: told.DeviceLost, _known: Known) -> None:
    """A device is lost."""
    _lost(writing, it.device, it)


def _lost(writing: Writing, what: str, it: told.PieceLost | told.DeviceLost) -> None:
    row = LossIn(what=what, cause=it.cause, found_at=it.found_at, caused_at=it.caused_at, note=it.note or None)
    record_losses(writing, LossesIn(rows=(row,), done_at=it.at))
