"""Whose turn a case is, by what is on record and what was told, and what is then to be done."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.case.agenda import PRESSES, Entry, WaitsFor
from mendbay.case.consents import Consent, Word, packaged_risks
from mendbay.case.hand_over import Role
from mendbay.case.items import What, Where
from mendbay.case.outcome import DataBack, End, said
from mendbay.case.records import Bay, CaseKind, CaseState, Image, Intake
from mendbay.core.errors import BadFormFile, LedgerError, UsageError
from mendbay.core.money import Money
from mendbay.core.note import Note, NoteKind
from mendbay.core.source import Identity
from mendbay.jobs import agenda as agenda_job
from mendbay.jobs import things_here as things_here_job
from mendbay.jobs import triage_case as triage_job
from mendbay.jobs.agenda import known_agenda, tell_agenda, tell_turn
from mendbay.jobs.asked_by_works import AskedByWork
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import How, make_bill, pay, unpay
from mendbay.jobs.case_steps import StepState, tell_steps
from mendbay.jobs.close_case import close_case, look_at_closing
from mendbay.jobs.consents import consents_of, give_word
from mendbay.jobs.hand_over_items import receive, release
from mendbay.jobs.keep_items import add_item, items_of, move_item, number_items
from mendbay.jobs.keep_stock import add_items, reserve
from mendbay.jobs.looks import remember
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.reached_customer import COPY_CHECKED
from mendbay.jobs.remembered_port import case_of
from mendbay.jobs.take_in import add_bay, take_in
from mendbay.jobs.take_in_form import tell, untell
from mendbay.jobs.triage_case import answer, describe, note_answer, note_tried, tell_triage
from mendbay.jobs.waiting import go_on, set_due, wait
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import Asked
from mendbay.triage.tables import StepKind

LATER = "2999-01-01"


def note(bench: Bench, kind: NoteKind, subject: str, **body: object) -> None:
    bench.notes.add(Note(1, "", kind, subject, bench.now(), bench.who, json.dumps(body)))


def image(bench: Bench, bay: str, unread_bytes: int) -> None:
    bench.ledger.note_image(
        Image(1, bay, f"bay-{bay}.img", "port", bench.now(), read_bytes=4096, unread_bytes=unread_bytes)
    )


def next_words(bench: Bench) -> str:
    chore = tell_turn(bench, 1).chore
    return "" if chore is None else chore.words


def waits(entry: Entry) -> list[tuple[WaitsFor, str]]:
    return [(one.who, one.what) for one in entry.case.waits]


def everything_out(bench: Bench, case: int, role: Role = Role.CUSTOMER) -> None:
    release(bench, case, [one.code for one in items_of(bench, case)], role)


def test_the_first_step_of_triage_is_the_chore_with_its_figures(bench: Bench) -> None:
    answer(bench, 1, Asked("lights"), "none")
    told, entry = tell_triage(bench, 1), tell_turn(bench, 1)
    first = told.offers[0]
    end = min(one.total for one in told.offers if one.step.kind is StepKind.HAND_ON)
    assert entry.turn is WaitsFor.US
    assert entry.chore is not None
    assert entry.chore.id == first.step.id
    assert not first.before
    own = float(first.step.minutes.value) * float(told.belief.worlds.tables.minute_cost.value)
    assert entry.chore.worth == pytest.approx((end - first.total + own) / float(first.step.minutes.value))
    assert entry.chore.worth > 0
    assert (first.step.kind, entry.chore.value) == (StepKind.TEST, first.saves), "as triage's list has it"
    assert entry.chore.minutes == float(first.step.minutes.value)
    describe(bench, 1, worth=300_000)
    dearer = tell_turn(bench, 1).chore
    assert dearer is not None
    assert dearer.worth > entry.chore.worth


def test_a_job_that_is_best_ended_is_worth_what_that_gives(bench: Bench) -> None:
    describe(bench, 1, worth=5)
    unasked = tell_turn(bench, 1).chore
    answer(bench, 1, Asked("history"), "nothing")
    given_back = tell_turn(bench, 1).chore
    assert given_back is not None
    assert (given_back.id, given_back.worth) == ("give-back", 3.0), "30 for ending it, in 10 minutes"
    assert unasked is not None
    assert (unasked.id, unasked.command, unasked.worth) == ("take-in", "case take-in 1", 3.0)
    describe(bench, 1, worth=100_000)
    for sign, bay in (("sound", "1"), ("sound", "2"), ("sound-alone", "1"), ("sound-alone", "2")):
        answer(bench, 1, Asked(sign, bay), "clicks")
    answer(bench, 1, Asked("history"), "dropped")
    told = tell_triage(bench, 1)
    sent = next(one for one in told.offers if one.step.kind is StepKind.HAND_ON)
    gathering = agenda_job._Gathering(
        bench, agenda_job.whole_shop(bench), "2026-11-28", agenda_job.Weigh.ANEW
    )
    chore = gathering._weighed(replace(told, offers=(sent,)))
    gives = sent.solves * 100_000 - float(sent.step.money.value)
    assert chore.worth == pytest.approx(gives / float(sent.step.minutes.value))


def test_what_is_told_and_what_is_on_record(bench: Bench) -> None:
    assert waits(tell_turn(bench, 1)) == []
    assert wait(bench, 1, WaitsFor.PART, "a motor driver", LATER).state is CaseState.WAITING
    entry = tell_turn(bench, 1)
    assert waits(entry) == [(WaitsFor.PART, "a motor driver")]
    assert (entry.case.waits[0].until, entry.case.waits[0].told, entry.chore) == (LATER, True, None)
    assert [one.case.number for one in tell_agenda(bench).agenda.steps] == []
    assert go_on(bench, 1).case.state is CaseState.OPEN
    assert waits(tell_turn(bench, 1)) == []
    story = [one.text for one in bench.ledger.events(1) if one.kind == "waiting"]
    assert story == [f"Waits for a part, expected by {LATER}.", "Goes on."]


def test_why_it_waits_is_in_its_note_alone_as_it_may_name_the_customer(bench: Bench) -> None:
    said = f"{bench.ledger.case(1).customer} is away"
    wait(bench, 1, WaitsFor.CUSTOMER, said)
    assert waits(tell_turn(bench, 1)) == [(WaitsFor.CUSTOMER, said)]
    story = [one.text for one in bench.ledger.events(1) if one.kind == "waiting"]
    assert story == ["Waits for the customer."]
    assert not any("away" in one.text for one in bench.ledger.events(1))


def test_what_a_customer_left_is_still_to_be_handed_over_once_the_case_is_closed(bench: Bench) -> None:
    add_item(bench, 1, What.BOX)
    close_case(bench, 1, said([], nothing_broken=True, end=End.GIVEN_BACK, data=DataBack.NONE))
    entry = tell_turn(bench, 1)
    assert entry.chore is not None
    assert (entry.chore.id, entry.chore.command) == ("give-things-back", "case release 1 ITEM --to customer")
    assert "(box)" in entry.chore.words
    assert [one.case.number for one in known_agenda(bench).day.agenda.steps] == [1]
    closing = tell_steps(bench, 1).steps[-1]
    assert (closing.state, "not back" in closing.words) == (StepState.UNDER_WAY, True)
    release(bench, 1, [str(one.number) for one in items_of(bench, 1)], Role.CUSTOMER)
    assert tell_turn(bench, 1).chore is None
    assert known_agenda(bench).day.agenda.entries == ()
    assert known_agenda(bench).day.agenda.entries == (), "as it is remembered"
    assert tell_steps(bench, 1).steps[-1].state is StepState.DONE


def test_a_drive_that_nobody_noted_as_a_thing_is_followed_until_somebody_has_it(bench: Bench) -> None:
    """A drive that came alone is known by its bay, whether or not anybody looked at the list of things."""
    assert any("not back" in one for one in look_at_closing(bench, 1).missing)
    closing = close_case(bench, 1, said([], nothing_broken=True, end=End.SENT_ON, data=DataBack.NONE))
    assert len(bench.notes.of(NoteKind.ITEM, 1)) == len(bench.ledger.bays(1)), "closing itself puts them down"
    assert any("still here" in one and "--to lab" in one for one in closing.missing)
    entry = tell_turn(bench, 1)
    assert entry.chore is not None
    assert (entry.chore.id, entry.chore.command) == ("send-things-on", "case release 1 ITEM --to lab")
    assert "0001-01 (drive of bay 1)" in entry.chore.words
    for _ in range(2):
        assert list(known_agenda(bench).day.cases) == [1]
    everything_out(bench, 1, Role.LAB)
    entry = tell_turn(bench, 1)
    assert entry.chore is not None
    assert (entry.chore.id, entry.chore.command) == ("ask-after-things", "case items 1")
    assert "0001-01 (drive of bay 1, sent to the laboratory)" in entry.chore.words
    assert any("sent away" in one for one in look_at_closing(bench, 1).missing)
    assert list(known_agenda(bench).day.cases) == [1]
    for one in items_of(bench, 1):
        move_item(bench, 1, one.code, Where.CUSTOMER)
    assert tell_turn(bench, 1).chore is None
    assert list(known_agenda(bench).day.cases) == []


def test_of_cases_closed_before_closing_noted_things_only_what_was_noted_is_followed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shop has thousands of them, and nobody could tell what of theirs is long back."""
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    for few in (0, 100):
        monkeypatch.setattr(things_here_job, "FEW", few)
        assert list(known_agenda(bench).day.cases) == []
    assert tell_turn(bench, 1).chore is None
    number_items(bench, 1)
    for few in (0, 100):
        monkeypatch.setattr(things_here_job, "FEW", few)
        assert list(known_agenda(bench).day.cases) == [1]


def test_whether_things_are_here_is_worked_out_once_for_as_long_as_nothing_is_noted(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    number_items(bench, 1)
    book = things_here_job.ThingsBook(bench, [1])
    assert book.holds(1)
    book.keep()
    with monkeypatch.context() as patch:
        patch.delattr(things_here_job, "things_here")
        assert things_here_job.ThingsBook(bench, [1]).holds(1)
    for one in items_of(bench, 1):
        move_item(bench, 1, one.code, Where.CUSTOMER, mistake="It went back at the counter.")
    assert not things_here_job.ThingsBook(bench, [1]).holds(1)


def test_cases_that_were_closed_before_closing_told_of_things_do_not_come_back(bench: Bench) -> None:
    """Nobody was asked then whether the drive went back: a shop would have all its old cases to do."""
    bench.note(1, "closing", "Closed: given back; data: none; nothing was broken.", {"remark": ""})
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    assert list(known_agenda(bench).day.cases) == []
    assert tell_turn(bench, 1).chore is None
    bench.ledger.amend_case(1, state=CaseState.OPEN)
    close_case(bench, 1, said([], nothing_broken=True, end=End.GIVEN_BACK, data=DataBack.NONE))
    assert list(known_agenda(bench).day.cases) == [1], "it was told now"


def test_a_drive_that_is_described_once_its_case_is_closed_is_followed(bench: Bench) -> None:
    bare = bench.ledger.open_case(Intake(bench.now(), "Somebody")).number
    bench.ledger.amend_case(bare, state=CaseState.CLOSED)
    for _ in range(2):
        assert bare not in known_agenda(bench).day.cases
    add_bay(bench, Bay(bare, "1"))
    assert bare in known_agenda(bench).day.cases, "though nothing of it was here before"


def test_nothing_of_an_enquiry_is_to_be_handed_over(bench: Bench) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.ENQUIRY, state=CaseState.CLOSED)
    assert tell_turn(bench, 1).chore is None
    assert list(known_agenda(bench).day.cases) == []


BY_HAND = Wish(lines=(("swap-board", ""),), odds=False)


def test_a_quote_waits_for_the_customer_until_it_is_answered(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    newest, _ = make_quote(bench, 1, BY_HAND)
    (one,) = tell_turn(bench, 1).case.waits
    assert (one.what, one.until) == ("an answer to quote 2", newest.valid_until)
    decide(bench, 1, 2, True, By.PHONE)
    assert waits(tell_turn(bench, 1)) == []
    make_quote(bench, 1, BY_HAND)
    assert len(waits(tell_turn(bench, 1))) == 1
    decide(bench, 1, 3, False, By.PHONE)
    assert waits(tell_turn(bench, 1)) == []
    make_quote(bench, 1, BY_HAND)
    before = bench.ledger.events(1)
    done = go_on(bench, 1)
    assert not done.noted
    assert [one.what for one in done.waits] == ["an answer to quote 4"]
    assert bench.ledger.events(1) == before
    assert len(waits(tell_turn(bench, 1))) == 1, "what is on record ends by its own answer"
    go_on(bench, 1, "said on the phone, in writing to follow", everything=True)
    wait(bench, 1, WaitsFor.CUSTOMER, "a call")
    go_on(bench, 1)
    assert waits(tell_turn(bench, 1)) == [], "a person's word stands before what was on record"
    make_quote(bench, 1, BY_HAND)
    assert len(waits(tell_turn(bench, 1))) == 1, "what came after it counts"


def test_a_bill_is_waited_for_also_after_the_hand_back(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    account, _ = make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
    assert account.due is not None
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    assert waits(tell_turn(bench, 1)) == [(WaitsFor.CUSTOMER, f"the payment of {account.due.text}")]
    bench.ledger.amend_case(1, due_on="2020-01-01")
    entry = tell_turn(bench, 1)
    assert (entry.case.due_on, entry.case.due_for) == ("", ""), "what was due is done"
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    assert list(tell_agenda(bench).cases) == [1], "closing does not pay it"
    pay(bench, 1, account.due.text, How.CASH)
    assert waits(tell_turn(bench, 1)) == []
    everything_out(bench, 1)
    assert list(tell_agenda(bench).cases) == []


@pytest.mark.parametrize("state", [CaseState.HANDED_BACK, CaseState.CLOSED])
def test_a_bill_that_is_not_paid_keeps_no_copy_longer_than_agreed(bench: Bench, state: CaseState) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
    bench.images.create(bench.ledger.case(1), "1", Identity("AL20-HX4", "S1", 1 << 20, 512)).close()
    bench.ledger.amend_case(1, state=state, keep_until="2026-01-31")
    (step,) = tell_agenda(bench).agenda.steps
    assert step.chore is not None
    assert (step.chore.id, step.late) == ("erase", ("copies kept until 2026-01-31",))
    bench.ledger.amend_case(1, keep_until=LATER)
    assert [who for who, _ in waits(tell_turn(bench, 1))] == [WaitsFor.CUSTOMER]


def test_what_was_paid_too_much_is_returned(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    account, _ = make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
    assert account.due is not None
    pay(bench, 1, (account.due + Money(1200, "EUR")).text, How.CASH, although_more="no change")
    for state in (CaseState.OPEN, CaseState.HANDED_BACK, CaseState.CLOSED):
        bench.ledger.amend_case(1, state=state)
        chore = tell_agenda(bench).agenda.steps[0].chore
        assert chore is not None
        assert chore.words == "Return 12.00 EUR to the customer"
        assert chore.command == "case pay 1 12.00 --back --how transfer"
    pay(bench, 1, "12.00", How.TRANSFER, back=True)
    everything_out(bench, 1)
    assert list(tell_agenda(bench).cases) == []


def test_the_customer_is_asked_before_a_step_that_needs_it(bench: Bench) -> None:
    describe(bench, 1, worth=100_000)
    for one in ("lights", "lights-empty"):
        answer(bench, 1, Asked(one), "none")
    told = note_tried(bench, 1, "new-adapter")
    needing = next(one for one in told.offers if one.step.consents)
    gathering = agenda_job._Gathering(
        bench, agenda_job.whole_shop(bench), "2026-11-28", agenda_job.Weigh.ANEW
    )
    chore = gathering._weighed(replace(told, offers=(needing, *told.offers)))
    assert chore.words.startswith("Ask the customer about ")
    assert needing.step.words in chore.words
    agreed = replace(told, consents=all_given(bench), offers=(needing, *told.offers))
    assert gathering._weighed(agreed).words.startswith(needing.step.words)
    assert chore.command == "case consent 1"


def all_given(bench: Bench) -> Mapping[str, Consent]:
    for risk in packaged_risks():
        give_word(bench, 1, risk, Word.YES)
    return consents_of(bench, 1)


def test_a_reserved_part_that_is_ordered_is_waited_for(bench: Bench, shop: ShopFolder) -> None:
    board = StockItem(0, Kind.BOARD, BoardDescription("TB-4471"), location=f"ordered, expected {LATER}")
    add_items(bench, shop, [board])
    assert waits(tell_turn(bench, 1)) == []
    reserve(bench, 1, 1)
    (one,) = tell_turn(bench, 1).case.waits
    assert (one.who, one.until) == (WaitsFor.PART, LATER)
    bench.shelf.amend_item(replace(bench.shelf.item(1), location="B4"))
    assert waits(tell_turn(bench, 1)) == []


def test_a_drive_that_is_being_read_is_waited_for(bench: Bench) -> None:
    store = bench.images.create(bench.ledger.case(1), "1", Identity("AL20-HX4", "S1", 1 << 20, 512))
    assert waits(tell_turn(bench, 1)) == [(WaitsFor.MACHINE, "the reading of bay 1 to end")]
    other = bench.images.create(bench.ledger.case(1), "2", Identity("AL20-HX4", "S2", 1 << 20, 512))
    assert waits(tell_turn(bench, 1)) == [(WaitsFor.MACHINE, "the reading of bays 1 and 2 to end")]
    other.close()
    store.close()
    assert waits(tell_turn(bench, 1)) == []


def test_a_drive_that_is_to_get_no_power_is_left_without(bench: Bench) -> None:
    asked = AskedByWork("a-work", 1, 1, "Cut the power of the drive in bay 1, restore it.", "1")
    bench = replace(bench, asked_by_works=lambda case: (asked,))
    with closing(bench.images.create(bench.ledger.case(1), "1", Identity("AL20-HX4", "S1", 1 << 20, 512))):
        before, _ = tell_turn(bench, 1).chore, answer(bench, 1, Asked("sound", "1"), "grinding")
        after = tell_turn(bench, 1).chore
    assert before is not None
    assert after is not None
    assert "restore it" in before.words
    assert "leave it without" in after.words
    assert "restore" not in after.words


@pytest.mark.parametrize(("question", "chore"), [(3, "answer-reading"), (0, "end-rest")])
def test_a_reading_that_waits_for_a_person_is_nobodys_turn_but_ours(
    bench: Bench, question: int, chore: str
) -> None:
    asked = AskedByWork("a-work", 1, question, "Cut the power of the drive in bay 1.")
    bench = replace(bench, asked_by_works=lambda case: (asked,) if case == 1 else ())
    assert waits(tell_turn(bench, 1)) == [], "nothing is being read"
    with closing(bench.images.create(bench.ledger.case(1), "1", Identity("AL20-HX4", "S1", 1 << 20, 512))):
        entry = tell_turn(bench, 1)
        assert (entry.turn, entry.case.waits) == (WaitsFor.US, ())
        assert entry.chore is not None
        assert (entry.chore.id, entry.chore.command) == (chore, "drive show 1")
        assert "Cut the power" in entry.chore.words
        assert (entry.late, entry.place) == (((PRESSES,), -1) if question else ((), 2))
        assert [one.case.number for one in known_agenda(bench).day.agenda.steps] == [1]


def test_complete_images_are_looked_at_then_handed_back_then_closed_then_erased(
    bench: Bench,
) -> None:
    def chore() -> str:
        found = tell_turn(bench, 1).chore
        return found.id if found is not None else ""

    image(bench, "1", 0)
    image(bench, "2", 512)
    assert chore() not in ("pair-look", "hand-back")
    image(bench, "2", 0)
    assert chore() == "pair-look"
    assert next_words(bench).startswith("The images are complete: ")
    full = bench.ledger.images(1)[-1]
    bench.ledger.note_image(replace(full, waived_bytes=512))
    assert next_words(bench).startswith("Read to the end, free space left out on purpose: ")
    bench.ledger.note_image(replace(full, read_bytes=1024, refused_bytes=3072))
    assert next_words(bench).startswith("Read to the end, 6 sectors refused: ")
    bench.note(1, "pair", "Volume known: 4096 bytes on bays 1, 2.")
    assert chore() == "hand-back"
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK, keep_until="2026-01-31")
    assert chore() == "close"
    bench.images.create(bench.ledger.case(1), "1", Identity("AL20-HX4", "S1", 1 << 20, 512)).close()
    assert chore() == "erase"
    assert tell_turn(bench, 1).late == ("copies kept until 2026-01-31",)
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    assert [one.chore.id for one in tell_agenda(bench).agenda.steps if one.chore] == ["erase"]
    bench.ledger.amend_case(1, keep_until=LATER)
    everything_out(bench, 1)
    assert tell_agenda(bench).agenda.entries == (), "a closed case is done with"
    with pytest.raises(UsageError, match="closed"):
        wait(bench, 1, WaitsFor.PART, "a part")


def test_a_copy_is_checked_then_handed_out_then_the_case_is_closed(bench: Bench) -> None:
    def chore() -> str:
        found = tell_turn(bench, 1).chore
        return found.id if found is not None else ""

    bench.note(1, "hand-back", "A hand-back of 3 files.", {"manifest_sha256": "a" * 64})
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    assert chore() == "check-copy"
    bench.note(1, COPY_CHECKED, "A copy was checked.", {"manifest_sha256": "b" * 64})
    assert chore() == "check-copy", "that was a copy of another hand-back"
    bench.note(1, COPY_CHECKED, "A copy was checked.", {"manifest_sha256": "a" * 64})
    assert chore() == "hand-out"
    box = add_item(bench, 1, What.BOX)
    release(bench, 1, [str(box.number)], Role.CUSTOMER)
    found = tell_turn(bench, 1).chore
    assert found is not None
    assert found.id == "hand-out", "no files went with a box"
    assert found.words.endswith(
        "what went out had no medium among it, and a medium counts once it is put down as a thing"
    )
    item = add_item(bench, 1, What.MEDIUM)
    release(bench, 1, [str(item.number)], Role.CUSTOMER)
    assert chore() == "close"
    receive(bench, 1, [str(item.number)], Role.CUSTOMER)
    assert chore() == "hand-out", "it came back"
    release(bench, 1, [str(item.number)], Role.LAB)
    assert chore() == "hand-out", "a laboratory is not the customer"


def test_what_was_agreed_on_is_billed_before_the_case_is_closed(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    bench.note(1, "hand-back", "A hand-back of 3 files.", {"manifest_sha256": "a" * 64})
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    medium = add_item(bench, 1, What.MEDIUM)
    before = tell_turn(bench, 1).chore
    assert before is not None
    assert (before.id, before.words.endswith(": quote 1 is not billed yet")) == ("check-copy", True)
    release(bench, 1, [str(medium.number)], Role.CUSTOMER)
    for _ in range(2):  # worked out, and remembered
        (step,) = tell_agenda(bench).agenda.steps
        assert step.chore is not None
        assert (step.chore.id, step.chore.command) == ("make-bill", "case bill 1")
        assert step.chore.words.endswith(": quote 1")
    assert "quote 1 is accepted and nothing is billed" in tell_steps(bench, 1).steps[-1].words
    assert "Quote 1 is accepted and nothing is billed" in " ".join(look_at_closing(bench, 1).missing)
    account, _ = make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
    assert account.due is not None
    pay(bench, 1, account.due.digits, How.CASH)
    chore = tell_turn(bench, 1).chore
    assert chore is not None
    assert chore.id == "close"


@pytest.mark.parametrize(
    ("kind", "chore"), [(CaseKind.ENQUIRY, "answer-enquiry"), (CaseKind.BOARD_SWAP, "see-to-board")]
)
def test_an_enquiry_and_a_board_have_their_own_next_step(bench: Bench, kind: CaseKind, chore: str) -> None:
    bench.ledger.amend_case(1, kind=kind)
    found = tell_turn(bench, 1).chore
    assert found is not None
    assert found.id == chore


def test_late_cases_come_first_and_the_deadline_stands_in_custody(bench: Bench) -> None:
    second = take_in(bench, "Quillmere Pottery", box="a box").number
    bench.ledger.amend_case(second, due_on="2026-01-01")
    assert [one.case.number for one in tell_agenda(bench).agenda.steps] == [second, 1]
    set_due(bench, 1, bench.now()[:10])
    assert [one.place for one in tell_agenda(bench).agenda.steps] == [0, 1]
    assert bench.ledger.custody(1)[-1].what == f"deadline changed: none -> {bench.now()[:10]}"
    before = len(bench.ledger.custody(1))
    set_due(bench, 1, bench.now()[:10])
    assert len(bench.ledger.custody(1)) == before
    with pytest.raises(UsageError):
        set_due(bench, 1, "tomorrow")
    with pytest.raises(UsageError, match="is past"):
        set_due(bench, 1, "2020-01-01")


def test_the_deadline_of_a_closed_case_stays_as_it_is(bench: Bench) -> None:
    set_due(bench, 1, "2999-01-01")
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    before = (bench.ledger.custody(1), bench.ledger.events(1), bench.notes.all_of(1))
    for change in (
        lambda: set_due(bench, 1, "2999-01-02"),
        lambda: set_due(bench, 1, ""),
        lambda: tell(bench, 1, "due", "2999-01-02"),
        lambda: tell(bench, 1, "due", "not known"),
        lambda: untell(bench, 1, "due", "there is none"),
    ):
        with pytest.raises(UsageError, match="closed") as refused:
            change()
        assert "case reopen 1" in refused.value.next_step
    assert bench.ledger.case(1).due_on == "2999-01-01"
    assert (bench.ledger.custody(1), bench.ledger.events(1), bench.notes.all_of(1)) == before
    bench.ledger.amend_case(1, state=CaseState.OPEN)
    assert set_due(bench, 1, "").due_on == ""


def test_which_drives_came_is_put_down_before_a_step_of_one_of_them(bench: Bench) -> None:
    box = take_in(bench, "Oakhanger Bakery", box="two-bay box").number
    answer(bench, box, Asked("lights"), "normal")
    chore = tell_turn(bench, box).chore
    assert chore is not None
    assert (chore.id, chore.words) == ("take-in", agenda_job.SAY_BAYS), chore
    bench.ledger.add_bay(Bay(box, "1"))
    chore = tell_turn(bench, box).chore
    assert chore is not None
    assert chore.words != agenda_job.SAY_BAYS


def test_a_stop_goes_before_what_was_not_asked_yet(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    told = tell_triage(bench, 1)
    kept = replace(told, keep_off=(triage_job.KeepOff("1", 0.9, (), ()),))
    monkeypatch.setattr(triage_job, "tell_triage", lambda *_: kept)
    chore = tell_turn(bench, 1).chore
    assert chore is not None
    assert chore.words.startswith("STOP, no power for the drive of bay 1. ")


def test_a_case_that_cannot_be_weighed_says_why(bench: Bench) -> None:
    bench.ledger.add_bay(Bay(1, "3"))
    found = tell_turn(bench, 1).chore
    assert found is not None
    assert (found.id, "3 bays cannot be judged together" in found.words) == ("cannot-weigh", True)


def test_what_was_worked_out_is_used_until_the_case_changes(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    weighed: list[int] = []

    def counting(bench: Bench, case: int) -> object:
        weighed.append(case)
        return tell_triage(bench, case)

    monkeypatch.setattr(triage_job, "tell_triage", counting)
    first = tell_agenda(bench).agenda
    assert tell_agenda(bench).agenda == first
    assert weighed == [1]
    answer(bench, 1, Asked("lights"), "none")
    weighed.clear()  # an answer tells what it changed by itself
    assert tell_agenda(bench).agenda != first
    assert weighed == [1]
    image(bench, "1", 512)
    tell_agenda(bench)
    assert weighed == [1, 1]
    describe(bench, 1, worth=10.0)
    weighed.clear()
    tell_agenda(bench)
    assert weighed == [1]
    note(bench, NoteKind.OUTCOME, "case", known=True)
    note(bench, NoteKind.SIGN, "lights", answer=5)
    with pytest.raises(LedgerError, match="cannot be read"):
        tell_agenda(bench)


def test_what_a_closed_case_teaches_counts_from_the_next_day_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    tell_agenda(bench)
    other = take_in(bench, "Quillmere Pottery", box="a box").number
    bench.notes.add(Note(other, "", NoteKind.OUTCOME, "case", bench.now(), bench.who, "{}"))
    bench.ledger.amend_case(other, state=CaseState.CLOSED)

    def never(bench: Bench, case: int) -> object:
        raise AssertionError(f"case {case} is weighed again")

    with monkeypatch.context() as patched:
        patched.setattr(triage_job, "tell_triage", never)
        tell_agenda(bench)
    kept = dict(bench.remembered.recall())
    bench.remembered.keep({key: {**one, "day": "2026-01-01"} for key, one in kept.items()})
    monkeypatch.setattr(triage_job, "tell_triage", never)
    with pytest.raises(AssertionError, match="weighed again"):
        tell_agenda(bench)


def test_of_a_case_only_what_it_is_now_is_remembered(bench: Bench) -> None:
    def keys_of(case: int) -> list[str]:
        return [one for one in bench.remembered.recall() if case_of(one) == case]

    other = take_in(bench, "Oakhanger Bakery", bays=[Bay(0, "1")]).number
    tell_agenda(bench)
    before = keys_of(other)
    bench.ledger.amend_case(other, notes="It was dropped.")
    tell_turn(bench, other)
    after = keys_of(other)
    assert (len(before), len(after)) == (1, 1)
    assert before != after
    bench.ledger.amend_case(other, state=CaseState.CLOSED)
    known_agenda(bench)
    assert (len(keys_of(1)), keys_of(other)) == (1, [])


def test_limits_of_the_shop_count(bench: Bench, shop: ShopFolder) -> None:
    shop.keep("settings", "agenda", "[wait_days]\ncustomer = -1\n")
    with pytest.raises(BadFormFile):
        tell_agenda(bench)


def test_what_a_look_showed_changes_the_next_step_at_once(bench: Bench) -> None:
    before = tell_agenda(bench).agenda.steps[0].chore
    remember(bench, 1, "layout-found", "separate", "Each holds a volume of its own.")
    after = tell_agenda(bench).agenda.steps[0].chore
    assert before is not None
    assert after is not None
    assert before.worth != after.worth


def test_what_is_known_is_told_without_weighing_and_the_rest_is_named(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = take_in(bench, "Oakhanger Bakery", bays=[Bay(0, "1")]).number
    waiting = take_in(bench, "Oakhanger Bakery").number
    wait(bench, waiting, WaitsFor.PART, "a motor driver")
    tell_turn(bench, 1)
    weighed = triage_job.tell_triage

    def never(bench: Bench, case: int) -> object:
        raise AssertionError(f"case {case} is weighed")

    monkeypatch.setattr(triage_job, "tell_triage", never)
    known = known_agenda(bench)
    assert [one.case.number for one in known.day.agenda.steps] == [1]
    assert [one.case.number for one in known.day.agenda.waiting] == [waiting]
    assert (known.not_yet, known.outdated) == ((other,), ())
    monkeypatch.setattr(triage_job, "tell_triage", weighed)
    whole = tell_agenda(bench)
    monkeypatch.setattr(triage_job, "tell_triage", never)
    known = known_agenda(bench)
    assert (known.day, known.not_yet) == (whole, ())


def test_what_was_worked_out_before_a_case_closed_is_told_as_outdated(bench: Bench) -> None:
    tell_agenda(bench)
    other = take_in(bench, "Quillmere Pottery", box="a box").number
    bench.ledger.amend_case(other, state=CaseState.CLOSED)
    bench.notes.add(Note(other, "", NoteKind.OUTCOME, "case", bench.now(), bench.who, "{}"))
    kept = bench.remembered.recall()
    bench.remembered.keep({key: {**one, "day": "2026-01-01"} for key, one in kept.items()})
    known = known_agenda(bench)
    assert (known.not_yet, known.outdated) == ((), (1,))
    assert [one.case.number for one in known.day.agenda.steps] == [1]


def test_a_work_that_is_stopped_has_kept_each_step(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    other = take_in(bench, "Oakhanger Bakery", bays=[Bay(0, "1")]).number
    weighed = triage_job.tell_triage

    def one_only(bench: Bench, case: int) -> object:
        if case == other:
            raise KeyboardInterrupt
        return weighed(bench, case)

    monkeypatch.setattr(triage_job, "tell_triage", one_only)
    with pytest.raises(KeyboardInterrupt):
        tell_agenda(bench)
    assert known_agenda(bench).not_yet == (other,)


def test_a_closed_case_comes_back_when_money_is_open_again(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    account, _ = make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
    assert account.due is not None
    pay(bench, 1, account.due.digits, How.CASH)
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    everything_out(bench, 1)
    for _ in range(2):
        assert tell_agenda(bench, steps=False).agenda.entries == ()
    unpay(bench, 1, 1, "the wrong case")
    for _ in range(2):
        (entry,) = tell_agenda(bench, steps=False).agenda.entries
        assert waits(entry) == [(WaitsFor.CUSTOMER, f"the payment of {account.due.text}")]


def test_a_drive_that_stands_alone_has_its_files_looked_at_and_no_pair(bench: Bench) -> None:
    case = take_in(bench, "Sandlark Prints", bays=[Bay(0, "1")]).number
    note_answer(bench, case, Asked("detected", "1"), "right")
    bench.ledger.note_image(Image(case, "1", "bay-1.img", "port", bench.now(), read_bytes=4096))

    def told() -> tuple[str, str]:
        found = tell_turn(bench, case).chore
        assert found is not None
        return found.id, found.command

    assert told() == ("see-files", f"files list {case}")
    remember(bench, case, "files-found", "whole", "The file system on the images reads well.")
    assert told()[0] == "hand-back"


def test_images_in_which_nothing_is_are_not_handed_back(bench: Bench) -> None:
    for bay in ("1", "2"):
        image(bench, bay, 0)
        note_answer(bench, 1, Asked("refusals", bay), "none")
    remember(bench, 1, "layout-found", "nothing", "They do not fit together.")
    found = tell_turn(bench, 1).chore
    assert found is not None
    assert found.id not in ("pair-look", "hand-back"), "looking again would tell the same"
    remember(bench, 1, "layout-found", "", "The images do not tell yet.")
    found = tell_turn(bench, 1).chore
    assert found is not None
    assert found.id == "pair-look", "a later look left it open"
    remember(bench, 1, "layout-found", "nothing", "They do not fit together.")
    note_answer(bench, 1, Asked("files-found"), "damaged")
    found = tell_turn(bench, 1).chore
    assert found is not None
    assert found.id == "hand-back"


def test_what_is_not_read_is_told_before_images_are_put_together_or_a_copy_goes_out(bench: Bench) -> None:
    size = 1 << 20
    image = Image(1, "1", "images/1.img", "", bench.now(), read_bytes=size - 4096, unread_bytes=4096)
    bench.ledger.note_image(image)
    kept = bench.ledger.images(1)
    words = agenda_job._unread_words(bench.ledger.bays(1), kept)
    assert words == "Read so far: bay 1 only in part, bay 2 not yet."
    make_quote(bench, 1, BY_HAND)
    bench.note(1, "hand-back", "Files handed back.", {"whole": 1})
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    chore = tell_turn(bench, 1).chore
    assert chore is not None
    assert chore.words.endswith(
        " of bay 1 is not read; the drive of bay 2 was never read; quote 1 is not answered"
    )
