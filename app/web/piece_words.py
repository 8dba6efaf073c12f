"""A piece in the cells of its title block."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from markupsafe import Markup

from app.core.figures import figure
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.vocab import MEDIA, PURPOSES, SHORT_STAGES, WHEREABOUTS
from app.core.when import instant_text
from app.queries.pieces import PieceSheet
from app.web.render import q_markup

Cell = tuple[Any, ...]
SHAPES = {"whole": "whole", "half": "half", "quarter": "quarter", "part": "part"}
GROWN = {"wet": "wet thermal", "dry": "dry thermal", "deposited": "deposited"}
SIDES = {"one": "one side", "both": "both sides"}
BACKSIDES = {"oxide": "oxide kept on the back", "bare": "bare back", "unknown": ""}


def block_cells(sheet: PieceSheet, zone: ZoneInfo) -> tuple[Cell, ...]:
    """What the piece is, first; then oxide or ends, discs, what is in hand, pillar ratio, Q, where it is, what next."""
    makers = {"wafer": _wafer, "chip": _chip, "fibre_batch": _fibre}
    cells = makers[sheet.piece.kind](sheet, zone)
    cells.append(_in_hand(sheet))
    if sheet.pillar_ratio is not None:
        cells.append(("Pillar ratio", figure(sheet.pillar_ratio, 2), "median; pillar top over disc"))
    if sheet.q is not None:
        where = f"{sheet.q.band}, {MEDIA.get(sheet.q.medium, sheet.q.medium).lower()}"
        cells.append(("Intrinsic Q, median", q_markup(sheet.q.median), f"{_n(sheet.q.measured, 'device')} at {where}"))
    cells += [_where(sheet, zone), _next(sheet)]
    return tuple(cells)


def _wafer(sheet: PieceSheet, _zone: ZoneInfo) -> list[Cell]:
    d = sheet.details
    sizes = [_quantity("diameter_mm", d["diameter_mm"]), SHAPES.get(d["shape"], d["shape"])]
    made = [d["orientation"], d["dopant"], _quantity("resistivity_ohm_cm", d["resistivity_ohm_cm"])]
    made += [f"lot {sheet.lot}" if sheet.lot else ""]
    arrived = SHORT_STAGES.get(sheet.facts["arrived_stage"] or "", "")
    what = ", ".join(filter(None, [*sizes, f"came in {arrived.lower()}" if arrived else ""]))
    return [("Wafer", what, ", ".join(filter(None, made)) or "nothing else noted"), _oxide(sheet), *_discs(sheet)]


def _chip(sheet: PieceSheet, zone: ZoneInfo) -> list[Cell]:
    d = sheet.details
    parent = sheet.lineage[1]
    link = Markup('<a class="code" href="{}">{}</a>').format(parent.path, parent.code)
    parted = next((h for h in sheet.history if h.kind == "parting" and sheet.piece in h.pieces), None)
    size = [_size(d), _quantity("thickness_um", d["thickness_um"]), BACKSIDES.get(d["backside"], "")]
    place = " ".join(filter(None, (d["container"], d["slot"])))
    return [
        ("Chip of", link, f"{parted.heading.lower()} {_day(parted.at, zone)}" if parted else ""),
        ("Size", size[0] or size[1] or "not measured", ", ".join(filter(None, (*size[1:], place)))),
        _oxide(sheet),
        *_discs(sheet),
    ]


def _fibre(sheet: PieceSheet, _zone: ZoneInfo) -> list[Cell]:
    return [("Fibre batch", _n(sheet.details["ends"], "end"), f"spool {sheet.lot}" if sheet.lot else "spool not noted")]


def _oxide(sheet: PieceSheet) -> Cell:
    root = sheet.facts["oxide_um"]
    grown = [
        GROWN.get(sheet.details.get("oxide_grown") or "", ""),
        SIDES.get(sheet.details.get("oxide_sides") or "", ""),
    ]
    measured = any(h.kind == "oxide_measurement" and not h.voided for h in sheet.history)
    notes = [*grown, "measured" if measured else "as bought" if root is not None else ""]
    shown = "not measured" if root is None else value_text(round(root, 3), QUANTITIES["oxide_um"])
    return ("Oxide", shown, ", ".join(filter(None, notes)))


def _discs(sheet: PieceSheet) -> list[Cell]:
    if not sheet.arrays:
        return []
    shapes = [each.exposed.array for each in sheet.arrays]
    sizes = sorted({size for shape in shapes for size in (shape.ladder_um or (shape.disc_um,))})
    size = f"{sizes[0]:g}" if len(sizes) == 1 else f"{sizes[0]:g} to {sizes[-1]:g}"
    sites = sum(len(each.sites) for each in sheet.arrays)
    masks = f"mask {', '.join(sheet.masks)}" if sheet.masks else ""
    return [("Discs", f"{size} µm, {_n(sites, 'site')}", masks)]


def _in_hand(sheet: PieceSheet) -> Cell:
    noun = "fibre end" if sheet.piece.kind == "fibre_batch" else "device"
    kinds = [_n(n, PURPOSES.get(purpose, purpose).lower()) for purpose, n in sorted(sheet.purposes.items())]
    count = len(sheet.devices)
    return ("In hand", _n(count, noun) if count else "none yet", ", ".join(kinds) if count else "")


def _where(sheet: PieceSheet, zone: ZoneInfo) -> Cell:
    state, place = sheet.facts["whereabouts"], sheet.facts["whereabouts_place"] or ""
    if sheet.facts["parted"]:
        return ("Where", "parted", _n(len(sheet.children), "piece") + " came of it")
    until = f"due back {_day(sheet.until, zone)}" if sheet.until and state in ("lent", "sent") else ""
    return ("Where", WHEREABOUTS.get(state, state), ", ".join(filter(None, (place, until))))


def _next(sheet: PieceSheet) -> Cell:
    waiting = sheet.waiting
    if waiting is None or not waiting.waits:
        return ("Waits for", "nothing", "")
    first = waiting.waits[0]
    days = int(waiting.since_s // 86400)
    since = "since today" if days == 0 else f"for {_n(days, 'day')}"
    count = f"{first.count} of {first.of}, " if first.count is not None else ""
    return ("Waits for", Markup('<span class="due">{}</span>').format(first.words), f"{count}{since}")


def _size(d: Any) -> str:
    sizes = [f"{d[name]:g}" for name in ("width_mm", "height_mm") if d[name] is not None]
    return f"{' × '.join(sizes)} mm" if sizes else ""


def _quantity(name: str, value: float | None) -> str:
    return "" if value is None else value_text(value, QUANTITIES[name])


def _day(at: datetime, zone: ZoneInfo) -> str:
    return instant_text(at, zone).rsplit(" ", 1)[0]


def _n(count: int, noun: str) -> str:
    return f"{figure(count)} {noun}" if count == 1 else f"{figure(count)} {noun}s"
