"""What is told of the boards of a case: every kind of record against the step's word, and the next action."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from mendbay.board.electrical_form import Size
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_summary import short
from mendbay.board.swap_odds import Purpose as Swap
from mendbay.board.transfer import Certificate
from mendbay.board.transfer_plan import Purpose
from mendbay.case.plain_words import packaged_plain_words
from mendbay.case.records import CaseKind, CaseState, Image
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_step import board_stands
from mendbay.jobs.case_steps import BOARD_WORK, JobStep, StepName, StepState, tell_steps
from mendbay.jobs.measure_board import describe_board, enter, tell_sheet
from mendbay.jobs.transfer_notes import GIVEN_UP, RESTORED
from mendbay.jobs.triage_case import answer, note_about, note_answer
from mendbay.jobs.withdraw import subject_of, withdraw
from mendbay.triage.belief import Asked
from support.electrical import sound_value

DUE = " steps of the sheet to be measured."


def note(bench: Bench, kind: NoteKind, subject: str, body: dict[str, object], at: str = "") -> None:
    bench.notes.add(Note(1, "1", kind, subject, at or bench.now(), "Ada", json.dumps(body)))


def pictures(bench: Bench) -> None:
    note(bench, NoteKind.PICTURE, "front.jpg", {})


def dump(bench: Bench, role: str = "patient") -> None:
    path = f"bay-1-rom/{role}-1-1.bin"
    file = {"path": path, "sha256": "0" * 64, "size_bytes": 1 << 18}
    body = {"file": file, "role": role, "sitting": 1, "at": bench.now(), "origin": "dump.bin"}
    note(bench, NoteKind.DUMP, path, body)


def dump_of_donor(bench: Bench) -> None:
    dump(bench, "donor")


def dump_withdrawn(bench: Bench) -> None:
    dump(bench)
    withdraw(bench, map(subject_of, bench.notes.of(NoteKind.DUMP, 1)), 1, "1", "another chip")


def sheet_begun(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")


def sheet_closed(bench: Bench) -> None:
    sheet_begun(bench)
    enter(bench, 1, "1", "rail-5v", "0.9")


def sheet_sound(bench: Bench, **otherwise: str) -> None:
    """All of it that a board alone is measured by."""
    describe_board(bench, 1, "1", Size.LARGE, False)
    for step in packaged_form().steps.values():
        if step.id in short(tell_sheet(bench, 1, "1").sheet).left:
            value = otherwise.get(step.id.replace("-", "_"), sound_value(step))
            enter(bench, 1, "1", step.id, value)


def sheet_amiss(bench: Bench) -> None:
    """All of it, with a part that has to be mended and closes nothing."""
    sheet_sound(bench, link_5v="OL")


def plan(bench: Bench) -> None:
    note(bench, NoteKind.PLAN, "job", {})


def plan_given_up(bench: Bench) -> None:
    plan(bench)
    withdraw(bench, [f"{GIVEN_UP}job"], 1, "1", "the chip is dead")


def certificate(bench: Bench, purpose: Purpose = Purpose.TRANSFER) -> None:
    made = Certificate(
        *(str(purpose), "", "job", "", "", "", (), "EF4012", "a chip", "", 1, 3.3, "", "donor", "", ""),
        *(1, 1, 0, 0, False, (), (), "", ""),
    )
    subject = "job" if purpose is Purpose.TRANSFER else f"{RESTORED}job"
    note(bench, NoteKind.CERTIFICATE, subject, made.as_record())


def certificate_restored(bench: Bench) -> None:
    certificate(bench)
    certificate(bench, Purpose.RESTORE)


def swap(bench: Bench, worked: bool = True, purpose: Swap = Swap.BOARD_SWAP) -> None:
    body = {"purpose": str(purpose), "agreement": {}, "worked": worked, "remark": ""}
    note(bench, NoteKind.SWAP, "1", body, "2999-01-01T00:00:00Z")


def swap_without_help(bench: Bench) -> None:
    swap(bench, worked=False)


def heads(bench: Bench) -> None:
    swap(bench, purpose=Swap.HEAD_TRANSPLANT)


def detected(bench: Bench) -> None:
    answer(bench, 1, Asked("detected", "1"), "right")


def read_through(bench: Bench) -> None:
    for bay in ("1", "2"):
        place = (1, bay, f"bay-{bay}.img", "port", bench.now())
        bench.ledger.note_image(Image(*place, read_bytes=512, refused_bytes=0, unread_bytes=0))


def loose(bench: Bench) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.BOARD_REPAIR)


def to_swap(bench: Bench) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.BOARD_SWAP)


def over(bench: Bench) -> None:
    bench.ledger.amend_case(1, state=CaseState.CLOSED)


def board(bench: Bench, *, weigh: bool = False) -> JobStep:
    return next(one for one in tell_steps(bench, 1, weigh=weigh).steps if one.name is StepName.BOARD)


UNDER_WAY, DONE, NOT_NEEDED = StepState.UNDER_WAY, StepState.DONE, StepState.NOT_NEEDED
NOT_KNOWN = "Whether one needs any work is not known yet."
MOVED = "ROM moved and proven"
UNTRIED = f"Bay 1: {MOVED}; whether the drive works with it is not known."
READ = "It is not needed any more: the drives are read."
RECORDS: tuple[tuple[tuple[Callable[[Bench], None], ...], StepState, str], ...] = (
    ((), StepState.NOT_STARTED, f"Nothing of a board is on record. {NOT_KNOWN}"),
    ((over,), NOT_NEEDED, "Nothing of a board is on record."),
    ((detected,), NOT_NEEDED, "Nothing of a board is on record."),
    ((read_through,), NOT_NEEDED, "Nothing of a board is on record."),
    ((loose,), StepState.NOT_STARTED, "Nothing of a board is on record."),
    ((loose, over), NOT_NEEDED, "Nothing of a board is on record."),
    ((pictures,), UNDER_WAY, "Bay 1: pictures kept; sheet not measured."),
    ((pictures, read_through), NOT_NEEDED, f"Bay 1: pictures kept; sheet not measured. {READ}"),
    ((dump,), UNDER_WAY, "On record: 1 read of a ROM. Bay 1: ROM read; sheet not measured."),
    ((dump, loose), UNDER_WAY, "Bay 1: ROM read; sheet not measured."),
    ((dump, to_swap), UNDER_WAY, "Bay 1: ROM read; sheet not measured, ROM not moved."),
    ((dump, read_through), NOT_NEEDED, f"Bay 1: ROM read; sheet not measured. {READ}"),
    ((dump, over), NOT_NEEDED, "sheet not measured. It is not needed any more: the case is closed."),
    ((dump_of_donor,), UNDER_WAY, "Bay 1: only the ROM of another board read; sheet not measured."),
    ((dump_withdrawn,), StepState.NOT_STARTED, f"Nothing of a board is on record. {NOT_KNOWN}"),
    ((dump, sheet_begun), UNDER_WAY, DUE),
    ((dump, sheet_closed), UNDER_WAY, "Bay 1: ROM read; 5 V barred, "),
    ((dump, sheet_sound), DONE, "Bay 1: ROM read, sheet measured."),
    ((sheet_begun,), UNDER_WAY, DUE),
    ((sheet_begun, over), NOT_NEEDED, DUE),
    ((sheet_sound,), DONE, "Bay 1: sheet measured."),
    ((sheet_sound, loose), DONE, "Bay 1: sheet measured."),
    ((sheet_sound, to_swap), UNDER_WAY, "Bay 1: sheet measured; ROM not read."),
    ((sheet_amiss,), UNDER_WAY, "Bay 1: sheet measured; not mended: "),
    ((sheet_amiss, read_through), NOT_NEEDED, READ),
    ((dump, plan), UNDER_WAY, "sheet not measured, a transfer of the ROM is planned and not proven."),
    ((dump, plan_given_up), UNDER_WAY, "Bay 1: ROM read; sheet not measured."),
    ((dump, certificate), UNDER_WAY, UNTRIED),
    ((dump, certificate, to_swap), DONE, f"Bay 1: {MOVED}."),
    ((dump, certificate, detected), DONE, f"Bay 1: {MOVED}."),
    ((dump, certificate, read_through), DONE, f"Bay 1: {MOVED}."),
    ((dump, certificate, over), NOT_NEEDED, "is not known. It is not needed any more: the case is closed."),
    ((dump, certificate, sheet_closed), UNDER_WAY, f"Bay 1: {MOVED}; 5 V barred, "),
    ((dump, certificate, sheet_sound, detected), DONE, f"Bay 1: {MOVED}, sheet measured."),
    ((certificate_restored,), UNDER_WAY, "sheet not measured, the backup was put back after a transfer."),
    ((swap,), DONE, "On record: 1 swap. Bay 1: another board works."),
    ((sheet_closed, swap), DONE, "Bay 1: another board works."),
    ((dump, certificate, swap), DONE, f"Bay 1: another board works, {MOVED}."),
    ((swap_without_help,), UNDER_WAY, "Bay 1: the last swap of the board did not help."),
    ((swap_without_help, read_through), NOT_NEEDED, READ),
    ((swap_without_help, swap), DONE, "Bay 1: another board works."),
    ((sheet_closed, swap_without_help), UNDER_WAY, "the last swap of the board did not help, 5 V barred, "),
    ((heads,), NOT_NEEDED, "On record: 1 swap."),
)


@pytest.mark.parametrize(
    ("records", "state", "words"),
    RECORDS,
    ids=["-".join(each.__name__ for each in one[0]) or "nothing" for one in RECORDS],
)
def test_the_step_says_what_is_open_of_what_is_on_record(
    bench: Bench, records: tuple[Callable[[Bench], None], ...], state: StepState, words: str
) -> None:
    for one in records:
        one(bench)
    told = board(bench)
    assert told.state is state, told.words
    assert words in told.words
    stands = board_stands(bench, bench.ledger.case(1))
    if state is DONE:
        assert stands.done
    else:
        assert not stands.done
    chore = tell_turn(bench, 1).chore if loose in records or to_swap in records else None
    if chore is not None and over in records:
        assert chore.id == "give-things-back", "the boards are still here"
    elif chore is not None:
        left = bool(stands.stands) and stands.done
        assert chore.id == ("close" if left else "see-to-board"), chore
        assert all(one in chore.words for one in stands.open)
        assert chore.id in packaged_plain_words().steps, "a letter tells it as it is"


@pytest.mark.parametrize("records", [(dump, certificate), (sheet_closed,), (sheet_amiss,)])
def test_what_is_to_be_done_next_on_a_board_is_not_told_as_done(
    bench: Bench, records: tuple[Callable[[Bench], None], ...]
) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.DRIVE)
    note_about(bench, 1, bays=("1",))
    answers = {"detected": "no", "sound": "silent", "sound-alone": "silent", "swapped": "no"}
    for sign, said in answers.items():
        note_answer(bench, 1, Asked(sign, "1"), said)
    note_answer(bench, 1, Asked("history"), "surge")
    for one in records:
        one(bench)
    told = tell_steps(bench, 1, weigh=True)
    assert told.next_action is not None
    assert told.next_action.id in BOARD_WORK, told.next_action
    step = board(bench)
    assert step.state is UNDER_WAY
    assert step.words.endswith(" It is what to do next.")
