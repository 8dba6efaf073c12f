"""Scan files made by the equations of motion, and a device to keep them for.

The transmission is that of two travelling waves a, b solved as a linear system for every detuning
(steady state of da/dt = -(k/2 + i D) a + i g b + sqrt(kex) s, db/dt = -(k/2 + i D) b + i g a, t = 1 - sqrt(kex) a/s;
Weiss et al., Opt. Lett. 20, 1835 (1995)), and not a formula that Marver fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from app.db.session import Database

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
WAVELENGTH_NM = 1550.0


@dataclass(frozen=True)
class Made:
    """Rates over 2 pi in MHz as full widths, `splitting_mhz` = 2g, and what the detector adds."""

    intrinsic_mhz: float = 1.6
    coupling_mhz: float = 0.2
    splitting_mhz: float = 0.0
    centre_mhz: float = 0.0
    half_span_mhz: float = 20.0
    points: int = 801
    noise: float = 0.005
    light_v: float = 1.5
    dark_v: float = 0.0
    seed: int = 1

    @property
    def q_intrinsic(self) -> float:
        """Optical frequency over the intrinsic width."""
        return SPEED_OF_LIGHT_M_PER_S / WAVELENGTH_NM * 1e3 / self.intrinsic_mhz


def transmission(detuning_mhz: np.ndarray, made: Made) -> np.ndarray:
    """|t|^2 (n,) at each detuning, by solving for both travelling waves."""
    kappa = made.intrinsic_mhz + made.coupling_mhz
    system = np.empty((len(detuning_mhz), 2, 2), dtype=complex)
    system[:, 0, 0] = system[:, 1, 1] = kappa / 2 + 1j * (detuning_mhz - made.centre_mhz)
    system[:, 0, 1] = system[:, 1, 0] = -1j * made.splitting_mhz / 2
    drive = np.tile(np.array([[np.sqrt(made.coupling_mhz)], [0.0]], dtype=complex), (len(detuning_mhz), 1, 1))
    waves = np.linalg.solve(system, drive)[:, 0, 0]
    return np.abs(1.0 - np.sqrt(made.coupling_mhz) * waves) ** 2


def volts(made: Made) -> tuple[np.ndarray, np.ndarray]:
    """Detuning (n,) in MHz and detector volts (n,) on a tilted baseline with noise."""
    x = np.linspace(-made.half_span_mhz, made.half_span_mhz, made.points)
    rng = np.random.default_rng(made.seed)
    light = made.light_v * (1.0 + 0.001 * x)
    y = made.dark_v + light * transmission(x, made) + made.noise * made.light_v * rng.standard_normal(len(x))
    return x, y


def scan_file(made: Made = Made(), *, heading: str = "detuning (MHz),detector (V)") -> bytes:
    """A file with a detuning axis."""
    x, y = volts(made)
    rows = "\n".join(f"{a:.6f},{b:.6f}" for a, b in zip(x, y, strict=True))
    return f"{heading}\n{rows}\n".encode()


def flat_file(points: int = 400) -> bytes:
    """A scan without any dip."""
    rng = np.random.default_rng(7)
    rows = "\n".join(f"{i * 0.05:.4f},{1.0 + 0.01 * rng.standard_normal():.6f}" for i in range(points))
    return f"detuning (MHz),detector (V)\n{rows}\n".encode()


def make_devices(database: Database, count: int = 2) -> list[str]:
    """A person (id 1), a wafer with one exposed array, and its first devices taken in hand; returns their codes."""
    from app.actions.taking import take_sites
    from app.db.models.events import EventPiece
    from app.db.models.material import Exposure, Mask, MaskArray, Piece, Wafer
    from app.db.models.people import Operator, Tool
    from app.db.models.steps import STEP_CLASSES

    long_ago = datetime(2026, 1, 5, 9, tzinfo=UTC)
    with database.writing("register person", operator_id=None) as writing:
        writing.add(Operator(initials="KLM", initials_key="klm", name="Kim Lind-Moor"))
        writing.add(Tool(code="PROBE-1", code_key="probe-1", kind="probe_laser", name="Probe laser at 1550 nm"))
    with database.writing("register wafer", operator_id=1) as writing:
        wafer = Wafer(code="W001", code_key="w001", registered_at=long_ago, oxide_um=2.0)
        mask = Mask(code="M1", code_key="m1")
        writing.add(wafer, mask)
        array = MaskArray(mask_id=mask.id, number=1, rows=9, columns=9, disc_um=80, pitch_x_um=300, pitch_y_um=300)
        writing.add(array)
        exposing = STEP_CLASSES["lithography"](done_at=long_ago, logged_at=long_ago, operator_id=1)
        writing.add(exposing)
        writing.add(
            EventPiece(event_id=exposing.id, piece_id=wafer.id),
            Exposure(lithography_id=exposing.id, piece_id=wafer.id, root_id=wafer.id, mask_array_id=array.id, number=1),
        )
        piece_id = wafer.id
    with database.writing("take in hand", operator_id=1) as writing:
        sites = [(1, column) for column in range(1, count + 1)]
        devices = take_sites(writing, writing.session.get_one(Piece, piece_id), 1, sites, done_at=long_ago)
        return [device.code for device in devices]
