"""What two or three rings suggest about a device; suggestions only, a person decides."""

from __future__ import annotations

from dataclasses import dataclass

from app.core.imaging.shape import Outline

OFF_CENTRE = 0.03
"""Pillar off the disc's centre by more than this share of the disc's radius: worth a look. Practice, from memory."""
CRESCENT = 0.02
"""A disc out of round by more than this share of its radius: worth a look. Practice, from memory."""
_SURE = 2.0


@dataclass(frozen=True)
class Suggestion:
    """A defect kind of the vocabulary that the shape would fit, and why."""

    kind: str
    why: str


def offset(disc: Outline, pillar: Outline) -> tuple[float, float]:
    """(distance of two outlines' centres, its sigma), in their unit."""
    distance = ((disc.x - pillar.x) ** 2 + (disc.y - pillar.y) ** 2) ** 0.5
    return distance, (disc.centre_sigma**2 + pillar.centre_sigma**2) ** 0.5 / 2**0.5


def suggestions(outer: Outline, inner: Outline | None, *, reflowed: bool) -> tuple[Suggestion, ...]:
    """Shapes that are out of the ordinary by at least two sigmas: off-centre, and out of round as a crescent is."""
    said: list[Suggestion] = []
    if inner is not None:
        distance, sigma = offset(outer, inner)
        share = distance / outer.radius
        if share > OFF_CENTRE and distance > OFF_CENTRE * outer.radius + _SURE * sigma:
            kind = "rim_off_centre" if reflowed else "uneven"
            said.append(Suggestion(kind, f"the centres lie {100 * share:.1f} % of the radius apart"))
    excess = outer.roundness - _SURE * outer.roundness_sigma
    if excess > CRESCENT * outer.radius:
        share = outer.roundness / outer.radius
        kind = "rim_off_centre" if reflowed else "crescent"
        if all(each.kind != kind for each in said):
            said.append(Suggestion(kind, f"the outline departs from a circle by {100 * share:.1f} % of the radius"))
    return tuple(said)
