"""The invented lab before its first wafer: people, tools, lots, masks, recipes. Every name and number is made up."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from app.core.example.happenings import (
    Array,
    Happening,
    LotOpened,
    LotUsedUp,
    MaskArrives,
    PersonJoins,
    RecipeVersionMade,
    Settings,
    SpecificationMade,
    ToolArrives,
    ToolLooked,
)

LEAD, MAKER, MEASURER = "IO", "TM", "YB"

W_PER_PERCENT = 0.42
PROBE_1550, PROBE_780 = "PROBE-1550", "PROBE-780"
RATE_SIGMA = 0.02
"""Relative uncertainty of the probe lasers' tuning rate, from their calibration."""

MASKS = {
    "ROWAN-3": (
        Array(1, "Discs 104", 8, 20, 104.0, 600, 2400, -6000, 0),
        Array(2, "Discs 112", 8, 20, 112.0, 600, 2400, 7000, 0),
    ),
    "ROWAN-4": (
        Array(1, "Discs 104", 8, 18, 104.0, 640, 2400, -6200, 0),
        Array(2, "Discs 112", 8, 18, 112.0, 640, 2400, 6400, 0),
        Array(3, "Size ladder", 5, 12, 100.0, 640, 1800, 0, 21000, (80.0, 90.0, 100.0, 110.0, 120.0)),
    ),
}
DAMAGED_MASK, DAMAGED_ARRAY, DAMAGED_ROW = "ROWAN-3", 1, 6

LITHOGRAPHY, OXIDE_ETCH, STRIP = "Disc pattern", "Disc etch", "Warm remover"
UNDERCUT, REFLOW, SPHERE_MELT, FIBRE = "Pillar undercut", "Rim reflow", "Sphere melt", "Fibre ends"

_PATTERN: Settings = {
    "dehydration_c": 150,
    "dehydration_s": 300,
    "primer": "vapour",
    "resist": "Alder positive resist, 1.8 µm",
    "spin_rpm": 4000,
    "spin_s": 40,
    "soft_bake_c": 110,
    "soft_bake_s": 60,
    "lamp_mw_cm2": 12.0,
    "uv_exposure_s": 8.5,
    "contact_mode": "hard",
    "developer": "Alder developer, 2.4 % TMAH",
    "develop_s": 55,
    "descum_s": 30,
    "hard_bake_c": 115,
    "hard_bake_s": 300,
}


def _segment(cycles: int, cycle_s: float, xef2_torr: float) -> Settings:
    return {"cycles": cycles, "cycle_s": cycle_s, "xef2_torr": xef2_torr, "n2_torr": 0.0}


UNDERCUT_ROWS: dict[int, tuple[Settings, ...]] = {
    1: (_segment(26, 30, 3.0),),
    2: (_segment(8, 20, 2.5), _segment(26, 30, 3.0)),
}
REFLOW_SETTINGS: dict[int, Settings] = {
    1: {"dialled": 34, "dial_unit": "%", "exposure_s": 1.2, "bursts": 1, "by_eye": False},
    2: {"dialled": 26, "dial_unit": "%", "exposure_s": 0.6, "bursts": 3, "by_eye": False},
}
MELT_SETTINGS: dict[int, Settings] = {
    1: {"dialled": 31, "dial_unit": "%", "exposure_s": 3.0, "bursts": 1, "by_eye": True},
    2: {"dialled": 22, "dial_unit": "%", "exposure_s": 2.0, "bursts": 2, "by_eye": False},
}


def people(at: datetime) -> Iterator[Happening]:
    """Three invented people."""
    yield PersonJoins(at, LEAD, "Ines Okafor-Lind", "lead")
    yield PersonJoins(at, MAKER, "Teodor Marsh", "member")
    yield PersonJoins(at, MEASURER, "Yuki Balcarres", "member")


def tools(at: datetime) -> Iterator[Happening]:
    """Tools with their first calibrations."""
    room = "Clean room, bay 2"
    for code, kind, name, place in (
        ("SPIN", "spinner", "Resist spinner", room),
        ("ALIGN", "aligner", "Contact aligner", room),
        ("HOOD", "hood", "Acid hood", room),
        ("XE", "xef2", "XeF₂ chamber", "Clean room, bay 3"),
        ("SCOPE", "microscope", "Long-distance microscope", "Laser room"),
        ("CLEAVE", "cleaver", "Fibre cleaver", "Laser room"),
        ("METER", "power_meter", "Thermal power meter", "Laser room"),
        ("CO2", "co2_laser", "CO₂ laser, 10.6 µm", "Laser room"),
        ("DETECT", "detector", "Amplified photodiode", "Optical table"),
    ):
        yield ToolArrives(at, LEAD, code, kind, name, place)
    for code, name in ((PROBE_1550, "Probe laser, 1550 nm"), (PROBE_780, "Probe laser, 780 nm")):
        yield ToolArrives(at, LEAD, code, "probe_laser", name, "Optical table", {"linewidth_mhz": 0.05})


def calibrations(at: datetime, weeks: int) -> Iterator[Happening]:
    """The CO₂ laser's power every ten weeks, one probe's tuning every twelve, the other's once and then forgotten."""
    for week in range(0, weeks, 10):
        when = at + timedelta(weeks=week, hours=1)
        value = W_PER_PERCENT * (1 - 0.004 * (week // 10 % 3))
        yield ToolLooked(when, LEAD, "CO2", "calibration", "w_per_dial", value, "W/%", 84, "Read at the sample")
    for week in range(0, weeks, 12):
        when = at + timedelta(weeks=week, hours=2)
        yield ToolLooked(when, MEASURER, PROBE_1550, "calibration", "tuning_sigma", RATE_SIGMA, "", 100, "By sidebands")
    when = at + timedelta(hours=3)
    yield ToolLooked(when, MEASURER, PROBE_780, "calibration", "tuning_sigma", RATE_SIGMA, "", 150, "By sidebands")


def lots(at: datetime) -> Iterator[Happening]:
    """Wafers, resist, fibre; baths are opened when they are mixed."""
    yield LotOpened(at, LEAD, "BOX-5", "wafer_box", "Oxidised silicon, 100 mm", "invented 2207")
    yield LotOpened(at, LEAD, "BOX-6", "wafer_box", "Oxidised silicon, 100 mm", "invented 2231")
    yield LotOpened(at, LEAD, "RES-1", "resist", "Alder positive resist, 1.8 µm", "invented A18", 365)
    spool: Settings = {"cladding_um": 125.0, "coating_um": 250.0, "fibre_type": "single mode"}
    yield LotOpened(at, MEASURER, "SPOOL-2", "fibre_spool", "Fibre, 125 µm cladding", "invented F-04", None, spool)


def bath(at: datetime, number: int) -> Iterator[Happening]:
    """A fresh bath of buffered oxide etchant."""
    ratio: Settings = {"etchant_ratio": "6:1"}
    code = f"BATH-{number}"
    yield LotOpened(at, MAKER, code, "etchant_bath", "Buffered oxide etchant 6:1", "invented E61", 120, ratio)
    yield ToolLooked(at + timedelta(minutes=1), MAKER, "HOOD", "bath_change", note=f"{code} poured")
    if number > 1:
        yield LotUsedUp(at + timedelta(minutes=2), MAKER, f"BATH-{number - 1}")


def mask(at: datetime, code: str) -> MaskArrives:
    """A photomask revision."""
    note = {"ROWAN-3": "Rowan, third cut", "ROWAN-4": "Rowan, fourth cut with size ladder"}[code]
    return MaskArrives(at, LEAD, code, note, 102.0, 5.0, MASKS[code])


def specifications(at: datetime) -> Iterator[Happening]:
    """Intrinsic Q of at least 10⁸ in air at 1550 nm."""
    yield SpecificationMade(at, LEAD, "Toroid for the sensor", "microtoroid", 1e8, "1550 nm", "air")
    yield SpecificationMade(at, LEAD, "Sphere for the sensor", "microsphere", 2e8, "1550 nm", "air")


def first_recipes(at: datetime) -> Iterator[Happening]:
    """The first generation."""
    yield RecipeVersionMade(at, LEAD, LITHOGRAPHY, 1, "lithography", _PATTERN)
    etch: Settings = {
        "etchant_ratio": "6:1",
        "bath_c": 22.0,
        "etch_s": 1200,
        "end_point": "dewets",
        "over_etch_percent": 10,
        "agitation": "by_hand",
        "rinse_s": 300,
    }
    yield RecipeVersionMade(at, LEAD, OXIDE_ETCH, 1, "oxide_etch", etch)
    yield RecipeVersionMade(at, LEAD, STRIP, 1, "resist_strip", {"method": "remover", "strip_c": 60, "strip_s": 900})
    yield RecipeVersionMade(at, LEAD, UNDERCUT, 1, "undercut", {}, UNDERCUT_ROWS[1])
    yield RecipeVersionMade(at, MEASURER, REFLOW, 1, "reflow", REFLOW_SETTINGS[1], planned_shots=1)
    ends: Settings = {"stripped_mm": 20, "solvent": "Isopropanol", "cleaver": "CLEAVE", "melting": "co2"}
    yield RecipeVersionMade(at, MEASURER, FIBRE, 1, "fibre_preparation", ends)
    yield RecipeVersionMade(at, MEASURER, SPHERE_MELT, 1, "reflow", MELT_SETTINGS[1], planned_shots=2)


def second_recipes(at: datetime) -> Iterator[Happening]:
    """The second generation, each version with what changed and why."""
    smooth = {**_PATTERN, "contact_mode": "vacuum", "reflow_bake_c": 140, "reflow_bake_s": 180}
    yield RecipeVersionMade(
        at + timedelta(weeks=8), LEAD, REFLOW, 2, "reflow", REFLOW_SETTINGS[2], (), 1,
        "Less power in three bursts: rims were over-melted",
    )  # fmt: skip
    yield RecipeVersionMade(
        at + timedelta(weeks=10), LEAD, UNDERCUT, 2, "undercut", {}, UNDERCUT_ROWS[2], None,
        "More dose with a gentle start: the pillar took light from the rim",
    )  # fmt: skip
    yield RecipeVersionMade(
        at + timedelta(weeks=12), LEAD, LITHOGRAPHY, 2, "lithography", smooth, (), None,
        "Edge-smoothing bake and vacuum contact: rough rims scattered",
    )  # fmt: skip
    yield RecipeVersionMade(
        at + timedelta(weeks=11), MEASURER, SPHERE_MELT, 2, "reflow", MELT_SETTINGS[2], (), 2,
        "Two cooler bursts: stems bent in one long shot",
    )  # fmt: skip
