"""One fitted scan as a picture: samples with curve and baseline above, residuals below."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.charts.spec import SCHEMA, Spec, layer
from app.core.optics.results import Analysis, FloatArray, Scan
from app.core.optics.trace import Thinned, trace_of

_WIDTH, _TALL, _SHORT = 640, 300, 110
_MOST = 1600


def picture(scan: Scan, analysis: Analysis) -> Spec:
    """Specification of the whole picture; detunings count from the fitted centre on an absolute axis."""
    trace = trace_of(scan, analysis.stored, analysis.window_mhz, analysis.quality.noise)
    fit = trace.fit
    zero = analysis.stored.parameters[0] if scan.axis.absolute else 0.0
    samples = _points(trace.near, zero, "signal")
    curves = (
        [] if fit is None else _lines(fit.at - zero, fit.curve, "fit") + _lines(fit.at - zero, fit.baseline, "light")
    )
    residuals = [] if fit is None else _points(fit.residuals, zero, "residual")
    x: Spec = {"field": "x", "type": "quantitative", "title": "Detuning / MHz", "scale": {"nice": False, "zero": False}}
    bare: Spec = {**x, "title": None, "axis": {"labels": False}}

    def y(field: str, title: str) -> Spec:
        return {"field": field, "type": "quantitative", "title": title, "scale": {"zero": False}}

    above = {
        "width": _WIDTH,
        "height": _TALL,
        "title": _title(analysis),
        "layer": [
            {
                "data": {"values": samples},
                **layer("circle", "samples", {"x": bare, "y": y("signal", "Signal")}, mark_more={"size": 6}),
            },
            {
                "data": {"values": [c for c in curves if c["what"] == "light"]},
                **layer("line", "fit-other", {"x": bare, "y": y("y", "Signal")}),
            },
            {
                "data": {"values": [c for c in curves if c["what"] == "fit"]},
                **layer("line", "fit", {"x": bare, "y": y("y", "Signal")}),
            },
        ],
    }
    below = {
        "width": _WIDTH,
        "height": _SHORT,
        "data": {"values": residuals},
        **layer("circle", "samples", {"x": x, "y": y("residual", "Residual / σ")}, mark_more={"size": 6}),
    }
    return {"$schema": SCHEMA, "vconcat": [above, below]}


def _title(analysis: Analysis) -> str:
    q = analysis.device.q_intrinsic.value
    bound = " or more" if analysis.device.grade == "C" else ""
    regime = f"{analysis.regime.reading}-coupled, {analysis.regime.basis}"
    return f"{analysis.model} resonance, intrinsic Q {q:.3g}{bound} ({regime})"


def _points(thinned: Thinned, zero: float, field: str) -> list[dict[str, Any]]:
    """Every sample, or lowest and highest of each run."""
    every = max(len(thinned.at) // _MOST, 1)
    at = np.concatenate([thinned.at[::every], thinned.at[::every]]) - zero
    values = np.concatenate([thinned.low[::every], thinned.high[::every]])
    pairs = dict.fromkeys(zip(at.tolist(), values.tolist(), strict=True))
    return [{"x": a, field: v} for a, v in pairs]


def _lines(at: FloatArray, values: FloatArray, what: str) -> list[dict[str, Any]]:
    return [{"x": a, "y": v, "what": what} for a, v in zip(at.tolist(), values.tolist(), strict=True)]
