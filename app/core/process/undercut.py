"""XeF₂ undercut: dose of a pulsed etch, pillar and undercut of a disc, the gas's ceiling, cycles still to go."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

PASCAL_PER_TORR = 101_325 / 760
GAS_CONSTANT_J_MOL_K = 8.314462618
SILICON_CM3_PER_MOL = 12.06
XEF2_PER_SILICON = 2  # 2 XeF₂ + Si → 2 Xe + SiF₄


@dataclass(frozen=True)
class Segment:
    """A run of like cycles: `cycles` pulses of `cycle_s` seconds at `xef2_torr` (and `n2_torr`)."""

    cycles: int
    cycle_s: float
    xef2_torr: float
    n2_torr: float = 0.0

    def __post_init__(self) -> None:
        if min(self.cycles, self.cycle_s, self.xef2_torr, self.n2_torr) < 0:
            raise ValueError("cycles, seconds and pressures are zero or more")

    @property
    def cycle_torr_s(self) -> float:
        """Dose of one cycle in torr·s."""
        return self.cycle_s * self.xef2_torr


def dose_torr_s(segments: Sequence[Segment]) -> float:
    """XeF₂ dose of a run, Σ cycles · s per cycle · XeF₂ torr, so that unlike cycles are never just added."""
    return sum(s.cycles * s.cycle_torr_s for s in segments)


def undercut_um(disc_um: float, pillar_top_um: float) -> float:
    """Undercut per side, U = (D_disc − D_pillar)/2, µm; ValueError where the pillar is wider than the disc."""
    _check_pillar(disc_um, pillar_top_um)
    return (disc_um - pillar_top_um) / 2


def pillar_ratio(disc_um: float, pillar_top_um: float) -> float:
    """Pillar's top over disc diameter; common practice leaves a third to a half before reflow."""
    _check_pillar(disc_um, pillar_top_um)
    return pillar_top_um / disc_um


def pillar_top_um(disc_um: float, undercut: float) -> float:
    """Pillar's top left by an undercut per side, D_disc − 2U, µm, zero where the disc has fallen."""
    return max(0.0, disc_um - 2 * undercut)


def _check_pillar(disc_um: float, pillar: float) -> None:
    if not (disc_um > 0 and 0 <= pillar <= disc_um):
        raise ValueError(f"a pillar of {pillar:g} µm does not fit under a disc of {disc_um:g} µm")


def ceiling_um_per_cycle(
    expansion_l: float, xef2_torr: float, exposed_cm2: float, temperature_c: float = 25.0
) -> float:
    """Deepest silicon a pulse's gas can remove, ½ (PV/RT) · 12.06 cm³/mol over the exposed area, in µm.

    2 XeF₂ + Si → 2 Xe + SiF₄; the depth goes as 1/area, which is the loading effect.
    """
    if not (exposed_cm2 > 0 and expansion_l >= 0 and xef2_torr >= 0):
        raise ValueError("a ceiling needs an exposed area above zero")
    pressure_pa, volume_m3 = xef2_torr * PASCAL_PER_TORR, expansion_l * 1e-3
    mol = pressure_pa * volume_m3 / (GAS_CONSTANT_J_MOL_K * (temperature_c + 273.15))
    return mol / XEF2_PER_SILICON * SILICON_CM3_PER_MOL / exposed_cm2 * 1e4


@dataclass(frozen=True)
class CyclesToGo:
    """Cycles still to run: `exact`, and `whole` rounded down, because an undercut cannot be taken back."""

    exact: float
    whole: int
    um_per_torr_s: float
    undercut_after_um: float


def cycles_to_go(now_um: float, dose_done_torr_s: float, target_um: float, next_cycle: Segment) -> CyclesToGo | None:
    """Cycles of `next_cycle` to a target undercut per side, at the mean undercut per dose so far.

    Proportional and nothing more: native oxide, loading and depth all bend it, so look again before the end.
    None where nothing has been undercut yet or the next cycle has no dose.
    """
    if not (now_um > 0 and dose_done_torr_s > 0 and next_cycle.cycle_torr_s > 0):
        return None
    rate = now_um / dose_done_torr_s
    exact = max(0.0, target_um - now_um) / (rate * next_cycle.cycle_torr_s)
    whole = math.floor(exact + 1e-9)
    return CyclesToGo(exact, whole, rate, now_um + whole * rate * next_cycle.cycle_torr_s)
