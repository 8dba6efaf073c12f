"""Each measured or set quantity, declared once.

Column, form field, input check, API schema, search filter, export header and axis title all read
this declaration. `plausible` is what a careful person would not question (a lead may edit it in the
lab's own records); outside `hard` a value is impossible and refused. Ranges without a named source
are common practice of the trade, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float | None, float | None]


@dataclass(frozen=True)
class Quantity:
    """One quantity: `name` carries its unit and is column, field, argument and JSON key alike."""

    name: str
    label: str
    unit: str
    decimals: int
    plausible: Range = (None, None)
    hard: Range = (None, None)
    help: str = ""
    log: bool = False
    whole: bool = False

    @property
    def axis_title(self) -> str:
        """Quantity over unit, as ISO 80000-1 writes the head of a column or axis."""
        return f"{self.label} / {self.unit}" if self.unit else self.label

    def is_hard(self, value: float) -> bool:
        """Whether `value` is possible at all."""
        return _within(value, self.hard)

    def is_plausible(self, value: float) -> bool:
        """Whether `value` needs no confirming."""
        return _within(value, self.plausible)


def _within(value: float, limits: Range) -> bool:
    low, high = limits
    return (low is None or value >= low) and (high is None or value <= high)


Q = Quantity
_POSITIVE: Range = (0.0, None)

_MATERIAL = (
    Q("diameter_mm", "Wafer diameter", "mm", 1, (25, 300), (5, 450)),
    Q("resistivity_ohm_cm", "Resistivity", "Ω·cm", 2, (0.001, 20000), _POSITIVE, log=True),
    Q("oxide_um", "Oxide thickness", "µm", 3, (0.2, 6), (0.001, 50), "Mean of the points measured."),
    Q("width_mm", "Width", "mm", 1, (2, 100), (0.1, 450)),
    Q("height_mm", "Height", "mm", 1, (2, 100), (0.1, 450)),
    Q("thickness_um", "Thickness", "µm", 0, (100, 1500), (1, 20000)),
    Q("cladding_um", "Cladding diameter", "µm", 1, (60, 250), (1, 2000)),
    Q("coating_um", "Coating diameter", "µm", 0, (100, 1000), (1, 5000)),
    Q("plate_mm", "Plate size", "mm", 0, (50, 180), (10, 400)),
    Q("edge_margin_mm", "Edge margin", "mm", 1, (0, 20), (0, 100)),
    Q("disc_um", "Disc diameter", "µm", 1, (10, 400), (0.5, 5000)),
    Q("pitch_x_um", "Pitch across", "µm", 0, (50, 5000), (1, 100000), "Centre to centre along a row."),
    Q("pitch_y_um", "Pitch along", "µm", 0, (50, 5000), (1, 100000), "Centre to centre down a column."),
    Q("origin_x_um", "Origin across", "µm", 0),
    Q("origin_y_um", "Origin along", "µm", 0),
    Q("nominal_um", "Nominal size", "µm", 1, (5, 600), (0.5, 5000)),
)

_LITHOGRAPHY = (
    Q("offset_x_um", "Mask offset across", "µm", 0, (-20000, 20000)),
    Q("offset_y_um", "Mask offset along", "µm", 0, (-20000, 20000)),
    Q("dehydration_c", "Dehydration bake", "°C", 0, (90, 250), (15, 600)),
    Q("dehydration_s", "Dehydration bake time", "s", 0, (30, 3600), _POSITIVE),
    Q("spin_rpm", "Spin speed", "rpm", 0, (500, 8000), (0, 20000)),
    Q("spin_s", "Spin time", "s", 0, (5, 120), _POSITIVE),
    Q("resist_um", "Resist thickness", "µm", 2, (0.3, 15), (0.01, 500)),
    Q("soft_bake_c", "Soft bake", "°C", 0, (60, 130), (15, 300)),
    Q("soft_bake_s", "Soft bake time", "s", 0, (20, 1800), _POSITIVE),
    Q("lamp_mw_cm2", "Lamp intensity", "mW/cm²", 1, (2, 60), (0.01, 1000)),
    Q("uv_exposure_s", "Exposure time", "s", 1, (0.5, 120), (0, 36000)),
    Q("dose_mj_cm2", "Exposure dose", "mJ/cm²", 0, (20, 2000), _POSITIVE, "Lamp intensity times time."),
    Q("develop_s", "Develop time", "s", 0, (10, 300), (0, 36000)),
    Q("descum_s", "Descum time", "s", 0, (0, 600), (0, 36000)),
    Q("hard_bake_c", "Hard bake", "°C", 0, (90, 160), (15, 400)),
    Q("hard_bake_s", "Hard bake time", "s", 0, (30, 3600), _POSITIVE),
    Q("reflow_bake_c", "Edge-smoothing bake", "°C", 0, (100, 180), (15, 400), "Softens the resist edge."),
    Q("reflow_bake_s", "Edge-smoothing bake time", "s", 0, (30, 3600), _POSITIVE),
)

_ETCH = (
    Q("temperature_c", "Temperature", "°C", 1, (10, 150), (-50, 1500)),
    Q("etch_s", "Etch time", "s", 0, (30, 7200), (0, 360000)),
    Q("over_etch_percent", "Over-etch", "%", 0, (0, 50), (-100, 1000)),
    Q("rinse_s", "Rinse time", "s", 0, (30, 1800), (0, 36000)),
    Q("disc_after_um", "Disc diameter after etch", "µm", 1, (10, 400), (0.5, 5000)),
    Q("bath_c", "Bath temperature", "°C", 1, (15, 30), (0, 100)),
    Q("strip_c", "Strip temperature", "°C", 0, (15, 120), (0, 300)),
    Q("strip_s", "Strip time", "s", 0, (10, 7200), (0, 360000)),
    Q("cycles", "Cycles", "", 0, (1, 100), (1, 10000), whole=True),
    Q("cycle_s", "Time per cycle", "s", 0, (5, 300), (0.1, 36000)),
    Q(
        "xef2_torr",
        "XeF₂ pressure",
        "Torr",
        2,
        (0.5, 4),
        (0, 10),
        "Vapour pressure near 25 °C is about 4 Torr.",
    ),
    Q("n2_torr", "N₂ pressure", "Torr", 2, (0, 50), (0, 800)),
    Q("since_dip_min", "Since native-oxide dip", "min", 0, (0, 120), (0, 100000)),
    Q("dose_torr_s", "XeF₂ dose", "Torr·s", 0, (10, 20000), _POSITIVE, "Cycles × time × XeF₂ pressure."),
)

_FIBRE = (
    Q("stripped_mm", "Stripped length", "mm", 1, (2, 100), (0, 2000)),
    Q("cleave_angle_deg", "Cleave angle", "°", 1, (0, 3), (0, 90)),
    Q("tapered_um", "Diameter tapered to", "µm", 1, (5, 130), (0.1, 2000)),
)

_REFLOW = (
    Q("dialled", "Dialled", "", 2, (0, None), (0, 100000), "As on the laser's own dial."),
    Q(
        "power_w",
        "Laser power",
        "W",
        2,
        (0.1, 60),
        (0, 10000),
        "At the sample, by the calibration then valid.",
    ),
    Q("exposure_s", "Exposure", "s", 2, (0.01, 30), (0.000001, 3600)),
    Q("bursts", "Bursts", "", 0, (1, 20), (1, 10000), whole=True),
    Q("beam_offset_x_um", "Beam offset across", "µm", 0, (-100, 100), (-10000, 10000)),
    Q("beam_offset_y_um", "Beam offset along", "µm", 0, (-100, 100), (-10000, 10000)),
    Q("planned_shots", "Planned shots", "", 0, (1, 5), (1, 1000), whole=True),
    Q("warm_up_min", "Warm-up", "min", 0, (5, 120), (0, 100000)),
    Q("meter_start_w", "Meter at start", "W", 2, (0.1, 60), (0, 10000)),
    Q("meter_end_w", "Meter at end", "W", 2, (0.1, 60), (0, 10000)),
    Q("spot_um", "Spot, 1/e² diameter", "µm", 0, (50, 1000), (1, 100000)),
    Q("intensity_kw_cm2", "Peak intensity", "kW/cm²", 1, (0.1, 200), _POSITIVE, "2P/πw² on the axis."),
    Q("fluence_kj_cm2", "Fluence at the centre", "kJ/cm²", 1, (0.01, 2000), _POSITIVE),
    Q("energy_j", "Energy", "J", 2, (0.01, 500), _POSITIVE),
)

_TREATMENT = (
    Q("treatment_c", "Temperature", "°C", 0, (-20, 1200), (-273, 3000)),
    Q("treatment_s", "Time", "s", 0, (1, 864000), (0, 31536000)),
    Q("treatment_w", "Power", "W", 0, (1, 2000), (0, 100000)),
)

_SEEN = (
    Q(
        "pillar_top_x_um",
        "Pillar top across",
        "µm",
        1,
        (1, 300),
        (0, 5000),
        "At the oxide; the pillar is waisted.",
    ),
    Q("pillar_top_y_um", "Pillar top along", "µm", 1, (1, 300), (0, 5000)),
    Q("pillar_offset_um", "Pillar offset", "µm", 1, (0, 30), (0, 5000)),
    Q("rim_to_pillar_um", "Rim to pillar", "µm", 1, (0, 200), (0, 5000)),
    Q("pillar_ratio", "Pillar ratio", "", 2, (1 / 3, 1 / 2), (0, 1), "Pillar top over disc diameter."),
    Q("undercut_um", "Undercut per side", "µm", 1, (0, 200), (0, 5000)),
    Q("outer_um", "Outer diameter", "µm", 1, (10, 500), (0.5, 5000)),
    Q("minor_um", "Minor diameter", "µm", 2, (1, 50), (0.01, 1000)),
    Q("roundness_um", "Roundness", "µm", 2, (0, 5), (0, 1000), "Largest less smallest radius."),
    Q("um_per_px", "Scale", "µm/px", 4, (0.01, 10), (0.0001, 1000), "Of a calibrated objective."),
    Q("bar_um", "Length of the drawn scale bar", "µm", 1, (0.5, 2000), (0.001, 100_000)),
)

_OPTICS = (
    Q("wavelength_nm", "Wavelength", "nm", 3, (400, 2100), (100, 20000), "In vacuum."),
    Q("input_power_uw", "Input power at taper", "µW", 2, (0.01, 10000), (0, 10000000), log=True),
    Q("sweep_mhz_per_s", "Sweep rate", "MHz/s", 1, (0.001, 1e9), (0, 1e15), log=True),
    Q("tuning_mhz_per_s", "Tuning rate", "MHz/s", 3, (None, None), (-1e15, 1e15)),
    Q("tuning_mhz_per_v", "Tuning per volt", "MHz/V", 3, (None, None), (-1e12, 1e12)),
    Q("tuning_sigma", "Tuning uncertainty", "", 3, (0, 0.2), (0, 1), "Relative, one standard deviation."),
    Q("averages", "Averages", "", 0, (1, 1024), (1, 1000000), whole=True),
    Q("dark_v", "Dark level", "V", 4, (-0.5, 0.5), (-1000, 1000), "Detector without light."),
    Q("window_low_mhz", "Window from", "MHz", 3, help="Detuning as on the plot."),
    Q("window_high_mhz", "to", "MHz", 3),
    Q("taper_transmission", "Taper transmission", "", 2, (0.3, 1), (0, 1)),
    Q("taper_position_um", "Taper position", "µm", 2, (-20, 20), (-10000, 10000), "Relative, along the gap."),
    Q("lifetime_ns", "Photon lifetime", "ns", 2, (0.01, 100000), _POSITIVE, log=True),
    Q(
        "linewidth_mhz",
        "Linewidth",
        "MHz",
        3,
        (0.001, 10000),
        _POSITIVE,
        "Loaded, full width at half maximum.",
        log=True,
    ),
    Q("splitting_mhz", "Splitting", "MHz", 3, (0, 1000), _POSITIVE),
    Q("coupling_mhz", "Coupling", "MHz", 3, (0, 1000), _POSITIVE),
    Q("q_loaded", "Loaded Q", "", 0, (1e4, 2e10), _POSITIVE, log=True),
    Q(
        "q_best",
        "Best intrinsic Q",
        "",
        0,
        (1e4, 2e10),
        _POSITIVE,
        "Highest accepted fit of grade A or B.",
        log=True,
    ),
    Q(
        "q_typical",
        "Typical intrinsic Q",
        "",
        0,
        (1e4, 2e10),
        _POSITIVE,
        "Median over accepted modes.",
        log=True,
    ),
    Q("reflow_shots", "Shots", "", 0, whole=True),
    Q("modes_fitted", "Modes fitted", "", 0, whole=True),
    Q("scans", "Scans", "", 0, whole=True),
    Q("days_to_scan", "Days from reflow to scan", "d", 1, (0, 365), _POSITIVE),
)

_LAB = (
    Q("w_per_dial", "Power per dialled unit", "", 3, hard=(0.0, 1e6), help="In W/%, W/V or W/W, as it was calibrated."),
    Q("linewidth_time_ms", "Averaging time of the linewidth", "ms", 2, (0.001, 10000), (0, 1e7)),
    Q("tuning_up_mhz_per_v", "Tuning, rising voltage", "MHz/V", 1, (None, None), (-1e12, 1e12)),
    Q("tuning_down_mhz_per_v", "Tuning, falling voltage", "MHz/V", 1, (None, None), (-1e12, 1e12)),
    Q("bandwidth_mhz", "Bandwidth", "MHz", 2, (0.001, 100000), _POSITIVE, "At −3 dB, at the gain in use."),
    Q("chamber_cm3", "Chamber volume", "cm³", 0, (10, 100000), _POSITIVE),
    Q("expansion_cm3", "Expansion volume", "cm³", 0, (10, 100000), _POSITIVE),
    Q("q_intrinsic_min", "Intrinsic Q at least", "", 0, (1e5, 2e10), (1, 1e13), log=True),
    Q("pillar_ratio_min", "Pillar ratio at least", "", 2, (0.1, 0.9), (0, 1), "Pillar top over disc diameter."),
    Q("pillar_ratio_max", "Pillar ratio at most", "", 2, (0.1, 0.9), (0, 1)),
    Q("outer_um_min", "Outer diameter at least", "µm", 1, (10, 500), (0.5, 5000)),
    Q("outer_um_max", "Outer diameter at most", "µm", 1, (10, 500), (0.5, 5000)),
    Q("stalled_days", "Stalled after", "d", 0, (14, 365), (1, 10000), whole=True),
)

_PLAN = (
    Q("array_rows", "Rows", "", 0, (1, 400), (1, 10000), whole=True),
    Q("array_columns", "Columns", "", 0, (1, 400), (1, 10000), whole=True),
    Q("rate_nm_per_min", "Oxide etch rate", "nm/min", 1, (2, 3000), (0.01, 1e6)),
    Q("known_bath_c", "Rate known at", "°C", 1, (15, 30), (0, 100)),
    Q("activation_ev", "Activation energy", "eV", 2, (0.2, 0.6), (0, 3)),
    Q("exposed_cm2", "Exposed silicon", "cm²", 2, (0.01, 200), (1e-6, 5000)),
    Q("melted_um", "Melted length", "µm", 0, (50, 2000), (0.1, 100000)),
)

QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for group in (_MATERIAL, _LITHOGRAPHY, _ETCH, _FIBRE, _REFLOW, _TREATMENT, _SEEN, _OPTICS, _LAB, _PLAN)
    for quantity in group
}
