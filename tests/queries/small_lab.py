"""A lab built record by record through the database, for queries that count what is in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import select

from app.actions.taking import take_fibre_ends, take_sites
from app.db.models.events import Ending, EventPiece, Loss, PurposeChange, Whereabouts
from app.db.models.material import Device, Exposure, FibreBatch, Mask, MaskArray, Piece, Wafer
from app.db.models.people import Operator
from app.db.models.recipes import Recipe, RecipeVersion, Specification, SpecificationVersion
from app.db.models.seen import Attachment, Defect, Finding, Inspection, Resonance, ResonanceFit, Scan
from app.db.models.steps import ROW_CLASSES, STEP_CLASSES, ReflowSession, ReflowShot
from app.db.session import Database, Writing

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
Site = tuple[int, int]


class SmallLab:
    """Writes records one after the other; its clock moves on an hour a deed unless told otherwise."""

    def __init__(self, database: Database, start: datetime = START) -> None:
        self.database, self.at = database, start
        self.writing: Writing | None = None
        self.scans = 0
        with database.writing("set up", operator_id=None, now=start) as w:
            mask = Mask(code="SORB-1", code_key="sorb-1")
            w.add(Operator(initials="AB", initials_key="ab", name="Anna Berg"), mask)
            w.add(Operator(initials="CD", initials_key="cd", name="Carl Dahl"))
            w.add(MaskArray(mask_id=mask.id, number=1, rows=20, columns=20, disc_um=90, pitch_x_um=400, pitch_y_um=400))

    @contextmanager
    def one_deed(self) -> Iterator[None]:
        """Everything within is saved as one deed, which is quicker."""
        if self.writing is not None:
            yield
            return
        with self.database.writing("a deed", operator_id=1, now=self.at) as self.writing:
            try:
                yield
            finally:
                self.writing = None

    def add(self, *rows: Any) -> None:
        """Add rows in one deed, or within the open one."""
        with self.one_deed():
            assert self.writing is not None
            self.writing.add(*rows)

    def _new(self, cls: Any, pieces: Iterable[int] = (), **values: Any) -> Any:
        self.at += timedelta(hours=values.pop("hours", 1))
        event = cls(**{"done_at": self.at, "logged_at": self.at, "operator_id": 1, **values})
        with self.one_deed():
            self.add(event)
            self.add(*[EventPiece(event_id=event.id, piece_id=piece) for piece in pieces])
        return event

    def wafer(self, code: str, **values: Any) -> int:
        """A wafer, not yet patterned."""
        piece = Wafer(code=code, code_key=code.lower(), registered_at=self.at, oxide_um=2.0, **values)
        self.add(piece)
        return piece.id

    def recipe(self, name: str, step_kind: str, versions: int = 1, planned_shots: int | None = None) -> list[int]:
        """A recipe with so many versions; their ids."""
        recipe = Recipe(name=name, name_key=name.lower(), step_kind=step_kind)
        self.add(recipe)
        rows = [
            RecipeVersion(recipe_id=recipe.id, number=n, settings={}, planned_shots=planned_shots, made_at=self.at)
            for n in range(1, versions + 1)
        ]
        self.add(*rows)
        return [row.id for row in rows]

    def patterned(self, code: str, sites: Sequence[Site] = (), **values: Any) -> tuple[int, list[int]]:
        """A wafer exposed with array 1, `sites` taken in hand as candidates; (piece, devices)."""
        piece = self.wafer(code)
        self.step("lithography", [piece], **values)
        return piece, self.take(piece, sites)

    def step(self, kind: str, pieces: Sequence[int], **values: Any) -> int:
        """One act of a step kind on pieces; a lithography exposes array 1 on each."""
        event = self._new(STEP_CLASSES[kind], pieces, **values)
        if kind == "lithography":
            for piece in pieces:
                self.add(Exposure(lithography_id=event.id, piece_id=piece, root_id=piece, mask_array_id=1, number=1))
        return int(event.id)

    def undercut(self, pieces: Sequence[int], cycles: int = 20, xef2_torr: float = 3.0, **values: Any) -> int:
        """One chamber run of one segment."""
        run = self.step("undercut", pieces, **values)
        self.add(ROW_CLASSES["undercut"](event_id=run, sequence=1, cycles=cycles, cycle_s=60.0, xef2_torr=xef2_torr))
        return run

    def take(self, piece: int, sites: Sequence[Site], purpose: str = "candidate") -> list[int]:
        """Take sites in hand."""
        if not sites:
            return []
        with self.database.writing("take in hand", operator_id=1, now=self.at) as w:
            return [d.id for d in take_sites(w, w.session.get_one(Piece, piece), 1, list(sites), purpose=purpose)]

    def fibres(self, code: str, ends: int, **values: Any) -> tuple[int, list[int]]:
        """A prepared fibre batch with every end taken in hand."""
        piece = FibreBatch(code=code, code_key=code.lower(), registered_at=self.at, ends=ends)
        self.add(piece)
        self.step("fibre_preparation", [piece.id], **values)
        with self.database.writing("take in hand", operator_id=1, now=self.at) as w:
            taken = take_fibre_ends(w, w.session.get_one(FibreBatch, piece.id), list(range(1, ends + 1)))
            return piece.id, [device.id for device in taken]

    def sitting(self, **values: Any) -> int:
        """One reflow session."""
        return int(self._new(ReflowSession, spot_um=200.0, **values).id)

    def shot(self, device: int, session: int | None, outcome: str | None = None, **values: Any) -> int:
        """One shot on one device."""
        given = {"sequence": 1, "dialled": 5.0, "dial_unit": "W", "power_w": 5.0, "exposure_s": 2.0, **values}
        return int(self._new(ReflowShot, device_id=device, session_id=session, outcome=outcome, hours=0, **given).id)

    def inspect(
        self, stage: str, verdicts: dict[int, str], defects: dict[int, tuple[str, str | None]] | None = None
    ) -> int:
        """One inspection naming these devices."""
        seen = self._new(Inspection, stage=stage, cover="devices")
        for device, verdict in verdicts.items():
            finding = Finding(inspection_id=seen.id, device_id=device, verdict=verdict)
            self.add(finding)
            if defects and device in defects:
                kind, caused_at = defects[device]
                self.add(Defect(finding_id=finding.id, kind=kind, caused_at=caused_at))
        return int(seen.id)

    def lose_piece(self, piece: int, **values: Any) -> None:
        """A piece lost in one event."""
        self._new(Loss, [piece], cause="dropped", found_at="undercut", caused_at="handling", **values)

    def lose_device(self, device: int, **values: Any) -> None:
        """One device lost."""
        self._new(Loss, device_id=device, cause="taper", **{"caused_at": "handling", **values})

    def end(self, piece: int) -> None:
        """A piece stopped on purpose."""
        self._new(Ending, [piece], reason="superseded")

    def lend(self, piece: int) -> None:
        """A piece lent."""
        self._new(Whereabouts, [piece], state="lent", place="next door")

    def repurpose(self, device: int, purpose: str) -> None:
        """Another purpose from now on."""
        self._new(PurposeChange, device_id=device, purpose=purpose)

    def measure(
        self, device: int, q: float, *, grade: str = "A", band: str = "1550 nm", medium: str = "air", **values: Any
    ) -> None:
        """A scan with one accepted fit of a new mode."""
        self.scans += 1
        kept = Attachment(sha256=f"{self.scans:064d}", file_name="scan.csv", size_bytes=1, kept_at=self.at)
        self.add(kept)
        picked = values.pop("picked", "all")
        scan = self._new(Scan, device_id=device, attachment_id=kept.id, medium=medium, picked=picked, hours=0, **values)
        mode = Resonance(device_id=device, label=f"mode {self.scans}", band=band, medium=medium)
        self.add(mode)
        self.add(
            ResonanceFit(
                resonance_id=mode.id,
                scan_id=scan.id,
                made_at=self.at,
                model="single",
                result={},
                numbers={},
                file_sha256=kept.sha256,
                software="test",
                q_intrinsic=q,
                q_intrinsic_low=q * 0.95,
                q_intrinsic_high=q * 1.05,
                grade=grade,
                state="accepted",
            )
        )

    def specification(self, kind: str, q: float, **values: Any) -> int:
        """A specification with one version."""
        spec = Specification(name=f"High Q {kind}", name_key=f"high q {kind}")
        self.add(spec)
        version = SpecificationVersion(
            specification_id=spec.id, number=1, kind=kind, q_intrinsic_min=q, made_at=self.at, **values
        )
        self.add(version)
        return version.id

    def code_of(self, device: int) -> str:
        """A device's code."""
        with self.database.reading() as session:
            return str(session.scalar(select(Device.code).where(Device.id == device)))


def sites(rows: int, columns: int) -> list[Site]:
    """A block of sites from the corner."""
    return [(r, c) for r in range(1, rows + 1) for c in range(1, columns + 1)]
