"""Keeping a scan with its file and fit, fitting again by hand, accepting or setting aside a fit, voiding a scan."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from importlib.metadata import version

from sqlalchemy import select

from app.actions.rules import NEW, check_changed_deeds, check_new_deeds, check_version, event_times, void
from app.core.bands import band_of
from app.core.optics.lineshapes import SHAPE_VERSION
from app.core.optics.results import SPEED_OF_LIGHT_M_PER_S, Analysis, NoFit
from app.core.optics.unreadable import ScanUnreadable
from app.core.quantities import QUANTITIES
from app.core.reading import unusual
from app.core.refusal import Refusal, Where
from app.core.timeline import Deed
from app.db.models.material import Device
from app.db.models.people import Tool
from app.db.models.seen import Attachment, Resonance, ResonanceFit, Scan
from app.db.session import Writing
from app.files import FileStore
from app.queries.scan_files import FittedFile, fit_file, numbers_of, reading_of, refusal_of, result_of
from app.schemas.scans import FitIn, JudgementIn, ReadingIn, ScanIn, VoidIn

LONGEST_LABEL = 40
SUPERSEDED = "Another fit of the same mode in this scan was accepted."
_KEPT_AS_GIVEN = {
    "tool_id",
    "detector_id",
    "input_power_uw",
    "direction",
    "averages",
    "taper",
    "taper_position_um",
    "taper_transmission",
    "polarisation",
    "polarisation_known",
    "medium",
    "picked",
    "note",
}
_ASKED = ("input_power_uw", "averages", "taper_position_um", "taper_transmission")
_ASKED_OF_READING = ("wavelength_nm", "tuning_sigma", "dark_v")


@dataclass(frozen=True, eq=False)
class PreparedScan:
    """A file that is stored under `sha256` and fitted, ready to be kept."""

    sha256: str
    fitted: FittedFile


def software() -> str:
    """The program and line shapes that made a fit."""
    return f"marver {version('marver')}, shapes {SHAPE_VERSION}"


def prepare_scan(files: FileStore, content: bytes, reading: ReadingIn) -> PreparedScan:
    """Read and fit `content` and store it; call it before the writing session opens. Refusal where it is unreadable."""
    try:
        fitted = fit_file(content, reading.axis, reading.options)
    except ScanUnreadable as unreadable:
        raise refusal_of(unreadable) from unreadable
    return PreparedScan(files.put(content), fitted)


def keep_scan(writing: Writing, data: ScanIn, prepared: PreparedScan, *, confirmed: Collection[str] = ()) -> Scan:
    """Keep a scan of a device: file, how it was read, the mode and its fit; without a fit where none is to be had.

    Refuses a file that this device has already; asks where another device has it, and for unusual values.
    """
    device = _device(writing, data.device_code)
    _check_tools(writing, data)
    _check_known_file(writing, device, prepared.sha256, confirmed)
    _check_unusual(data, confirmed)
    times = event_times(writing, data.done_at)
    check_new_deeds(writing, [device.piece_id], [Deed(NEW, times["done_at"], "scan", device=device.id, label="Scan")])
    fitted, analysis = prepared.fitted, prepared.fitted.analysis
    attachment = Attachment(
        sha256=prepared.sha256,
        file_name=data.file_name,
        media_type=data.media_type,
        size_bytes=fitted.size_bytes,
        kept_at=writing.now,
        of_table="scan",
    )
    writing.add(attachment)
    settings = data.model_dump(
        include={name for name in ScanIn.model_fields if hasattr(Scan, name)} - {"done_at", "reading"}
    )
    rate = data.reading.tuning_mhz_per_s
    scan = Scan(
        **settings,
        **times,
        operator_id=writing.operator_id,
        device_id=device.id,
        attachment_id=attachment.id,
        wavelength_nm=analysis.wavelength_nm if analysis else _reference_nm(fitted),
        sweep_mhz_per_s=None if rate is None else abs(rate),
        dark_v=data.reading.dark_v,
        reading=reading_of(fitted),
    )
    writing.add(scan)
    attachment.of_id = scan.id
    if analysis is not None:
        resonance = _resonance(writing, device, data.label, band_of(analysis.wavelength_nm), scan.medium)
        _add_fit(writing, scan, resonance, fitted, analysis, prepared.sha256, accept=data.accept)
    return scan


def fit_scan(writing: Writing, data: FitIn, prepared: PreparedScan) -> ResonanceFit:
    """Add a fit of a kept scan, made with other options; earlier fits stay as they are."""
    scan = _valid_scan(writing, data.scan_id)
    attachment = writing.session.get_one(Attachment, scan.attachment_id)
    if attachment.sha256 != prepared.sha256:
        raise Refusal.of("The file that was fitted is not this scan's file.", at="file")
    outcome = prepared.fitted.outcome
    if isinstance(outcome, NoFit):
        why = outcome.text.rstrip(".")
        raise Refusal.of(f"No fit here: {why}. The scan and its earlier fits are as they were.", at="window")
    device = writing.session.get_one(Device, scan.device_id)
    resonance = _resonance(writing, device, data.label, band_of(outcome.wavelength_nm), scan.medium)
    return _add_fit(writing, scan, resonance, prepared.fitted, outcome, prepared.sha256, accept=data.accept)


def judge_fit(writing: Writing, data: JudgementIn) -> ResonanceFit:
    """Accept a fit, which sets aside what was accepted of the same mode in the same scan; or set it aside."""
    fit = writing.session.get(ResonanceFit, data.fit_id)
    if fit is None:
        raise Refusal.of("There is no such fit.")
    _valid_scan(writing, fit.scan_id)
    check_version(fit, data.version)
    if data.state == "set_aside" and not (data.reason or "").strip():
        raise Refusal.of("Say why this fit is set aside.", at="reason")
    _judge(writing, fit, data.state, (data.reason or "").strip() or None)
    if data.state == "accepted":
        _set_others_aside(writing, fit)
    return fit


def void_scan(writing: Writing, data: VoidIn) -> Scan:
    """Mark a scan as entered by mistake; its file and fits stay readable, and the same file may be kept again."""
    scan = _valid_scan(writing, data.scan_id)
    check_version(scan, data.version)
    reason = (data.reason or "").strip()
    if not reason:
        raise Refusal.of("Say why this scan is voided.", at="reason")
    device = writing.session.get_one(Device, scan.device_id)
    check_changed_deeds(writing, [device.piece_id], [], [scan.id])
    void(writing, scan, reason)
    return scan


def _device(writing: Writing, code: str) -> Device:
    device = writing.session.scalar(select(Device).where(Device.code_key == code.casefold()))
    if device is None:
        raise Refusal.of(f"There is no device {code}.", at="device_code")
    return device


def _valid_scan(writing: Writing, scan_id: int) -> Scan:
    scan = writing.session.get(Scan, scan_id)
    if scan is None:
        raise Refusal.of("There is no such scan.")
    if scan.voided_at is not None:
        raise Refusal.of(f"This scan was voided ({scan.void_reason}): it counts nowhere and stays as it is.")
    return scan


def _check_tools(writing: Writing, data: ScanIn) -> None:
    for at, tool_id in (("tool_id", data.tool_id), ("detector_id", data.detector_id)):
        if tool_id is not None and writing.session.get(Tool, tool_id) is None:
            raise Refusal.of("There is no such tool.", at=at)


def _check_known_file(writing: Writing, device: Device, sha256: str, confirmed: Collection[str]) -> None:
    known = writing.session.execute(
        select(Scan.id, Scan.done_at, Scan.device_id, Device.code)
        .join(Attachment, Attachment.id == Scan.attachment_id)
        .join(Device, Device.id == Scan.device_id)
        .where(Attachment.sha256 == sha256, Scan.voided_at.is_(None))
        .order_by(Scan.id)
    ).all()
    for row in known:
        if row.device_id == device.id:
            raise Refusal.of(
                f"This very file is kept already for {device.code}, as scan {row.id} of {row.done_at:%d %b %Y}. "
                "To fit another window of it, fit that scan again.",
                at="file",
            )
    if known and "file" not in confirmed:
        raise Refusal(
            {}, {(None, "file"): f"The very same file is kept for {known[0].code}. Is it a scan of {device.code} too?"}
        )


def _check_unusual(data: ScanIn, confirmed: Collection[str]) -> None:
    questions: dict[Where, str] = {}
    for names, source in ((_ASKED, data), (_ASKED_OF_READING, data.reading)):
        for name in names:
            value = getattr(source, name)
            asked = None if value is None else unusual(float(value), QUANTITIES[name])
            if asked and name not in confirmed:
                questions[None, name] = asked
    if questions:
        raise Refusal({}, questions)


def _reference_nm(fitted: FittedFile) -> float:
    return SPEED_OF_LIGHT_M_PER_S / fitted.scan.axis.reference_thz * 1e-3


def _resonance(writing: Writing, device: Device, label: str | None, band: str, medium: str) -> Resonance:
    """The mode of this label, or a new one; without a label the next number is taken."""
    known = {
        each.label.casefold(): each
        for each in writing.session.scalars(select(Resonance).where(Resonance.device_id == device.id))
    }
    label = " ".join((label or "").split())
    if len(label) > LONGEST_LABEL:
        raise Refusal.of(f"A mode's name has at most {LONGEST_LABEL} characters, this one {len(label)}.", at="label")
    if not label:
        label = next(word for n in range(1, len(known) + 2) if (word := f"mode {n}") not in known)
    found = known.get(label.casefold())
    if found is None:
        found = Resonance(device_id=device.id, label=label, band=band, medium=medium)
        writing.add(found)
    elif (found.band, found.medium) != (band, medium):
        raise Refusal.of(
            f"“{found.label}” of {device.code} lies at {found.band} in {found.medium}, this scan at {band} in "
            f"{medium}: it is another mode, so give it another name.",
            at="label",
        )
    return found


def _add_fit(
    writing: Writing,
    scan: Scan,
    resonance: Resonance,
    fitted: FittedFile,
    analysis: Analysis,
    sha256: str,
    *,
    accept: bool,
) -> ResonanceFit:
    low, high = fitted.axis.window or (None, None)
    q = analysis.device.q_intrinsic
    widths = [mode.linewidth_mhz.value for mode in analysis.modes]
    mean_mhz = sum(widths) / len(widths)
    fit = ResonanceFit(
        resonance_id=resonance.id,
        scan_id=scan.id,
        made_at=writing.now,
        made_by_id=writing.operator_id,
        model=analysis.model,
        window_low=low,
        window_high=high,
        result=result_of(fitted),
        numbers=numbers_of(fitted),
        q_intrinsic=q.value,
        q_intrinsic_low=q.low,
        q_intrinsic_high=q.high,
        q_loaded=SPEED_OF_LIGHT_M_PER_S / analysis.wavelength_nm * 1e3 / mean_mhz,
        linewidth_mhz=mean_mhz,
        splitting_mhz=analysis.splitting_mhz.value if analysis.splitting_mhz else None,
        grade=analysis.device.grade,
        file_sha256=sha256,
        software=software(),
    )
    if accept:
        _judge(writing, fit, "accepted", None)
    writing.add(fit)
    if accept:
        _set_others_aside(writing, fit)
    return fit


def _judge(writing: Writing, fit: ResonanceFit, state: str, reason: str | None) -> None:
    fit.state, fit.judged_reason = state, reason
    fit.judged_by_id, fit.judged_at = writing.operator_id, writing.now


def _set_others_aside(writing: Writing, fit: ResonanceFit) -> None:
    others = select(ResonanceFit).where(
        ResonanceFit.resonance_id == fit.resonance_id,
        ResonanceFit.scan_id == fit.scan_id,
        ResonanceFit.id != fit.id,
        ResonanceFit.state == "accepted",
    )
    for other in writing.session.scalars(others):
        _judge(writing, other, "set_aside", SUPERSEDED)
