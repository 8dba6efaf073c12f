"""A difference of two shares in words: points of percent with its interval."""

from __future__ import annotations

from app.core.figures import NO_BREAK, figure
from app.core.stats.two_groups import ShareDifference


def change_text(shares: ShareDifference) -> tuple[str, str]:
    """(`+12 points`, `−3 to +26`) of first minus second; the interval is '' where none is claimed."""
    if shares.change is not None:
        change = shares.change
        return f"{signed(change.value)}{NO_BREAK}points", f"{signed(change.low)} to {signed(change.high)}"
    if shares.first.share is None or shares.second.share is None:
        return "–", ""
    return f"{signed(shares.first.share - shares.second.share)}{NO_BREAK}points", ""


def signed(share: float) -> str:
    """`+12`, `−3`, `0`, in percent."""
    text = figure(100 * share)
    if text.strip("−-0.") == "":
        return "0"
    return text if share < 0 else f"+{text}"
