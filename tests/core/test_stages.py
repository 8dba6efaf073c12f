"""States of a device at each stage, rule by rule as the records define them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.stages import DeviceDeed, PieceStanding, last_stage, outcomes, repeated_stages, states
from app.core.vocab import STAGES, STATES

START = datetime(2026, 1, 1, tzinfo=UTC)
ALL_DONE = PieceStanding(frozenset({"patterned", "oxide_etched", "undercut"}))


def deed(kind: str, day: int, entry: int = 0, **more: str) -> DeviceDeed:
    """A deed on the device; entry numbers follow the days unless given."""
    return DeviceDeed(entry or day, START + timedelta(days=day), kind, **more)  # type: ignore[arg-type]


def look(stage: str, verdict: str, day: int, entry: int = 0) -> DeviceDeed:
    """An inspection."""
    return deed("inspection", day, entry, stage=stage, verdict=verdict)


def shot(outcome: str, day: int, purpose: str = "reflow") -> DeviceDeed:
    """A shot."""
    return deed("shot", day, outcome=outcome, purpose=purpose)


def toroid(*deeds: DeviceDeed, planned: int | None = None, purpose: str = "candidate") -> dict[str, str]:
    """Outcome at each stage of a microtoroid."""
    found = outcomes("microtoroid", purpose, deeds, planned_shots=planned)
    return {stage: outcome.outcome for stage, outcome in found.items()}


def test_nothing_done_decides_nothing() -> None:
    """A device fresh in hand has no outcome anywhere."""
    assert toroid() == {"patterned": "", "oxide_etched": "", "undercut": "", "reflowed": ""}


@pytest.mark.parametrize(("verdict", "outcome"), [("good", "passed"), ("usable", "passed"), ("reject", "failed")])
def test_an_inspection_decides_its_stage(verdict: str, outcome: str) -> None:
    """Good and usable pass, reject fails."""
    assert toroid(look("undercut", verdict, 1))["undercut"] == outcome


def test_the_latest_inspection_stands_by_time_done_then_entry() -> None:
    """A reject can be reinstated, and a later look can take it back; in the same minute the later entry counts."""
    assert toroid(look("patterned", "reject", 1), look("patterned", "good", 2))["patterned"] == "passed"
    assert toroid(look("patterned", "good", 2, 5), look("patterned", "reject", 2, 6))["patterned"] == "failed"
    assert toroid(look("patterned", "good", 3, 1), look("patterned", "reject", 2, 9))["patterned"] == "passed"


def test_a_device_level_deed_passes_the_stages_before_it() -> None:
    """A shot says that disc, etch and undercut were there; a scan that the rim was good enough to couple to."""
    assert toroid(shot("", 1)) == {
        "patterned": "passed",
        "oxide_etched": "passed",
        "undercut": "passed",
        "reflowed": "",
    }
    assert set(toroid(deed("scan", 1)).values()) == {"passed"}
    assert toroid(deed("measurement", 1)) == {
        "patterned": "passed",
        "oxide_etched": "passed",
        "undercut": "",
        "reflowed": "",
    }


def test_a_reject_that_is_shot_all_the_same_stays_rejected() -> None:
    """Shots and scans on rejects are allowed; the inspection stands."""
    assert toroid(look("undercut", "reject", 1), shot("good", 2))["undercut"] == "failed"


@pytest.mark.parametrize(("outcome", "state"), [("good", "passed"), ("off_centre", "failed"), ("no_change", "failed")])
def test_without_an_inspection_the_last_shot_is_the_verdict(outcome: str, state: str) -> None:
    """At reflow the last shot's outcome decides, whatever the first was."""
    assert toroid(shot("not_closed", 1), shot(outcome, 2))["reflowed"] == state


def test_an_inspection_counts_before_the_shots_outcome() -> None:
    """A rim called good at the laser and rejected under the microscope is rejected."""
    assert toroid(shot("good", 1), look("reflowed", "reject", 2))["reflowed"] == "failed"


def test_a_power_test_is_no_attempt() -> None:
    """A shot to try the power neither passes nor fails the rim."""
    assert toroid(shot("over_melted", 1, "power_test"))["reflowed"] == ""


def test_a_sphere_is_prepared_then_melted() -> None:
    """The fibre's shorter route follows the same rules."""
    found = outcomes("microsphere", "candidate", [shot("good", 1)])
    assert [(stage, o.outcome) for stage, o in found.items()] == [("prepared", "passed"), ("melted", "passed")]
    assert (last_stage("microsphere"), last_stage("microtoroid")) == ("melted", "reflowed")


def test_a_loss_fails_where_it_was_found() -> None:
    """Broken when found at the undercut: failed there, lost earlier after it, and nothing before is blamed."""
    deeds = [deed("loss", 5, stage="undercut")]
    assert toroid(*deeds)["undercut"] == "failed"
    found = states("microtoroid", toroid(*deeds), ALL_DONE, lost=True, shot=False)
    assert list(found.values()) == ["not_looked_at", "not_looked_at", "failed", "lost_earlier"]


def test_a_loss_found_nowhere_in_particular_fails_at_the_stage_it_never_reached() -> None:
    """A lost device waits for nothing."""
    piece = PieceStanding(frozenset({"patterned"}))
    found = states("microtoroid", toroid(deed("loss", 5)), piece, lost=True, shot=False)
    assert list(found.values()) == ["not_looked_at", "failed", "lost_earlier", "lost_earlier"]


def test_first_pass_is_lost_for_good() -> None:
    """Reinstated, a device passes, but its first pass stays failed."""
    found = outcomes("microtoroid", "candidate", [look("patterned", "reject", 1), look("patterned", "good", 2)])
    assert (found["patterned"].outcome, found["patterned"].first_pass) == ("passed", False)


@pytest.mark.parametrize(
    ("planned", "shots", "first"), [(None, 1, True), (None, 2, False), (2, 2, True), (2, 3, False)]
)
def test_first_pass_at_reflow_is_within_the_planned_shots(planned: int | None, shots: int, first: bool) -> None:
    """One shot, or as many as the recipe version plans."""
    deeds = [shot("good", day) for day in range(1, shots + 1)]
    assert outcomes("microtoroid", "candidate", deeds, planned_shots=planned)["reflowed"].first_pass is first


def test_steps_done_again_take_first_pass_from_the_whole_piece() -> None:
    """Lithography stripped and redone, a second cleave; nothing else is a repeat."""
    assert repeated_stages() == frozenset()
    assert repeated_stages(lithographies=2) == {"patterned"}
    assert repeated_stages(cleaves=2) == {"prepared"}


def test_a_purpose_changed_later_leaves_a_decided_stage() -> None:
    """It counts by what the device was for when the stage was decided; undecided stages follow the present purpose."""
    deeds = [look("patterned", "good", 1), deed("purpose", 2, purpose="test"), shot("good", 3)]
    found = outcomes("microtoroid", "candidate", deeds)
    assert (found["patterned"].counts, found["reflowed"].counts) == (True, False)
    undecided = outcomes("microtoroid", "candidate", [deed("purpose", 2, purpose="spare")])
    assert not undecided["patterned"].counts
    assert outcomes("microtoroid", "monitor", [deed("purpose", 2, purpose="candidate")])["patterned"].counts


def test_waiting_and_not_looked_at_tell_done_from_to_do() -> None:
    """A stage its piece has been through is not looked at; one it has not is waited for."""
    piece = PieceStanding(frozenset({"patterned", "oxide_etched"}))
    found = states("microtoroid", toroid(), piece, lost=False, shot=False)
    assert list(found.values()) == ["not_looked_at", "not_looked_at", "waiting", "waiting"]
    shot_at = states("microtoroid", toroid(shot("", 1)), ALL_DONE, lost=False, shot=True)
    assert shot_at["reflowed"] == "not_looked_at"


def test_an_ended_piece_takes_its_waiting_devices_out() -> None:
    """What was decided stays, what waits is not taken forward."""
    piece = PieceStanding(frozenset({"patterned"}), ended=True)
    found = states("microtoroid", toroid(look("patterned", "good", 1)), piece, lost=False, shot=False)
    assert list(found.values()) == ["passed", "not_taken_forward", "not_taken_forward", "not_taken_forward"]


def test_a_lost_piece_takes_its_devices_at_the_first_open_stage() -> None:
    """Passed stages stay passed; then lost with its piece, then lost earlier."""
    piece = PieceStanding(frozenset({"patterned", "oxide_etched"}), lost=True)
    own = toroid(look("patterned", "good", 1), look("oxide_etched", "good", 2))
    found = states("microtoroid", own, piece, lost=False, shot=False)
    assert list(found.values()) == ["passed", "passed", "lost_with_piece", "lost_earlier"]


def test_a_failed_device_is_lost_to_every_later_stage() -> None:
    """Rejected at the undercut, it does not wait for reflow, even if its chip is shot later."""
    found = states("microtoroid", toroid(look("undercut", "reject", 3)), ALL_DONE, lost=False, shot=False)
    assert (found["undercut"], found["reflowed"]) == ("failed", "lost_earlier")


_OWN = st.sampled_from(["", "passed", "failed"])


@given(
    kind=st.sampled_from(["microtoroid", "microsphere"]),
    own=st.lists(_OWN, min_size=4, max_size=4),
    done=st.integers(0, 4),
    flags=st.tuples(*[st.booleans()] * 4),
)
def test_every_device_has_one_state_at_every_stage(
    kind: str, own: list[str], done: int, flags: tuple[bool, bool, bool, bool]
) -> None:
    """Whatever happened, each stage has one of the seven states, and after a failure none is passed or waiting."""
    stages = list(STAGES[kind])
    piece = PieceStanding(frozenset(stages[:done]), lost=flags[0], ended=flags[1])
    found = list(states(kind, dict(zip(stages, own, strict=False)), piece, lost=flags[2], shot=flags[3]).values())
    assert len(found) == len(stages)
    assert set(found) <= set(STATES)
    if "failed" in found:
        assert set(found[found.index("failed") + 1 :]) <= {"lost_earlier"}
