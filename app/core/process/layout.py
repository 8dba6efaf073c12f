"""A square of discs on a plate: how many fit inside the margin, how far apart they are, how much silicon is bare."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Layout:
    """Discs of one array on a square plate; lengths from rim to rim in µm, area in cm²."""

    width_um: float
    height_um: float
    room_um: float
    most_columns: int
    most_rows: int
    gap_um: float
    exposed_cm2: float

    @property
    def fits(self) -> bool:
        """Whether the whole array lies inside the margin."""
        return max(self.width_um, self.height_um) <= self.room_um + 1e-6


def layout(rows: int, columns: int, disc_um: float, pitch_um: float, plate_mm: float, margin_mm: float) -> Layout:
    """Array of discs on a square plate, W = (columns − 1) p + D; room = plate − 2 margin.

    Most that fit: ⌊(room − D)/p⌋ + 1 each way. Bare silicon: p² − πD²/4 a disc. ValueError where discs touch or
    nothing is left inside the margin.
    """
    if pitch_um <= disc_um:
        raise ValueError(f"discs of {disc_um:g} µm at a pitch of {pitch_um:g} µm touch")
    room = (plate_mm - 2 * margin_mm) * 1e3
    if room <= 0:
        raise ValueError(f"a margin of {margin_mm:g} mm leaves nothing of a plate of {plate_mm:g} mm")
    most = max(0, math.floor((room - disc_um) / pitch_um + 1e-9) + 1)
    bare = (pitch_um**2 - math.pi * disc_um**2 / 4) * rows * columns * 1e-8
    return Layout(
        (columns - 1) * pitch_um + disc_um,
        (rows - 1) * pitch_um + disc_um,
        room,
        most,
        most,
        pitch_um - disc_um,
        bare,
    )
