"""A lab where deeds fall at random: every kind, in any order, some back-dated, some in the future, some impossible."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from datetime import timedelta
from functools import cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.actions.corrections_move import move_to_device
from app.actions.log_corrections import correct_event, void_event, void_events
from app.actions.log_fate import record_losses
from app.actions.log_inspections import record_inspection
from app.actions.log_reflow import open_session, record_shots
from app.actions.log_seen import record_oxide_measurement, record_undercut_measurements
from app.actions.log_steps import record_step
from app.actions.parting import part_piece
from app.actions.pieces import change_purpose, end_piece, move_piece, register_fibre_batch, register_wafer, take_in_hand
from app.actions.scans import PreparedScan, fit_scan, judge_fit, keep_scan, prepare_scan, void_scan
from app.core.refusal import Refusal
from app.core.step_catalogue import PIECE_STEPS
from app.core.vocab import LOSS_CAUSES, PURPOSES, SHOT_OUTCOMES, STAGES, VERDICTS, WHEREABOUTS
from app.db.models.events import Event
from app.db.models.material import Device, Exposure, Piece
from app.db.models.people import Tool
from app.db.models.recipes import RecipeVersion
from app.db.models.seen import Attachment, ResonanceFit, Scan
from app.db.session import Database, Writing
from app.files import FileStore
from app.schemas.log import (
    CorrectIn,
    FindingIn,
    InspectionIn,
    LossesIn,
    LossIn,
    MeasurementIn,
    MeasurementsIn,
    MoveFactsIn,
    OxideIn,
    SessionIn,
    ShotIn,
    ShotsIn,
    StepIn,
)
from app.schemas.pieces import ChildIn, EndingIn, FibreBatchIn, MoveIn, PartingIn, PurposeIn, SitesIn, TakingIn, WaferIn
from app.schemas.scans import FitIn, JudgementIn, ReadingIn, ScanIn, VoidIn
from tests.log_lab import NOW, SEGMENTS
from tests.simulated_scans import Made, flat_file, scan_file

READING = ReadingIn(wavelength_nm=1550.0, tuning_sigma=0.01)
NARROW = ReadingIn(wavelength_nm=1550.0, tuning_sigma=0.01, window=(-15.0, 15.0))


@cache
def sweeps() -> tuple[bytes, ...]:
    """Small scan files: two single dips, one split, one without a dip."""
    made = (Made(points=201), Made(points=201, seed=2), Made(points=201, splitting_mhz=4.0, seed=3))
    return (*(scan_file(each) for each in made), flat_file(201))


class RandomWriter:
    """One person who does anything at random; `told` notes what became of each deed."""

    def __init__(self, database: Database, files: FileStore, seed: int, name: str = "A") -> None:
        self.database, self.files, self.name = database, files, name
        self.rng = random.Random(seed)  # noqa: S311  repeatable, not secret
        self.saved: list[str] = []
        self.nothing_new: list[str] = []
        """Accepted, and there was nothing to write: sites taken in hand that are in hand."""
        self.refused: list[tuple[str, str]] = []
        self.prepared: dict[tuple[int, bool], PreparedScan] = {}

    def work(self, deeds: int) -> None:
        """Do so many deeds, one after the other."""
        for number in range(deeds):
            self.deed(number)

    def deed(self, number: int) -> None:
        """Try one deed, named uniquely; a refusal is noted."""
        kinds: list[tuple[Callable[[Session], Callable[[Writing], Any] | None], int]] = [
            (self._register, 2),
            (self._step, 8),
            (self._take, 4),
            (self._sitting, 2),
            (self._shots, 6),
            (self._inspect, 6),
            (self._measure, 3),
            (self._lose, 3),
            (self._move, 2),
            (self._end, 1),
            (self._part, 2),
            (self._purpose, 2),
            (self._correct, 7),
            (self._void, 5),
            (self._move_facts, 3),
            (self._keep, 4),
            (self._refit, 2),
            (self._judge, 3),
        ]
        kind = self.rng.choices([each for each, _ in kinds], [weight for _, weight in kinds])[0]
        words = f"{self.name}{number} {kind.__name__}"
        with self.database.reading() as session:
            do = kind(session)
        if do is None:
            return
        try:
            with self.database.writing(words, operator_id=1, now=NOW) as writing:
                do(writing)
        except Refusal as refusal:
            self.refused.append((words, str(refusal)))
        else:
            (self.saved if writing.seq is not None else self.nothing_new).append(words)

    # --- what there is ------------------------------------------------------------------------------------------

    def _when(self) -> Any:
        minutes = self.rng.choice([None, -1, 20]) if self.rng.random() < 0.1 else -self.rng.randrange(60 * 24 * 20)
        return None if minutes is None else NOW + timedelta(minutes=minutes)

    def _one(self, rows: Sequence[Any]) -> Any:
        return self.rng.choice(rows) if rows else None

    def _piece(self, session: Session, *kinds: str) -> Any:
        wanted = select(Piece.id, Piece.kind, Piece.code)
        return self._one(session.execute(wanted.where(Piece.kind.in_(kinds)) if kinds else wanted).all())

    def _devices(self, session: Session, most: int = 4) -> list[Any]:
        piece = self._piece(session)
        on = select(Device.id, Device.code, Device.piece_id, Device.kind).where(Device.piece_id == piece.id)
        rows = session.execute(on.order_by(Device.id)).all()
        if not rows:
            every = select(Device.id, Device.code, Device.piece_id, Device.kind)
            rows = session.execute(every.order_by(Device.id)).all()[:1]
        return list(self.rng.sample(rows, min(len(rows), self.rng.randint(1, most))))

    def _event(self, session: Session, **wanted: Any) -> Any:
        statement = select(Event.id, Event.kind, Event.version, Event.done_at).order_by(Event.id.desc()).limit(60)
        return self._one(session.execute(statement.filter_by(**wanted)).all())

    def _code(self, letter: str) -> str:
        return f"{letter}{self.name}{self.rng.randrange(200):03d}"

    # --- deeds --------------------------------------------------------------------------------------------------

    def _register(self, session: Session) -> Any:
        if self.rng.random() < 0.5:
            points = (2.0, 2.1) if self.rng.random() < 0.5 else ()
            data = WaferIn(code=self._code("W"), oxide_um=2.0, points_um=points, measured_at=self._when())
            return lambda w: register_wafer(w, data)
        batch = FibreBatchIn(code=self._code("F"), ends=self.rng.choice([3, 8]))
        return lambda w: register_fibre_batch(w, batch)

    def _step(self, session: Session) -> Any:
        kind = self.rng.choice(list(PIECE_STEPS.values()))
        first = self._piece(session, *(kind.pieces if self.rng.random() < 0.9 else ()))
        second = self._piece(session, *kind.pieces)
        several = self.rng.random() < 0.2 and first is not None and second is not None and first.id != second.id
        pieces = tuple(each.id for each in ((first, second) if several else (first,)) if each is not None)
        versions = session.scalars(select(RecipeVersion.id)).all()
        data = StepIn(
            kind=kind.name,
            piece_ids=pieces,
            done_at=self._when(),
            recipe_version_id=self._one(versions) if self.rng.random() < 0.2 else None,
            array_ids=(1,) if kind.name == "lithography" else (),
            rows=tuple(SEGMENTS) if kind.name == "undercut" and self.rng.random() < 0.8 else (),
            unknown=self.rng.random() < 0.1,
            forgotten=kind.needs if self.rng.random() < 0.2 else (),
        )
        return lambda w: record_step(w, data)

    def _take(self, session: Session) -> Any:
        piece = self._piece(session)
        purpose = self.rng.choice(list(PURPOSES))
        if piece.kind == "fibre_batch":
            data = TakingIn(piece_id=piece.id, ends=(1, self.rng.randint(1, 9)), purpose=purpose, done_at=self._when())
        else:
            sites = tuple(
                {(self.rng.randint(1, 6), self.rng.randint(1, 8)) for _ in range(self.rng.choice([3, 3, 30]))}
            )
            chosen = (SitesIn(exposure_number=self.rng.choice([1, 1, 1, 2]), sites=sites),)
            data = TakingIn(piece_id=piece.id, chosen=chosen, purpose=purpose, done_at=self._when())
        return lambda w: take_in_hand(w, data)

    def _sitting(self, session: Session) -> Any:
        data = SessionIn(tool_id=session.scalar(select(Tool.id)), spot_um=200.0, done_at=self._when())
        return lambda w: open_session(w, data)

    def _shots(self, session: Session) -> Any:
        sitting = self._event(session, kind="reflow_session")
        devices = self._devices(session)
        if sitting is None:
            return None
        at = sitting.done_at + timedelta(minutes=self.rng.randint(-3, 600))
        outcomes = [None, "good", "good", *SHOT_OUTCOMES]
        shots = [
            ShotIn(
                device=each.code,
                dialled=40.0,
                dial_unit=self.rng.choice(["%", "W"]),
                exposure_s=2.0,
                outcome=self.rng.choice(outcomes),
                purpose=self.rng.choice(["reflow", "reflow", "power_test"]),
            )
            for each in devices
        ]
        data = ShotsIn(session_id=sitting.id, rows=tuple(shots), done_at=at)
        return lambda w: record_shots(w, data)

    def _inspect(self, session: Session) -> Any:
        devices = self._devices(session)
        sphere = bool(devices) and devices[0].kind == "microsphere"
        cover = self.rng.choice(["devices", "all", "sample"])
        rows = [FindingIn(device=each.code, verdict=self.rng.choice(list(VERDICTS)), outer_um=40.0) for each in devices]
        data = InspectionIn(
            stage=self.rng.choice(list(STAGES["microsphere" if sphere else "microtoroid"])),
            cover=cover,
            piece_id=devices[0].piece_id if devices and cover != "devices" else None,
            rows=tuple(rows),
            seen_n=4 if cover == "sample" else None,
            of_n=9 if cover == "sample" else None,
            reinstates="Looked at again" if self.rng.random() < 0.4 else None,
            done_at=self._when(),
        )
        return lambda w: record_inspection(w, data)

    def _measure(self, session: Session) -> Any:
        if self.rng.random() < 0.3:
            piece = self._piece(session)
            oxide = OxideIn(piece_id=piece.id, points_um=(1.9, 2.0), done_at=self._when())
            return lambda w: record_oxide_measurement(w, oxide)
        rows = [MeasurementIn(device=each.code, disc_um=88.0, pillar_top_x_um=35.0) for each in self._devices(session)]
        data = MeasurementsIn(rows=tuple(rows), done_at=self._when())
        return lambda w: record_undercut_measurements(w, data)

    def _lose(self, session: Session) -> Any:
        devices = self._devices(session, 1)
        piece = self._piece(session)
        what = piece.code if self.rng.random() < 0.15 or not devices else devices[0].code
        loss = LossIn(what=what, cause=self.rng.choice(list(LOSS_CAUSES)), found_at=self.rng.choice([None, "undercut"]))
        data = LossesIn(rows=(loss,), done_at=self._when())
        return lambda w: record_losses(w, data)

    def _move(self, session: Session) -> Any:
        state = self.rng.choice(["lent", "in_lab", "in_lab", *WHEREABOUTS])
        piece = self._piece(session)
        data = MoveIn(piece_ids=(piece.id,), state=state, place="next door", done_at=self._when())
        return lambda w: move_piece(w, data)

    def _end(self, session: Session) -> Any:
        data = EndingIn(piece_id=self._piece(session).id, reason="superseded", done_at=self._when())
        return lambda w: end_piece(w, data)

    def _part(self, session: Session) -> Any:
        piece = self._piece(session, "wafer", "chip")
        number = self._one(session.scalars(select(Exposure.number).where(Exposure.piece_id == piece.id)).all())
        kept = tuple((row, column) for row in (1, 2, 3) for column in range(1, 9))
        halves = (SitesIn(exposure_number=number, sites=kept),) if number and self.rng.random() < 0.8 else ()
        first = ChildIn(code=self._code("C"), kept=halves)
        second = ChildIn(code=self._code("C"), rest=self.rng.random() < 0.7)
        data = PartingIn(
            piece_id=piece.id,
            children=(first, second),
            rest_lost=self.rng.random() < 0.5,
            done_at=self._when() if self.rng.random() < 0.4 else NOW,
        )
        return lambda w: part_piece(w, data)

    def _purpose(self, session: Session) -> Any:
        ids = tuple(each.id for each in self._devices(session))
        data = PurposeIn(device_ids=ids, purpose=self.rng.choice(list(PURPOSES)), done_at=self._when())
        return lambda w: change_purpose(w, data)

    def _correct(self, session: Session) -> Any:
        event = self._event(session)
        if event is None:
            return None
        changes: dict[str, Any] = {}
        if event.kind == "reflow":
            changes["outcome"] = self.rng.choice(["good", "gone", None, "not_closed"])
        elif event.kind == "whereabouts":
            changes["state"] = self.rng.choice(list(WHEREABOUTS))
        elif event.kind == "oxide_etch":
            changes["etch_s"] = 1000.0 + self.rng.randrange(100)
        piece = self._piece(session)
        data = CorrectIn(
            event_id=event.id,
            version=event.version - (self.rng.random() < 0.1),
            changes=changes if self.rng.random() < 0.7 else {},
            done_at=self._when() if self.rng.random() < 0.7 else None,
            note=self.rng.choice([None, "looked at twice"]),
            reason=self.rng.choice(["Mistyped", "Mistyped", None]),
            piece_ids=(piece.id,) if self.rng.random() < 0.25 else None,
        )
        return lambda w: correct_event(w, data)

    def _void(self, session: Session) -> Any:
        event, other = self._event(session), self._event(session)
        if event is None:
            return None
        if event.kind == "scan":
            data = VoidIn(scan_id=event.id, reason="Entered twice")
            return lambda w: void_scan(w, data)
        if self.rng.random() < 0.3:
            return lambda w: void_events(w, (event.id, other.id), "Entered twice")
        also = self.rng.random() < 0.5
        return lambda w: void_event(w, event.id, "Entered twice", with_dependents=also)

    def _move_facts(self, session: Session) -> Any:
        devices = [*self._devices(session, 1), *self._devices(session, 1)]
        if len(devices) < 2:
            return None
        rows = session.scalars(select(Event.id).where(Event.device_id == devices[0].id)).all()
        ids = tuple(rows) if self.rng.random() < 0.5 else tuple(rows[:1])
        data = MoveFactsIn(
            from_device=devices[0].code, to_device=devices[1].code, event_ids=ids or None, reason="Wrong piece"
        )
        return lambda w: move_to_device(w, data)

    # --- scans --------------------------------------------------------------------------------------------------

    def _prepared(self, place: int, narrow: bool = False) -> PreparedScan:
        if (place, narrow) not in self.prepared:
            made = prepare_scan(self.files, sweeps()[place], NARROW if narrow else READING)
            self.prepared[place, narrow] = made
        return self.prepared[place, narrow]

    def _keep(self, session: Session) -> Any:
        devices = self._devices(session, 1)
        if not devices:
            return None
        prepared = self._prepared(self.rng.randrange(4))
        data = ScanIn(
            device_code=devices[0].code,
            file_name="sweep.csv",
            reading=READING,
            done_at=self._when(),
            label=self.rng.choice([None, "mode 1"]),
            medium=self.rng.choice(["air", "water"]),
            accept=self.rng.random() < 0.6,
        )
        confirmed = ("file",) if self.rng.random() < 0.9 else ()
        return lambda w: keep_scan(w, data, prepared, confirmed=confirmed)

    def _refit(self, session: Session) -> Any:
        statement = select(Scan.id, Attachment.sha256).join(Attachment, Attachment.id == Scan.attachment_id)
        scan = self._one(session.execute(statement).all())
        if scan is None:
            return None
        prepared = self._prepared(self.rng.randrange(4), narrow=True)
        for place in range(4):
            if self._prepared(place, narrow=True).sha256 == scan.sha256 and self.rng.random() < 0.9:
                prepared = self._prepared(place, narrow=True)
        data = FitIn(scan_id=scan.id, label="mode 1", accept=self.rng.random() < 0.5)
        return lambda w: fit_scan(w, data, prepared)

    def _judge(self, session: Session) -> Any:
        fit = self._one(session.execute(select(ResonanceFit.id, ResonanceFit.version)).all())
        if fit is None:
            return None
        data = JudgementIn(
            fit_id=fit.id,
            state=self.rng.choice(["accepted", "set_aside"]),
            reason=self.rng.choice([None, "a bubble passed"]),
            version=fit.version,
        )
        return lambda w: judge_fit(w, data)
