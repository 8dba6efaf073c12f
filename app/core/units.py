"""Units a person may type behind a value, and what they are in one another. Factors are exact decimals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

TORR_PA = Decimal(101325) / Decimal(760)
"""1 Torr in pascal, by definition (ISO 80000-4 annex on other units)."""


@dataclass(frozen=True)
class Unit:
    """`value in base = value × factor + offset`, the base being the first unit of its family."""

    family: str
    factor: Decimal
    offset: Decimal = Decimal(0)


def _family(name: str, units: Mapping[str, str | Decimal]) -> dict[str, Unit]:
    return {symbol: Unit(name, Decimal(factor)) for symbol, factor in units.items()}


UNITS: dict[str, Unit] = {
    **_family("length", {"m": "1", "cm": "1e-2", "mm": "1e-3", "µm": "1e-6", "nm": "1e-9", "pm": "1e-12"}),
    **_family("time", {"s": "1", "ms": "1e-3", "µs": "1e-6", "ns": "1e-9", "min": "60", "h": "3600", "d": "86400"}),
    **_family("power", {"W": "1", "kW": "1e3", "mW": "1e-3", "µW": "1e-6", "nW": "1e-9"}),
    **_family("energy", {"J": "1", "mJ": "1e-3", "kJ": "1e3"}),
    **_family("voltage", {"V": "1", "mV": "1e-3", "µV": "1e-6"}),
    **_family(
        "pressure",
        {"Pa": "1", "kPa": "1e3", "mbar": "100", "bar": "1e5", "Torr": TORR_PA, "mTorr": TORR_PA / 1000},
    ),
    **_family("pressure time", {"Torr·s": "1", "mTorr·s": "1e-3", "Torr·min": "60"}),
    **_family("frequency", {"Hz": "1", "kHz": "1e3", "MHz": "1e6", "GHz": "1e9", "THz": "1e12"}),
    **_family("sweep", {"Hz/s": "1", "kHz/s": "1e3", "MHz/s": "1e6", "GHz/s": "1e9", "THz/s": "1e12"}),
    **_family("tuning", {"Hz/V": "1", "kHz/V": "1e3", "MHz/V": "1e6", "GHz/V": "1e9"}),
    **_family("intensity", {"W/cm²": "1", "mW/cm²": "1e-3", "kW/cm²": "1e3", "MW/cm²": "1e6"}),
    **_family("fluence", {"J/cm²": "1", "mJ/cm²": "1e-3", "kJ/cm²": "1e3"}),
    **_family("resistivity", {"Ω·cm": "1", "Ω·m": "100", "mΩ·cm": "1e-3"}),
    **_family("volume", {"cm³": "1", "mL": "1", "L": "1e3", "mm³": "1e-3"}),
    **_family("area", {"cm²": "1", "mm²": "1e-2", "µm²": "1e-8"}),
    **_family("etch rate", {"nm/min": "1", "nm/s": "60", "µm/min": "1e3"}),
    **_family("electron energy", {"eV": "1", "meV": "1e-3"}),
    **_family("scale", {"µm/px": "1", "nm/px": "1e-3"}),
    **_family("rotation", {"rpm": "1", "krpm": "1e3"}),
    **_family("angle", {"°": "1"}),
    **_family("share", {"": "1", "%": "1e-2"}),
    "°C": Unit("temperature", Decimal(1)),
    "K": Unit("temperature", Decimal(1), Decimal("-273.15")),
}

_OTHER_WORDS = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "mins": "min", "minute": "min", "minutes": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d", "micron": "µm", "microns": "µm",
    "deg": "°", "degc": "°C", "c": "°C", "watt": "W", "watts": "W", "percent": "%", "ohm·cm": "Ω·cm", "ohmcm": "Ω·cm",
    "rev/min": "rpm", "1/min": "rpm",
}  # fmt: skip


def unit_symbol(typed: str) -> str | None:
    """The symbol of a unit as people type it (`um`, `torr`, `mW/cm2`); None for one that is not known."""
    text = "".join(typed.split()).replace("\u03bc", "µ").replace("\u2126", "Ω").replace("º", "°")
    text = (
        text.replace("^2", "²")
        .replace("^3", "³")
        .replace("m2", "m²")
        .replace("m3", "m³")
        .replace("*", "·")
        .replace("⋅", "·")
        .rstrip(".")
    )
    if text in UNITS:
        return text
    if text.lower() in _OTHER_WORDS:
        return _OTHER_WORDS[text.lower()]
    if text[:1] == "u" and "µ" + text[1:] in UNITS:
        return "µ" + text[1:]
    same = [symbol for symbol in UNITS if symbol.lower() == text.lower()]
    return same[0] if len(same) == 1 else None


def convert(value: Decimal, source: str, target: str) -> Decimal | None:
    """`value` in `source` as one in `target`; None where they are not units of the same thing."""
    one, other = UNITS.get(source), UNITS.get(target)
    if one is None or other is None:
        return value if source == target else None
    if one.family != other.family:
        return None
    return ((value * one.factor + one.offset) - other.offset) / other.factor


def units_like(symbol: str) -> tuple[str, ...]:
    """Every unit one may type instead of `symbol`, itself first."""
    known = UNITS.get(symbol)
    if known is None:
        return (symbol,) if symbol else ()
    others = [name for name, unit in UNITS.items() if unit.family == known.family and name not in (symbol, "")]
    return tuple(name for name in (symbol, *others) if name)
