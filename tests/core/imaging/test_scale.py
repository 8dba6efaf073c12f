"""Scales of micrographs: from a known length, from a drawn bar; circles through three points; what is suggested."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.imaging.judge import suggestions
from app.core.imaging.scale import circle_through, find_bar, um_per_px
from app.core.imaging.shape import Outline

ROUND = Outline(100, 100, 50, 100, 100, 0, 0.0, 0.01, 0.01, 0.03, 0.02)


def test_a_published_measurement_is_reproduced() -> None:
    """A sphere on its 125 µm stem, by pixel profiles (github.com/marvync/PhD-jupyter-notebooks): 269 µm."""
    scale = um_per_px(125.0, 441 - 199)
    assert scale == pytest.approx(0.516529, abs=1e-6)
    assert (576 - 56) * scale == pytest.approx(268.6, abs=0.05)
    assert round((576 - 56) * scale) == 269


@pytest.mark.parametrize(("um", "px"), [(0, 10), (10, 0), (-1, 10), (float("nan"), 3)])
def test_a_scale_of_nothing_is_refused(um: float, px: float) -> None:
    """Without a length in both units there is no scale."""
    with pytest.raises(ValueError, match="scale needs"):
        um_per_px(um, px)


@pytest.mark.parametrize("value", [0, 255])
def test_a_drawn_bar_is_found(value: int) -> None:
    """A white or black bar low in a picture of other values is found with its length in whole pixels."""
    picture = np.random.default_rng(1).integers(20, 230, (300, 400)).astype(np.uint8)
    picture[270:276, 250:350] = value
    bar = find_bar(picture)
    assert bar is not None
    assert (bar.left, bar.right, bar.length_px) == (250, 349, 100)


def test_what_a_camera_sees_is_no_bar() -> None:
    """Noise, a saturated disc and a frame are not taken for a bar."""
    rows, columns = np.mgrid[0:300, 0:400]
    picture = np.random.default_rng(1).integers(20, 230, (300, 400)).astype(np.uint8)
    picture[np.hypot(rows - 150, columns - 200) < 90] = 255
    picture[-10:] = 0
    assert find_bar(picture) is None


@given(
    x=st.floats(-500, 500),
    y=st.floats(-500, 500),
    radius=st.floats(1, 900),
    first=st.floats(0, 2),
    gaps=st.tuples(st.floats(0.5, 2.5), st.floats(0.5, 2.5)),
)
def test_three_points_give_back_their_circle(
    x: float, y: float, radius: float, first: float, gaps: tuple[float, float]
) -> None:
    """Any three well separated points of a circle give the circle again."""
    turns = np.cumsum([first, *gaps])
    points = tuple((x + radius * float(np.cos(t)), y + radius * float(np.sin(t))) for t in turns)
    assert circle_through(points) == pytest.approx((x, y, radius), rel=1e-5, abs=1e-4 * radius)


def test_points_on_a_line_give_no_circle() -> None:
    """Three points on one line, or one point three times, are refused in words."""
    for points in (((0, 0), (1, 1), (2, 2)), ((3, 3), (3, 3), (3, 3))):
        with pytest.raises(ValueError, match="one line"):
            circle_through(points)


def test_shapes_out_of_the_ordinary_are_suggested_by_name() -> None:
    """A pillar off the middle and a disc out of round are each suggested with the reason; the ordinary is not."""
    pillar = replace(ROUND, radius=20.0)
    assert suggestions(ROUND, pillar, reflowed=False) == ()
    (uneven,) = suggestions(ROUND, replace(pillar, x=104.0), reflowed=False)
    assert (uneven.kind, "8.0 %" in uneven.why) == ("uneven", True)
    (rim,) = suggestions(ROUND, replace(pillar, x=104.0), reflowed=True)
    assert rim.kind == "rim_off_centre"
    (crescent,) = suggestions(replace(ROUND, roundness=2.0), pillar, reflowed=False)
    assert crescent.kind == "crescent"
    unsure = replace(ROUND, roundness=2.0, roundness_sigma=0.8)
    assert suggestions(unsure, pillar, reflowed=False) == ()
