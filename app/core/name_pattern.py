"""File names read by a pattern of placeholders: `{device}_{mode}_{any}.csv`. Nothing in it is a regular expression."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

PLACEHOLDERS = {
    "device": "the device's code, as W012-2-0407",
    "mode": "the mode's name",
    "wavelength_nm": "a number: vacuum wavelength in nm at the axis' zero",
    "power_uw": "a number: input power at the taper in µW",
    "position_um": "a number: position of the taper in µm",
    "any": "anything, left unread",
}
DEFAULT = "{device}{any}"
LONGEST = 200
_NUMBERS = {"wavelength_nm": "wavelength", "power_uw": "power", "position_um": "position"}
_PART = re.compile(r"\{([^{}]*)\}")
_NUMBER = re.compile(r"-?[0-9]{1,9}([.,p][0-9]{1,9})?")


class BadPattern(ValueError):  # noqa: N818  says what was found
    """A pattern that cannot be; the text says what and what would do."""


@dataclass(frozen=True)
class Named:
    """What a name says; None where the pattern has no such placeholder."""

    device: str | None = None
    mode: str | None = None
    wavelength_nm: float | None = None
    power_uw: float | None = None
    position_um: float | None = None


@dataclass(frozen=True)
class NamePattern:
    """Alternating text and placeholders; letter case is of no account. Made by `read_pattern`."""

    text: str
    parts: tuple[tuple[str, str], ...]
    """("text" or "placeholder", its text or name)."""

    @property
    def names_device(self) -> bool:
        """Whether it says which device a file is of."""
        return ("placeholder", "device") in self.parts


def read_pattern(text: str) -> NamePattern:
    """The pattern in `text`; BadPattern where a brace is open, a placeholder unknown, twice, or next to another."""
    text = text.strip()
    if not text:
        raise BadPattern(f"A pattern is needed, such as {DEFAULT}.")
    if len(text) > LONGEST:
        raise BadPattern(f"A pattern has at most {LONGEST} characters.")
    parts: list[tuple[str, str]] = []
    at = 0
    for found in _PART.finditer(text):
        _add_text(parts, text[at : found.start()])
        name = found[1].strip().lower()
        if name not in PLACEHOLDERS:
            known = ", ".join(f"{{{each}}}" for each in PLACEHOLDERS)
            raise BadPattern(f"There is no placeholder {{{found[1]}}}: use {known}.")
        if name != "any" and ("placeholder", name) in parts:
            raise BadPattern(f"{{{name}}} stands twice in the pattern.")
        if parts and parts[-1][0] == "placeholder" and parts[-1][1] != "device":
            raise BadPattern(f"Something must stand between {{{parts[-1][1]}}} and {{{name}}}.")
        parts.append(("placeholder", name))
        at = found.end()
    _add_text(parts, text[at:])
    return NamePattern(text, tuple(parts))


def _add_text(parts: list[tuple[str, str]], text: str) -> None:
    if "{" in text or "}" in text:
        raise BadPattern("A brace is open: placeholders look like {device}.")
    if text:
        parts.append(("text", text.casefold()))


def read_name(pattern: NamePattern, name: str, devices: Collection[str]) -> Named | str:
    """What `name` says, or in words why it does not fit. `devices`: the lab's codes.

    A placeholder reaches to the next text of the pattern, the last one to the end; of the codes that stand at
    {device} the longest is taken.
    """
    whole = name.strip()
    codes = {code.casefold(): code for code in devices}
    values: dict[str, str] = {}
    at = 0
    folded = whole.casefold()
    if len(folded) != len(whole):  # a letter that folds to two would shift every place
        folded = whole.lower() if len(whole.lower()) == len(whole) else whole
    for i, (kind, part) in enumerate(pattern.parts):
        if kind == "text":
            if not folded.startswith(part, at):
                return f"“{name}” does not fit {pattern.text}: “{part}” is missing."
            at += len(part)
            continue
        end = _end(pattern, i, folded, at, codes)
        if end is None:
            if part == "device":
                return f"No device of this lab is named in “{name}”."
            return f"“{name}” does not fit {pattern.text}."
        values[part] = whole[at:end]
        at = end
    if at != len(whole):
        return f"“{name}” does not fit {pattern.text}: “{whole[at:]}” is left over."
    return _named(values, codes, name)


def _end(pattern: NamePattern, i: int, folded: str, at: int, codes: dict[str, str]) -> int | None:
    """Where placeholder `i`, which begins at `at`, ends."""
    following = pattern.parts[i + 1] if i + 1 < len(pattern.parts) else None
    if pattern.parts[i][1] == "device":
        ends = [end for end in _code_ends(folded, at) if folded[at:end] in codes]
        if following is None:
            ends = [end for end in ends if end == len(folded)]
        elif following[0] == "text":
            ends = [end for end in ends if folded.startswith(following[1], end)]
        return max(ends, default=None)
    if following is None:
        return len(folded)
    if i + 2 == len(pattern.parts):
        end = len(folded) - len(following[1])
        return end if end >= at and folded.endswith(following[1]) else None
    found = folded.find(following[1], at)
    return found if found >= 0 else None


def _code_ends(folded: str, at: int) -> Iterator[int]:
    """Ends of whole words from `at` on: a code is not the beginning of a longer one."""
    for end in range(at + 1, min(len(folded), at + 60) + 1):
        if end == len(folded) or not (folded[end].isalnum() and folded[end - 1].isalnum()):
            yield end


def _named(values: dict[str, str], codes: dict[str, str], name: str) -> Named | str:
    numbers: dict[str, float] = {}
    for key in _NUMBERS.keys() & values.keys():
        typed = values[key].strip()
        value = float(typed.replace(",", ".").replace("p", ".")) if _NUMBER.fullmatch(typed) else None
        if value is None or (value <= 0 and key != "position_um"):
            return f"“{typed}” in “{name}” is no {_NUMBERS[key]}."
        numbers[key] = value
    mode = " ".join(values["mode"].split()) if "mode" in values else None
    if mode == "":
        return f"No mode is named in “{name}”."
    device = codes[values["device"].casefold()] if "device" in values else None
    return Named(device, mode, numbers.get("wavelength_nm"), numbers.get("power_uw"), numbers.get("position_um"))
