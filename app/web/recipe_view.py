"""The recipes page's context: groups put into words and onto one shared axis."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import log10

from app.charts.strips import HEIGHT, INTERVAL_Y, Dot, LogAxis, dots, log_axis
from app.core.figures import exponent_text, figure, in_power, interval_text, power_of, q_text
from app.core.search_fields import SearchField, filters, groupings, step_label
from app.core.stats.recipe_groups import MIN_DEVICES, MIN_WAFERS, RecipeGroup
from app.core.vocab import PICKED, PURPOSES
from app.queries.recipe_search import RecipeFigures
from app.queries.searches import SearchRow
from app.web.compare_view import Compared, compared
from app.web.recipe_ask import GROUPS, Asked, RawRange, grouped_fields
from app.web.shares import NO_SHARE, Share, bounds_text, counted, of_step
from app.web.yield_ask import save_address
from app.web.yield_view import KIND_WORDS, NOUNS, Option

MADE = {"microtoroid": "toroid", "microsphere": "sphere"}


@dataclass(frozen=True)
class OptionGroup:
    """Choices that belong to one step."""

    label: str
    options: tuple[Option, ...]


@dataclass(frozen=True)
class RangeField:
    """A range in the form: inputs `<name>_from` and `<name>_to`; with `choices` the quantity is to be chosen."""

    name: str
    label: str
    low: str
    high: str
    unit: str
    choices: tuple[OptionGroup, ...] = ()


@dataclass(frozen=True)
class RecipeRow:
    """One group as it stands in the table; `name` is what the address calls it."""

    name: str
    ticked: bool
    lines: tuple[str, ...]
    devices: int
    sources: str
    modes: str
    dots: tuple[Dot, ...]
    estimate: float
    interval: tuple[float, float] | None
    sessions: tuple[float, ...]
    says: str
    typical: str
    typical_interval: str
    best: str
    on_spec: Share
    bounds: str
    picked: str
    leads: str
    alone: bool
    lacks: str


@dataclass(frozen=True)
class RecipesContext:
    """The recipes page."""

    kind: str
    under: str
    errors: tuple[str, ...]
    left_out: tuple[str, ...]
    kinds: tuple[Option, ...]
    places: tuple[Option, ...]
    purposes: tuple[Option, ...]
    specifications: tuple[Option, ...]
    fixed: tuple[RangeField, ...]
    free: tuple[RangeField, ...]
    by: tuple[tuple[OptionGroup, ...], ...]
    start: str
    end: str
    wafers: str
    wafer_word: str
    csv: str
    empty: bool
    none_here: bool
    place: str
    axis: LogAxis | None
    axis_title: str
    power: str
    target: float | None
    target_says: str
    height: int
    interval_y: int
    heading: str
    subheading: str
    ranked: tuple[RecipeRow, ...]
    few: tuple[RecipeRow, ...]
    needs: str
    day: bool
    shared: str
    pair: Compared | None
    can_compare: bool
    searches: tuple[SearchRow, ...]
    save_href: str


def recipes_context(found: RecipeFigures, asked: Asked, searches: tuple[SearchRow, ...] = ()) -> RecipesContext:
    """Everything the template names."""
    ask = found.ask
    made, whole = MADE[ask.kind], NOUNS[ask.kind][2]
    groups = (*found.groups.ranked, *found.groups.few)
    target_q = found.specification.window.q_intrinsic_min if found.specification else None
    shown = [q for group in groups for q in group.q]
    axis = log_axis(shown + ([target_q] if target_q and groups else []), power_of(target_q) if target_q else None)
    power = axis.power if axis else 8
    place = f"{found.place.band}|{found.place.medium}" if found.place else ""
    spec = str(found.specification.id) if found.specification else ""
    return RecipesContext(
        kind=ask.kind,
        under=_under(found, made, whole),
        errors=asked.errors + _unknown_wafers(found, whole) + _one_ticked(found),
        left_out=tuple(
            f"{left.label} was never measured on {counted(left.devices, made)}, left out here."
            for left in found.left_out
        ),
        kinds=tuple(Option(k, word, k == ask.kind) for k, word in KIND_WORDS.items()),
        places=tuple(
            Option(f"{m.band}|{m.medium}", f"{m.words} ({figure(m.devices)})", m == found.place) for m in found.measured
        ),
        purposes=_purposes(ask.purpose),
        specifications=tuple(
            Option(str(c.id), f"{c.says} ({c.label})", c == found.specification) for c in found.specifications
        ),
        fixed=tuple(_range_field(raw, ask.kind) for raw in asked.fixed),
        free=tuple(_range_field(raw, ask.kind, free=True) for raw in asked.free),
        by=_by(asked.by, ask.kind),
        start=asked.start,
        end=asked.end,
        wafers=asked.wafers,
        wafer_word="Wafers" if ask.kind == "microtoroid" else "Fibre batches",
        csv=asked.address("/recipes.csv", place, spec),
        empty=not any(found.kinds.values()),
        none_here=not groups,
        place=found.place.words if found.place else "",
        axis=axis,
        axis_title=f"Intrinsic Q / {exponent_text(power)}",
        power=exponent_text(power),
        target=axis.at(target_q) if axis and target_q and axis.low <= log10(target_q) <= axis.high else None,
        target_says=found.specification.says if found.specification else "",
        height=HEIGHT,
        interval_y=INTERVAL_Y,
        heading=step_label(found.by[0]) if found.by else "Group",
        subheading=", ".join(step_label(each) for each in found.by[1:]),
        ranked=tuple(_row(group, found, axis, power) for group in found.groups.ranked),
        few=tuple(_row(group, found, axis, power) for group in found.groups.few),
        needs=f"Not ranked yet: a group needs {MIN_DEVICES} devices from {MIN_WAFERS} {_plural(whole)}",
        day=found.groups.cannot_be_told_from_the_day,
        shared=found.sessions_shared,
        pair=_pair(found, power, whole),
        can_compare=len(groups) > 1,
        searches=searches,
        save_href=save_address("recipes", asked.address("", place, spec)),
    )


def _purposes(chosen: str) -> tuple[Option, ...]:
    words = ((key, f"{word}s" if key == "candidate" else word) for key, word in PURPOSES.items())
    return (*(Option(key, word, key == chosen) for key, word in words), Option("any", "Any purpose", chosen == ""))


def _pair(found: RecipeFigures, power: int, whole: str) -> Compared | None:
    pair = found.pair
    if pair is None:
        return None
    first, second = (found.parts.get(group.name, (group.name,)) for group in (pair.first, pair.second))
    return compared(pair, (first, second), power, whole)


def _one_ticked(found: RecipeFigures) -> tuple[str, ...]:
    """What hinders a comparison that was asked for."""
    asked = found.ask.compare
    if not asked or found.pair is not None:
        return ()
    known = {group.name for group in (*found.groups.ranked, *found.groups.few)}
    gone = [name for name in asked if name not in known]
    if gone:
        return (f"{' and '.join(gone)}: no group of this search is called so, so there is nothing to compare.",)
    return ("One group is ticked: tick a second one to compare.",)


def _plural(noun: str) -> str:
    return "fibre batches" if noun == "fibre batch" else f"{noun}s"


def _under(found: RecipeFigures, made: str, whole: str) -> str:
    if not found.place:
        return ""
    sources = counted(found.wafers, whole, _plural(whole))
    return f"{counted(found.devices, made)} with a Q of grade A or B at {found.place.words}, from {sources}"


def _unknown_wafers(found: RecipeFigures, whole: str) -> tuple[str, ...]:
    return tuple(f"No {whole} with devices in hand is called {code}." for code in found.unknown_wafers)


def _range_field(raw: RawRange, kind: str, *, free: bool = False) -> RangeField:
    known = filters(kind)
    field = known.get(raw.field)
    choices = _choices(kind, known, raw.field) if free else ()
    return RangeField(
        name="q" if free else raw.field,
        label="Another quantity" if field is None else field.label,
        low=raw.low,
        high=raw.high,
        unit=field.unit if field else "",
        choices=choices,
    )


def _choices(kind: str, names: Iterable[str], chosen: str) -> tuple[OptionGroup, ...]:
    return tuple(
        OptionGroup(label, tuple(Option(f.name, _field_words(f), f.name == chosen) for f in fields))
        for label, fields in grouped_fields(kind, names).items()
    )


def _field_words(field: SearchField) -> str:
    return f"{field.label}, {field.unit}" if field.unit else field.label


def _by(chosen: tuple[str, ...], kind: str) -> tuple[tuple[OptionGroup, ...], ...]:
    slots = [*chosen, *[""] * GROUPS][:GROUPS]
    return tuple(_choices(kind, groupings(kind), name) for name in slots)


def _row(group: RecipeGroup, found: RecipeFigures, axis: LogAxis | None, power: int) -> RecipeRow:
    whole = NOUNS[found.ask.kind][2]
    typical = group.typical
    ends = (typical.interval.low, typical.interval.high) if typical.interval else None
    known = ends is not None and ends[0] is not None and ends[1] is not None
    interval = (axis.at(ends[0]), axis.at(ends[1])) if axis and ends and ends[0] and ends[1] else None
    measured = group.coverage.on_spec if group.coverage else None
    bounds = measured.bounds if measured else None
    return RecipeRow(
        name=group.name,
        ticked=group.name in found.ask.compare,
        lines=found.parts.get(group.name, (group.name,)),
        devices=group.devices,
        sources=f"{counted(typical.wafers, whole, _plural(whole))}, {counted(typical.sessions, 'session')}",
        modes=f"{figure(group.modes_per_device, 1)} modes each",
        dots=dots(group.q, axis) if axis else (),
        estimate=axis.at(typical.q) if axis else 0.0,
        interval=interval,
        sessions=() if interval or not axis else tuple(axis.at(q) for _, q, _n in typical.by_session),
        says=_says(group, known),
        typical=in_power(typical.q, power),
        typical_interval=interval_text(ends[0], ends[1], power) if ends else "",
        best=in_power(typical.q_best, power),
        on_spec=of_step(measured.measured) if measured else NO_SHARE,
        bounds=bounds_text(bounds.low, bounds.high) if bounds else "",
        picked=PICKED.get(measured.picked, measured.picked).lower() if measured and measured.measured.decided else "",
        leads=_leads(group.leads_in),
        alone=group.alone_in_its_day,
        lacks=_lacks(group, whole),
    )


def _says(group: RecipeGroup, known: bool) -> str:
    typical = group.typical
    low, high = (typical.interval.low, typical.interval.high) if typical.interval and known else (None, None)
    return f"{counted(group.devices, 'device')}; typical {q_text(typical.q, low, high)}; best {q_text(typical.q_best)}"


def _leads(leads: float | None) -> str:
    if leads is None:
        return ""
    if leads < 1:
        return "under 1"
    return "over 99" if leads > 99 else figure(leads)


def _lacks(group: RecipeGroup, whole: str) -> str:
    """What it would take to rank the group."""
    if group.more_devices and group.more_wafers:
        one = group.more_devices == 1
        which = f"from a second {whole}" if one else f"at least one from a second {whole}"
        return f"It would take {counted(group.more_devices, 'more device', 'more devices')}, {which}."
    if group.more_devices:
        return f"It would take {counted(group.more_devices, 'more device', 'more devices')}."
    return f"It would take a device from a second {whole}." if group.more_wafers else ""
