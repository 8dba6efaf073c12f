"""Oxide etch, undercut and exposure against published rates and hand-worked figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.process.lithography import dose_mj_cm2
from app.core.process.oxide_etch import (
    THERMAL_OXIDE_NM_PER_MIN,
    disc_top_after_etch_um,
    etch_time_s,
    measured_rate_nm_per_min,
    rate_at_temperature,
)
from app.core.process.undercut import (
    Segment,
    ceiling_um_per_cycle,
    cycles_to_go,
    dose_torr_s,
    pillar_ratio,
    pillar_top_um,
    undercut_um,
)


def test_two_micrometres_take_twenty_minutes_in_5_to_1():
    """5:1 buffered HF takes 100 nm/min off thermal oxide (Williams, Gupta, Wasilik, JMEMS 12, 761 (2003))."""
    assert etch_time_s(2000, THERMAL_OXIDE_NM_PER_MIN["BHF 5:1"]) == 20 * 60
    assert etch_time_s(2000, 120) == pytest.approx(16.667 * 60, rel=1e-4)
    assert etch_time_s(2000, 100, over_etch_percent=10) == pytest.approx(22 * 60)
    assert measured_rate_nm_per_min(2000, 1200) == 100
    with pytest.raises(ValueError, match="rate above zero"):
        etch_time_s(2000, 0)


@pytest.mark.parametrize(("activation_ev", "factor"), [(0.30, 1.2204), (0.40, 1.3041), (0.44, 1.3392)])
def test_a_bath_five_degrees_warmer_etches_faster_by_arrhenius(activation_ev, factor):
    """20 to 25 °C; 0.44 eV is quartz in HF (Zhang, Electrochemistry of Silicon and Its Oxide, ch. 4)."""
    assert rate_at_temperature(100, 20, 25, activation_ev) == pytest.approx(100 * factor, rel=5e-5)
    assert rate_at_temperature(100, 20, 20) == 100


def test_the_disc_shrinks_by_the_film_on_each_side():
    """An isotropic etch goes sideways as far as down: 2 µm with 10 % over-etch take 4.4 µm off the top face."""
    assert disc_top_after_etch_um(120, 2000, 10) == pytest.approx(115.6)
    assert disc_top_after_etch_um(3, 2000) == 0


def test_the_gas_of_one_pulse_cannot_remove_more_than_its_stoichiometry():
    """A litre of XeF₂ at 3 Torr and 25 °C holds 1.6134e-4 mol, enough for 9.729 µm over 1 cm² (hand-worked)."""
    assert ceiling_um_per_cycle(1, 3, 1) == pytest.approx(9.729, abs=5e-4)
    assert ceiling_um_per_cycle(1, 3, 10) == pytest.approx(0.9729, abs=5e-5)


def test_dose_adds_unlike_cycles_by_time_and_pressure():
    """Ten cycles of 60 s at 3 Torr and five of 30 s at 2 Torr are 2100 torr·s; nitrogen adds nothing."""
    assert dose_torr_s([Segment(10, 60, 3.0, n2_torr=5), Segment(5, 30, 2.0)]) == 2100
    assert dose_torr_s([]) == 0
    with pytest.raises(ValueError, match="zero or more"):
        Segment(-1, 60, 3)


def test_a_pillar_of_a_third_to_a_half_is_what_the_disc_leaves():
    """A 120 µm disc undercut by 35 µm stands on 50 µm: ratio 0.417, within common practice."""
    assert pillar_top_um(120, 35) == 50
    assert undercut_um(120, 50) == 35
    assert pillar_ratio(120, 50) == pytest.approx(0.4167, abs=1e-4)
    assert pillar_top_um(60, 35) == 0
    with pytest.raises(ValueError, match="130 µm does not fit under a disc of 120 µm"):
        pillar_ratio(120, 130)


def test_cycles_to_go_never_overshoot():
    """24 µm by 1800 torr·s, 35 µm wanted: 4.58 cycles of 180 torr·s, so four, and then look again."""
    go = cycles_to_go(24, 1800, 35, Segment(1, 60, 3.0))
    assert go.exact == pytest.approx(11 / 2.4)
    assert (go.whole, go.undercut_after_um) == (4, pytest.approx(33.6))
    assert cycles_to_go(36, 1800, 35, Segment(1, 60, 3.0)).whole == 0
    assert cycles_to_go(0, 0, 35, Segment(1, 60, 3.0)) is None
    assert cycles_to_go(24, 1800, 35, Segment(1, 0, 3.0)) is None


@given(st.floats(1, 60), st.floats(10, 1e4), st.floats(0, 80), st.floats(1, 100))
def test_whole_cycles_stay_within_the_target(now_um, dose, target_um, cycle_s):
    """Running the whole cycles never passes the target, and one more would."""
    go = cycles_to_go(now_um, dose, target_um, Segment(1, cycle_s, 2.0))
    step = go.um_per_torr_s * cycle_s * 2.0
    if target_um >= now_um:
        assert go.undercut_after_um <= target_um * (1 + 1e-9) + step * 1e-6
        assert go.undercut_after_um + step >= target_um * (1 - 1e-9)


def test_exposure_dose_is_lamp_times_time():
    """A lamp of 12 mW/cm² for 8.5 s gives 102 mJ/cm²."""
    assert dose_mj_cm2(12, 8.5) == 102
    with pytest.raises(ValueError, match="zero or more"):
        dose_mj_cm2(12, -1)
