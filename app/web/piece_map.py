"""The map of a piece: its arrays to scale, devices coloured by stage, verdict or a quantity, and the legend."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.core.figures import exponent_text, figure, in_power, power_of, q_text
from app.core.quantities import Quantity
from app.core.reading import value_text
from app.core.sites import outline_of, site_code
from app.core.vocab import MEDIA, SHORT_STAGES, STAGES, VERDICTS
from app.queries.maps import SHOWABLE, ArrayOnPiece, DeviceLine
from app.web.sitemap import MapDrawing, MapSite, draw_map, step_of

_MOST_STAGES = max(len(stages) for stages in STAGES.values())
STAGE_STEPS = tuple(round(1 + 8 * reached / _MOST_STAGES) for reached in range(_MOST_STAGES + 1))
"""Colour steps of devices past 0, 1, 2 … stages: as far apart as the nine steps allow."""
FIRST_CHOICES = {"stage": "Stage", "verdict": "Verdict", "q_best": "Intrinsic Q", "pillar_ratio": "Pillar ratio",
                 "outer_um": "Outer diameter"}  # fmt: skip
_NOT_THERE = {"failed": "failed", "lost_with_piece": "lost with its piece", "not_taken_forward": "not taken forward"}


@dataclass(frozen=True)
class LegendLine:
    """One line of the legend: a colour step with its figure, or a mark, its word, and how many."""

    word: str
    count: int | None = None
    step: int | None = None
    text: str = ""
    state: str = ""


@dataclass(frozen=True)
class PieceMap:
    """Drawings of each array with their heading, one legend for all."""

    show: str
    title: str
    drawings: tuple[tuple[str, MapDrawing], ...]
    steps: tuple[LegendLine, ...]
    states: tuple[LegendLine, ...]
    note: str


@dataclass(frozen=True)
class _Scale:
    """How values become colours and figures."""

    quantity: Quantity
    low: float
    high: float
    power: int | None
    decimals: int
    place: tuple[str, str] | None

    def value(self, device: DeviceLine) -> float | None:
        if self.place and (device.band, device.medium) != self.place:
            return None
        return device.values[self.quantity.name]

    def step(self, value: float) -> int:
        return step_of(value, self.low, self.high, log=self.quantity.log)

    def text(self, value: float) -> str:
        return figure(value, self.decimals) if self.power is None else in_power(value, self.power, self.decimals)


def piece_map(
    root: str,
    arrays: Sequence[ArrayOnPiece],
    show: str,
    *,
    place: tuple[str, str] | None,
    take_path: str = "",
    chosen: str = "",
) -> PieceMap:
    """Draw every array of a piece. `place` is the (band, medium) Q is shown of; `take_path` takes a site in hand."""
    devices = [device for array in arrays for device in array.devices.values()]
    scale = _scale(devices, show, place) if show in SHOWABLE else None
    drawings: list[tuple[str, MapDrawing]] = []
    drawn: Counter[tuple[int | None, str]] = Counter()
    free = 0
    for array in arrays:
        sites = [_site(root, array, site, show, scale, take_path, chosen) for site in array.sites]
        for at, site in zip(array.sites, sites, strict=True):
            if at in array.devices:
                drawn[site.step, site.state] += 1
            else:
                free += 1
        drawings.append((_heading(array), _drawing(array, sites, root)))
    steps = _steps(show, scale, drawn, devices)
    states = [
        LegendLine(_state_word(state, show), n, state=state)
        for (_, state), n in sorted(drawn.items(), key=str)
        if state
    ]
    if free:
        states.append(LegendLine("not in hand", free, state="site"))
    return PieceMap(show, _title(show, scale), tuple(drawings), tuple(steps), tuple(states), _note(devices, scale))


def choices(show: str) -> dict[str, str]:
    """Everything the map can be coloured by, in words."""
    rest = {name: quantity.label for name, quantity in SHOWABLE.items() if name not in FIRST_CHOICES}
    return {**FIRST_CHOICES, **rest} if show else FIRST_CHOICES


def first_show(devices: Sequence[DeviceLine], asked: str) -> str:
    """What to colour by: what was asked for, else Q where any was measured, else the stage."""
    if asked in SHOWABLE or asked in ("stage", "verdict"):
        return asked
    return "q_best" if any(device.values["q_best"] is not None for device in devices) else "stage"


def _site(
    root: str, array: ArrayOnPiece, at: tuple[int, int], show: str, scale: _Scale | None, take_path: str, chosen: str
) -> MapSite:
    x_um, y_um = array.exposed.array.position_um(*at)
    device = array.devices.get(at)
    if device is None:
        number = array.exposed.number
        code = site_code(root, number, *at)
        href = f"{take_path}?sites={number}-{at[0]:02d}{at[1]:02d}" if take_path else ""
        return MapSite(f"{code}, not in hand", x_um, y_um, href, chosen=code == chosen)
    step, text, state, words = _look(device, show, scale)
    return MapSite(
        label=f"{device.code}, {words}",
        x_um=x_um,
        y_um=y_um,
        href=f"/devices/{device.code}",
        text=text,
        step=step,
        state=state,
        chosen=device.code == chosen,
    )


def _look(device: DeviceLine, show: str, scale: _Scale | None) -> tuple[int | None, str, str, str]:
    """(step, figure, mark, words) of one device."""
    standing = device.standing
    if show == "verdict":
        state = "lost_earlier" if device.lost else device.verdict or "not_looked_at"
        words = VERDICTS.get(device.verdict, "").split(",")[0].lower()
        return None, "", state, "lost" if device.lost else words or "no verdict yet"
    if scale is not None:
        value = scale.value(device)
        if value is not None:
            shown = q_text(value) if scale.power is not None else value_text(value, scale.quantity)
            return scale.step(value), scale.text(value), "", f"{_inside(scale.quantity.label)} {shown}"
    if device.lost:
        return None, "", "lost_earlier", "lost"
    if standing.state in _NOT_THERE:
        return None, "", standing.state, standing.words
    if scale is not None:
        return None, "", "waiting", "not measured"
    return STAGE_STEPS[standing.reached], str(standing.reached), "", standing.words


def _inside(label: str) -> str:
    """A label inside a sentence: its own capitals, such as that of Q, stay."""
    return label[:1].lower() + label[1:]


def _scale(devices: Sequence[DeviceLine], show: str, place: tuple[str, str] | None) -> _Scale | None:
    quantity = SHOWABLE[show]
    of_q = show in ("q_best", "q_typical")
    scale = _Scale(quantity, 0, 0, None, quantity.decimals, place if of_q else None)
    values = [value for device in devices if (value := scale.value(device)) is not None]
    if not values:
        return scale
    low, high = min(values), max(values)
    decimals = 0 if high >= 100 else min(quantity.decimals, 1 if high >= 1 else 2)
    if of_q:
        return _Scale(quantity, low, high, power_of(high), 1 if power_of(high) == power_of(low) else 2, scale.place)
    return _Scale(quantity, low, high, None, decimals, None)


def _steps(
    show: str, scale: _Scale | None, drawn: Mapping[tuple[int | None, str], int], devices: Sequence[DeviceLine]
) -> list[LegendLine]:
    counts = {step: n for (step, _), n in drawn.items() if step is not None}
    if show == "stage" and devices:
        stages = list(STAGES[devices[0].kind])
        words = ["none yet", *(SHORT_STAGES[stage].lower() for stage in stages)]
        return [
            LegendLine(words[reached], counts[step], step, str(reached))
            for reached, step in enumerate(STAGE_STEPS[: len(words)])
            if counts.get(step)
        ]
    if scale is None or not counts:
        return []
    if scale.low == scale.high:
        return [LegendLine(scale.text(scale.low), counts.get(5), 5)]
    ends = [_end(scale, n / 9) for n in range(10)]
    shown = [scale.text(end) for end in ends]
    return [LegendLine(f"{shown[n - 1]}–{shown[n]}", counts.get(n, 0), n) for n in range(1, 10)]


def _end(scale: _Scale, share: float) -> float:
    if scale.quantity.log and scale.low > 0:
        return float(scale.low * (scale.high / scale.low) ** share)
    return scale.low + (scale.high - scale.low) * share


def _title(show: str, scale: _Scale | None) -> str:
    if scale is None:
        return {"stage": "Stages a device has been through", "verdict": "Latest verdict"}[show]
    unit = f", in {exponent_text(scale.power)}" if scale.power is not None else ""
    unit = unit or (f" / {scale.quantity.unit}" if scale.quantity.unit else "")
    where = f", at {scale.place[0]} in {MEDIA.get(scale.place[1], scale.place[1]).lower()}" if scale.place else ""
    return f"{scale.quantity.label}{unit}{where}"


def _note(devices: Sequence[DeviceLine], scale: _Scale | None) -> str:
    if scale is None or scale.place is None:
        return ""
    other = sum(1 for d in devices if d.values["q_best"] is not None and (d.band, d.medium) != scale.place)
    if not other:
        return ""
    return f"{other} measured at another wavelength or in another medium: not coloured, since Q is not compared across."


def _state_word(state: str, show: str) -> str:
    if show == "verdict":
        words = {"not_looked_at": "no verdict yet", "good": "good", "usable": "usable", "reject": "reject"}
        return words.get(state, "lost")
    return {"waiting": "not measured", "lost_earlier": "lost"}.get(state) or _NOT_THERE[state]


def _heading(array: ArrayOnPiece) -> str:
    exposed = array.exposed
    shape = exposed.array
    sizes = f"{min(shape.ladder_um):g} to {max(shape.ladder_um):g}" if shape.ladder_um else f"{shape.disc_um:g}"
    held = len(array.sites)
    part = "" if held == shape.rows * shape.columns else f", {held} sites of it here"
    return f"Exposure {exposed.number}: {exposed.label}, {shape.rows} × {shape.columns} discs of {sizes} µm{part}"


def _drawing(array: ArrayOnPiece, sites: Sequence[MapSite], root: str) -> MapDrawing:
    shape = array.exposed.array
    columns = sorted({column for _, column in array.sites})
    rows = sorted({row for row, _ in array.sites})
    corners = [
        (shape.origin_x_um + (x - 1) * shape.pitch_x_um, shape.origin_y_um + (y - 1) * shape.pitch_y_um)
        for x, y in outline_of(array.sites)
    ]
    return draw_map(
        sites,
        says=f"Map of exposure {array.exposed.number} on {root}, {len(rows)} rows by {len(columns)} columns",
        outline_um=corners,
        columns=[(f"{column:02d}", shape.position_um(1, column)[0]) for column in columns],
        rows=[(f"{row:02d}", shape.position_um(row, 1)[1]) for row in rows],
    )
