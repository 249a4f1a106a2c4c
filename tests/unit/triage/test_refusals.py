"""What the customer refused: how far plans look ahead then, and where to speak to the customer again."""

from __future__ import annotations

import pytest

from mendbay.triage.belief import Belief
from mendbay.triage.next_step import NextStep, Stakes
from mendbay.triage.refusals import MINUTES_OF_ASKING, offers_within, speak_again
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.worlds import Subject, Worlds
from support.triage import known

BOX = Worlds(packaged_tables(), Subject(("1", "2")))
DRIVE = Worlds(packaged_tables(), Subject(("1",), box=False))
DARK = known(lights="none", history="surge", sound_bay1="silent", sound_bay2="silent")
NO_LABORATORY = frozenset({"open-drive"})


@pytest.mark.parametrize("worth", [3000.0, 8000.0])
def test_without_a_laboratory_a_dead_adapter_is_seen_to_before_any_drive(worth: float) -> None:
    belief = Belief(BOX, DARK)
    assert belief.fault("adapter") > 0.9
    first = NextStep(belief, Stakes(worth), NO_LABORATORY).offers()[0]
    assert first.step.id in {"new-adapter", "try-adapter", "measure-adapter"}


def test_a_plan_goes_on_until_more_of_it_would_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut short, it would leave worlds unsolved that repairs further on mend, and what is left is lost."""
    belief = Belief(BOX, DARK)
    cost = NextStep(belief, Stakes(), NO_LABORATORY).plan().cost
    monkeypatch.setattr("mendbay.triage.plans.LONGEST_PLAN", 99)
    assert NextStep(belief, Stakes(), NO_LABORATORY).plan().cost == pytest.approx(cost, abs=1.0)
    monkeypatch.setattr("mendbay.triage.plans.LONGEST_PLAN", 6)
    assert NextStep(belief, Stakes(), NO_LABORATORY).plan().cost > cost + 20


def test_each_refusal_that_costs_more_than_asking_names_what_it_keeps_away() -> None:
    belief, refused = Belief(BOX, DARK), frozenset({"open-drive", "power-on"})
    found = speak_again(belief, Stakes(), refused, offers_within(belief, Stakes(), refused))
    assert [(one.consents, one.offer.step.id) for one in found] == [
        (("power-on",), "new-adapter"),
        (("open-drive",), "stop-and-send"),
    ]
    for one in found:
        agreed = NextStep(belief, Stakes(), refused - set(one.consents)).offers()
        (same,) = [each for each in agreed if (each.step, each.bay) == (one.offer.step, one.offer.bay)]
        assert one.offer.total == pytest.approx(same.total)
        assert one.instead == pytest.approx(
            min(each.total for each in NextStep(belief, Stakes(), refused).offers())
        )
        assert one.instead - one.offer.total > MINUTES_OF_ASKING


def test_two_refusals_that_help_only_together_are_named_together() -> None:
    """A drive that was heard and found detected can only be read, which needs both words."""
    belief = Belief(
        DRIVE,
        known(detected_bay1="right", sound_bay1="normal", sound_alone_bay1="normal", smart_bay1="counting"),
    )
    refused = frozenset({"power-on", "long-reading"})
    (found,) = speak_again(belief, Stakes(), refused, offers_within(belief, Stakes(), refused))
    assert (found.consents, found.offer.step.id) == (("long-reading", "power-on"), "read-gently")


def test_what_would_not_help_is_not_asked_again() -> None:
    clicks = Belief(DRIVE, known(sound_bay1="clicks", history="dropped"))
    refused = frozenset({"power-on", "shipping"})
    assert speak_again(clicks, Stakes(), refused, offers_within(clicks, Stakes(), refused)) == ()
