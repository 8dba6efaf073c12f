"""Keeping scans, fitting again, judging fits."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import select, text

from app.actions.scans import fit_scan, judge_fit, keep_scan, prepare_scan, void_scan
from app.core.optics.lineshapes import curve
from app.core.optics.results import NoFit
from app.core.refusal import ChangedMeanwhile, Refusal
from app.db.models.seen import Attachment, Resonance, ResonanceFit, Scan
from app.files import FileStore
from app.queries.scan_files import axis_of, read_scan, stored_shape
from app.schemas.scans import FitIn, JudgementIn, ReadingIn, ScanIn, VoidIn
from tests.simulated_scans import Made, flat_file, make_devices, scan_file

if TYPE_CHECKING:
    from pathlib import Path

    from sqlalchemy.orm import Session

    from app.db.session import Database

AT_1550 = ReadingIn(wavelength_nm=1550.0, tuning_sigma=0.01)


@dataclass
class Desk:
    """A lab with two devices and a file store, and the deeds in one call each."""

    database: Database
    files: FileStore
    codes: list[str]

    def keep(self, content: bytes, reading: ReadingIn = AT_1550, confirmed: tuple[str, ...] = (), **more: Any) -> int:
        prepared = prepare_scan(self.files, content, reading)
        data = ScanIn(**{"device_code": self.codes[0], "file_name": "sweep.csv", "reading": reading, **more})
        with self.database.writing("keep scan", operator_id=1) as writing:
            scan = keep_scan(writing, data, prepared, confirmed=confirmed)
            return scan.id

    def fit(self, scan_id: int, content: bytes, reading: ReadingIn, **more: Any) -> int:
        prepared = prepare_scan(self.files, content, reading)
        with self.database.writing("fit again", operator_id=1) as writing:
            return fit_scan(writing, FitIn(scan_id=scan_id, **more), prepared).id

    def judge(self, fit_id: int, state: str, reason: str | None = None, version: int | None = None) -> None:
        with self.database.writing("judge fit", operator_id=1) as writing:
            judge_fit(writing, JudgementIn(fit_id=fit_id, state=state, reason=reason, version=version))

    @contextmanager
    def looking(self) -> Iterator[Session]:
        """A reading session whose rows can be looked at after it has ended."""
        with self.database.reading() as session:
            yield session
            session.expunge_all()

    def fits(self) -> list[ResonanceFit]:
        with self.looking() as session:
            return list(session.scalars(select(ResonanceFit).order_by(ResonanceFit.id)))

    def row(self) -> Any:
        with self.database.reading() as session:
            return session.execute(
                text("SELECT q_best, q_typical, modes_fitted, scans FROM device_table WHERE device_code = :code"),
                {"code": self.codes[0]},
            ).one()


@pytest.fixture
def desk(either_database: Database, tmp_path: Path) -> Desk:
    """Two devices W001-1-0101 and W001-1-0102."""
    return Desk(either_database, FileStore(tmp_path / "files"), make_devices(either_database))


def test_a_kept_scan_has_its_file_and_a_fit_that_holds_the_truth(desk: Desk) -> None:
    """Bytes, mode and fit are kept, and the intrinsic Q put into the equations lies in the interval."""
    made = Made()
    content = scan_file(made)
    scan_id = desk.keep(content)
    (fit,) = desk.fits()
    with desk.looking() as session:
        scan = session.get_one(Scan, scan_id)
        attachment = session.get_one(Attachment, scan.attachment_id)
        resonance = session.get_one(Resonance, fit.resonance_id)
    assert desk.files.get(attachment.sha256) == content == desk.files.get(fit.file_sha256)
    assert (attachment.of_table, attachment.of_id, attachment.file_name) == ("scan", scan_id, "sweep.csv")
    assert (resonance.label, resonance.band, resonance.medium) == ("mode 1", "1550 nm", "air")
    assert fit.q_intrinsic_low <= made.q_intrinsic <= fit.q_intrinsic_high
    assert (fit.model, fit.state, fit.grade) == ("single", "proposed", "B")


def test_a_split_resonance_keeps_both_modes(desk: Desk) -> None:
    """A split pair is stored with its splitting, and the device's Q is that of the common intrinsic width."""
    made = Made(splitting_mhz=6.0)
    desk.keep(scan_file(made))
    (fit,) = desk.fits()
    assert fit.model == "split"
    assert len(fit.result["modes"]) == 2
    assert fit.splitting_mhz == pytest.approx(6.0, rel=0.01)
    assert fit.q_intrinsic_low <= made.q_intrinsic <= fit.q_intrinsic_high


def test_the_stored_numbers_draw_the_curve_again(desk: Desk) -> None:
    """From the stored file and numbers alone the fitted curve follows the samples to within the noise."""
    content = scan_file(Made(splitting_mhz=3.0))
    scan_id = desk.keep(content)
    (fit,) = desk.fits()
    with desk.looking() as session:
        reading = session.get_one(Scan, scan_id).reading
    again = read_scan(desk.files.get(fit.file_sha256), axis_of(reading)).scan
    residual = again.signal - curve(stored_shape(fit.numbers), again.detuning_mhz)
    assert residual.std() == pytest.approx(0.005 * 1.5, rel=0.1)


def test_the_stored_result_is_the_object_of_the_fit_command(desk: Desk, tmp_path: Path, capsys: Any) -> None:
    """What the database keeps is what `marver fit --json` prints, but for the file's name and the time it took."""
    import json

    from app.cli.main import main

    path = tmp_path / "sweep.csv"
    path.write_bytes(scan_file())
    assert main(["fit", str(path), "--wavelength-nm", "1550", "--tuning-sigma", "0.01", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    desk.keep(path.read_bytes())
    (fit,) = desk.fits()
    different = {"file": None, "seconds": None}
    assert {**fit.result, **different} == {**printed, **different}


def test_a_scan_without_a_resonance_is_kept_and_says_so(desk: Desk) -> None:
    """No fit is a value: scan and file are kept with the reason, and no mode is made up."""
    scan_id = desk.keep(flat_file())
    assert desk.fits() == []
    with desk.looking() as session:
        scan = session.get_one(Scan, scan_id)
        assert session.scalars(select(Resonance)).all() == []
    assert scan.reading["no_fit"]["code"] == "no_resonance"
    assert scan.wavelength_nm == pytest.approx(1550.0)


def test_the_same_bytes_twice_on_one_device_are_told(desk: Desk) -> None:
    """The second keeping is refused with the first one's number, and nothing is added."""
    first = desk.keep(scan_file())
    with pytest.raises(Refusal, match=f"scan {first} of") as refused:
        desk.keep(scan_file())
    assert (None, "file") in refused.value.errors
    assert len(desk.fits()) == 1


def test_the_same_bytes_for_another_device_are_asked_about(desk: Desk) -> None:
    """A file that another device has is kept only once somebody says that it is right."""
    desk.keep(scan_file())
    with pytest.raises(Refusal) as asked:
        desk.keep(scan_file(), device_code=desk.codes[1])
    assert desk.codes[0] in asked.value.confirmable[None, "file"]
    desk.keep(scan_file(), device_code=desk.codes[1], confirmed=("file",))
    assert len(desk.fits()) == 2


def test_a_second_scan_may_be_of_the_same_mode_or_a_new_one(desk: Desk) -> None:
    """The label says which; without one the next number is taken."""
    desk.keep(scan_file(Made(seed=1)))
    desk.keep(scan_file(Made(seed=2)), label="Mode 1")
    desk.keep(scan_file(Made(seed=3)))
    with desk.looking() as session:
        labels = session.scalars(select(Resonance.label).order_by(Resonance.id)).all()
    assert labels == ["mode 1", "mode 2"]
    first, second, third = desk.fits()
    assert first.resonance_id == second.resonance_id != third.resonance_id


def test_one_mode_is_never_pooled_over_media(desk: Desk) -> None:
    """A label that stands for a mode in air cannot stand for one in water."""
    desk.keep(scan_file(Made(seed=1)))
    with pytest.raises(Refusal, match="another mode") as refused:
        desk.keep(scan_file(Made(seed=2)), label="mode 1", medium="water")
    assert (None, "label") in refused.value.errors


def test_fitting_again_adds_a_row_and_overwrites_none(desk: Desk) -> None:
    """Another shape or window is a new fit; the first one's numbers stay to the last digit."""
    content = scan_file(Made(splitting_mhz=3.0))
    scan_id = desk.keep(content)
    before = desk.fits()[0]
    desk.fit(scan_id, content, ReadingIn(wavelength_nm=1550.0, model="single", window=(-8.0, 8.0)), label="mode 1")
    first, second = desk.fits()
    assert (first.result, first.numbers) == (before.result, before.numbers)
    assert (second.model, second.window_low, second.window_high) == ("single", -8.0, 8.0)
    assert second.resonance_id == first.resonance_id


def test_a_window_without_a_dip_adds_nothing(desk: Desk) -> None:
    """The scan and its fits stay as they were, and the reason stands at the window."""
    content = scan_file()
    scan_id = desk.keep(content)
    with pytest.raises(Refusal, match="No fit here") as refused:
        desk.fit(scan_id, content, ReadingIn(wavelength_nm=1550.0, window=(10.0, 19.0)))
    assert (None, "window") in refused.value.errors
    assert len(desk.fits()) == 1


def test_only_this_scans_own_file_can_be_fitted_for_it(desk: Desk) -> None:
    """A fit of other bytes is refused."""
    scan_id = desk.keep(scan_file(Made(seed=1)))
    with pytest.raises(Refusal, match="not this scan's file"):
        desk.fit(scan_id, scan_file(Made(seed=2)), AT_1550)


def test_only_accepted_fits_count_in_the_device_table(desk: Desk) -> None:
    """A proposed fit gives no Q; an accepted one does; set aside, it goes again."""
    desk.keep(scan_file())
    (fit,) = desk.fits()
    assert (desk.row().q_best, desk.row().scans) == (None, 1)
    desk.judge(fit.id, "accepted")
    assert desk.row().q_best == fit.q_intrinsic
    desk.judge(fit.id, "set_aside", "misses the dip")
    assert desk.row().q_best is None
    assert desk.fits()[0].judged_reason == "misses the dip"


def test_accepting_a_newer_fit_sets_the_earlier_one_aside(desk: Desk) -> None:
    """One mode in one scan has one accepted fit; the earlier says why it no longer counts."""
    content = scan_file()
    scan_id = desk.keep(content, accept=True)
    second_id = desk.fit(scan_id, content, ReadingIn(wavelength_nm=1550.0, window=(-10.0, 10.0)), label="mode 1")
    desk.judge(second_id, "accepted")
    first, second = desk.fits()
    assert (first.state, second.state) == ("set_aside", "accepted")
    assert "accepted" in (first.judged_reason or "")
    assert desk.row().q_best == second.q_intrinsic


def test_accepting_a_fit_of_another_mode_leaves_the_first_accepted(desk: Desk) -> None:
    """Two resonances in one scan are two modes, each with its own accepted fit."""
    content = scan_file()
    scan_id = desk.keep(content, accept=True)
    desk.fit(scan_id, content, ReadingIn(wavelength_nm=1550.0), label="the other", accept=True)
    assert [fit.state for fit in desk.fits()] == ["accepted", "accepted"]
    assert desk.row().modes_fitted == 2


def test_setting_aside_needs_a_reason(desk: Desk) -> None:
    """Without one nothing changes."""
    desk.keep(scan_file(), accept=True)
    (fit,) = desk.fits()
    with pytest.raises(Refusal, match="Say why") as refused:
        desk.judge(fit.id, "set_aside", "   ")
    assert (None, "reason") in refused.value.errors
    assert desk.fits()[0].state == "accepted"


def test_two_people_judging_one_fit_are_told(desk: Desk) -> None:
    """Whoever saw the earlier state is refused."""
    desk.keep(scan_file())
    (fit,) = desk.fits()
    desk.judge(fit.id, "accepted", version=fit.version)
    with pytest.raises(ChangedMeanwhile):
        desk.judge(fit.id, "set_aside", "twice", version=fit.version)


def test_a_voided_scan_counts_nowhere_and_its_file_may_be_kept_again(desk: Desk) -> None:
    """The row, its fits and its file stay; the device table forgets it; nothing more is done to it."""
    scan_id = desk.keep(scan_file(), accept=True)
    assert desk.row().q_best is not None
    with desk.database.writing("void scan", operator_id=1) as writing:
        void_scan(writing, VoidIn(scan_id=scan_id, reason="Mistyped"))
    assert (desk.row().q_best, desk.row().scans) == (None, 0)
    (fit,) = desk.fits()
    with pytest.raises(Refusal, match="was voided"):
        desk.judge(fit.id, "accepted")
    assert desk.keep(scan_file()) != scan_id


def test_a_scan_before_the_device_was_taken_in_hand_or_in_the_future_is_refused(desk: Desk) -> None:
    """The rule engine says no, and nothing is kept."""
    with pytest.raises(Refusal, match="future"):
        desk.keep(scan_file(), done_at=datetime.now(UTC) + timedelta(days=2))
    assert desk.fits() == []


def test_an_unusual_value_is_asked_about_once(desk: Desk) -> None:
    """Two watts at the taper is no usual input power: kept only when confirmed."""
    with pytest.raises(Refusal) as asked:
        desk.keep(scan_file(), input_power_uw=2e6)
    assert (None, "input_power_uw") in asked.value.confirmable
    desk.keep(scan_file(), input_power_uw=2e6, confirmed=("input_power_uw",))
    assert len(desk.fits()) == 1


BAD = {
    "empty": (b"", {}, "file", "empty"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(200), {}, "file", "picture"),
    "binary": (bytes(range(256)) * 40, {}, "file", "not text"),
    "too large": (bytes(49 * 2**20), {}, "file", "at most 48 are read"),
    "one column": (b"volt\n" + b"\n".join(b"1.%d" % i for i in range(99)), {}, "file", "one column"),
    "all NaN": (b"a,b\n" + b"nan,nan\n" * 60, {}, "file", "NaN"),
    "infinite": (b"a,b\n" + b"".join(b"%d,inf\n" % i for i in range(60)), {}, "file", "infinite"),
    "constant signal": (b"MHz,V\n" + b"".join(b"%d,1.5\n" % i for i in range(60)), {}, "file", "constant"),
    "constant axis": (b"MHz,V\n" + b"".join(b"3,1.%d\n" % i for i in range(60)), {}, "file", "constant"),
    "three columns": (b"a,b,c\n" + b"".join(b"%d,1.%d,2.%d\n" % (i, i, i) for i in range(60)), {}, "y", "choose"),
    "no unit": (b"x,y\n" + b"".join(b"%d,1.%d\n" % (i, i) for i in range(60)), {}, "x_unit", "unit"),
    "wrong unit": (scan_file(), {"x_unit": "THz"}, "x_unit", "THz"),
    "relative without wavelength": (scan_file(), {"wavelength_nm": None}, "wavelength_nm", "relative"),
    "time without rate": (scan_file(heading="time (ms),detector (V)"), {}, "tuning_mhz_per_s", "rate"),
}


@pytest.mark.parametrize("case", BAD, ids=str)
def test_what_cannot_be_read_says_what_and_where(tmp_path: Path, case: str) -> None:
    """Each bad file or missing option is refused at the field that mends it, in words that are no command line's."""
    content, options, field, words = BAD[case]
    reading = AT_1550.model_copy(update=options)
    with pytest.raises(Refusal) as refused:
        prepare_scan(FileStore(tmp_path), content, reading)
    ((_, at), sentence) = next(iter(refused.value.errors.items()))
    assert at == field
    assert words in sentence
    assert "--" not in sentence


@pytest.mark.parametrize("content", [flat_file(), scan_file(Made(centre_mhz=-19.9))], ids=["no dip", "dip at the edge"])
def test_what_can_be_read_but_not_fitted_is_a_value(tmp_path: Path, content: bytes) -> None:
    """No dip, or one that lies half outside, is told and kept, not refused."""
    fitted = prepare_scan(FileStore(tmp_path), content, AT_1550).fitted
    assert isinstance(fitted.outcome, NoFit)
    assert fitted.outcome.text
