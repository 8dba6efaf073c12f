"""A micrograph from upload to record: outlines shown, figures confirmed or mended, the picture kept."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter
from sqlalchemy import select
from starlette.testclient import TestClient

from app.actions.taking import take_sites
from app.db.models.material import Piece
from app.db.models.people import Tool
from app.db.models.seen import Attachment, Finding, UndercutMeasurement
from app.db.session import Database
from tests.log_lab import LogLab
from tests.simulated_micrographs import covered
from tests.web.saying import follow, said, value_of

ME = {"_operator": "1"}
DEVICE = "W001-1-0101"
URL = f"/devices/{DEVICE}/micrographs/new"


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab with one device after undercut and a calibrated objective, whose id is `objective`."""
    lab = LogLab(database, datetime.now(UTC))
    lab.exposed()
    with lab.deed() as w:
        take_sites(w, w.session.get_one(Piece, lab.wafer), 1, [(1, 1), (1, 2)], done_at=lab.ago(days=1))
        tool = Tool(code="MIC-50", code_key="mic-50", kind="microscope", name="50×", properties={"um_per_px": 0.5})
        w.add(tool)
    lab.objective = tool.id  # type: ignore[attr-defined]
    return lab


def near(um: float) -> object:
    """About so many µm: a tenth of a pixel."""
    return pytest.approx(um, abs=0.05)


def drawn(kind: str = "png", offset: float = 0.0, bar: bool = False) -> bytes:
    """A disc of 180 px over a pillar of 70 px diameter, as a file."""
    shape = (240, 320)
    picture = 0.3 + 0.4 * covered(shape, 160.3, 119.6, 90) - 0.3 * covered(shape, 160.3 + offset, 119.6, 35)
    picture = gaussian_filter(picture, 1.5) + 0.01 * np.random.default_rng(1).standard_normal(shape)
    deep = np.clip(picture * 60000, 0, 65535).astype(np.uint16)
    file = io.BytesIO()
    if kind == "tiff16":
        Image.fromarray(deep).save(file, "TIFF", compression="tiff_deflate")
    else:
        flat = (deep >> 8).astype(np.uint8)
        if bar:
            flat[225:229, 200:300] = 255
        Image.fromarray(flat).convert("RGB" if kind == "jpeg" else "L").save(file, kind.upper())
    return file.getvalue()


def look(client: TestClient, content: bytes, **more: str):
    """Upload a picture and find its outlines."""
    return client.post(URL, data={**ME, "step": "look", **more}, files={"file": ("disc 1.png", content)})


def keep(client: TestClient, shown, **more: str):
    """Keep what the page showed, with some fields changed."""
    names = ("_key", "held", "held_name", "seen", "um_per_px", "bar_um", "outer", "inner", "note")
    sizes = ("disc_um", "pillar_top_x_um", "pillar_top_y_um", "pillar_offset_um", "outer_um", "roundness_um")
    form = {name: value_of(shown, name) for name in (*names, *sizes)}
    return client.post(URL, data={**ME, **form, "step": "keep", **more})


@pytest.mark.parametrize("kind", ["png", "jpeg", "tiff16"])
def test_disc_and_pillar_are_read_off_and_kept_with_the_picture(client: TestClient, lab: LogLab, kind: str) -> None:
    """The objective's scale turns outlines into sizes; once looked at they are kept, with the file byte for byte."""
    content = drawn(kind)
    tool = str(lab.objective)  # type: ignore[attr-defined]
    shown = look(client, content, tool_id=tool)
    assert shown.status_code == 200, said(shown)
    assert float(value_of(shown, "disc_um")) == near(90.0)
    assert float(value_of(shown, "pillar_top_x_um")) == near(35.0)
    assert shown.text.count('<ellipse class="line') == 2
    assert client.get(f"/pictures/{value_of(shown, 'held')}").headers["content-type"] == "image/jpeg"
    kept = follow(client, keep(client, shown, tool_id=tool))
    assert "Sizes and picture are kept" in said(kept)
    with lab.database.reading() as session:
        record = session.scalars(select(UndercutMeasurement)).one()
        picture = session.scalars(select(Attachment)).one()
        assert record.disc_um == near(90.0)
        assert record.pillar_top_y_um == near(35.0)
        assert record.pillar_offset_um == near(0.0)
        assert record.sources["disc_um"] == "tool"
        assert "disc 1.png at 0.5 µm/px (as kept of MIC-50)" in (record.note or "")
        assert (picture.of_table, picture.of_id) == ("undercut_measurement", record.id)
        assert client.get(f"/micrographs/{picture.id}/file").content == content


def test_a_figure_mended_by_hand_is_kept_as_typed_and_said_so(client: TestClient, lab: LogLab) -> None:
    """A size typed over what was found is the one recorded, and the record says which was changed."""
    shown = look(client, drawn(), um_per_px="0,5")
    follow(client, keep(client, shown, disc_um="91,5"))
    with lab.database.reading() as session:
        record = session.scalars(select(UndercutMeasurement)).one()
        assert record.disc_um == 91.5
        assert (record.sources["disc_um"], record.sources["pillar_top_x_um"]) == ("typed", "tool")
        assert "changed by hand: disc_um" in (record.note or "")


def test_the_scale_comes_from_the_drawn_bar(client: TestClient, lab: LogLab) -> None:
    """A bar of 100 px said to be 50 µm long gives 0.5 µm/px; without a bar that is told, and nothing is lost."""
    shown = look(client, drawn(bar=True), bar_um="50")
    assert "0.5000 µm/px the drawn bar, 100 px" in said(shown)
    assert float(value_of(shown, "disc_um")) == near(90.0)
    refused = look(client, drawn(), bar_um="50")
    assert refused.status_code == 422
    assert "No drawn scale bar was found" in said(refused)
    assert value_of(refused, "held")
    assert "Give the scale" in said(look(client, drawn()))


def test_three_points_take_the_place_of_what_was_found(client: TestClient, lab: LogLab) -> None:
    """Three clicks near an edge settle on it; where no edge is they count as they are; a line is refused."""
    close = look(client, drawn(), um_per_px="0.5", outer="197 120; 160 84; 124 119")
    assert float(value_of(close, "disc_um")) == near(35.0)
    alone = look(client, drawn(), um_per_px="0.5", outer="220 120; 160 60; 100 120")
    assert float(value_of(alone, "disc_um")) == near(60.0)
    assert "no edge seen there" in said(alone)
    for wrong in ("1 1; 2 2; 3 3", "1 2 3", "a b; c d; e f", "1 1; 1 1; 1 1"):
        refused = look(client, drawn(), um_per_px="0.5", outer=wrong)
        assert refused.status_code == 422
        assert value_of(refused, "outer") == wrong


def test_what_changed_since_it_was_looked_at_is_shown_before_it_is_kept(client: TestClient, lab: LogLab) -> None:
    """Another scale at the moment of keeping shows the new figures first and keeps nothing."""
    shown = look(client, drawn(), um_per_px="0.5")
    again = keep(client, shown, um_per_px="1.0")
    assert "The outlines are others now" in said(again)
    assert float(value_of(again, "disc_um")) == near(180.0)
    with lab.database.reading() as session:
        assert session.scalars(select(UndercutMeasurement)).all() == []


def test_an_off_centre_pillar_is_suggested_and_never_decided(client: TestClient, lab: LogLab) -> None:
    """A pillar far off the middle is pointed out; what is kept names no defect and no verdict."""
    shown = look(client, drawn(offset=14.0), um_per_px="0.5")
    assert "Could be: Uneven undercut" in said(shown)
    follow(client, keep(client, shown))
    with lab.database.reading() as session:
        assert session.scalars(select(UndercutMeasurement)).one().pillar_offset_um == near(7.0)
        assert session.scalars(select(Finding)).all() == []


def test_after_reflow_it_becomes_an_inspection_with_a_persons_verdict(client: TestClient, lab: LogLab) -> None:
    """Outer diameter and roundness go into an inspection; without a verdict it is refused at its field."""
    shown = look(client, drawn(), um_per_px="0.5", after="reflow")
    assert float(value_of(shown, "outer_um")) == near(90.0)
    refused = keep(client, shown, after="reflow")
    assert refused.status_code == 409
    assert "Give a verdict" in said(refused)
    follow(client, keep(client, shown, after="reflow", verdict="good"))
    with lab.database.reading() as session:
        finding = session.scalars(select(Finding)).one()
        assert session.scalars(select(Attachment.of_table)).one() == "inspection"
        assert (finding.verdict, finding.outer_um) == ("good", near(90.0))
    assert "Inspection" in said(client.get(URL))


def bad_pictures() -> dict[str, tuple[bytes, str]]:
    """Files that are no picture to measure, and what is said of each."""
    small, huge = io.BytesIO(), io.BytesIO()
    Image.new("L", (8, 8)).save(small, "PNG")
    Image.new("1", (9000, 9000)).save(huge, "PNG")
    return {
        "text": (b"power;q\n1;2\n", "no PNG, JPEG or TIFF"),
        "cut": (drawn()[:3000], "cut short or damaged"),
        "small": (small.getvalue(), "only 8 × 8 pixels"),
        "huge": (huge.getvalue(), "81 million pixels"),
        "empty": (b"", "no PNG, JPEG or TIFF"),
    }


@pytest.mark.parametrize("kind", ["text", "cut", "small", "huge", "empty"])
def test_a_file_that_cannot_be_measured_is_told_in_one_line(client: TestClient, lab: LogLab, kind: str) -> None:
    """Something else than a picture, one cut short, too small or too large is refused with what was typed kept."""
    content, words = bad_pictures()[kind]
    refused = look(client, content, um_per_px="0.5")
    assert refused.status_code == 422
    assert words in said(refused)
    assert value_of(refused, "um_per_px") == "0.5"


def test_a_picture_without_a_ring_says_what_to_do(client: TestClient, lab: LogLab) -> None:
    """Where nothing is found the page says so and takes typed sizes."""
    file = io.BytesIO()
    Image.fromarray(np.random.default_rng(3).integers(90, 110, (200, 300)).astype(np.uint8)).save(file, "PNG")
    shown = look(client, file.getvalue(), um_per_px="0.5")
    assert "No outline was found" in said(shown)
    follow(client, keep(client, shown, disc_um="88"))
    with lab.database.reading() as session:
        assert session.scalars(select(UndercutMeasurement)).one().disc_um == 88.0


def test_pictures_and_devices_nobody_has_are_not_there(client: TestClient, lab: LogLab) -> None:
    """Unknown devices, digests and numbers are 404."""
    for path in (
        "/devices/W999-1-0101/micrographs/new",
        "/pictures/abc",
        f"/pictures/{'0' * 64}",
        "/micrographs/9/file",
    ):
        assert client.get(path).status_code == 404
