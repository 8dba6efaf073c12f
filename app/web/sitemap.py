"""Maps of a wafer, chip or array as drawings: micrometres in, places on the page out. A device is a disc."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

Point = tuple[float, float]
MARGIN = 34.0
"""Room for row and column numbers, in the drawing's own units (one is a pixel on a desk)."""
SMALLEST = 8.0
"""A figure that would have to be smaller than this is not printed: the site's name and the table tell it."""
DIGIT = 0.6
"""Width of a bold digit over the height of its letters."""


@dataclass(frozen=True)
class MapSite:
    """One site: `label` is its full name; with `step` 1–9 its value's colour and `text` the value printed on it."""

    label: str
    x_um: float
    y_um: float
    href: str = ""
    text: str = ""
    step: int | None = None
    state: str = ""
    chosen: bool = False


@dataclass(frozen=True)
class Placed:
    """A site at its place in the drawing."""

    site: MapSite
    x: float
    y: float


@dataclass(frozen=True)
class Word:
    """A row or column number, or the scale bar's length."""

    text: str
    x: float
    y: float


@dataclass(frozen=True)
class MapDrawing:
    """Everything the template draws, in the units of its view box."""

    says: str
    width: float
    height: float
    radius: float
    font: float
    outline: str
    sites: tuple[Placed, ...]
    words: tuple[Word, ...]
    bar: tuple[float, float, float]
    """Scale bar: from x, to x, at y."""


def draw_map(
    sites: Sequence[MapSite],
    *,
    says: str,
    outline_um: Sequence[Point] = (),
    columns: Sequence[tuple[str, float]] = (),
    rows: Sequence[tuple[str, float]] = (),
    width: float = 760.0,
) -> MapDrawing:
    """Lay `sites` out to scale, x to the right and y downwards as seen from above, flat down.

    `outline_um` is the piece's edge; without one a frame is drawn around the sites. `columns` and `rows` are
    numbers with their x_um or y_um. `says` names the whole map for those who hear it.
    """
    edge = tuple(outline_um) or _frame(sites)
    left, top = min(x for x, _ in edge), min(y for _, y in edge)
    across, down = max(x for x, _ in edge) - left or 1.0, max(y for _, y in edge) - top or 1.0
    scale = min((width - MARGIN) / across, 900.0 / down)

    def place(x_um: float, y_um: float) -> Point:
        return MARGIN + (x_um - left) * scale, MARGIN + (y_um - top) * scale

    radius = min(20.0, max(3.0, 0.42 * _nearest(sites) * scale))
    bottom = MARGIN + down * scale
    bar_um = _round_length(across / 4)
    bar_y = bottom + 24.0
    words = [Word(text, place(x_um, top)[0], MARGIN - 14.0) for text, x_um in columns]
    words += [Word(text, MARGIN / 2 - 2.0, place(left, y_um)[1]) for text, y_um in rows]
    words.append(Word(_length_text(bar_um), MARGIN + bar_um * scale / 2, bar_y + 17.0))
    return MapDrawing(
        says=says,
        width=round(MARGIN + across * scale + 4.0, 1),
        height=round(bar_y + 26.0, 1),
        radius=round(radius, 2),
        font=_font(sites, radius),
        outline="M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (place(*point) for point in edge)) + "Z",
        sites=tuple(Placed(site, *(round(v, 1) for v in place(site.x_um, site.y_um))) for site in sites),
        words=tuple(Word(word.text, round(word.x, 1), round(word.y, 1)) for word in words),
        bar=(MARGIN, round(MARGIN + bar_um * scale, 1), round(bar_y, 1)),
    )


def step_of(value: float, low: float, high: float, *, log: bool = False) -> int:
    """Which of the nine steps stands for `value` between `low` and `high` (ends included)."""
    if log:
        value, low, high = (math.log(max(v, 1e-300)) for v in (value, low, high))
    share = 0.5 if high <= low else (value - low) / (high - low)
    return 1 + min(8, max(0, int(share * 9)))


def _font(sites: Sequence[MapSite], radius: float) -> float:
    """Height of the figures on discs of `radius`, all alike so that they compare; 0 where the longest has no room."""
    longest = max((len(site.text) for site in sites), default=0)
    room = 1.84 * radius / (DIGIT * longest) if longest else 13.0
    height = round(min(13.0, radius * 0.8, room), 1)
    return height if height >= SMALLEST else 0.0


def _frame(sites: Sequence[MapSite]) -> tuple[Point, ...]:
    if not sites:
        return ((0.0, 0.0), (1000.0, 0.0), (1000.0, 500.0), (0.0, 500.0))
    gap = _nearest(sites)
    xs, ys = [site.x_um for site in sites], [site.y_um for site in sites]
    x0, x1, y0, y1 = min(xs) - gap, max(xs) + gap, min(ys) - gap, max(ys) + gap
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def _nearest(sites: Sequence[MapSite]) -> float:
    """Least distance along either axis between places that differ; arrays are regular, so that is the pitch."""
    gaps = []
    for values in ({s.x_um for s in sites}, {s.y_um for s in sites}):
        ordered = sorted(values)
        gaps += [after - before for before, after in pairwise(ordered) if after - before > 1e-6]
    return min(gaps, default=200.0)


def _round_length(length_um: float) -> float:
    """The 1, 2 or 5 times a power of ten at or below `length_um`."""
    power = 10.0 ** math.floor(math.log10(max(length_um, 1e-6)))
    return next(step * power for step in (5, 2, 1) if step * power <= length_um * 1.0000001)


def _length_text(length_um: float) -> str:
    return f"{length_um / 1000:g} mm" if length_um >= 1000 else f"{length_um:g} µm"
