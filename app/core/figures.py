"""Figures as they are printed: thin spaces, real minus signs, Q as 1.44 × 10⁸, interval in the same exponent."""

from __future__ import annotations

import math

THIN = "\u202f"
"""Narrow no-break space between groups of three digits."""
NO_BREAK = "\u00a0"
"""Between value and unit."""
_RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
NOT_MEASURED = "not measured"


def figure(value: float | None, decimals: int = 0) -> str:
    """`value` with `decimals` places, thin spaces between thousands and a real minus: −1 092.5."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    text = f"{abs(value):,.{decimals}f}".replace(",", THIN)
    negative = value < 0 and any(digit in "123456789" for digit in text)
    return f"−{text}" if negative else text


def exponent_text(power: int) -> str:
    """`10⁸` for 8."""
    return "10" + str(power).translate(_RAISED)


def power_of(value: float) -> int:
    """The power of ten that leaves one to ten in front of it; 0 for nothing."""
    if not value or not math.isfinite(value):
        return 0
    return max(-307, math.floor(math.log10(abs(value))))  # a smaller power of ten is no ordinary float any more


def in_power(value: float | None, power: int, decimals: int = 2) -> str:
    """The figure before `× 10ⁿ`, for a value, or an interval's end, in the exponent of its value."""
    return figure(None if value is None else value / 10.0**power, decimals)


def span(low: str, high: str) -> str:
    """Low to high; with words where a minus sign would meet the dash."""
    return f"{low} to {high}" if "−" in low or "−" in high else f"{low}–{high}"


def interval_text(low: float | None, high: float | None, power: int = 0, decimals: int = 2) -> str:
    """A 95 % interval in the exponent and decimals of its value: 1.41–1.47, −4 to +4, over 1.2."""
    low = low if low is not None and math.isfinite(low) else None
    high = high if high is not None and math.isfinite(high) else None
    if low is None and high is None:
        return ""
    if high is None:
        return f"over {in_power(low, power, decimals)}"
    if low is None:
        return f"under {in_power(high, power, decimals)}"
    first, last = in_power(low, power, decimals), in_power(high, power, decimals)
    if low < 0 < high:
        last = f"+{last}"
    return span(first, last)


def q_text(value: float | None, low: float | None = None, high: float | None = None, decimals: int = 2) -> str:
    """A Q in one line of words: `1.44 × 10⁸, 1.41–1.47`."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    power = power_of(float(f"{value:.{decimals}e}"))
    text = f"{in_power(value, power, decimals)} × {exponent_text(power)}"
    interval = interval_text(low, high, power, decimals)
    return f"{text}, {interval}" if interval else text


def seconds_text(seconds: float) -> str:
    """A wait a person can feel: 40 s, 12 min, 5 h, 9 d; days are whole ones, as ages are told."""
    for size, unit, limit in ((1.0, "s", 90.0), (60.0, "min", 5400.0), (3600.0, "h", 172800.0)):
        if seconds < limit:
            return f"{figure(seconds / size)}{NO_BREAK}{unit}"
    return f"{figure(seconds // 86400)}{NO_BREAK}d"
