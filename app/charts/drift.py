"""A control chart over days: points, limits, alarms by shape and word, tool events as upright lines."""

from __future__ import annotations

from collections.abc import Sequence

from app.charts import spec
from app.charts.spec import Spec


def control_chart(
    days: Sequence[float],
    values: Sequence[float],
    alarms: Sequence[str],
    lines: Sequence[tuple[str, Sequence[float]]],
    events: Sequence[tuple[float, str]],
    titles: tuple[str, str],
    *,
    first: int = 1,
    height: int = 260,
) -> Spec:
    """Values over days; `alarms` has the word of each point ('' for none), `lines` are (style, heights).

    A line of style `target` is the centre, of `limit` a limit. `events` are (day, words).
    `first` is the first point's number.
    """
    data: list[Spec] = []
    apart, written = 0.09 * (max(days) - min(days)), -1e9
    for i, (day, value, word) in enumerate(zip(days, values, alarms, strict=True), first):
        short = ""
        if word and day - written > apart:  # words of near neighbours would lie on each other; the list has them all
            short, written = f"{i} {word}", day
        kind = "alarm" if word else "point"
        data.append({"kind": kind, "at": day, "value": value, "says": f"{i} {word}".strip(), "short": short})
    for number, (_, heights) in enumerate(lines):
        data += [
            {"kind": f"line{number}", "at": day, "value": height_, "says": ""}
            for day, height_ in zip(days, heights, strict=True)
        ]
    data += [{"kind": "event", "at": day, "says": words} for day, words in events]
    x, y = spec.axis("at", titles[0]), spec.axis("value", titles[1])
    told = spec.tooltip(("says", "Point"), ("value", titles[1]))
    layers: list[Spec] = []
    if events:
        seen = {"x": x, "tooltip": spec.tooltip(("says", "Tool"))}
        layers.append(spec.layer("rule", "event", seen, transform=_only("event")))
    for number, (style, _) in enumerate(lines):
        layers.append(spec.layer("line", style, {"x": x, "y": y}, transform=_only(f"line{number}")))
    layers += [
        spec.layer("point", "device", {"x": x, "y": y, "tooltip": told}, transform=_only("point")),
        spec.layer("point", "alarm", {"x": x, "y": y, "tooltip": told}, transform=_only("alarm")),
        spec.layer(
            "text",
            "note",
            {"x": x, "y": y, "text": {"field": "short", "type": "nominal"}},
            transform=_only("alarm"),
            mark_more={"dy": -11, "align": "center"},
        ),
    ]
    return spec.chart(data, layers, width=720, height=height)


def _only(kind: str) -> list[Spec]:
    return [{"filter": {"field": "kind", "equal": kind}}]
