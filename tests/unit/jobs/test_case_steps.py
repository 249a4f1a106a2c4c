"""How far the job of a case is told, step by step."""

from __future__ import annotations

import pytest

from mendbay.case.agenda import WaitsFor
from mendbay.case.agenda_tables import packaged_chores
from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.records import Bay, CaseKind, CaseState, Event, Image
from mendbay.core.errors import NoSuchCase
from mendbay.imaging.hazard import Condition
from mendbay.jobs import triage_case
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_steps import BOARD_WORK, CaseSteps, JobStep, StepName, StepState, tell_steps
from mendbay.jobs.drive_condition import say_condition
from mendbay.jobs.hand_over_items import receive, release
from mendbay.jobs.keep_items import add_item, number_items
from mendbay.jobs.looks import NOTHING_TO_JOIN
from mendbay.jobs.measure_board import enter
from mendbay.jobs.other_half import ASIDE, HALVES
from mendbay.jobs.ports import ImageGlance
from mendbay.jobs.quote_case import make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.reached_customer import COPY_CHECKED
from mendbay.jobs.take_in import take_in
from mendbay.jobs.triage_case import answer, take_back
from mendbay.jobs.waiting import wait
from mendbay.triage.belief import Asked
from mendbay.triage.table_file import packaged_tables


def step(told: CaseSteps, name: StepName) -> JobStep:
    return next(one for one in told.steps if one.name is name)


def image(bench: Bench, bay: str, read: int, refused: int, unread: int) -> None:
    bench.ledger.note_image(
        Image(
            *(1, bay, f"bay-{bay}.img", "port", bench.now()),
            read_bytes=read,
            refused_bytes=refused,
            unread_bytes=unread,
        )
    )


def test_every_step_once_in_the_order_of_the_job(bench: Bench) -> None:
    told = tell_steps(bench, 1)
    assert [one.name for one in told.steps] == list(StepName)
    assert all(one.words.endswith(".") and one.rests_on for one in told.steps)
    with pytest.raises(NoSuchCase):
        tell_steps(bench, 9)


def test_nothing_is_weighed_unless_asked_and_then_remembered(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing_known = step(tell_steps(bench, 1, weigh=True), StepName.TRIAGE).words
    assert nothing_known.startswith("No answer is known; no fault stands out yet, and the likeliest is ")
    answer(bench, 1, Asked("lights"), "none")
    before = tell_steps(bench, 1)
    assert (before.next_action, before.not_yet) == (None, True)
    assert step(before, StepName.TRIAGE).words == "1 answer is known; the odds are not worked out yet."
    weighed = tell_steps(bench, 1, weigh=True)
    assert weighed.next_action is not None
    assert weighed.next_action.command
    assert "likeliest is" in step(weighed, StepName.TRIAGE).words

    def never(bench: Bench, case: int) -> object:
        raise AssertionError("weighed again")

    monkeypatch.setattr(triage_case, "tell_triage", never)
    assert tell_steps(bench, 1) == weighed


def test_an_answer_that_is_taken_back_is_known_no_more(bench: Bench) -> None:
    answer(bench, 1, Asked("sound", "1"), "clicks")
    answer(bench, 1, Asked("sound", "1"), "normal")
    assert step(tell_steps(bench, 1), StepName.TRIAGE).words.startswith("1 answer is known")
    take_back(bench, 1, Asked("sound", "1"), "a slip")
    triage = step(tell_steps(bench, 1), StepName.TRIAGE)
    assert triage.words.startswith("No answer is known")
    assert triage.state is StepState.NOT_STARTED


def test_what_was_left_to_the_other_half_is_a_share_of_its_own(bench: Bench) -> None:
    bench.ledger.amend_bay(Bay(1, "1", size_bytes=512 * 1000, sector_bytes=512))
    image(bench, "1", 512 * 132, 512 * 12, 0)
    before = step(tell_steps(bench, 1), StepName.READING)
    assert "left" not in before.words  # the size may be a label's
    bench.note(1, HALVES, "Read as one task.")
    reading = step(tell_steps(bench, 1), StepName.READING)
    assert reading.words.startswith(
        "Bay 1 13.2\u2009% read, 85.6\u2009% left to the other half, 12 sectors refused; bay 2"
    )


def test_the_reading_bay_by_bay(bench: Bench) -> None:
    reading = step(tell_steps(bench, 1), StepName.READING)
    assert (reading.state, reading.words) == (StepState.NOT_STARTED, "Bay 1 is not read; bay 2 is not read.")
    image(bench, "1", 512 * 973, 512 * 12, 512 * 15)
    told = tell_steps(bench, 1)
    reading = step(told, StepName.READING)
    assert reading.state is StepState.UNDER_WAY
    assert reading.words == "Bay 1 97.3\u2009% read, 12 sectors refused; bay 2 is not read."
    assert told.current == reading
    for bay in ("1", "2"):
        image(bench, bay, 512 * 988, 512 * 12, 0)
    assert step(tell_steps(bench, 1), StepName.READING).state is StepState.DONE
    assert step(tell_steps(bench, 1), StepName.TRIAGE).state is StepState.DONE


@pytest.mark.parametrize("kind", [CaseKind.BOARD_REPAIR, CaseKind.BOARD_SWAP, CaseKind.ENQUIRY])
def test_without_a_drive_nothing_is_to_be_read(bench: Bench, kind: CaseKind) -> None:
    bench.ledger.amend_case(1, kind=kind)
    told = tell_steps(bench, 1)
    for name in (StepName.TRIAGE, StepName.READING, StepName.PAIR, StepName.FILES, StepName.HAND_BACK):
        assert step(told, name).state is StepState.NOT_NEEDED
    board = step(told, StepName.BOARD).state
    assert board is (StepState.NOT_NEEDED if kind is CaseKind.ENQUIRY else StepState.NOT_STARTED)


@pytest.mark.parametrize(("kind", "what"), [(CaseKind.NOT_SAID, "what"), (CaseKind.DRIVE, "which drive")])
def test_a_case_without_bays(bench: Bench, kind: CaseKind, what: str) -> None:
    number = take_in(bench, "Oakhanger Bakery").number
    bench.ledger.amend_case(number, kind=kind)
    reading = step(tell_steps(bench, number), StepName.READING)
    assert reading.words == f"Nobody put down yet {what} came in."
    assert reading.state is StepState.NOT_STARTED
    bench.ledger.amend_case(number, state=CaseState.CLOSED)
    reading = step(tell_steps(bench, number), StepName.READING)
    assert (reading.state, reading.words) == (StepState.NOT_NEEDED, "No drive is described yet.")


def test_a_box_that_nobody_looked_into_yet_has_its_drives_before_it(bench: Bench) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    bench.ledger.amend_case(case, kind=CaseKind.BOX)
    for name in (StepName.READING, StepName.PAIR, StepName.FILES, StepName.HAND_BACK):
        found = step(tell_steps(bench, case), name)
        assert (found.state, found.words) == (
            StepState.NOT_STARTED,
            "Nobody put down yet what of the box came in.",
        )


def test_a_drive_of_which_nobody_said_which_it_is_has_its_reading_before_it(bench: Bench) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    bench.ledger.amend_case(case, kind=CaseKind.DRIVE)
    for name in (StepName.READING, StepName.FILES, StepName.HAND_BACK):
        found = step(tell_steps(bench, case), name)
        assert (found.state, found.words) == (
            StepState.NOT_STARTED,
            "Nobody put down yet which drive came in.",
        )
    pair = step(tell_steps(bench, case), StepName.PAIR)
    assert (pair.state, pair.words) == (StepState.NOT_NEEDED, NOTHING_TO_JOIN)


def test_what_is_waited_for_stands_at_the_step_that_it_holds_up(bench: Bench) -> None:
    image(bench, "1", 512, 0, 512)
    make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    wait(bench, 1, WaitsFor.CUSTOMER, "the password")
    told = tell_steps(bench, 1)
    found = {one.name: one.waits.what for one in told.steps if one.waits}
    assert found == {StepName.READING: "the password", StepName.CLOSING: "an answer to quote 1"}
    assert step(told, StepName.CLOSING).state is StepState.WAITING


def test_a_drive_that_is_being_read_is_under_way_and_not_waiting(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.images, "glance", lambda case, bay: ImageGlance(bay == "1", 1))
    reading = step(tell_steps(bench, 1), StepName.READING)
    assert reading.state is StepState.UNDER_WAY
    assert reading.waits
    assert reading.waits.who is WaitsFor.MACHINE
    wait(bench, 1, WaitsFor.MACHINE, "another drive in the same cradle")
    assert step(tell_steps(bench, 1), StepName.READING).state is StepState.WAITING


def test_the_board(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    enter(bench, 1, "1", "rail-5v", "0.9")
    board = step(tell_steps(bench, 1), StepName.BOARD)
    assert board.words.startswith("On record: 2 entries of the electrical sheet. Bay 1: 5 V barred, ")
    assert board.words.endswith(" steps of the sheet to be measured.")
    assert board.state is StepState.UNDER_WAY


def test_triage_is_under_way_where_the_case_itself_tells_of_a_fault(bench: Bench) -> None:
    say_condition(bench, 1, "1", Condition.CLICKS)
    triage = step(tell_steps(bench, 1, weigh=True), StepName.TRIAGE)
    assert triage.words.startswith("No answer is known; likeliest is the heads")
    assert triage.state is StepState.UNDER_WAY


def test_pair_files_and_hand_back_follow_the_story(bench: Bench) -> None:
    bench.ledger.note_event(1, Event(bench.now(), "pair", "Volume known: 4 096 bytes on bays 1, 2."))
    told = tell_steps(bench, 1)
    assert step(told, StepName.PAIR).words == "Volume known: 4 096 bytes on bays 1, 2."
    assert step(told, StepName.PAIR).state is StepState.DONE
    assert step(told, StepName.FILES).state is StepState.UNDER_WAY
    bench.ledger.note_event(1, Event(bench.now(), "hand-back-begun", "Hand-back begun."))
    assert step(tell_steps(bench, 1), StepName.HAND_BACK).state is StepState.UNDER_WAY
    bench.ledger.note_event(1, Event(bench.now(), "hand-back", "A hand-back of 3 files."))
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    told = tell_steps(bench, 1)
    assert step(told, StepName.FILES).words == "A hand-back of 3 files."
    back = step(told, StepName.HAND_BACK)
    assert back.state is StepState.UNDER_WAY, "a copy in a folder has brought nobody anything"
    assert "no copy on the customer's medium is checked yet, and nothing is handed out" in back.words
    assert told.stands == "copied, nothing handed out"
    assert told.current == back
    bench.note(1, COPY_CHECKED, "A copy was checked.")
    told = tell_steps(bench, 1)
    back = step(told, StepName.HAND_BACK)
    assert back.state is StepState.UNDER_WAY, "a checked copy has reached nobody yet"
    assert "a copy on another medium was checked on" in back.words
    assert "nothing is handed out yet" in back.words
    assert told.stands == "copied, nothing handed out"
    assert told.current == back
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    told = tell_steps(bench, 1)
    assert told.current is None, "nothing of its things is noted, as of cases closed long ago"
    number_items(bench, 1)  # as closing does
    told = tell_steps(bench, 1)
    assert told.current == step(told, StepName.CLOSING), "the drives are still here"
    back = step(told, StepName.HAND_BACK)
    assert back.state is StepState.NOT_NEEDED, "closing a case hands nothing out"
    assert back.words.endswith("nothing is handed out yet. It is not needed any more: the case is closed.")


def test_a_hand_over_ends_the_hand_back_and_is_told_with_what_was_signed(bench: Bench) -> None:
    bench.note(1, "hand-back", "A hand-back of 3 files.")
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    drive, medium = (str(add_item(bench, 1, one).number) for one in (What.DRIVE, What.MEDIUM))
    release(bench, 1, [drive], Role.CUSTOMER)
    told = tell_steps(bench, 1)
    back = step(told, StepName.HAND_BACK)
    assert back.state is StepState.UNDER_WAY, "no files went with a drive"
    assert told.stands == "copied, no medium handed out"
    assert "things went, no medium among them, to the customer with hand-over 1" in back.words
    release(bench, 1, [medium], Role.COURIER)
    told = tell_steps(bench, 1)
    back = step(told, StepName.HAND_BACK)
    assert told.stands == "copied, with the courier"
    assert back.state is StepState.DONE
    assert "no check of a copy on another medium is on record" in back.words
    assert "a medium went to the courier with hand-over 2" in back.words
    assert "with nothing signed kept" in back.words
    receive(bench, 1, [medium], Role.COURIER)
    release(bench, 1, [medium], Role.CUSTOMER)
    assert tell_steps(bench, 1).stands == "handed back"


def test_a_case_that_was_closed_without_more_being_done(bench: Bench) -> None:
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    release(bench, 1, ["1", "2"], Role.CUSTOMER)
    told = tell_steps(bench, 1)
    states = {one.name: one.state for one in told.steps}
    assert states.pop(StepName.TAKE_IN) is states.pop(StepName.CLOSING) is StepState.DONE
    assert set(states.values()) == {StepState.NOT_NEEDED}


@pytest.mark.parametrize("state", [CaseState.HANDED_BACK, CaseState.CLOSED])
def test_essential_questions_that_are_open_are_told_though_the_job_is_over(
    bench: Bench, state: CaseState
) -> None:
    bench.ledger.amend_case(1, state=state)
    take_in_step = step(tell_steps(bench, 1), StepName.TAKE_IN)
    closed = state is CaseState.CLOSED
    assert ("essential questions are open." in take_in_step.words) is not closed, "nothing is asked any more"
    assert take_in_step.state is (StepState.DONE if closed else StepState.UNDER_WAY)
    how = "the case is closed" if closed else "the case is handed back"
    assert how in step(tell_steps(bench, 1), StepName.PAIR).words


def test_a_checked_copy_of_an_earlier_hand_back_is_told_as_that(bench: Bench) -> None:
    bench.note(1, "hand-back", "A hand-back of 77 files.", {"manifest_sha256": "a" * 64})
    bench.note(1, COPY_CHECKED, "A copy was checked.", {"manifest_sha256": "a" * 64})
    bench.note(1, "hand-back", "A hand-back of 9 files.", {"manifest_sha256": "b" * 64})
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    today = bench.now()[:10]
    words = step(tell_steps(bench, 1), StepName.HAND_BACK).words
    assert f"the copy that was checked on {today} is of an earlier hand-back" in words
    assert "no copy of this one on the customer's medium is checked yet" in words
    bench.note(1, COPY_CHECKED, "A copy was checked.", {"manifest_sha256": "b" * 64})
    words = step(tell_steps(bench, 1), StepName.HAND_BACK).words
    assert "earlier" not in words


def test_what_take_in_leaves_open_is_not_where_the_job_stands_once_it_is_handed_back(bench: Bench) -> None:
    bench.note(1, "hand-back", "A hand-back of 3 files.")
    bench.note(1, COPY_CHECKED, "A copy was checked.")
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    told = tell_steps(bench, 1)
    assert step(told, StepName.TAKE_IN).state is StepState.UNDER_WAY
    assert told.current == step(told, StepName.HAND_BACK), "no medium went to the customer"
    assert step(told, StepName.TRIAGE).words.endswith("It is not needed any more: the files are copied.")


def test_a_board_that_is_to_be_measured_next_is_not_told_as_not_needed(bench: Bench) -> None:
    assert step(tell_steps(bench, 1), StepName.BOARD).state is StepState.NOT_STARTED
    bench.ledger.amend_case(1, kind=CaseKind.DRIVE)
    answer(bench, 1, Asked("detected", "1"), "no")
    answer(bench, 1, Asked("sound-alone", "1"), "silent")
    told = tell_steps(bench, 1, weigh=True)
    assert told.next_action is not None
    assert told.next_action.id in BOARD_WORK, told.next_action
    board = step(told, StepName.BOARD)
    assert (board.state, board.words) == (
        StepState.NOT_STARTED,
        "Nothing of a board is on record. It is what to do next.",
    )


def test_work_on_boards_is_steps_of_triage() -> None:
    assert packaged_tables().steps.keys() | packaged_chores().rows.keys() >= BOARD_WORK


def test_a_sheet_that_reading_left_behind_is_not_told_as_done(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    for bay in ("1", "2"):
        image(bench, bay, 512 * 1000, 0, 0)
    board = step(tell_steps(bench, 1), StepName.BOARD)
    assert board.state is StepState.NOT_NEEDED
    assert board.words.endswith(
        " steps of the sheet to be measured. It is not needed any more: the drives are read."
    )


def test_halves_that_were_read_as_one_task_were_looked_at(bench: Bench) -> None:
    bench.note(1, HALVES, "Both drives are halves of one mirror.")
    pair = step(tell_steps(bench, 1), StepName.PAIR)
    assert (pair.state, pair.words) == (StepState.UNDER_WAY, "Both drives are halves of one mirror.")
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    assert step(tell_steps(bench, 1), StepName.PAIR).state is StepState.DONE
    bench.ledger.amend_case(1, state=CaseState.OPEN)
    bench.note(1, "imaging", "Set aside.", {ASIDE: "bay-1-aside.img"})
    assert step(tell_steps(bench, 1), StepName.PAIR).state is StepState.NOT_STARTED
