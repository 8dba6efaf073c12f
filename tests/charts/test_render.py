"""Charts drawn without a browser, in the page's themes."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from app.charts import render, spec, themes


def _devices(code: str = "W012-2-0407") -> spec.Spec:
    q = [2.1e7, 9.8e7, 1.44e8]
    return spec.chart(
        [{"code": code, "ratio": 0.3 + 0.05 * n, "q": value} for n, value in enumerate(q)],
        [
            spec.layer(
                "point",
                "device",
                {
                    "x": spec.axis_of("pillar_ratio", field="ratio"),
                    "y": spec.axis("q", "Intrinsic Q", log=True, power=8, domain=spec.log_domain(q)),
                    "tooltip": spec.tooltip(("code", "Device")),
                },
            )
        ],
        width=400,
    )


@pytest.mark.parametrize("theme", themes.THEMES)
def test_a_chart_is_drawn_in_every_theme(theme: str) -> None:
    """An SVG that may stand in a page: well-formed, no style attribute, figures in units of 10⁸."""
    drawn = render.svg(_devices(), theme)
    texts = ["".join(node.itertext()) for node in ET.fromstring(drawn).iter() if node.tag.endswith("text")]  # noqa: S314  drawn by us
    assert "Intrinsic Q / 10⁸" in texts
    assert {"0.2", "0.5", "1"} <= set(texts)
    assert " style=" not in drawn
    assert "<style" not in drawn


def test_no_blue_in_a_no_blue_chart() -> None:
    """Every colour drawn in the yellow room has no blue in it."""
    colours = re.findall(r'(?:fill|stroke)="#([0-9a-fA-F]{6})"', render.svg(_devices(), "yellow-room"))
    assert colours
    assert {colour[4:] for colour in colours} == {"00"}


def test_text_of_people_is_only_text() -> None:
    """A code that looks like markup or an expression is drawn as data."""
    drawn = render.svg(_devices("</svg><script>alert(1)</script>"))
    assert "<script" not in drawn
    ET.fromstring(drawn)  # noqa: S314  drawn by us


def test_nothing_is_fetched_while_drawing() -> None:
    """A specification that names an address outside itself fails instead of loading it."""
    away = _devices() | {"data": {"url": "http://127.0.0.1:9/data.csv"}}
    with pytest.raises(ValueError, match=r"(?i)not allowed|denied|url|load"):
        render.svg(away)


def test_a_png_for_paper() -> None:
    """The same specification as a picture."""
    assert render.png(_devices(), scale=1).startswith(b"\x89PNG")


def test_marks_of_a_log_axis() -> None:
    """One, two and five of each decade inside the axis; ones alone over many decades."""
    assert spec.log_marks(1.5e7, 2e8) == [2e7, 5e7, 1e8, 2e8]
    assert spec.log_marks(1e3, 1e9) == [1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9]
    low, high = spec.log_domain([1e8, float("nan"), -3.0])
    assert low < 1e8 < high
