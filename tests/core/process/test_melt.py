"""Reflow by volume: toroids and spheres, against independent integration and hand-worked figures."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from app.core.process.melt import (
    NoShape,
    Toroid,
    melted_length_um,
    sphere_on_stem_um,
    sphere_um,
    toroid,
    toroid_disc_um,
    toroid_minor_simple_um,
)

# Disc, oxide, outer, minor exactly, minor simply, membrane radius: root-found independently, µm.
TOROIDS = [
    (150, 2, 112, 9.2235, 9.2290, 46.886),
    (120, 2, 90, 8.3919, 8.3986, 36.729),
    (80, 2, 60, 7.2135, 7.2227, 22.928),
    (100, 1, 80, 4.5835, 4.5863, 35.472),
]


@pytest.mark.parametrize(("disc", "oxide", "outer", "minor", "simple", "membrane"), TOROIDS)
def test_toroids_follow_from_kept_volume(disc, oxide, outer, minor, simple, membrane):
    """Exact and simple minor diameter and the membrane's radius, to the last digit computed independently."""
    shape = toroid(disc, oxide, outer)
    assert shape.minor_um == pytest.approx(minor, abs=6e-5)
    assert shape.membrane_radius_um == pytest.approx(membrane, abs=6e-4)
    assert toroid_minor_simple_um(disc, oxide, outer) == pytest.approx(simple, abs=6e-5)


def body_volume(outer_um, minor_um, oxide_um):
    """Volume of the whole body by slices across its height, knowing nothing of lenses."""
    r, rc, h = minor_um / 2, (outer_um - minor_um) / 2, oxide_um / 2

    def slice_area(z):
        half = math.sqrt(max(r * r - z * z, 0))
        solid = abs(z) < h
        return math.pi * ((rc + half) ** 2 - (0 if solid else (rc - half) ** 2))

    return 2 * (quad(slice_area, 0, h)[0] + quad(slice_area, h, r, limit=200)[0])


@given(st.floats(30, 300), st.floats(0.5, 4), st.floats(0.55, 0.97))
def test_no_silica_is_lost_or_made(disc, oxide, shrink):
    """Whatever the disc, the toroid's sliced volume is the disc's, and the inverse finds the disc again."""
    outer = disc * shrink
    shape = toroid(disc, oxide, outer)
    if isinstance(shape, NoShape):
        assert "silica" in shape.reason or "small" in shape.reason
        return
    assert oxide <= shape.minor_um <= outer / 2
    assert body_volume(outer, shape.minor_um, oxide) == pytest.approx(math.pi / 4 * disc**2 * oxide, rel=1e-6)
    assert toroid_disc_um(outer, shape.minor_um, oxide) == pytest.approx(disc, rel=1e-6)


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ((100, 2, 100), "not smaller than its disc"),
        ((100, 2, 3), "too small for an oxide"),
        ((100, 0, 80), "above zero"),
        ((400, 4, 20), "more silica than a ring"),
    ],
)
def test_sizes_that_make_no_toroid_say_why(sizes, words):
    """Impossible sizes come back as a sentence, not as a number or an error."""
    for shape in (toroid(*sizes), toroid_minor_simple_um(*sizes)):
        assert isinstance(shape, NoShape)
        assert words in shape.reason
    assert isinstance(toroid_disc_um(60, 40, 2), NoShape)
    assert isinstance(toroid(120, 2, 90), Toroid)


@pytest.mark.parametrize(
    ("length", "simple", "on_stem"),
    [(150, 152.055, 157.492), (300, 191.577, 194.080), (500, 227.140, 228.581), (840, 270.021, 270.853)],
)
def test_spheres_follow_from_the_length_melted(length, simple, on_stem):
    """A 125 µm fibre by kept volume, without and with the cap in the stem (root-found independently)."""
    assert sphere_um(125, length) == pytest.approx(simple, abs=6e-4)
    assert sphere_on_stem_um(125, length) == pytest.approx(on_stem, abs=6e-4)
    assert melted_length_um(sphere_on_stem_um(125, length), 125) == pytest.approx(length)


def test_a_small_sphere_from_a_taper():
    """60 µm from a 20 µm taper takes 360 µm of it, the cap neglected (hand-worked)."""
    assert sphere_um(20, 360) == pytest.approx(60)


def test_too_short_a_melt_is_no_sphere():
    """Up to a third of the fibre's diameter only rounds the end; just beyond, the sphere is the stem's width."""
    assert isinstance(sphere_on_stem_um(125, 125 / 3), NoShape)
    assert sphere_on_stem_um(125, 42) == pytest.approx(125, rel=0.1)
    with pytest.raises(ValueError, match="narrower than its stem"):
        melted_length_um(100, 125)
    with pytest.raises(ValueError, match="above zero"):
        sphere_um(0, 100)


@given(st.floats(5, 200), st.floats(0.4, 50))
def test_the_stem_only_adds(fibre, lengths):
    """The cap hidden in the stem makes the sphere larger, and the melted length comes back."""
    sphere = sphere_on_stem_um(fibre, fibre * lengths)
    assert sphere >= max(fibre, sphere_um(fibre, fibre * lengths))
    assert melted_length_um(sphere, fibre) == pytest.approx(fibre * lengths, rel=1e-6)
