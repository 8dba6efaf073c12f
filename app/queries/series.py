"""One mode of a device over all its scans: width at no power and no coupling, repeats, ageing, ring-downs, limits."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.optics.results import SPEED_OF_LIGHT_M_PER_S, Measured
from app.core.optics.series import (
    Ageing,
    CouplingPoint,
    CouplingSeries,
    Line,
    Point,
    Repeats,
    TooLittleError,
    ageing,
    coupling_series,
    power_series,
    repeats,
)
from app.core.q_limits import Limit, Notice, finesse, limits, notice
from app.core.vocab import FIT_STATES
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device
from app.db.models.people import Operator
from app.db.models.seen import Resonance, ResonanceFit, RingDown, Scan
from app.queries.scans import trail_of

T = TypeVar("T")
_Z = 1.959963984540054
_LEAST_OWN = 0.1
"""Of a width's doubt that is left at least when the axis' share is taken out."""


@dataclass(frozen=True)
class ModeScan:
    """The fit of the mode in one scan that counts: accepted, else the newest not set aside."""

    scan_id: int
    fit_id: int
    at: datetime
    days: float
    power_uw: float | None
    position_um: float | None
    wavelength_nm: float
    width_mhz: float
    width_sigma: float | None
    """Without what the frequency axis shares with the other scans."""
    axis_sigma: float
    balance: float
    balance_sigma: float
    signed: bool
    read_over: bool
    q: float | None
    q_low: float | None
    q_high: float | None
    log_sigma: float | None
    grade: str
    state: str
    state_words: str
    operator: str


@dataclass(frozen=True)
class RingDownLine:
    """One ring-down of the mode."""

    id: int
    at: datetime
    operator: str
    lifetime_ns: float | None
    low_ns: float | None
    high_ns: float | None
    model: str
    q_loaded: Measured | None
    q_intrinsic: Measured | None
    doubts: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class ModeFacts:
    """Everything known of one mode; a series is None where `missing` says what it lacks."""

    device_code: str
    device_id: int
    trail: tuple[tuple[str, str], ...]
    label: str
    band: str
    medium: str
    scans: tuple[ModeScan, ...]
    days_since: str
    power: Line | None
    coupling: CouplingSeries | None
    repeated: Repeats | None
    repeats_at: str
    ageing: Ageing | None
    missing: Mapping[str, str]
    rel_axis: float
    ring_downs: tuple[RingDownLine, ...]
    size: SizeFacts | None
    wavelength_nm: float | None

    def intrinsic_q(self) -> Measured | None:
        """From the width at zero coupling, where the series settled it."""
        if self.coupling is None or self.wavelength_nm is None:
            return None
        return q_of(widened(self.coupling.intrinsic_mhz, self.rel_axis), self.wavelength_nm)


@dataclass(frozen=True)
class SizeFacts:
    """What a resonator of this size allows."""

    diameter_um: float | None
    measured: bool
    limits: tuple[Limit, ...]
    finesse: float | None


def size_facts(session: Session, device_id: int, wavelength_nm: float, medium: str, q: float | None) -> SizeFacts:
    """Limits at the wavelength for the outer diameter, measured, else as drawn."""
    row = session.execute(
        select(DEVICE_FACTS.c.outer_um, DEVICE_FACTS.c.disc_um, DEVICE_FACTS.c.nominal_um).where(
            DEVICE_FACTS.c.device_id == device_id
        )
    ).one_or_none()
    outer = row.outer_um if row else None
    diameter = outer or (row.disc_um or row.nominal_um if row else None)
    found = limits(wavelength_nm, diameter, medium) if 210 < wavelength_nm < 3710 else ()
    fine = finesse(q, wavelength_nm, diameter) if q and diameter and found else None
    return SizeFacts(diameter, outer is not None, found, fine)


def noticed(size: SizeFacts, low: float | None, high: float | None) -> Notice:
    """Whether a Q is too good or oddly low for what the size allows."""
    return notice(low, high, size.limits) if size.limits else ""


def mode_facts(session: Session, device_code: str, label: str) -> ModeFacts | None:
    """One mode of a device by its name; None where there is no such device or mode."""
    found = session.execute(
        select(Resonance, Device)
        .join(Device, Device.id == Resonance.device_id)
        .where(Device.code_key == device_code.casefold())
    ).all()
    pair = next((each for each in found if each[0].label.casefold() == label.casefold()), None)
    if pair is None:
        return None
    resonance, device = pair
    scans, since = _scans(session, resonance, device)
    missing: dict[str, str] = {}
    rel = max((each.axis_sigma for each in scans), default=0.0)
    coupling = _tried("coupling", missing, lambda: coupling_series(_coupling_points(scans)))
    believed = _believed(scans, coupling)
    group, at = _alike(believed)
    q_now = next((each.q for each in reversed(scans) if each.q), None)
    nm = scans[-1].wavelength_nm if scans else None
    return ModeFacts(
        device_code=device.code,
        device_id=device.id,
        trail=trail_of(session, device),
        label=resonance.label,
        band=resonance.band,
        medium=resonance.medium,
        scans=scans,
        days_since=since,
        power=_tried("power", missing, lambda: power_series(_power_points(scans))),
        coupling=coupling,
        repeated=_tried("repeats", missing, lambda: repeats(*_logs(group))),
        repeats_at=at,
        ageing=_tried("ageing", missing, lambda: ageing([s.days for s in _with_log(believed)], *_logs(believed))),
        missing=missing,
        rel_axis=rel,
        ring_downs=ring_downs(session, resonance.id),
        size=size_facts(session, device.id, nm, resonance.medium, q_now) if nm else None,
        wavelength_nm=nm,
    )


def _tried(name: str, missing: dict[str, str], make: Callable[[], T]) -> T | None:
    try:
        return make()
    except TooLittleError as why:
        missing[name] = str(why)
        return None


def q_of(width: Measured, wavelength_nm: float) -> Measured | None:
    """Optical frequency over a width in MHz; None where the width is not above zero."""
    if not width.value > 0:
        return None
    nu = SPEED_OF_LIGHT_M_PER_S / wavelength_nm * 1e3
    low = None if width.high is None else nu / width.high
    high = None if width.low is None or width.low <= 0 else nu / width.low
    return Measured(nu / width.value, nu / width.value**2 * (width.sigma or 0.0), low, high)


def widened(measured: Measured, rel: float) -> Measured:
    """With the doubt of the frequency axis, which all scans share and no series averages away."""
    if not rel:
        return measured
    extra = _Z * rel * abs(measured.value)
    low = None if measured.low is None else measured.value - math.hypot(measured.value - measured.low, extra)
    high = None if measured.high is None else measured.value + math.hypot(measured.high - measured.value, extra)
    sigma = None if measured.sigma is None else math.hypot(measured.sigma, rel * measured.value)
    return Measured(measured.value, sigma, low, high)


def _scans(session: Session, resonance: Resonance, device: Device) -> tuple[tuple[ModeScan, ...], str]:
    rows = session.execute(
        select(ResonanceFit, Scan, Operator.initials)
        .join(Scan, Scan.id == ResonanceFit.scan_id)
        .outerjoin(Operator, Operator.id == Scan.operator_id)
        .where(ResonanceFit.resonance_id == resonance.id, Scan.voided_at.is_(None), ResonanceFit.state != "set_aside")
        .order_by(Scan.done_at, Scan.id, ResonanceFit.id)
    ).all()
    best: dict[int, Any] = {}
    for row in rows:
        if row[1].id not in best or best[row[1].id][0].state != "accepted" or row[0].state == "accepted":
            best[row[1].id] = row
    chosen = list(best.values())
    if not chosen:
        return (), ""
    melted = session.scalar(select(DEVICE_FACTS.c.reflow_at).where(DEVICE_FACTS.c.device_id == device.id))
    first = chosen[0][1].done_at
    begin, since = (melted, "the reflow") if melted is not None and melted <= first else (first, "the first scan")
    return tuple(_mode_scan(fit, scan, who, begin) for fit, scan, who in chosen), since


def _mode_scan(fit: ResonanceFit, scan: Scan, who: str | None, begin: datetime) -> ModeScan:
    result = fit.result
    widths = [mode["linewidth_mhz"] for mode in result["modes"]]
    width = sum(each["value"] for each in widths) / len(widths)
    known = [each["sigma"] for each in widths if each["sigma"] is not None]
    rel = result["axis"].get("rel_sigma") or 0.0
    sigma = math.sqrt(sum(each * each for each in known)) / len(known) if len(known) == len(widths) else None
    balance, balance_sigma, signed = _balance(result, width)
    low, high = fit.q_intrinsic_low, fit.q_intrinsic_high
    log_sigma = math.log(high / low) / (2 * _Z) if low and high and fit.q_intrinsic else None
    return ModeScan(
        scan_id=scan.id,
        fit_id=fit.id,
        at=scan.done_at,
        days=(scan.done_at - begin).total_seconds() / 86400,
        power_uw=scan.input_power_uw,
        position_um=scan.taper_position_um,
        wavelength_nm=result["wavelength_nm"],
        width_mhz=width,
        width_sigma=None if sigma is None else _own(sigma, rel * width),
        axis_sigma=rel,
        balance=balance,
        balance_sigma=balance_sigma,
        signed=signed,
        read_over=result["regime"]["reading"] == "over",
        q=fit.q_intrinsic,
        q_low=low,
        q_high=high,
        log_sigma=None if log_sigma is None else _own(log_sigma, rel),
        grade=fit.grade or "",
        state=fit.state,
        state_words=FIT_STATES[fit.state],
        operator=who or "",
    )


def _own(sigma: float, shared: float) -> float:
    return math.sqrt(max(sigma**2 - shared**2, (_LEAST_OWN * sigma) ** 2))


def _balance(result: Mapping[str, Any], width: float) -> tuple[float, float, bool]:
    """|kappa_0 - kappa_ex|/kappa with its doubt; signed where a split pair's line shape told it."""
    if result["model"] == "split":
        coupling = result["coupling_mhz"]
        value = 1 - 2 * coupling["value"] / width
        return value, 2 * (coupling["sigma"] or 0.05 * coupling["value"]) / width, True
    contrast = result["contrast"]
    floor = min(max(1 - contrast["value"], 0.0), 1.0)
    sigma = contrast["sigma"] or 0.02
    root = math.sqrt(floor)
    return root, sigma / (2 * max(root, math.sqrt(sigma))), False


def _power_points(scans: Sequence[ModeScan]) -> list[Point]:
    return [Point(s.power_uw, s.width_mhz, s.width_sigma) for s in scans if s.power_uw and s.width_sigma]


def _coupling_points(scans: Sequence[ModeScan]) -> list[CouplingPoint]:
    points = [
        CouplingPoint(s.width_mhz, s.width_sigma, s.balance, s.balance_sigma, s.signed)
        for s in _with_width(scans)
        if s.width_sigma
    ]
    if len(points) >= 3 and len({s.position_um for s in _with_width(scans)}) < 2:
        raise TooLittleError("No two scans note the taper at different positions: move it, and note where it is.")
    return points


def _believed(scans: Sequence[ModeScan], coupling: CouplingSeries | None) -> list[ModeScan]:
    """Scans whose Q is no lower bound and not read the other way than the coupling series settled."""
    used = _with_width(scans)
    over = set()
    if coupling is not None and coupling.settled:
        over = {
            scan.scan_id
            for scan, reading in zip(used, coupling.readings, strict=True)
            if reading == "over" and not scan.signed and not scan.read_over
        }
    return [scan for scan in scans if scan.grade in ("A", "B") and scan.scan_id not in over]


def _with_width(scans: Sequence[ModeScan]) -> list[ModeScan]:
    """Scans of a coupling series: only a taper that was moved tells coupling from a mode that changed."""
    return [s for s in scans if s.width_sigma and s.balance_sigma > 0 and s.position_um is not None]


def _with_log(scans: Sequence[ModeScan]) -> list[ModeScan]:
    return [scan for scan in scans if scan.q and scan.log_sigma]


def _logs(scans: Sequence[ModeScan]) -> tuple[list[float], list[float]]:
    known = _with_log(scans)
    return [scan.q or 0.0 for scan in known], [scan.log_sigma or 0.0 for scan in known]


def _alike(scans: Sequence[ModeScan]) -> tuple[list[ModeScan], str]:
    """The largest group taken at one power and taper position."""
    groups: dict[tuple[float | None, float | None], list[ModeScan]] = defaultdict(list)
    for scan in _with_log(scans):
        groups[scan.power_uw, scan.position_um].append(scan)
    if not groups:
        return [], ""
    (power, position), group = max(groups.items(), key=lambda pair: len(pair[1]))
    where = [f"{power:g} µW"] if power is not None else []
    where += [f"taper at {position:g} µm"] if position is not None else []
    return group, ", ".join(where) or "power and taper position not said"


def ring_downs(session: Session, resonance_id: int) -> tuple[RingDownLine, ...]:
    """Ring-downs of a mode, the newest first."""
    rows = session.execute(
        select(RingDown, Operator.initials)
        .outerjoin(Operator, Operator.id == RingDown.operator_id)
        .where(RingDown.resonance_id == resonance_id, RingDown.voided_at.is_(None))
        .order_by(RingDown.done_at.desc(), RingDown.id.desc())
    )
    return tuple(_ring_down(event, who) for event, who in rows)


def _ring_down(event: RingDown, who: str | None) -> RingDownLine:
    numbers = event.numbers

    def measured(name: str) -> Measured | None:
        kept = numbers.get(name)
        return None if kept is None else Measured(kept["value"], kept["sigma"], kept["low"], kept["high"])

    lifetime = measured("lifetime_ns")
    return RingDownLine(
        event.id,
        event.done_at,
        who or "",
        event.lifetime_ns,
        lifetime.low if lifetime else None,
        lifetime.high if lifetime else None,
        str(numbers.get("model", "")),
        measured("q_loaded"),
        measured("q_intrinsic"),
        tuple(numbers.get("doubts", ())),
    )
