"""Pieces of a Vega-Lite specification, as plain dicts. Text of people is data here, never part of an expression."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from app.core.figures import exponent_text
from app.core.quantities import QUANTITIES

SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
Spec = dict[str, Any]


def chart(
    data: Sequence[Mapping[str, Any]],
    layers: Sequence[Spec],
    *,
    width: int | str = "container",
    height: int = 320,
    title: str = "",
) -> Spec:
    """Layers over one inline table. Give a fixed `width` for pictures made without a page."""
    return {
        "$schema": SCHEMA,
        **({"title": title} if title else {}),
        "width": width,
        "height": height,
        "data": {"values": [dict(row) for row in data]},
        "layer": list(layers),
    }


def layer(mark: str, style: str, encoding: Mapping[str, Any], **more: Any) -> Spec:
    """One layer: a mark in one of the themes' styles (device, group, interval, target, samples, fit, zone …).

    Marks are kept from screen readers: the picture as a whole carries its figures in words, and tables list them.
    """
    shown = {"type": mark, "style": style, "aria": False, **more.pop("mark_more", {})}
    return {"mark": shown, "encoding": dict(encoding), **more}


def axis(
    field: str,
    title: str,
    *,
    log: bool = False,
    zero: bool = False,
    domain: Sequence[float] = (),
    power: int = 0,
) -> Spec:
    """A quantitative channel; `title` is quantity over unit. With `power` its figures are in units of ten to it.

    A log axis of a stated `domain` is marked at 1, 2 and 5 of each decade.
    """
    scale: Spec = {"type": "log"} if log else {"zero": zero}
    shown: Spec = {"field": field, "type": "quantitative", "title": title, "scale": scale}
    if domain:
        scale |= {"domain": list(domain), "nice": False}
    marks: Spec = {}
    if power:
        shown["title"] = f"{title} / {exponent_text(power)}"
        marks["labelExpr"] = f"format(datum.value / 1e{int(power)}, '~g')"
    if log and domain:
        marks["values"] = log_marks(*domain)
    if marks:
        shown["axis"] = marks
    return shown


def log_marks(low: float, high: float) -> list[float]:
    """1, 2 and 5 times each power of ten between `low` and `high` (both positive); ones only over four decades."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    steps = (1, 2, 5) if last - first <= 4 else (1,)
    marks = [float(f"{step}e{power}") for power in range(first, last + 1) for step in steps]
    return [mark for mark in marks if low <= mark <= high]


def log_domain(values: Sequence[float], share: float = 0.08) -> tuple[float, float]:
    """Ends of a log axis with some room around positive `values`; a decade where there are none."""
    known = [value for value in values if value > 0 and math.isfinite(value)]
    if not known:
        return 1.0, 10.0
    low, high = min(known), max(known)
    room = max((high / low) ** share, 1.3)
    return low / room, high * room


def axis_of(name: str, *, field: str = "") -> Spec:
    """The channel of a declared quantity: its own title and kind of axis."""
    quantity = QUANTITIES[name]
    return axis(field or name, quantity.axis_title, log=quantity.log)


def tooltip(*fields: tuple[str, str]) -> list[Spec]:
    """What a pointer reads off a mark: (field, title) pairs."""
    return [{"field": field, "title": title} for field, title in fields]
