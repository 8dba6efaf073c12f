"""Settings of the lab as a whole."""

from __future__ import annotations

from app.schemas.base import In, Name


class LabIn(In):
    """The lab's name, time zone (IANA name) and after how many days without a deed a piece counts as stalled."""

    name: Name
    zone: str
    stalled_days: int


class RangeIn(In):
    """What is plausible of one quantity in this lab; both None brings the declared range back."""

    quantity: str
    low: float | None = None
    high: float | None = None
