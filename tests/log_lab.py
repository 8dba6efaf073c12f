"""A lab to log in: people, a calibrated laser, a mask, two wafers, a fibre batch and recipes; filled by real deeds."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from app.actions.log_reflow import open_session, record_shots
from app.actions.log_steps import record_step
from app.db.models.events import Event
from app.db.models.material import FibreBatch, Lot, Mask, MaskArray, Wafer
from app.db.models.people import Operator, Tool, ToolEvent
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.session import Database, Writing
from app.schemas.log import SessionIn, ShotIn, ShotsIn, StepIn

NOW = datetime(2026, 3, 12, 10, 0, tzinfo=UTC)
ETCH = {"etchant_ratio": "6:1", "bath_c": 21.0, "etch_s": 1090.0, "end_point": "dewets"}
SHOT = {"dialled": 45.0, "dial_unit": "%", "exposure_s": 3.0}
SEGMENTS = [{"cycles": 12, "cycle_s": 60.0, "xef2_torr": 3.0, "n2_torr": 10.0}]


class LogLab:
    """Ids of what there is, and deeds in one line each; its clock stands at `now`."""

    def __init__(self, database: Database, now: datetime = NOW) -> None:
        self.database, self.now = database, now
        with self.deed() as w:
            person = Operator(initials="AB", initials_key="ab", name="Anna Berg")
            laser = Tool(code="LAS-1", code_key="las-1", kind="co2_laser", name="CO₂ laser 1")
            hood = Tool(code="HOOD-1", code_key="hood-1", kind="hood", name="Acid hood")
            bath = Lot(code="OE-07", code_key="oe-07", kind="etchant_bath", name="Buffered oxide etchant")
            mask = Mask(code="SORB-1", code_key="sorb-1")
            wafers = [
                Wafer(code=code, code_key=code.lower(), registered_at=now - timedelta(days=9), oxide_um=2.0)
                for code in ("W001", "W002")
            ]
            fibres = FibreBatch(code="F001", code_key="f001", registered_at=now - timedelta(days=9), ends=12)
            w.add(person, laser, hood, bath, mask, *wafers, fibres)
            array = MaskArray(mask_id=mask.id, number=1, rows=6, columns=8, disc_um=90, pitch_x_um=400, pitch_y_um=400)
            w.add(array)
            w.add(
                ToolEvent(
                    tool_id=laser.id,
                    kind="calibration",
                    done_at=now - timedelta(days=8),
                    logged_at=now - timedelta(days=8),
                    what="w_per_dial",
                    value=0.12,
                    unit="%",
                    valid_until=now + timedelta(days=60),
                )
            )
            self.etch = self._recipe(w, "Etch 2 µm", "oxide_etch", ETCH)
            self.undercut = self._recipe(w, "Undercut 90", "undercut", {"segments": SEGMENTS})
            self.melt = self._recipe(w, "Melt 90", "reflow", SHOT, planned_shots=1)
        self.person, self.laser, self.hood, self.bath, self.array = person.id, laser.id, hood.id, bath.id, array.id
        self.wafer, self.second, self.fibres = wafers[0].id, wafers[1].id, fibres.id

    @staticmethod
    def _recipe(w: Writing, name: str, kind: str, settings: dict[str, Any], planned_shots: int | None = None) -> int:
        recipe = Recipe(name=name, name_key=name.casefold(), step_kind=kind)
        w.add(recipe)
        version = RecipeVersion(
            recipe_id=recipe.id, number=1, settings=settings, planned_shots=planned_shots, made_at=w.now
        )
        w.add(version)
        return version.id

    @contextmanager
    def deed(self, **more: Any) -> Iterator[Writing]:
        """One writing session in Anna's name."""
        with self.database.writing(
            "a deed", operator_id=1 if hasattr(self, "person") else None, now=self.now, **more
        ) as w:
            yield w

    def ago(self, **span: float) -> datetime:
        """So long before now."""
        return self.now - timedelta(**span)

    def step(self, kind: str, *pieces: int, **more: Any) -> Event:
        """Record a step."""
        with self.deed() as w:
            return record_step(w, StepIn(kind=kind, piece_ids=pieces or (self.wafer,), **more))

    def exposed(self) -> int:
        """The first wafer patterned, etched and undercut; its id."""
        self.step("lithography", array_ids=(self.array,), done_at=self.ago(days=6))
        self.step("oxide_etch", done_at=self.ago(days=5))
        self.step("undercut", done_at=self.ago(days=4), rows=tuple(SEGMENTS))
        return self.wafer

    def sitting(self, **more: Any) -> int:
        """Open a reflow session an hour ago; its id."""
        with self.deed() as w:
            data = {"tool_id": self.laser, "spot_um": 200.0, "done_at": self.ago(hours=1), **more}
            return open_session(w, SessionIn(**data)).id

    def shots(self, session_id: int, *rows: dict[str, Any], **more: Any) -> list[Event]:
        """Log shots; each row needs its device."""
        with self.deed() as w:
            data = {"session_id": session_id, "piece_id": self.wafer, **more}
            return record_shots(w, ShotsIn(rows=tuple(ShotIn(**{**SHOT, **row}) for row in rows), **data))
