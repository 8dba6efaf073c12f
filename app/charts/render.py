"""Specifications drawn to SVG or PNG without a browser, from nothing but what they hold."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from app import resources
from app.charts.themes import config

VEGA_LITE = "6.4"
"""The version vendored for the browser; both draw the same specification."""
_STYLE = re.compile(r' style="([^"]*)"')


@cache
def _converter() -> Any:
    import vl_convert

    vl_convert.register_font_directory(str(resources.static() / "fonts"))
    return vl_convert


def svg(spec: Mapping[str, Any], theme: str = "light") -> str:
    """`spec` (Vega-Lite, data inline) as one SVG element; style attributes become plain ones, as our policy wants."""
    drawn: str = _converter().vegalite_to_svg(
        dict(spec), vl_version=VEGA_LITE, config=config(theme), allowed_base_urls=[]
    )
    return _STYLE.sub(_as_attributes, drawn[drawn.index("<svg") :])


def png(spec: Mapping[str, Any], theme: str = "print", scale: float = 2.0) -> bytes:
    """`spec` as a PNG, `scale` pixels to the point."""
    drawn: bytes = _converter().vegalite_to_png(
        dict(spec), vl_version=VEGA_LITE, config=config(theme), scale=scale, allowed_base_urls=[]
    )
    return drawn


def _as_attributes(found: re.Match[str]) -> str:
    """Presentation properties as attributes; `style` itself would be blocked in a page."""
    kept = []
    for declaration in found[1].split(";"):
        name, colon, value = declaration.partition(":")
        if colon and re.fullmatch(r"[a-z-]+", name.strip()):
            kept.append(f' {name.strip()}="{value.strip()}"')
    return "".join(kept)
