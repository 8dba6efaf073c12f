"""What is kept of a tool or a lot by its kind, and what a calibration can state. Open: other values stay readable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from app.core.quantities import QUANTITIES
from app.core.reading import Read, ReadError, read_quantity
from app.core.refusal import Refusal
from app.core.step import Setting, number, text
from app.core.units import unit_symbol
from app.core.vocab import Words

TOOL_STATES: Words = {"in_use": "In use", "faulty": "Faulty", "away": "Away for service", "retired": "Retired"}

TOOL_PROPERTIES: Mapping[str, tuple[Setting, ...]] = {
    "probe_laser": (
        Setting("linewidth_mhz", label="Laser linewidth"),
        number("linewidth_time_ms"),
        number("tuning_up_mhz_per_v"),
        number("tuning_down_mhz_per_v"),
    ),
    "detector": (number("bandwidth_mhz"),),
    "xef2": (number("chamber_cm3"), number("expansion_cm3")),
    # Each objective of a microscope is a tool of its own, as each has its scale.
    "microscope": (number("um_per_px"),),
}
"""Settings kept of a tool, by its kind."""

LOT_PROPERTIES: Mapping[str, tuple[Setting, ...]] = {
    "etchant_bath": (text("etchant_ratio", "Etchant, buffer to HF"),),
    "fibre_spool": (number("cladding_um"), number("coating_um"), text("fibre_type", "Fibre type")),
    "wafer_box": (number("oxide_um"),),
}
"""Settings kept of a lot, by its kind."""

CALIBRATED: Words = {
    "w_per_dial": "Power at the sample per dialled unit",
    "tuning_mhz_per_v": "Tuning per volt",
    "tuning_mhz_per_s": "Tuning rate",
    "tuning_sigma": "Tuning uncertainty, relative",
    "dark_v": "Dark level",
    "power_w": "Power read",
    "bath_c": "Temperature read",
}
"""What the value of a calibration can be."""

UNITS_OF: Mapping[str, tuple[str, ...]] = {
    **{name: (QUANTITIES[name].unit,) for name in CALIBRATED},
    "w_per_dial": ("W/%", "W/V", "W/W"),
}
"""Units a calibration's value may be in, the usual one first."""

_PER_DIAL = QUANTITIES["w_per_dial"]


def read_calibration(what: str, typed: str, unit: str | None) -> tuple[Read, str] | ReadError:
    """The value of a calibration with the unit it is in; a unit typed behind the number wins over the one chosen.

    `0,42 W/%` and `420 mW/%` are 0.42 in `W/%`. ReadError where the number or its unit cannot be read.
    """
    if what != "w_per_dial":
        declared = QUANTITIES.get(what)
        if declared is None:
            return ReadError("Say what was calibrated")
        read = read_quantity(typed, declared)
        return read if isinstance(read, ReadError) else (read, declared.unit)
    number_part, thousandth, behind = _per_dial(typed)
    chosen = behind or unit or ""
    if chosen not in UNITS_OF["w_per_dial"]:
        return ReadError("Say per what the power is: W/%, W/V or W/W")
    read = read_quantity(number_part, replace(_PER_DIAL, unit=chosen))
    if isinstance(read, ReadError):
        return read
    value = read.value / 1000 if thousandth else read.value
    if value <= 0:
        return ReadError("Power per dialled unit must be more than nothing")
    shown = f"{value:.6g} {chosen}"
    return Read(value, f"{typed.strip()} = {shown}" if thousandth else shown), chosen


def kept_properties(given: Mapping[str, Any], declared: tuple[Setting, ...]) -> dict[str, Any]:
    """What is kept of `given`: blanks dropped, impossible values refused; keys nobody declared stay as they are."""
    errors: dict[tuple[int | None, str | None], str] = {}
    quantities = {setting.name: setting.quantity for setting in declared if setting.quantity}
    kept = {name: value for name, value in given.items() if value not in (None, "")}
    for name, value in kept.items():
        quantity = quantities.get(name)
        if quantity is not None and not (isinstance(value, (int, float)) and quantity.is_hard(value)):
            errors[None, name] = f"{quantity.label} cannot be {value}."
    if errors:
        raise Refusal(errors)
    return kept


def _per_dial(typed: str) -> tuple[str, bool, str]:
    """(the number as typed, whether it was in thousandths, the unit behind it or nothing)."""
    text_now = typed.strip()
    above, slash, below = text_now.rpartition("/")
    if not slash:
        return text_now, False, ""
    below = unit_symbol(below) or below.strip()
    for prefix, thousandth in (("mW", True), ("W", False)):
        if above.rstrip().endswith(prefix):
            return above.rstrip().removesuffix(prefix).strip(), thousandth, f"W/{below}"
    return text_now, False, ""
