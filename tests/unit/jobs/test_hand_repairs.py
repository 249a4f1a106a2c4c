"""Repairs made by hand: what was done, what came of it, and all that follows from that."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.case.consents import Word
from mendbay.case.quote import When
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_step import board_stands
from mendbay.jobs.case_steps import StepName, tell_steps
from mendbay.jobs.close_case import look_at_closing
from mendbay.jobs.closed_board import closed_board
from mendbay.jobs.consents import give_word
from mendbay.jobs.hand_repairs import CameOf, repairs_made
from mendbay.jobs.measure_board import enter
from mendbay.jobs.quote_case import make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.triage_case import answer, enter_tried, note_tried, tell_triage, withdraw_tried
from mendbay.jobs.work_on_record import on_record
from mendbay.triage.belief import Asked
from support.erasures import Standing

OFF = "The shorted suppressor of the 12 V taken off"


@pytest.fixture
def shorted(bench: Bench) -> Bench:
    """The sheet of bay 1 keeps power away; it was measured before this second, as what is measured in the
    second in which a repair is told counts as measured after it."""
    before = replace(bench, clock=Standing("2020-01-01T12:00:00Z"))
    enter(before, 1, "1", "leads", "0.3")
    enter(before, 1, "1", "rail-12v", "0.9")
    answer(bench, 1, Asked("sound", "1"), "silent")
    assert closed_board(bench, 1, "1") is not None
    return bench


def chore(bench: Bench) -> tuple[str, str, str]:
    found = tell_turn(bench, 1).chore
    assert found is not None
    return found.id, found.words, found.command


def test_one_that_helped_counts_wherever_a_board_that_works_does(shorted: Bench) -> None:
    before = tell_triage(shorted, 1).belief.fault("board-supply", "1")
    told = note_tried(shorted, 1, "mend-supply", "1", CameOf.READY, OFF)
    assert [(one.step.id, one.bay, one.done) for one in told.mended] == [("mend-supply", "1", OFF)]
    assert told.belief.fault("board-supply", "1") < before / 10
    assert closed_board(shorted, 1, "1") is None, "the drive came ready since"
    assert told.closed_boards == ()
    stands = board_stands(shorted, shorted.ledger.case(1))
    assert stands.stands == (f"Bay 1: {OFF}: done, and it helped.",)
    assert stands.done
    recorded = on_record(shorted, 1)
    assert recorded.works == {"1"}
    assert not recorded.may_be_needed("swap-board", "1")
    quote, _ = make_quote(shorted, 1, Wish())
    assert {one.key for one in quote.lines if one.when is When.DONE} == {"mend-supply:1"}
    assert any(OFF in one for one in quote.remarks)
    assert any(OFF in one.text for one in shorted.ledger.events(1))
    assert "1 repair helped" in next(
        one.words for one in tell_steps(shorted, 1).steps if one.name is StepName.TRIAGE
    )


def test_closing_asks_whether_what_it_mended_was_broken(bench: Bench) -> None:
    enter_tried(bench, 1, "new-adapter", "", CameOf.STILL_NOT)
    enter_tried(bench, 1, "mend-supply", "1", CameOf.NOT_TRIED, OFF)
    assert not any(OFF in one.words for one in look_at_closing(bench, 1).hints), "nobody tried it"
    enter_tried(bench, 1, "mend-supply", "1", CameOf.READY)
    hints = {one.words: one.found for one in look_at_closing(bench, 1).hints}
    assert hints[f"Bay 1: {OFF}: done, and it helped."] == ("board-supply:1",)
    assert () in hints.values(), "what did not help says nothing of what was broken"


def test_taken_back_it_counts_no_longer(shorted: Bench) -> None:
    enter_tried(shorted, 1, "mend-supply", "1", CameOf.READY, OFF)
    withdraw_tried(shorted, 1, "mend-supply", "1", "it was the other drive")
    assert tell_triage(shorted, 1).mended == ()
    assert closed_board(shorted, 1, "1") is not None
    assert on_record(shorted, 1).done == ()


def test_one_that_nobody_tried_is_measured_anew_then_tried_and_not_made_again(shorted: Bench) -> None:
    told = note_tried(shorted, 1, "mend-supply", "1", CameOf.NOT_TRIED, OFF)
    assert [one.done for one in told.untried] == [OFF]
    assert "mend-supply" not in {one.step.id for one in told.offers if one.bay == "1"}
    assert closed_board(shorted, 1, "1") is not None, "nothing was measured since"
    name, words, command = chore(shorted)
    assert (name, command) == ("measure-anew", "board sheet 1 1")
    assert words.startswith("STOP, no power")
    enter(shorted, 1, "1", "rail-12v", "900")
    assert closed_board(shorted, 1, "1") is None
    assert chore(shorted)[::2] == ("try-repair", "case consent 1"), "nobody asked the customer about power"
    give_word(shorted, 1, "power-on", Word.YES)
    name, words, command = chore(shorted)
    assert (name, command) == ("try-repair", "triage show 1")
    assert OFF in words
    give_word(shorted, 1, "power-on", Word.NO)
    assert chore(shorted)[0] != "try-repair"
    give_word(shorted, 1, "power-on", Word.YES)
    told = note_tried(shorted, 1, "mend-supply", "1", CameOf.STILL_NOT)
    (made,) = repairs_made(shorted, 1)
    assert (made.came_of, made.done, len(made.notes)) == (CameOf.STILL_NOT, OFF, 2), "it is what came of it"
    assert (len(told.tried), told.untried) == (1, ())
    withdraw_tried(shorted, 1, "mend-supply", "1", "the adapter was off")
    assert [one.done for one in tell_triage(shorted, 1).untried] == [OFF], "it is untried again"


def test_one_that_nobody_tried_is_let_be_once_the_drive_comes_ready_by_another(bench: Bench) -> None:
    give_word(bench, 1, "power-on", Word.YES)
    enter_tried(bench, 1, "mend-supply", "1", CameOf.NOT_TRIED, OFF)
    enter_tried(bench, 1, "swap-board", "1", CameOf.STILL_NOT)
    assert chore(bench)[0] == "try-repair"
    enter_tried(bench, 1, "swap-board", "1", CameOf.READY)
    assert board_stands(bench, bench.ledger.case(1)).done
    assert chore(bench)[0] != "try-repair"


def test_a_drive_that_gets_no_power_is_not_tried(bench: Bench) -> None:
    give_word(bench, 1, "power-on", Word.YES)
    enter_tried(bench, 1, "mend-supply", "1", CameOf.NOT_TRIED, OFF)
    assert chore(bench)[0] == "try-repair"
    answer(bench, 1, Asked("sound", "1"), "grinding")
    assert chore(bench)[0] != "try-repair"


@pytest.mark.parametrize("done", ["x" * 501, "two\nlines", "for Quillmere Pottery"])
def test_what_cannot_be_kept_is_refused(bench: Bench, done: str) -> None:
    with pytest.raises(UsageError):
        enter_tried(bench, 1, "mend-supply", "1", CameOf.READY, done)
    assert repairs_made(bench, 1) == ()


def test_a_note_that_is_none_of_ours_is_told(bench: Bench) -> None:
    bench.notes.add(
        Note(1, "1", NoteKind.TRIED, "mend-supply", bench.now(), "Ada", '{"came_of": "who knows"}')
    )
    with pytest.raises(LedgerError, match="cannot be read"):
        repairs_made(bench, 1)
