"""What happens in the invented lab, as plain values in the order of time; the intake turns each into deeds.

People, tools, lots, pieces and devices are named by their codes. Instants are UTC. Nothing here is real.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from app.core.example.sweeps import Sweep

Value = float | int | str | bool
Settings = Mapping[str, Value]


@dataclass(frozen=True)
class Happening:
    """Something that `who` (initials) did at an instant."""

    at: datetime
    who: str


@dataclass(frozen=True)
class PersonJoins(Happening):
    """A person who logs; `who` is the initials."""

    name: str
    role: str


@dataclass(frozen=True)
class ToolArrives(Happening):
    """A tool of the lab."""

    code: str
    kind: str
    name: str
    place: str
    properties: Settings = field(default_factory=dict)


@dataclass(frozen=True)
class ToolLooked(Happening):
    """A calibration, service or bath change of a tool."""

    tool: str
    kind: str
    what: str = ""
    value: float | None = None
    unit: str = ""
    valid_days: int | None = None
    note: str = ""


@dataclass(frozen=True)
class LotOpened(Happening):
    """A lot of bought or mixed material."""

    code: str
    kind: str
    name: str
    supplier_lot: str
    good_days: int | None = None
    properties: Settings = field(default_factory=dict)


@dataclass(frozen=True)
class LotUsedUp(Happening):
    """A lot that is no more."""

    code: str


@dataclass(frozen=True)
class Array:
    """One array of a mask; `ladder_um` gives a disc size for each row where sizes climb."""

    number: int
    label: str
    rows: int
    columns: int
    disc_um: float
    pitch_x_um: float
    pitch_y_um: float
    origin_x_um: float
    origin_y_um: float
    ladder_um: tuple[float, ...] = ()

    def nominal_um(self, row: int) -> float:
        """Disc diameter on the mask in a row counted from 1."""
        return self.ladder_um[row - 1] if self.ladder_um else self.disc_um


@dataclass(frozen=True)
class MaskArrives(Happening):
    """A photomask revision with its arrays."""

    code: str
    name: str
    plate_mm: float
    edge_margin_mm: float
    arrays: tuple[Array, ...]


@dataclass(frozen=True)
class RecipeVersionMade(Happening):
    """A version of a recipe; the first of a name founds it."""

    name: str
    number: int
    step_kind: str
    settings: Settings
    rows: tuple[Settings, ...] = ()
    planned_shots: int | None = None
    changed: str = ""


@dataclass(frozen=True)
class SpecificationMade(Happening):
    """What counts as on specification."""

    name: str
    kind: str
    q_intrinsic_min: float
    band: str
    medium: str


@dataclass(frozen=True)
class WaferRegistered(Happening):
    """A quarter wafer of oxidised silicon."""

    code: str
    lot: str
    diameter_mm: float
    shape: str
    orientation: str
    dopant: str
    resistivity_ohm_cm: float
    oxide_grown: str
    oxide_sides: str
    oxide_um: float


@dataclass(frozen=True)
class FibreBatchRegistered(Happening):
    """Fibre ends prepared together from one spool."""

    code: str
    lot: str
    ends: int


@dataclass(frozen=True)
class OxideMeasured(Happening):
    """Oxide thickness of a piece at several points."""

    piece: str
    points_um: tuple[float, ...]
    method: str


@dataclass(frozen=True)
class StepDone(Happening):
    """One act of a step kind on one or several pieces.

    `settings` holds what was typed: departures from the recipe version, and readings it does not plan.
    Without `recipe` it holds everything. `rows` replaces the recipe's rows where given.
    """

    kind: str
    pieces: tuple[str, ...]
    tool: str
    recipe: tuple[str, int] | None
    settings: Settings = field(default_factory=dict)
    rows: tuple[Settings, ...] = ()
    mask: str = ""
    lots: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True)
class SitesTaken(Happening):
    """Sites (row, column, counted from 1) of one exposure of a piece taken in hand; fibre ends have no sites."""

    piece: str
    exposure: int
    sites: tuple[tuple[int, int], ...]
    purpose: str


@dataclass(frozen=True)
class EndsTaken(Happening):
    """Every end of a fibre batch taken in hand."""

    piece: str
    ends: int
    purpose: str


@dataclass(frozen=True)
class Seen:
    """What an inspection says of one device."""

    device: str
    verdict: str
    defects: tuple[str, ...] = ()
    outer_um: float | None = None
    minor_um: float | None = None
    roundness_um: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Inspected(Happening):
    """An inspection of a piece: `cover` is `all` (exceptions named) or `sample` (only those named were seen)."""

    piece: str
    stage: str
    cover: str
    seen: tuple[Seen, ...]
    of_n: int
    method: str = "Microscope"


@dataclass(frozen=True)
class Part:
    """One chip of a parting: inclusive ranges (exposure, row low, row high, column low, column high)."""

    code: str
    width_mm: float
    height_mm: float
    thickness_um: float
    regions: tuple[tuple[int, int, int, int, int], ...]
    slot: str


@dataclass(frozen=True)
class Parted(Happening):
    """A wafer cleaved into chips."""

    piece: str
    method: str
    protection: str
    chips: tuple[Part, ...]


@dataclass(frozen=True)
class Pillar:
    """Disc and pillar top of one device."""

    device: str
    disc_um: float
    pillar_top_x_um: float
    pillar_top_y_um: float
    pillar_offset_um: float


@dataclass(frozen=True)
class UndercutMeasured(Happening):
    """Discs and pillars of several devices of a piece."""

    piece: str
    pillars: tuple[Pillar, ...]
    method: str = "Microscope, through the oxide"


@dataclass(frozen=True)
class Shot:
    """One laser shot on one device; `outcome` as seen at once."""

    device: str
    dialled: float
    exposure_s: float
    bursts: int
    purpose: str
    outcome: str


@dataclass(frozen=True)
class ReflowSat(Happening):
    """One sitting at the laser with its shots, in order."""

    piece: str
    tool: str
    meter: str
    recipe: tuple[str, int]
    warm_up_min: float
    meter_start_w: float
    meter_end_w: float
    meter_where: str
    spot_um: float
    spot_how: str
    alignment: str
    alignment_when: str
    shots: tuple[Shot, ...]
    note: str = ""


@dataclass(frozen=True)
class Scanned(Happening):
    """One sweep over one resonance; its file is `app.core.example.sweeps.scan_bytes(sweep)`."""

    piece: str
    device: str
    label: str
    sweep: Sweep
    laser: str
    detector: str
    input_power_uw: float
    averages: int
    taper: str
    taper_transmission: float
    polarisation: str
    medium: str
    picked: str
    accept: bool


@dataclass(frozen=True)
class PieceLost(Happening):
    """A piece lost in one event, its devices with it."""

    piece: str
    cause: str
    found_at: str
    caused_at: str
    note: str


@dataclass(frozen=True)
class DeviceLost(Happening):
    """One device lost."""

    device: str
    cause: str
    found_at: str
    caused_at: str
    note: str = ""


@dataclass(frozen=True)
class PieceMoved(Happening):
    """Where a piece is from now on."""

    piece: str
    state: str
    place: str
    days: int | None = None


@dataclass(frozen=True)
class PieceEnded(Happening):
    """A piece stopped on purpose."""

    piece: str
    reason: str
