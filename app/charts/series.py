"""A mode's linewidth over power or coupling, and its Q over days, as chart specifications."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from app.charts import spec
from app.charts.spec import Spec

_Z = 1.96


def width_chart(
    points: Sequence[tuple[float, float, float]],
    line: tuple[float, float, float] | None,
    at_zero: tuple[float, float] | None,
    title: str,
    *,
    width: int | str = 640,
) -> Spec:
    """Linewidths (at, MHz, standard deviation) with the line (value, slope, curvature) drawn from zero on.

    `at_zero` are the ends of the interval at zero.
    """
    data: list[dict[str, Any]] = [
        {"kind": "scan", "at": at, "width": mhz, "low": mhz - _Z * sd, "high": mhz + _Z * sd} for at, mhz, sd in points
    ]
    far = max(at for at, _, _ in points)
    if line is not None:
        steps = [far * i / 24 for i in range(25)]
        data += [{"kind": "line", "at": at, "width": line[0] + line[1] * at + line[2] * at * at} for at in steps]
    if at_zero is not None and line is not None:
        data.append({"kind": "zero", "at": 0.0, "width": line[0], "low": at_zero[0], "high": at_zero[1]})
    x, y = spec.axis("at", title, zero=True), spec.axis("width", "Linewidth / MHz")
    ends = {"x": x, "y": spec.axis("low", "Linewidth / MHz"), "y2": {"field": "high"}}
    layers = [
        spec.layer("line", "fit", {"x": x, "y": y}, transform=_only("line")),
        spec.layer("rule", "interval-other", ends, transform=_only("scan")),
        spec.layer("point", "device", {"x": x, "y": y}, transform=_only("scan")),
        spec.layer("rule", "interval", ends, transform=_only("zero")),
        spec.layer("point", "group", {"x": x, "y": y}, transform=_only("zero")),
    ]
    return spec.chart(data, layers, width=width, height=260)


def age_chart(
    points: Sequence[tuple[float, float, float | None, float | None]],
    line: tuple[float, float] | None,
    title: str,
    *,
    width: int | str = 640,
) -> Spec:
    """Q over days (day, Q, ends of its interval) with the line of ln Q (value at zero, slope a day)."""
    data: list[dict[str, Any]] = [
        {"kind": "scan", "at": day, "q": q, "low": low or q, "high": high or q} for day, q, low, high in points
    ]
    shown = [value for _, q, low, high in points for value in (q, low or q, high or q)]
    if line is not None:
        first, last = min(p[0] for p in points), max(p[0] for p in points)
        steps = [first + (last - first) * i / 24 for i in range(25)]
        data += [{"kind": "line", "at": at, "q": math.exp(line[0] + line[1] * at)} for at in steps]
    power = math.floor(math.log10(max(shown)))
    domain = spec.log_domain(shown)
    x = spec.axis("at", title)
    y = spec.axis("q", "Intrinsic Q", log=True, power=power, domain=domain)
    ends = {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}}
    layers = [
        spec.layer("line", "fit", {"x": x, "y": y}, transform=_only("line")),
        spec.layer("rule", "interval-other", ends, transform=_only("scan")),
        spec.layer("point", "device", {"x": x, "y": y}, transform=_only("scan")),
    ]
    return spec.chart(data, layers, width=width, height=260)


def _only(kind: str) -> list[Spec]:
    return [{"filter": {"field": "kind", "equal": kind}}]
