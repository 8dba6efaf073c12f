"""The one rule engine: what cannot have happened, and nothing else, is a violation."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from app.core.timeline import Deed, Family, replay

START = datetime(2026, 1, 1, tzinfo=UTC)
WAFER, CHIP, OTHER = 1, 2, 3
DISC = 7
FAMILY = Family(
    codes={WAFER: "W1", CHIP: "W1-A", OTHER: "W1-B"},
    parents={WAFER: None, CHIP: WAFER, OTHER: WAFER},
    partings={WAFER: None, CHIP: 50, OTHER: 50},
    devices={DISC: CHIP},
    device_codes={DISC: "W1-1-0101"},
)


def at(days: float) -> datetime:
    """An instant."""
    return START + timedelta(days=days)


def on(piece: int, kind: str, days: float, entry: int = 1, detail: str = "") -> Deed:
    """A deed on a piece."""
    return Deed(entry, at(days), kind, (piece,), detail=detail, label=kind.capitalize())


def shot(days: float, entry: int, outcome: str = "") -> Deed:
    """A shot on the disc."""
    return Deed(entry, at(days), "reflow", device=DISC, detail=outcome, label="Shot")


PARTING = on(WAFER, "parting", 10, 50)


def rules(*deeds: Deed, now: datetime | None = None) -> list[str]:
    """The rules broken by these deeds."""
    return [violation.rule for violation in replay(deeds, FAMILY, now=now).violations]


def test_an_ordinary_life_breaks_nothing() -> None:
    """Steps, parting, steps on the chips, shots: all possible."""
    life = [
        on(WAFER, "lithography", 1),
        on(WAFER, "oxide_etch", 2, 2),
        PARTING,
        on(CHIP, "undercut", 11, 51),
        shot(12, 52),
    ]
    assert rules(*life) == []


def test_the_incomplete_is_never_refused() -> None:
    """An undercut without any step before it is possible: what was not logged may have been done."""
    assert rules(on(WAFER, "undercut", 1), Deed(2, at(2), "reflow", device=DISC), PARTING) == []


def test_order_is_by_time_done_then_entry_number() -> None:
    """A step logged after the parting but done before it is possible; in the same minute entry numbers decide."""
    assert rules(PARTING, on(WAFER, "oxide_etch", 5, 60)) == []
    assert rules(on(WAFER, "oxide_etch", 10, 49), PARTING) == []
    assert rules(PARTING, on(WAFER, "oxide_etch", 10, 51)) == ["ended"]


def test_nothing_is_done_to_a_parted_ended_or_lost_piece() -> None:
    """Each end closes a piece, and the sentence says which, when and on what."""
    for kind, word in (("parting", "parted"), ("ending", "ended"), ("loss", "lost")):
        found = replay([on(WAFER, kind, 10, 50), on(WAFER, "oxide_etch", 11, 51)], FAMILY).violations
        assert [v.rule for v in found] == ["ended"]
        assert f"after W1 was {word} on 11 Jan 2026" in found[0].text
        assert found[0].because == 50


def test_an_ended_piece_may_still_be_put_somewhere() -> None:
    """A chip stopped on purpose is moved to another box; a parted wafer is nowhere."""
    assert rules(on(WAFER, "ending", 1), on(WAFER, "whereabouts", 2, 2, "sent")) == []
    assert rules(PARTING, on(WAFER, "whereabouts", 11, 51, "sent")) == ["ended"]


def test_a_gone_piece_comes_back_only_by_being_found() -> None:
    """After broken, lost or used up no step; after 'in the lab' again, yes. Lent pieces are worked on elsewhere."""
    for state in ("broken", "lost", "used_up"):
        gone = on(WAFER, "whereabouts", 1, 1, state)
        assert rules(gone, on(WAFER, "oxide_etch", 2, 2)) == ["gone"]
        assert rules(gone, on(WAFER, "loss", 2, 2)) == []
        assert rules(gone, on(WAFER, "whereabouts", 2, 2, "in_lab"), on(WAFER, "oxide_etch", 3, 3)) == []
    assert rules(on(WAFER, "whereabouts", 1, 1, "lent"), on(WAFER, "oxide_etch", 2, 2)) == []


def test_a_chip_is_not_older_than_its_parting() -> None:
    """A deed on a chip before the parting that made it is impossible; on the wafer it is not."""
    assert rules(PARTING, on(CHIP, "undercut", 9, 51)) == ["before_parting"]
    assert rules(PARTING, on(WAFER, "undercut", 9, 51)) == []


def test_a_parting_cannot_be_taken_back_under_its_children() -> None:
    """Without the parting, what was done to the chip was done to nothing."""
    life = [PARTING, on(CHIP, "undercut", 11, 51)]
    after = replay(life[1:], FAMILY)
    assert [v.rule for v in after.beyond(replay(life, FAMILY))] == ["no_parting"]


def test_a_gone_device_takes_no_more_deeds() -> None:
    """After a shot that left nothing, or a loss, no shot; its purpose may still be changed."""
    assert rules(PARTING, shot(11, 51, "gone"), shot(12, 52)) == ["device_gone"]
    lost = Deed(51, at(11), "loss", device=DISC)
    assert rules(PARTING, lost, shot(12, 52)) == ["device_gone"]
    assert rules(PARTING, lost, Deed(52, at(12), "purpose_change", device=DISC)) == []
    assert rules(PARTING, shot(12, 52), Deed(53, at(11), "loss", device=DISC)) == ["device_gone"]


def test_a_devices_piece_takes_it_along() -> None:
    """A device is not shot after its chip was lost, ended or broken; on the other chip nothing changed."""
    for end in (on(CHIP, "loss", 11, 51), on(CHIP, "ending", 11, 51), on(CHIP, "whereabouts", 11, 51, "broken")):
        assert len(rules(PARTING, end, shot(12, 52))) == 1
        assert rules(PARTING, end, shot(10.5, 52)) == []
    assert rules(PARTING, on(OTHER, "loss", 11, 51), shot(12, 52)) == []


def test_the_future_begins_five_minutes_from_now() -> None:
    """Clocks differ a little; more than five minutes ahead is the future."""
    now = at(5)
    assert rules(on(WAFER, "oxide_etch", 5 + 4.9 / 1440), now=now) == []
    assert rules(on(WAFER, "oxide_etch", 5 + 5.1 / 1440), now=now) == ["future"]
    assert rules(on(WAFER, "oxide_etch", 400)) == []


def test_only_what_is_new_is_held_against_a_change() -> None:
    """A violation that stood before a change does not refuse it; the one the change brings does."""
    before = [PARTING, on(WAFER, "oxide_etch", 11, 51)]
    after = [*before, on(WAFER, "undercut", 12, 52)]
    new = replay(after, FAMILY).beyond(replay(before, FAMILY))
    assert [(v.rule, v.entry) for v in new] == [("ended", 52)]
    assert not replay(before, FAMILY).beyond(replay(before, FAMILY))


def test_one_bath_of_three_pieces_is_refused_for_the_closed_one() -> None:
    """One act on several pieces names the piece it cannot have been done to."""
    bath = Deed(60, at(11), "undercut", (CHIP, OTHER, WAFER), label="Undercut")
    assert [v.piece for v in replay([PARTING, bath], FAMILY).violations] == [WAFER]


def test_lineage_goes_up_to_the_wafer() -> None:
    """Youngest first."""
    assert FAMILY.lineage(CHIP) == (CHIP, WAFER)


_DEEDS = st.lists(
    st.builds(
        Deed,
        entry=st.integers(1, 10**6),
        done_at=st.integers(0, 20).map(at),
        kind=st.sampled_from(["oxide_etch", "undercut", "parting", "loss", "ending", "taking"]),
        pieces=st.sampled_from([(WAFER,), (CHIP,), (WAFER, OTHER)]),
    ),
    max_size=8,
    unique_by=lambda deed: deed.entry,
)


@given(_DEEDS, st.randoms(use_true_random=False))
def test_the_order_in_which_deeds_are_read_does_not_matter(deeds: list[Deed], random: object) -> None:
    """Replay sorts for itself: any order of rows from the database gives the same verdict."""
    shuffled = list(deeds)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert replay(deeds, FAMILY) == replay(shuffled, FAMILY)


@given(_DEEDS)
def test_a_family_that_is_closed_stays_closed(deeds: list[Deed]) -> None:
    """Each piece ends at most once, by the earliest of its ends."""
    ends = [d for d in deeds if d.kind in ("parting", "loss", "ending")]
    for piece, state in replay(deeds, FAMILY).pieces.items():
        own = sorted((d.done_at, d.entry) for d in ends if piece in d.pieces)
        assert state.ended_by == (own[0][1] if own else None)
