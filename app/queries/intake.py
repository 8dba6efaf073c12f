"""What bringing in many scan files needs to know: codes, files kept already, what is being measured, fits to redo."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db.models.material import Device, Piece
from app.db.models.people import LabSetting, Operator
from app.db.models.seen import Attachment, Resonance, ResonanceFit, Scan

MEASURING = "measuring_now"
"""The lab setting that says which device and mode the next file is of."""


@dataclass(frozen=True)
class IntakeFacts:
    """Codes of every device, and of each kept file the scan it is."""

    devices: tuple[str, ...]
    kept: Mapping[str, tuple[int, str]]


def intake_facts(session: Session) -> IntakeFacts:
    """For matching names and for never keeping a file twice."""
    rows = session.execute(
        select(Attachment.sha256, Scan.id, Device.code)
        .join(Scan, Scan.attachment_id == Attachment.id)
        .join(Device, Device.id == Scan.device_id)
        .where(Scan.voided_at.is_(None))
        .order_by(Scan.id.desc())
    )
    return IntakeFacts(
        tuple(session.scalars(select(Device.code).order_by(Device.code_key))),
        {row.sha256: (row.id, row.code) for row in rows},
    )


@dataclass(frozen=True)
class Measuring:
    """What is being measured now: files that land are of this device and mode, read and kept as said here."""

    device: str
    mode: str | None
    operator_id: int | None
    common: Mapping[str, Any] = field(default_factory=dict)
    """Settings of the scan (input_power_uw, medium …) and `reading`."""


def measuring_now(session: Session) -> Measuring | None:
    """None where nobody said what is being measured."""
    value = session.scalar(select(LabSetting.value).where(LabSetting.name == MEASURING))
    if not isinstance(value, dict) or not value.get("device"):
        return None
    return Measuring(value["device"], value.get("mode"), value.get("operator_id"), value.get("common") or {})


def person_called(session: Session, initials: str | None) -> Operator | str:
    """The active person of these initials; without any, the only one there is; else in words what to do."""
    people = session.scalars(select(Operator).where(Operator.active).order_by(Operator.initials_key)).all()
    known = ", ".join(each.initials for each in people)
    if initials:
        found = next((each for each in people if each.initials_key == initials.strip().casefold()), None)
        return found or f"nobody here has the initials {initials}; there are {known or 'no people yet'}"
    if len(people) == 1:
        return people[0]
    return f"say who brings them in with --person: {known}" if people else "register a person on the Lab page first"


@dataclass(frozen=True, eq=False)
class FitToRedo:
    """A scan with the fit whose window, shape and mode are to be used again."""

    scan_id: int
    device: str
    sha256: str
    label: str
    reading: Mapping[str, Any]
    dark_v: float | None
    window: tuple[float, float] | None
    model: str
    regime: str | None
    q: float | None
    q_low: float | None
    q_high: float | None


REDO_WORDS = ("older", "unjudged", "accepted", "A", "B", "C")


def fits_to_redo(session: Session, only: Collection[str], software: str) -> tuple[FitToRedo, ...] | str:
    """Of each mode of each valid scan the accepted fit, else the newest, that `only` names; or what is wrong with it.

    `only`: words of REDO_WORDS, device codes and piece codes; all of the words and one of the codes must hold.
    """
    codes = [each.casefold() for each in only if each not in REDO_WORDS]
    known = {*session.scalars(select(Device.code_key)), *session.scalars(select(Piece.code_key))}
    strange = [each for each in codes if each not in known]
    if strange:
        return f"there is no device or piece {strange[0].upper()}; --only also takes {', '.join(REDO_WORDS)}"
    rows = session.execute(
        select(ResonanceFit, Resonance.label, Scan, Device.code, Piece.code_key)
        .join(Resonance, Resonance.id == ResonanceFit.resonance_id)
        .join(Scan, Scan.id == ResonanceFit.scan_id)
        .join(Device, Device.id == Scan.device_id)
        .outerjoin(Piece, Piece.id == Device.piece_id)
        .where(Scan.voided_at.is_(None))
        .order_by(ResonanceFit.id)
    )
    best: dict[tuple[int, int], tuple[ResonanceFit, FitToRedo]] = {}
    for fit, label, scan, code, piece in rows:
        key = (scan.id, fit.resonance_id)
        if key in best and best[key][0].state == "accepted" and fit.state != "accepted":
            continue
        if codes and not {code.casefold(), piece} & set(codes):
            continue
        best[key] = (fit, _to_redo(fit, label, scan, code))
    words = [each for each in only if each in REDO_WORDS]
    return tuple(todo for fit, todo in best.values() if all(_holds(word, fit, software) for word in words))


def _holds(word: str, fit: ResonanceFit, software: str) -> bool:
    if word == "older":
        return fit.software != software
    if word in ("unjudged", "accepted"):
        return fit.state == ("proposed" if word == "unjudged" else "accepted")
    return fit.grade == word


def _to_redo(fit: ResonanceFit, label: str, scan: Scan, code: str) -> FitToRedo:
    options = fit.numbers.get("options") or {}
    window = None if fit.window_low is None or fit.window_high is None else (fit.window_low, fit.window_high)
    return FitToRedo(
        scan.id,
        code,
        fit.file_sha256,
        label,
        scan.reading,
        options.get("dark", scan.dark_v),
        window,
        options.get("model") or "auto",
        options.get("regime"),
        fit.q_intrinsic,
        fit.q_intrinsic_low,
        fit.q_intrinsic_high,
    )
