"""Parting a wafer or chip: it ends, its children inherit, each device goes with its site or is lost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select

from app.actions.rules import CODE, NEW, check_code, check_new_deeds, event_times
from app.core.quantities import QUANTITIES
from app.core.refusal import Refusal
from app.core.sites import regions_of
from app.core.timeline import Deed
from app.db.models.events import Event, EventPiece, Loss, Parting
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Chip, Device, Piece, PieceRegion
from app.db.session import Writing
from app.queries.sites import ExposedArray, exposures_on
from app.queries.standing import next_stage
from app.schemas.pieces import ChildIn, PartingIn, SitesIn

Held = dict[int, set[tuple[int, int]]]
"""Sites (row, column) by exposure number."""
LOSS_CAUSE = "broken"
CAUSED_AT = "handling"


@dataclass(frozen=True)
class _OnSite:
    """A device on the piece; one that is gone already goes along with its site and needs no other place."""

    id: int
    code: str
    site: tuple[int, int, int]
    gone: bool


@dataclass(frozen=True)
class _Plan:
    """Who keeps what: `kept` for each child in order, and devices by id that go to a child (its place) or are lost."""

    kept: tuple[Held, ...]
    moves: Mapping[int, int]
    lost: tuple[int, ...]
    sites_lost: int | None


def part_piece(writing: Writing, data: PartingIn) -> Parting:
    """Part a wafer or chip into children; every device in hand goes with its site or is lost by name.

    Raises a Refusal, keyed by the child's row, for codes, for sites the piece does not hold or two children claim,
    and for devices on sites that no child keeps and nobody called lost.
    """
    piece = writing.session.get(Piece, data.piece_id)
    if piece is None or piece.kind not in ("wafer", "chip"):
        raise Refusal.of("Only a wafer or a chip is parted.", at="pieces")
    codes = _codes(writing, data.children)
    _check_sizes(data.children)
    plan = _plan(piece, exposures_on(writing.session, piece.id), _devices(writing, piece), data)
    times = event_times(writing, data.done_at)
    deeds = [Deed(NEW, times["done_at"], "parting", (piece.id,), label="Parting")]
    deeds += [Deed(NEW + 1, times["done_at"], "loss", device=device, label="Loss in parting") for device in plan.lost]
    check_new_deeds(writing, [piece.id], deeds)
    parting = Parting(
        **times,
        operator_id=writing.operator_id,
        tool_id=data.tool_id,
        method=data.method,
        protection=data.protection,
        sites_lost=plan.sites_lost,
        note=data.note,
    )
    writing.add(parting)
    writing.add(EventPiece(event_id=parting.id, piece_id=piece.id))
    children = _children(writing, piece, parting, data.children, codes)
    _give_sites(writing, piece, children, plan)
    _lose(writing, piece, plan.lost, parting)
    return parting


def _codes(writing: Writing, children: Sequence[ChildIn]) -> list[str]:
    if not children:
        raise Refusal.of("Name at least one piece that came of it.", at="code")
    errors: dict[tuple[int | None, str | None], str] = {}
    seen: dict[str, int] = {}
    codes: list[str] = []
    for row, child in enumerate(children):
        code = child.code.strip()
        codes.append(code)
        if code and CODE.fullmatch(code) and seen.setdefault(code.casefold(), row) != row:
            errors[row, "code"] = f"{code} is named in row {seen[code.casefold()] + 1} already."
            continue
        for model in (Piece, Device):
            try:
                check_code(writing.session, model, code)
            except Refusal as refusal:
                errors[row, "code"] = str(refusal)
    if errors:
        raise Refusal(errors)
    return codes


def _check_sizes(children: Sequence[ChildIn]) -> None:
    errors: dict[tuple[int | None, str | None], str] = {}
    for row, child in enumerate(children):
        for name in ("width_mm", "height_mm", "thickness_um"):
            value = getattr(child, name)
            if value is not None and not QUANTITIES[name].is_hard(value):
                errors[row, name] = f"{QUANTITIES[name].label} {value:g} {QUANTITIES[name].unit} cannot be."
    if errors:
        raise Refusal(errors)


def _devices(writing: Writing, piece: Piece) -> list[_OnSite]:
    facts = DEVICE_FACTS.c
    gone = (facts.lost_at.is_not(None)) | (facts.reflow_outcome == "gone")
    statement = (
        select(facts.device_id, facts.device_code, facts.array_number, facts.row, facts.column, gone.is_(True))
        .where(facts.piece_id == piece.id)
        .order_by(facts.device_code)
    )
    rows = writing.session.execute(statement)
    return [_OnSite(d, code, (number, row, column), bool(gone)) for d, code, number, row, column, gone in rows]


def _plan(piece: Piece, exposed: Sequence[ExposedArray], devices: Sequence[_OnSite], data: PartingIn) -> _Plan:
    holds: Held = {each.number: set(each.sites()) for each in exposed}
    lost = set(_flat(_sites(piece, holds, data.lost, None)))
    kept = [_sites(piece, holds, child.kept, row) for row, child in enumerate(data.children)]
    taken = _claims(data, kept, lost)
    rest = [row for row, child in enumerate(data.children) if child.rest]
    if len(rest) > 1:
        raise Refusal.of("Only one piece can keep the rest.", row=rest[1], at="sites")
    for row in rest:
        for number, *site in set(_flat(holds)) - taken.keys() - lost:
            kept[row].setdefault(number, set()).add((site[0], site[1]))
            taken[number, site[0], site[1]] = row
    left = [each for each in devices if each.site not in taken and not each.gone]
    unnamed = [each.code for each in left if each.site not in lost]
    if unnamed and not data.rest_lost:
        codes = ", ".join(unnamed[:8]) + (" …" if len(unnamed) > 8 else "")
        raise Refusal.of(
            f"{len(unnamed)} {'device is' if len(unnamed) == 1 else 'devices are'} on sites that no piece keeps: "
            f"{codes}. Name the piece that keeps them (the remainder is a piece too), or say that they were lost.",
            at="lost",
        )
    moves = {each.id: taken[each.site] for each in devices if each.site in taken}
    total = sum(len(sites) for sites in holds.values())
    return _Plan(tuple(kept), moves, tuple(each.id for each in left), total - len(taken) if holds else None)


def _claims(data: PartingIn, kept: Sequence[Held], lost: set[tuple[int, int, int]]) -> dict[tuple[int, int, int], int]:
    """The child (its row) that keeps each site; Refusal where two claim one, or one was lost too."""
    taken: dict[tuple[int, int, int], int] = {}
    for row, sites in enumerate(kept):
        for site in _flat(sites):
            if site in lost:
                raise Refusal.of(f"{_site(site)} is said to be lost, and this piece keeps it.", row=row, at="sites")
            if taken.setdefault(site, row) != row:
                other = data.children[taken[site]].code
                raise Refusal.of(f"{_site(site)} is kept by {other} already.", row=row, at="sites")
    return taken


def _sites(piece: Piece, holds: Held, chosen: Iterable[SitesIn], row: int | None) -> Held:
    at = "lost" if row is None else "sites"
    found: Held = {}
    for each in chosen:
        if each.exposure_number not in holds:
            raise Refusal.of(f"{piece.code} holds no exposure {each.exposure_number}.", row=row, at=at)
        outside = sorted(set(each.sites) - holds[each.exposure_number])
        if outside:
            where = _site((each.exposure_number, *outside[0]))
            raise Refusal.of(f"{where} is not on {piece.code}.", row=row, at=at)
        found.setdefault(each.exposure_number, set()).update(each.sites)
    return found


def _flat(held: Held) -> list[tuple[int, int, int]]:
    return [(number, *site) for number, sites in sorted(held.items()) for site in sorted(sites)]


def _site(site: tuple[int, int, int]) -> str:
    return f"Site {site[0]}-{site[1]:02d}{site[2]:02d}"


def _children(
    writing: Writing, piece: Piece, parting: Parting, wanted: Sequence[ChildIn], codes: Sequence[str]
) -> list[Chip]:
    chips = [
        Chip(
            code=code,
            code_key=code.casefold(),
            parent_id=piece.id,
            parting_id=parting.id,
            registered_at=writing.now,
            registered_by_id=writing.operator_id,
            **child.model_dump(exclude={"code", "kept", "rest"}),
        )
        for child, code in zip(wanted, codes, strict=True)
    ]
    writing.add(*chips)
    return chips


def _give_sites(writing: Writing, piece: Piece, children: Sequence[Chip], plan: _Plan) -> None:
    ids = {each.number: each.exposure_id for each in exposures_on(writing.session, piece.id)}
    regions = [
        PieceRegion(
            piece_id=child.id,
            exposure_id=ids[number],
            row_low=region.row_low,
            row_high=region.row_high,
            column_low=region.column_low,
            column_high=region.column_high,
        )
        for child, kept in zip(children, plan.kept, strict=True)
        for number, sites in sorted(kept.items())
        for region in regions_of(sites)
    ]
    for device in writing.session.scalars(select(Device).where(Device.id.in_(plan.moves))):
        device.piece_id = children[plan.moves[device.id]].id
    writing.add(*regions)


def _lose(writing: Writing, piece: Piece, devices: Sequence[int], parting: Event) -> None:
    if not devices:
        return
    facts = writing.session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == piece.id)).mappings().one()
    found_at = next_stage(dict(facts), "microtoroid")
    writing.add(
        *[
            Loss(
                done_at=parting.done_at,
                logged_at=writing.now,
                operator_id=writing.operator_id,
                device_id=device,
                found_at=found_at,
                caused_at=CAUSED_AT,
                cause=LOSS_CAUSE,
                note="Lost in parting",
            )
            for device in devices
        ]
    )
