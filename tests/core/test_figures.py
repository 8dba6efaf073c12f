"""Figures as they are printed."""

from __future__ import annotations

from app.core.figures import exponent_text, figure, interval_text, q_text, seconds_text


def test_figures_have_thin_spaces_and_real_minus_signs() -> None:
    """1 092 with a narrow no-break space, −0.5 with a minus; a rounded nothing has no sign."""
    assert figure(1092) == "1\u202f092"
    assert figure(-1092.5, 1) == "−1\u202f092.5"
    assert figure(-0.001, 2) == "0.00"
    assert figure(None) == "not measured"
    assert figure(float("nan")) == "not measured"


def test_q_and_its_interval_share_exponent_and_decimals() -> None:
    """1.44 × 10⁸ with 1.41–1.47, also where an end lies in the next decade."""
    assert q_text(1.44e8, 1.41e8, 1.47e8) == "1.44 × 10⁸, 1.41–1.47"
    assert q_text(9.8e7, 9.1e7, 1.06e8) == "9.80 × 10⁷, 9.10–10.60"
    assert q_text(9.999e7) == "1.00 × 10⁸"
    assert q_text(None) == "not measured"


def test_intervals_with_negative_or_missing_ends_read_well() -> None:
    """A dash never meets a minus, and an end that is not known is said in words."""
    assert interval_text(-4, 4, decimals=0) == "−4 to +4"
    assert interval_text(1.2, None, decimals=1) == "over 1.2"
    assert interval_text(None, 3.0, decimals=1) == "under 3.0"
    assert interval_text(None, None) == ""


def test_powers_and_waits() -> None:
    """Raised figures and waits a person can feel."""
    assert exponent_text(-12) == "10⁻¹²"
    assert [seconds_text(s) for s in (40, 720, 18000, 777600)] == ["40\u00a0s", "12\u00a0min", "5\u00a0h", "9\u00a0d"]
