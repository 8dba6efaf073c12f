"""The map of a piece: colours, figures and words of each device; Q of one band and medium only."""

from __future__ import annotations

from typing import Any

import pytest

from app.core.sites import Array, Region
from app.core.stages import PieceStanding
from app.queries.maps import SHOWABLE, ArrayOnPiece, DeviceLine
from app.queries.pieces import q_summary
from app.queries.sites import ExposedArray
from app.queries.standing import device_standing
from app.web.piece_map import first_show, piece_map
from app.web.sitemap import DIGIT, SMALLEST, MapSite, draw_map

SHAPE = Array(rows=3, columns=4, pitch_x_um=300, pitch_y_um=400, disc_um=90)
DONE = PieceStanding(frozenset({"patterned", "oxide_etched", "undercut"}))


def device(
    row: int, column: int, *, reflowed: str = "", verdict: str = "", lost: bool = False, **values: Any
) -> DeviceLine:
    """A device at a site with some values."""
    facts: dict[str, Any] = {f"{stage}_{what}": None for stage in ("patterned", "oxide_etched", "undercut", "reflowed")
                             for what in ("outcome", "verdict")}  # fmt: skip
    facts |= {
        "device_kind": "microtoroid",
        "reflow_shots": 1,
        "lost_at": 1 if lost else None,
        "reflowed_outcome": reflowed,
    }
    place = {name: values.pop(name, "") for name in ("band", "medium")}
    return DeviceLine(
        id=row * 100 + column,
        code=f"W001-1-{row:02d}{column:02d}",
        kind="microtoroid",
        piece_code="W001",
        purpose="candidate",
        number=1,
        row=row,
        column=column,
        standing=device_standing(facts, DONE),
        verdict=verdict,
        outcome="",
        lost=lost,
        values={**dict.fromkeys(SHOWABLE), **values},
        q_low=None,
        q_high=None,
        defects=(),
        **place,
    )


def on_piece(*devices: DeviceLine, region: Region | None = None) -> list[ArrayOnPiece]:
    """These devices on the whole array, or on a region of it."""
    exposed = ExposedArray(1, 1, 1, 1, "Discs", SHAPE, (region or Region(1, 3, 1, 4),))
    return [ArrayOnPiece(exposed, tuple(exposed.sites()), {(d.row or 0, d.column or 0): d for d in devices})]


AIR, WATER = {"band": "1550 nm", "medium": "air"}, {"band": "1550 nm", "medium": "water"}


def test_q_is_never_pooled_over_band_or_medium() -> None:
    """Median, colours and scale are of the place most devices were measured in; others are said to be elsewhere."""
    devices = [device(1, c, q_best=c * 1e8, **AIR) for c in (1, 2, 3)] + [device(2, 1, q_best=9e9, **WATER)]
    summary = q_summary(devices)
    assert summary is not None
    assert (summary.median, summary.measured, summary.elsewhere) == (2e8, 3, 1)
    drawn = piece_map("W001", on_piece(*devices), "q_best", place=(summary.band, summary.medium))
    steps = {placed.site.label[:12].strip(", "): placed.site.step for placed in drawn.drawings[0][1].sites}
    assert [steps[f"W001-1-010{c}"] for c in (1, 2, 3)] == [1, 6, 9]
    assert steps["W001-1-0201"] is None
    assert "1 measured at another wavelength" in drawn.note
    assert drawn.title == "Best intrinsic Q, in 10⁸, at 1550 nm in air"


def test_values_are_printed_and_named_in_full() -> None:
    """The figure on the disc is short; its name says quantity, value and unit; what has none is not measured."""
    drawn = piece_map("W001", on_piece(device(1, 1, outer_um=66.4), device(1, 2)), "outer_um", place=None)
    first, second = drawn.drawings[0][1].sites[:2]
    assert (first.site.text, first.site.label) == ("66.4", "W001-1-0101, outer diameter 66.4\u00a0µm")
    assert (second.site.step, second.site.state, second.site.label) == (None, "waiting", "W001-1-0102, not measured")
    assert drawn.steps[0].word == "66.4"


def test_figures_are_printed_only_where_they_fit_their_disc() -> None:
    """On discs too small for the longest figure none is printed: half a figure would be read as another one."""
    roomy = [MapSite(f"site {n}", 500.0 * n, 0.0, text="1.44", step=3) for n in range(4)]
    tight = [MapSite(f"site {n}", 100.0 * n, 0.0, text="1.44", step=3) for n in range(90)]
    assert draw_map(roomy, says="roomy").font == 13.0
    assert draw_map(tight, says="tight").font == 0.0
    middling = draw_map(tight[:20], says="middling")
    assert middling.font >= SMALLEST
    assert DIGIT * len("1.44") * middling.font <= 2 * middling.radius


def test_failed_and_lost_devices_keep_their_mark_whatever_is_shown() -> None:
    """A cross and a dot, never a colour."""
    devices = (device(1, 1, reflowed="failed"), device(1, 2, lost=True), device(1, 3, reflowed="passed"))
    for show in ("stage", "pillar_ratio"):
        states = [
            p.site.state for p in piece_map("W001", on_piece(*devices), show, place=None).drawings[0][1].sites[:2]
        ]
        assert states == ["failed", "lost_earlier"]
    stage = piece_map("W001", on_piece(*devices), "stage", place=None)
    assert [(line.text, line.word, line.count) for line in stage.steps] == [("4", "reflowed", 1)]
    assert {(line.word, line.count) for line in stage.states} == {("failed", 1), ("lost", 1), ("not in hand", 9)}


def test_verdicts_are_marks_with_words() -> None:
    """Good, usable, reject, none yet."""
    devices = [device(1, n, verdict=v) for n, v in enumerate(("good", "usable", "reject", ""), 1)]
    drawn = piece_map("W001", on_piece(*devices), "verdict", place=None)
    assert [p.site.state for p in drawn.drawings[0][1].sites[:4]] == ["good", "usable", "reject", "not_looked_at"]
    assert {line.word for line in drawn.states} == {"good", "usable", "reject", "no verdict yet", "not in hand"}


def test_a_parted_piece_shows_its_own_outline_and_bare_sites_lead_to_taking() -> None:
    """Only the sites it holds are drawn, to scale, inside the line of the cut."""
    arrays = on_piece(device(2, 2), region=Region(2, 3, 2, 4))
    drawn = piece_map("W001", arrays, "stage", place=None, take_path="/chips/W001-A/take", chosen="W001-1-0202")
    drawing = drawn.drawings[0][1]
    places = {p.site.label: (p.x, p.y) for p in drawing.sites}
    assert len(places) == 6
    (x0, y0), (x1, _), (_, y1) = (places[f"W001-1-0{n}, not in hand"] for n in ("203", "204", "303"))
    assert (y1 - y0) / (x1 - x0) == pytest.approx(400 / 300, rel=0.01)
    assert drawing.outline.count("L") == 3
    assert [p.site.href for p in drawing.sites][:2] == ["/devices/W001-1-0202", "/chips/W001-A/take?sites=1-0203"]
    assert [p.site.chosen for p in drawing.sites][:2] == [True, False]


def test_what_to_show_first() -> None:
    """Q where any was measured, else the stage; nonsense asks for nothing."""
    assert first_show([device(1, 1)], "") == "stage"
    assert first_show([device(1, 1, q_best=1e8)], "nonsense") == "q_best"
    assert first_show([device(1, 1, q_best=1e8)], "verdict") == "verdict"
