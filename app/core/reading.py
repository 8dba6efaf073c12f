"""What a person typed, read as a quantity: decimal comma, unit behind the value, and what was understood."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from decimal import Decimal

from app.core.figures import NO_BREAK, figure, q_text
from app.core.quantities import Quantity
from app.core.units import UNITS, convert, unit_symbol, units_like

_SPACES = " \u00a0\u202f\u2009'’"
_NUMBER = re.compile(
    r"""(?P<sign>[+\-−–]?)\s*
        (?P<digits>[0-9](?:[0-9.,]|[ \u00a0\u202f\u2009'’](?=[0-9]{3}(?![0-9])))*|[.,][0-9]+)
        (?:[eE](?P<exponent>[+\-−]?[0-9]{1,3})
          |\s*[×x·*]\s*10(?:\^?(?P<power>[+\-−]?[0-9]{1,3})|(?P<raised>⁻?[⁰¹²³⁴⁵⁶⁷⁸⁹]{1,3})))?""",
    re.VERBOSE,
)
_UNIT = re.compile(r"(?:[^0-9]|(?<=m)[23](?![0-9])|(?<=m\^)[23](?![0-9]))*")
_RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_LONGEST = 60


@dataclass(frozen=True)
class Read:
    """`value` in the quantity's own unit; `understood` says in words what was read, unit and all."""

    value: float
    understood: str


@dataclass(frozen=True)
class ReadError:
    """Why what was typed is no such quantity, and what would do."""

    text: str


def read_quantity(text: str, quantity: Quantity) -> Read | ReadError:
    """Read `text` as `quantity`: 2,70 W · 2700 mW · 3 min · 19 min 30 s · 1 092 · 1.3e8 · 1.3 × 10⁸ · 42 %.

    A value without a unit is in the quantity's own. A single comma or point is the decimal sign; repeated, or
    before the other one, it groups thousands. Outside the quantity's hard range it is an error.
    """
    typed = text.strip()
    if not typed:
        return ReadError(f"{quantity.label}: nothing was typed")
    if len(typed) > _LONGEST:
        return ReadError(f"{quantity.label}: {len(typed)} characters are too many for a number")
    parts = _parts(typed)
    if parts is None:
        return ReadError(f"{quantity.label}: “{typed}” is not a number{_such_as(quantity)}")
    total = Decimal(0)
    for number, unit in parts:
        converted = _in_own_unit(number, unit, quantity, alone=len(parts) == 1)
        if isinstance(converted, ReadError):
            return converted
        total += converted
    return _checked(float(total), typed, quantity, converted=any(_other_unit(unit, quantity) for _, unit in parts))


def unusual(value: float, quantity: Quantity) -> str | None:
    """A question where `value` is possible but not plausible; None where a careful person would not ask."""
    if quantity.is_plausible(value):
        return None
    low, high = quantity.plausible
    usual = _range_text(low, high, quantity)
    return f"{quantity.label} {value_text(value, quantity)} is unusual here ({usual} is common). Is it right?"


def value_text(value: float, quantity: Quantity) -> str:
    """`value` with its unit, never rounded away: at least the quantity's decimals, more where it has more."""
    unit = f"{NO_BREAK}{quantity.unit}" if quantity.unit else ""
    if value and (abs(value) >= 1e6 or abs(value) < 10.0 ** -(quantity.decimals + 4)):
        return q_text(value, decimals=max(2, _significant(value) - 1)) + unit
    return figure(value, max(quantity.decimals, _places(value))) + unit


def _parts(typed: str) -> list[tuple[Decimal, str]] | None:
    """Numbers each with the unit behind it; several only as a time such as 19 min 30 s."""
    parts: list[tuple[Decimal, str]] = []
    at = 0
    while at < len(typed):
        found = _NUMBER.match(typed, at)
        number = _number(found) if found else None
        if found is None or number is None:
            return None
        behind = _UNIT.match(typed, found.end())
        unit = behind.group(0).strip() if behind else ""
        at = behind.end() if behind else len(typed)
        parts.append((number, unit))
    times = all(UNITS.get(unit_symbol(unit) or "", UNITS[""]).family == "time" for _, unit in parts)
    positive = all(number >= 0 for number, _ in parts)
    return parts if len(parts) == 1 or (times and positive) else None


def _number(found: re.Match[str]) -> Decimal | None:
    digits = found["digits"].translate({ord(space): None for space in _SPACES})
    points, commas = digits.count("."), digits.count(",")
    decimal_sign = ""
    if points and commas:
        decimal_sign = max(".,", key=digits.rfind)
    elif points + commas == 1:
        decimal_sign = "." if points else ","
    if decimal_sign and digits.count(decimal_sign) > 1:
        return None
    whole, _, rest = digits.rpartition(decimal_sign) if decimal_sign else (digits, "", "")
    groups = re.split(r"[.,]", whole)
    if len(groups) > 1 and (any(len(group) != 3 for group in groups[1:]) or not 1 <= len(groups[0]) <= 3):
        return None
    if re.search(r"[.,]", rest):
        return None
    raised = found["exponent"] or found["power"] or (found["raised"] or "0").translate(_RAISED)
    sign = "-" if found["sign"] in ("-", "−", "–") and found["sign"] else ""
    return Decimal(f"{sign}{''.join(groups) or '0'}.{rest or '0'}").scaleb(int(raised.replace("−", "-")))


def _in_own_unit(number: Decimal, typed: str, quantity: Quantity, *, alone: bool) -> Decimal | ReadError:
    if not typed:
        return number if alone else ReadError(f"{quantity.label}: say the unit behind each number")
    if typed.lower() == "dbm" and UNITS.get(quantity.unit, UNITS[""]).family == "power":
        watts = Decimal(10) ** (number / 10) / 1000
        return convert(watts, "W", quantity.unit) or ReadError(f"{quantity.label}: not a power")
    symbol = unit_symbol(typed)
    if symbol == "%" and quantity.unit == "" and quantity.hard[1] != 1:
        symbol = None  # only a share can be said in per cent; a laser's dial in per cent is no share
    value = None if symbol is None else convert(number, symbol, quantity.unit)
    if value is None:
        return ReadError(f"{quantity.label}: “{typed}” is not one of its units{_such_as(quantity)}")
    return value


def _other_unit(typed: str, quantity: Quantity) -> bool:
    return bool(typed) and unit_symbol(typed) != quantity.unit


def _such_as(quantity: Quantity) -> str:
    units = units_like(quantity.unit) if quantity.unit else ()
    return f"; type it in {', '.join(units[:4])}" if units else ""


def _checked(value: float, typed: str, quantity: Quantity, *, converted: bool) -> Read | ReadError:
    if not math.isfinite(value):
        return ReadError(f"{quantity.label}: “{typed}” is too large a number")
    value = value or 0.0  # no negative nothing
    if quantity.whole and value != int(value):
        return ReadError(f"{quantity.label}: “{typed}” is not a whole number")
    shown = value_text(value, quantity)
    if not quantity.is_hard(value):
        low, high = quantity.hard
        return ReadError(f"{quantity.label} {shown} cannot be: possible is {_range_text(low, high, quantity)}")
    return Read(value, f"{typed} = {shown}" if converted else shown)


def _range_text(low: float | None, high: float | None, quantity: Quantity) -> str:
    bare = replace(quantity, decimals=0)
    first = None if low is None else value_text(_tidy(low, quantity.decimals), bare)
    last = None if high is None else value_text(_tidy(high, quantity.decimals), bare)
    if first is None:
        return f"at most {last}"
    if last is None:
        return f"at least {first}"
    return f"{first} to {last}"


def _tidy(limit: float, decimals: int) -> float:
    """A limit such as a third in the quantity's own decimals, where that says the same."""
    rounded = round(limit, decimals)
    return rounded if abs(rounded - limit) <= 0.02 * abs(limit) else limit


def _places(value: float) -> int:
    """Places that show all of `value`, or six figures of one that has more than ten (a conversion's endless tail)."""
    digits = Decimal(repr(value)).normalize()
    if len(digits.as_tuple().digits) > 10:
        digits = Decimal(f"{value:.6g}").normalize()
    exponent = digits.as_tuple().exponent
    return min(12, max(0, -exponent)) if isinstance(exponent, int) else 0


def _significant(value: float) -> int:
    return min(7, len(Decimal(f"{value:.7g}").normalize().as_tuple().digits))
