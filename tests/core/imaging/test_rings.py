"""Rings in simulated micrographs, to a few hundredths of a pixel; and in a photograph that a package ships."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import data
from skimage.feature import canny
from skimage.measure import CircleModel, ransac

from app.core.imaging.coarse import Seen
from app.core.imaging.judge import suggestions
from app.core.imaging.rings import Ring, find_rings, fit_ring
from tests.simulated_micrographs import covered, micrograph


def misses(rings: tuple[Ring, ...], truths: tuple[tuple[float, float, float], ...]) -> np.ndarray:
    """Error of radius, x and y of each drawn circle against the ring found of about its radius."""
    rows = []
    for x, y, radius in truths:
        near = min(rings, key=lambda ring: abs(ring.outline.radius - radius))
        rows.append((near.outline.radius - radius, near.outline.x - x, near.outline.y - y))
    return np.array(rows)


def test_disc_and_pillar_are_found_within_a_twentieth_of_a_pixel() -> None:
    """With unknown blur, noise, uneven light, pillar shadow and dust, radius and centre are within 0.05 px rms."""
    rng = np.random.default_rng(11)
    errors, pulls = [], []
    for _ in range(8):
        picture, truth = micrograph(rng)
        rings = find_rings(picture)
        assert len(rings) == 2
        error = misses(rings, (truth.disc, truth.pillar))
        errors.append(error)
        pulls.append([error[i, 0] / rings[i].outline.radius_sigma for i in range(2)])
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    assert np.all(rms < 0.05), rms
    # The stated uncertainty speaks for the scatter.
    assert 0.4 < np.sqrt(np.mean(np.square(pulls))) < 1.8


def test_it_agrees_with_a_second_opinion() -> None:
    """scikit-image's Canny edges and RANSAC circle see the same disc, to its own scatter."""
    picture, truth = micrograph(np.random.default_rng(3), blur=2.5, noise=0.03)
    edges = canny(picture, sigma=2.5, low_threshold=0.02, high_threshold=0.06)
    points = np.argwhere(edges)[:, ::-1].astype(float)
    model, _ = ransac(points, CircleModel, 3, 1.5, max_trials=300, rng=1)
    disc = find_rings(picture)[0].outline
    assert disc.radius == pytest.approx(model.radius, abs=0.3)
    assert (disc.x, disc.y) == pytest.approx(tuple(model.center), abs=0.3)
    assert disc.radius == pytest.approx(truth.disc[2], abs=0.05)


def test_coins_of_a_photograph_are_round_and_where_they_are_seen() -> None:
    """Circles roughly clicked on coins (skimage.data.coins) settle on their rims, bright inside."""
    photograph = data.coins().astype(np.float32)
    clicked = [(335.0, 43.5, 29.0), (347.0, 187.0, 32.0), (155.0, 51.0, 23.0), (103.0, 126.0, 19.0)]
    for x, y, radius in clicked:
        ring = fit_ring(photograph, Seen(x + 1, y - 1, radius + 1, 0))
        assert ring is not None
        assert ring.sign == -1
        assert abs(ring.outline.radius - radius) < 1.5
        assert np.hypot(ring.outline.x - x, ring.outline.y - y) < 1.5
        assert ring.outline.minor / ring.outline.major > 0.93


def test_an_ellipse_has_both_axes_and_its_direction() -> None:
    """A disc squeezed by 4 % is an ellipse, its axes right to a tenth of a pixel and its direction to a degree."""
    shape, turn = (480, 640), 0.5
    picture = 0.3 + 0.4 * covered(shape, 321.3, 238.8, 150.0, 144.0, turn)
    picture = gaussian_filter(picture, 2.0) + 0.01 * np.random.default_rng(4).standard_normal(shape)
    (ring,) = find_rings(picture.astype(np.float32))
    outline = ring.outline
    assert outline.major == pytest.approx(300.0, abs=0.1)
    assert outline.minor == pytest.approx(288.0, abs=0.1)
    assert outline.major_angle == pytest.approx(turn, abs=0.02)
    assert outline.eccentricity == pytest.approx(np.sqrt(1 - 0.96**2), abs=0.003)
    assert outline.roundness == pytest.approx(6.0, abs=0.3)


def test_a_round_disc_is_called_round() -> None:
    """Noise alone is not reported as out-of-roundness beyond its uncertainty, and suggests no defect."""
    picture, _ = micrograph(np.random.default_rng(7), noise=0.02, dust=0)
    disc = find_rings(picture)[0].outline
    assert disc.roundness < 3 * disc.roundness_sigma
    assert not suggestions(disc, None, reflowed=False)


def test_blur_and_brightness_do_not_move_the_edge() -> None:
    """The same small disc, sharp or blurred, bright or dark, 8 bit or 16 bit in scale, has the same radius."""
    share = covered((200, 240), 118.4, 97.7, 40.0)
    radii = []
    for blur, scale, level in ((1.0, 1.0, 0.0), (4.0, 255.0, 20.0), (4.0, -30000.0, 50000.0)):
        (ring,) = find_rings((gaussian_filter(share, blur) * scale + level).astype(np.float32))
        radii.append(ring.outline.radius)
    assert radii == pytest.approx([40.0] * 3, abs=0.03)


def test_a_disc_partly_out_of_the_picture_is_still_measured() -> None:
    """With a quarter of the disc beyond the picture's edge the rest of it tells the circle."""
    picture = gaussian_filter(0.3 + 0.4 * covered((300, 400), 75.2, 150.4, 110.0), 2.0)[:, 20:]
    (ring,) = find_rings((picture + 0.005 * np.random.default_rng(1).standard_normal(picture.shape)).astype(np.float32))
    assert (ring.outline.x, ring.outline.y) == pytest.approx((55.2, 150.4), abs=0.1)
    assert ring.outline.radius == pytest.approx(110.0, abs=0.1)


@pytest.mark.parametrize("kind", ["flat", "noise", "slope", "stripes"])
def test_where_there_is_no_ring_none_is_found(kind: str) -> None:
    """An empty, noisy, sloping or striped picture has no ring."""
    rows, columns = np.mgrid[0:256, 0:320]
    pictures = {
        "flat": np.full((256, 320), 7.0),
        "noise": np.random.default_rng(2).standard_normal((256, 320)),
        "slope": columns + 0.5 * rows,
        "stripes": (columns // 20 % 2) * 1.0,
    }
    assert find_rings(pictures[kind].astype(np.float32)) == ()
