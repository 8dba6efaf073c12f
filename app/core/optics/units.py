"""Units of scan axes and detectors as people write them in headings."""

from __future__ import annotations

import re

AXIS_UNITS = ("nm", "pm", "um", "m", "THz", "GHz", "MHz", "kHz", "Hz", "s", "ms", "us", "V")
LENGTH_M = {"nm": 1e-9, "pm": 1e-12, "um": 1e-6, "m": 1.0}
FREQUENCY_HZ = {"THz": 1e12, "GHz": 1e9, "MHz": 1e6, "kHz": 1e3, "Hz": 1.0}
TIME_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6}

_SIGNAL_UNITS = ("mV", "uV", "W", "mW", "uW", "nW", "dBm", "dB", "%", "A", "mA", "uA", "arb", "counts")
_EXACT = {unit: unit for unit in (*AXIS_UNITS, *_SIGNAL_UNITS)} | {
    "a.u.": "arb", "au": "arb", "arb.": "arb", "a.u": "arb", "1": "arb", "-": "arb", "pct": "%",
}  # fmt: skip
_LOWER = {unit.lower(): unit for unit in ("nm", "pm", "um", "THz", "GHz", "MHz", "kHz", "Hz", "dBm", "dB")} | {
    "sec": "s", "second": "s", "seconds": "s", "secs": "s", "msec": "ms", "usec": "us",
    "millisecond": "ms", "milliseconds": "ms", "microsecond": "us", "microseconds": "us",
    "volt": "V", "volts": "V", "millivolt": "mV", "nanometer": "nm", "nanometers": "nm", "nanometre": "nm",
    "nanometres": "nm", "micron": "um", "microns": "um", "metre": "m", "meter": "m", "watt": "W", "watts": "W",
    "percent": "%",
}  # fmt: skip
# Letters that stand for a unit only where something marks them as one: "s" in brackets, not in "signal s".
_SHORT = {"m", "s", "V", "A", "W", "1", "-", "ms", "us", "%"}
_BRACKETED = re.compile(r"[(\[{<]\s*([^)\]}>]*?)\s*[)\]}>]")


def unit_of_word(word: str) -> str | None:
    """The unit a bare word stands for (`µs`, `[nm]`, `Volt`), or None."""
    word = word.strip().strip("()[]{}<>").strip().replace("µ", "u").replace("μ", "u")
    return _EXACT.get(word) or _LOWER.get(word.lower())


def unit_of_header(name: str) -> str | None:
    """The unit stated in a heading: `wavelength_nm`, `detuning (MHz)`, `time [s]`, `Wavelength/nm`, or None."""
    for inside in reversed(_BRACKETED.findall(name)):
        unit = unit_of_word(inside.removeprefix("in "))
        if unit:
            return unit
    parts = re.split(r"[_/,:]|\s+in\s+|\s+", name.strip())
    if len(parts) < 2:
        return unit_of_word(name) if name.strip() not in _SHORT else None
    last = parts[-1]
    unit = unit_of_word(last)
    # "signal V" and "trace A" name channels as often as units; after "_" or "/" it is a unit.
    if unit in _SHORT and re.search(r"[_/,:]\s*\S+$", name.strip()) is None and " in " not in name:
        return None
    return unit
