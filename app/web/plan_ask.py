"""What the Plan page asks, one short form a section, and how its address is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from starlette.datastructures import FormData

from app.core.process.oxide_etch import THERMAL_OXIDE_NM_PER_MIN
from app.core.vocab import DEVICE_KINDS
from app.web import forms
from app.web.forms import Ask, Field, Typed

ETCHANTS = {name: name for name in THERMAL_OXIDE_NM_PER_MIN}


@dataclass(frozen=True)
class Plan:
    """One question: its fields, what it works by, where that is from, and the cautions of the step it plans."""

    name: str
    heading: str
    asks: tuple[Ask, ...]
    formula: str
    source: str
    cautions: tuple[str, ...]
    usual: Mapping[str, Any] = field(default_factory=dict)
    """What stands in a field nobody has filled yet; never anything measured."""


def _need(name: str, label: str = "", help_: str = "") -> Ask:
    asked = forms.quantity(name, required=True, help=help_)
    return replace(asked, label=label) if label else asked


def _may(name: str, label: str = "", help_: str = "") -> Ask:
    return replace(_need(name, label, help_), required=False)


_MASK = Plan(
    "mask",
    "Mask layout",
    (
        _need("array_rows"), _need("array_columns"), _need("disc_um"), _need("pitch_x_um", "Pitch, both ways"),
        _need("plate_mm"), _need("edge_margin_mm"), _may("undercut_um", "Undercut wanted, per side"),
        _may("outer_um", "Outer diameter wanted"),
    ),
    "Array width (columns − 1) p + D; room = plate − 2 margin; gap between discs p − D; pillar D − 2U; "
    "bare silicon p² − πD²/4 a disc.",
    "Plain geometry of a square plate with one array in its middle. Gas reaches a narrow opening more slowly "
    "(aperture effect, from memory; no figure verified).",
    ("lithography",),
)  # fmt: skip
_OXIDE = Plan(
    "oxide",
    "Oxide etch time",
    (
        _need("oxide_um"), _may("rate_nm_per_min", "", "Blank: the lab’s own last rates, else the published one."),
        forms.choice("etchant", "Etchant, if no own rate", ETCHANTS), _may("known_bath_c"),
        _may("bath_c", "", "Blank: no correction for temperature."), _may("activation_ev"), _may("over_etch_percent"),
    ),
    "t = d/R (1 + over-etch); R(T) = R(T₀) exp[Eₐ/k (1/T₀ − 1/T)].",
    "Published rates, thermal oxide near 20 °C: Williams, Gupta and Wasilik, J. Microelectromech. Syst. 12, 761 "
    "(2003), read second-hand. Eₐ 0.30 to 0.45 eV for buffered etchant: from memory.",
    ("hf",),
    {"etchant": "BHF 5:1", "activation_ev": 0.40, "over_etch_percent": 10.0},
)  # fmt: skip
_CYCLES = Plan(
    "cycles",
    "Undercut cycles still to go",
    (
        forms.code("piece", "Wafer or chip", help="Its measured pillars and dose are used where a field is blank."),
        _need("pillar_ratio", "Pillar ratio wanted"), _may("disc_um"), _may("pillar_top_x_um", "Pillar top now"),
        _may("dose_torr_s", "Dose so far"), _may("cycle_s", "Next cycles: time"),
        _may("xef2_torr", "Next cycles: XeF₂"), _may("exposed_cm2", "", "With the next field: the gas’s ceiling."),
        _may("expansion_cm3"),
    ),
    "U = (D − pillar)/2; cycles = (U wanted − U now)/(U now/dose × s × Torr), rounded down: an undercut cannot be "
    "taken back. Ceiling: ½ (PV/RT) × 12.06 cm³/mol over the bare silicon, at 25 °C.",
    "2 XeF₂ + Si → 2 Xe + SiF₄ (stoichiometry). Proportional to dose so far: native oxide, loading and depth bend it.",
    ("xef2",),
    {"pillar_ratio": 0.40},
)  # fmt: skip
_SIZE = Plan(
    "sphere",
    "Sphere from a fibre",
    (_need("cladding_um", "Fibre diameter", "Of the tapered part, if it was tapered."), _need("melted_um")),
    "By volume D = (1.5 d² L)^⅓; on its stem πD³/6 − πh²(3R − h)/3 = πd²L/4, h = R − √(R² − d²/4).",
    "Volume kept, no evaporation; derived.",
    ("fibre", "laser"),
)
_TOROID = Plan(
    "toroid",
    "Toroid from a disc",
    (_need("disc_um"), _need("oxide_um"), _need("outer_um", "Outer diameter wanted")),
    "πt(R_d² − R_m²) = 2π²R_c r² − lens, R_c = R_o − r, R_m = R_c − √(r² − t²/4).",
    "Volume kept, no evaporation; derived. The simple form leaves the lens out.",
    ("laser",),
)
_BEAM = Plan(
    "beam",
    "Beam on the sample",
    (_need("power_w"), _need("spot_um"), _may("exposure_s")),
    "Peak intensity I = 2P/(πw²), w half the 1/e² diameter; fluence I t; energy P t.",
    "Gaussian beam at its centre; derived.",
    ("laser",),
)
_LASER = Plan(
    "laser",
    "Starting laser settings from the lab’s own shots",
    (
        forms.choice("kind", "Kind", DEVICE_KINDS, required=True),
        _need("nominal_um", "Disc or fibre size", "Devices within ±10 % of it count."),
        _may("power_w", "Power proposed"), _may("exposure_s", "Exposure proposed"),
    ),
    "Median and range of the shots that came out good; a proposal is held against every shot tried.",
    "The lab’s own records: a record, not advice.",
    ("laser",),
    {"kind": "microtoroid"},
)  # fmt: skip

PLANS: tuple[Plan, ...] = (_MASK, _OXIDE, _CYCLES, _SIZE, _TOROID, _BEAM, _LASER)


@dataclass(frozen=True)
class Asked:
    """A section as it was asked: what came in, or nothing where another or none was asked."""

    plan: Plan
    typed: Typed | None

    def fields(self) -> tuple[Field, ...]:
        """Its fields, each under a name that is its own on the page."""
        shown = (forms.show(ask, self.typed, value=self._usual(ask)) for ask in self.plan.asks)
        return tuple(replace(each, name=f"{self.plan.name}-{each.name}") for each in shown)

    def _usual(self, ask: Ask) -> Any:
        return self.plan.usual.get(ask.name) if self.typed is None else None


def read_plans(given: Sequence[tuple[str, str]], zone: ZoneInfo) -> list[Asked]:
    """Every section; asked are those whose fields stand in the address. `?piece=W012-A` alone fills the cycles."""
    pairs = [("cycles-piece" if name == "piece" else name, value) for name, value in given]
    by_piece = [name for name, _ in pairs] == ["cycles-piece"]
    if by_piece:
        pairs += [(f"cycles-{name}", f"{value:g}") for name, value in _CYCLES.usual.items()]
    asked = []
    for plan in PLANS:
        prefix = f"{plan.name}-"
        own = [(name.removeprefix(prefix), value) for name, value in pairs if name.startswith(prefix)]
        typed = None
        if any(name == ask.name for name, _ in own for ask in plan.asks):
            typed = forms.parse_form(FormData(dict(own)), plan.asks, now=datetime.now(UTC), zone=zone)
        asked.append(Asked(plan, typed))
    return asked
