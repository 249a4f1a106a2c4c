"""The electrical sheet comes back from the ledger as it was filled in, and holds power back at a short."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.board.electrical_form import Gate, Size, ValueClass
from mendbay.case.records import CaseKind
from mendbay.core.errors import UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.measure_board import (
    describe_board,
    enter,
    override,
    skip,
    step_of,
    take_override_back,
    tell_sheet,
)


def test_entries_come_back_and_the_next_step_has_its_cautions(bench: Bench) -> None:
    assert tell_sheet(bench, 1, "1").standing.next is not None
    enter(bench, 1, "1", "leads", "0.3")
    after = enter(bench, 1, "1", "suppressor-12v", "0.4", note="glows")
    again = tell_sheet(bench, 1, "1")
    assert again.sheet == after.sheet
    assert again.standing.judgements["suppressor-12v"].value_class is ValueClass.SHORT
    assert {one.gate for one in again.standing.closings} == {Gate.TWELVE}
    assert again.cautions
    assert tell_sheet(bench, 1, "2").sheet.records == ()


def test_a_short_holds_power_back_until_a_person_answers_for_it(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    with pytest.raises(UsageError):
        enter(bench, 1, "1", "volts-12v", "12.0")
    measured = override(bench, 1, "1", Gate.TWELVE, "the suppressor was taken off")
    assert measured.standing.closings == ()
    assert tell_sheet(bench, 1, "1").standing.closings == ()
    last = bench.ledger.custody(1)[-1]
    assert "power allowed" in last.what
    assert "suppressor was taken off" in last.item


def test_an_override_is_taken_back(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    with pytest.raises(UsageError, match="Nobody's word"):
        take_override_back(bench, 1, "1", Gate.TWELVE, "a slip")
    override(bench, 1, "1", Gate.TWELVE, "the suppressor was taken off")
    again = take_override_back(bench, 1, "1", Gate.TWELVE, "it was the other board")
    assert {one.gate for one in again.standing.closings} == {Gate.TWELVE}
    assert again.standing.overridden == ()
    assert tell_sheet(bench, 1, "1").sheet == again.sheet
    assert "other board" in bench.ledger.custody(1)[-1].item
    assert override(bench, 1, "1", Gate.TWELVE, "this board now").standing.closings == ()
    told = [one.text for one in bench.ledger.events(1)]
    assert "Bay 1, leads: 0.3\u2009Ω; within what is usual." in told
    assert "Bay 1, suppressor-12v: 0.4\u2009Ω; short." in told
    assert any("12 V barred again" in one for one in told)


def test_a_sheet_of_another_size_tells_what_changed(bench: Bench) -> None:
    assert describe_board(bench, 1, "1", Size.LARGE).told == (), "nothing was measured yet"
    enter(bench, 1, "1", "leads", "0.3")
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    told = " ".join(describe_board(bench, 1, "1", Size.SMALL).told)
    assert "2.5-inch" in told
    assert "suppressor-12v" in told
    assert describe_board(bench, 1, "1", Size.SMALL).told == ()


def test_nothing_is_kept_of_what_is_refused(bench: Bench) -> None:
    for step, text in (("no-such-step", "1"), ("leads", "banana")):
        with pytest.raises(UsageError):
            enter(bench, 1, "1", step, text)
    with pytest.raises(UsageError):
        override(bench, 1, "1", Gate.FIVE, "because")
    assert tell_sheet(bench, 1, "1").sheet.records == ()
    assert len(bench.ledger.custody(1)) == 3, "only what take-in wrote"


def test_what_is_known_of_the_drive_judges_entries_anew(bench: Bench) -> None:
    assert tell_sheet(bench, 1, "1").sheet.size is Size.UNKNOWN
    measured = describe_board(bench, 1, "1", Size.LARGE, drive_at_hand=False)
    assert (measured.sheet.size, measured.sheet.drive_at_hand) == (Size.LARGE, False)
    again = describe_board(bench, 1, "1", drive_at_hand=True)
    assert (again.sheet.size, again.sheet.drive_at_hand) == (Size.LARGE, True)


def test_a_step_is_left_out_with_its_reason(bench: Bench) -> None:
    measured = skip(bench, 1, "1", "wrist-strap", "no tester here")
    assert measured.standing.of("wrist-strap").state.value == "skipped"
    assert tell_sheet(bench, 1, "1").sheet == measured.sheet


def test_why_a_step_is_left_out_names_no_customer(bench: Bench) -> None:
    with pytest.raises(UsageError, match="names the customer"):
        skip(bench, 1, "1", "wrist-strap", f"{bench.ledger.case(1).customer} has it")
    assert tell_sheet(bench, 1, "1").sheet.records == ()


def test_an_unknown_step_is_told(bench: Bench) -> None:
    with pytest.raises(UsageError, match="no step"):
        step_of(tell_sheet(bench, 1, "1").sheet, "nonsense")


def test_cautions_count_as_read_only_by_who_was_offered_their_step(bench: Bench) -> None:
    first = enter(bench, 1, "1", "burns", "none")
    assert {one.id for one in first.missed} == {"static", "power-off"}, "nothing was offered yet"
    enter(bench, 1, "1", "leads", "0.3")
    skip(bench, 1, "1", "wrist-strap", "no tester")
    offered = enter(bench, 1, "1", "pads", "clean")
    assert offered.missed == ()
    assert "isopropanol" in offered.read
    unoffered = enter(bench, 1, "1", "suppressor-12v", "20k")
    assert {one.id for one in unoffered.missed} == {"hot-air", "lead"}
    other = replace(bench, who="somebody else")
    assert {one.id for one in enter(other, 1, "1", "rail-5v", "20k").missed} == {"static", "power-off"}


def test_the_sheet_names_the_cautions_that_most_steps_ask_for(bench: Bench) -> None:
    assert [one.id for one in tell_sheet(bench, 1, "1").common] == ["static", "power-off"]


def test_the_sheet_of_a_loose_board_is_of_the_board_alone_until_something_of_a_drive_is_known(
    bench: Bench,
) -> None:
    assert tell_sheet(bench, 1, "1").sheet.drive_at_hand
    bench.ledger.amend_case(1, kind=CaseKind.BOARD_REPAIR)
    assert not tell_sheet(bench, 1, "1").sheet.drive_at_hand
    enter(bench, 1, "1", "leads", "0.3")
    assert not tell_sheet(bench, 1, "1").sheet.drive_at_hand
    assert describe_board(bench, 1, "1", drive_at_hand=True).sheet.drive_at_hand
    bench.ledger.amend_case(1, kind=CaseKind.DRIVE)
    enter(bench, 1, "2", "motor-case", "0.4")
    bench.ledger.amend_case(1, kind=CaseKind.BOARD_REPAIR)
    measured = tell_sheet(bench, 1, "2")
    assert measured.sheet.drive_at_hand
    assert [one.gate for one in measured.standing.closings] == [Gate.DRIVE], "what was closed stays closed"
