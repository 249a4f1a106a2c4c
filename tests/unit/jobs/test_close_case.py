"""Closing a case: what is kept, what it teaches, and what the case says of its own end."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import Level, Purpose
from mendbay.board.transfer_plan import Purpose as Transfer
from mendbay.case.authority import Whose
from mendbay.case.hand_over import Role as Hand
from mendbay.case.items import What
from mendbay.case.outcome import DataBack, End, Outcome, said
from mendbay.case.records import Bay, CaseKind, CaseState
from mendbay.core.errors import LedgerError, NoSuchCase, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.handback.keeping import day_after
from mendbay.jobs import close_case as jobs_close_case
from mendbay.jobs.authority import set_authority
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import How, make_bill, pay
from mendbay.jobs.certify_rom import KeptCertificate
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.close_case import (
    OF_BOX,
    close_case,
    look_at_closing,
    outcome_words,
    places_by_part,
    places_of,
    reopen_case,
)
from mendbay.jobs.find_donor import agreement_with
from mendbay.jobs.hand_over_items import release
from mendbay.jobs.keep_copies import keep
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.keep_stock import add_items, free, reserve
from mendbay.jobs.learn_triage import closed_cases, outcomes, table_numbers, worlds_of
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.reached_customer import COPY_CHECKED
from mendbay.jobs.record_swaps import record_swap
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.triage_case import answer, describe, tell_triage
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import Asked
from mendbay.wiring import open_bench

CLICKS = Asked("sound", "1")
HEADS = said(["heads:1"], end=End.SENT_ON, data=DataBack.NONE)
UNKNOWN = said([], not_known=True, end=End.GIVEN_BACK, data=DataBack.NONE)


def another(bench: Bench, *bays: str) -> int:
    return take_in(bench, "Quillmere Pottery", bays=[Bay(0, one) for one in bays]).number


def closed_with(bench: Bench, outcome: Outcome, **answers: str) -> int:
    """A further case, closed so, after some answers of its bay 1 or, with an underline before, of the box."""
    number = another(bench, "1", "2")
    for name, told in answers.items():
        answer(bench, number, Asked(name.lstrip("_"), "" if name.startswith("_") else "1"), told)
    close_case(bench, number, outcome)
    return number


def test_handed_back_without_a_hand_back_needs_a_reason(bench: Bench) -> None:
    outcome = said([], nothing_broken=True, end=End.HANDED_BACK, data=DataBack.ALL)
    before = bench.ledger.custody(1)
    for reason, refused in (
        ("", "No hand-back of case 1 is on record"),
        ("by Quillmere", "names the customer"),
    ):
        with pytest.raises(UsageError, match=refused):
            close_case(bench, 1, outcome, reason)
    assert (bench.ledger.custody(1), bench.ledger.case(1).state) == (before, CaseState.OPEN)
    assert outcomes(bench) == {}
    close_case(bench, 1, outcome, "copied at the counter, without a report")
    assert "although no hand-back is on record: copied at the counter" in bench.ledger.custody(1)[-1].item
    bench.note(1, "hand-back", "Files handed back.")
    copy, medium = "no copy of the hand-back was checked on another medium", "no medium with it left the shop"
    for lacks in (f"{copy} and {medium}", medium):
        assert look_at_closing(bench, 1).unproven == lacks
        with pytest.raises(UsageError, match=f"has the files: {lacks}"):
            close_case(bench, 1, outcome)
        assert any("Nothing proves yet" in one for one in look_at_closing(bench, 1).missing)
        bench.note(1, COPY_CHECKED, "A copy was checked.")
    close_case(bench, 1, outcome, "fetched by a neighbour")
    assert f"although {medium}: fetched by a neighbour" in bench.ledger.custody(1)[-1].item
    medium_number = add_item(bench, 1, What.MEDIUM).number
    release(bench, 1, [str(medium_number)], Hand.CUSTOMER)
    assert any("is not signed" in one for one in look_at_closing(bench, 1).missing), "told, no reason needed"
    close_case(bench, 1, outcome)
    assert "although" not in bench.ledger.custody(1)[-1].item
    enquiry = another(bench)
    bench.ledger.amend_case(enquiry, kind=CaseKind.ENQUIRY)
    before = bench.notes.last_number(1), bench.notes.last_number(enquiry)
    for number, end, why in (
        (1, End.HANDED_BACK, "a hand-back is on record"),
        (1, End.GIVEN_BACK, "it does not end with handed back"),
        (enquiry, End.HANDED_BACK, "its kind needs none"),
    ):
        with pytest.raises(UsageError, match=f"has no effect: {why}"):
            close_case(bench, number, said([], not_known=True, end=end, data=DataBack.ALL), "a reason")
    assert (bench.notes.last_number(1), bench.notes.last_number(enquiry)) == before
    close_case(bench, enquiry, said([], not_known=True, end=End.HANDED_BACK, data=DataBack.ALL))


def test_signs_against_the_end_are_queried_and_not_refused(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    supply = said(["board-supply:1"], end=End.REPAIRED, data=DataBack.ALL)
    (query,) = close_case(bench, 1, supply).against
    chance = tell_triage(bench, 1).keep_off[0].chance
    for words in ("closed with board-supply:1", "sound (bay 1): it clicks", f"{100 * chance:.0f} %"):
        assert words in query
    assert "triage untell 1 SIGN" in query
    assert look_at_closing(bench, 1).against == (query,)
    for agreed in (HEADS, UNKNOWN, said(["media-damage:1", "fan"], end=End.SENT_ON, data=DataBack.NONE)):
        assert close_case(bench, 1, agreed).against == ()
    (other,) = close_case(bench, 1, said(["heads:2"], end=End.SENT_ON, data=DataBack.NONE)).against
    assert "damage inside the drive of bay 1" in other
    lights = another(bench, "1", "2")
    answer(bench, lights, Asked("lights"), "none")
    (query,) = close_case(bench, lights, said(["fan"], end=End.REPAIRED, data=DataBack.ALL)).against
    assert "triage believes in adapter with" in query
    assert "lights:" in query


def test_a_closed_case_keeps_its_outcome_in_the_agreed_shape(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    closing = close_case(bench, 1, HEADS)
    assert (closing.case.state, closing.outcome, closing.teaches_not) == (CaseState.CLOSED, HEADS, "")
    (note,) = bench.notes.of(NoteKind.OUTCOME, 1, "", "case")
    assert json.loads(note.body) == {
        "found": [["heads", "1"]],
        "known": True,
        "sure": True,
        "end": "sent on",
        "data": "none",
        "remark": "",
    }
    (case,) = closed_cases(bench)
    assert (case.found, case.answers) == ((("heads", "1"),), (("sound", "1", "clicks"),))
    last = bench.ledger.custody(1)[-1]
    assert (last.what, last.item) == ("closed", "case 1: sent on; data: none; broken: heads:1")
    assert check_custody(bench, 1)[0].holds
    assert "Closed: sent on; data: none; broken: heads:1." in [one.text for one in bench.ledger.events(1)]
    assert not any("Quillmere" in one.item + one.what for one in bench.ledger.custody(1))


def test_closing_again_puts_right_what_was_said_and_counts_once(bench: Bench) -> None:
    close_case(bench, 1, HEADS)
    answer(bench, 1, CLICKS, "grinding")
    scratched = said(["media-damage:1"], likely=True, end=End.SENT_ON, data=DataBack.NONE, remark="dust")
    close_case(bench, 1, scratched)
    (case,) = closed_cases(bench)
    assert (case.found, case.sure, case.answers) == (
        (("media-damage", "1"),),
        False,
        (("sound", "1", "grinding"),),
    )
    assert len(bench.notes.of(NoteKind.OUTCOME, 1)) == 2, "the earlier word stays on record"
    assert bench.ledger.custody(1)[-1].what == "closed again"


def test_a_case_never_counts_for_its_own_odds(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    before = tell_triage(bench, 1)
    close_case(bench, 1, HEADS)
    after = tell_triage(bench, 1)
    assert (after.rests_on, after.belief.faults().tolist()) == (0, before.belief.faults().tolist())
    other = tell_triage(bench, another(bench, "1", "2"))
    assert other.rests_on == 1
    assert other.belief.worlds.tables.faults["heads"].first.source.endswith("and 1 closed case of this shop")


def test_later_cases_learn_and_forget_again_when_a_case_is_opened(bench: Bench) -> None:
    fresh = tell_triage(bench, 1).belief.fault("fan")
    numbers = [closed_with(bench, said(["fan"], end=End.REPAIRED, data=DataBack.ALL)) for _ in range(5)]
    assert tell_triage(bench, 1).belief.fault("fan") > 2 * fresh
    for one in numbers:
        assert reopen_case(bench, one, "it came back").state is CaseState.OPEN
    told = tell_triage(bench, 1)
    assert (told.rests_on, told.belief.fault("fan")) == (0, fresh)
    assert outcomes(bench) == {}
    assert len(bench.notes.of(NoteKind.OUTCOME)) == 5
    close_case(bench, numbers[0], said(["fan"], end=End.REPAIRED, data=DataBack.ALL))
    assert tell_triage(bench, 1).rests_on == 1


def test_what_is_answered_after_closing_teaches_nothing(bench: Bench) -> None:
    number = closed_with(bench, HEADS, sound="clicks")
    answer(bench, number, CLICKS, "silent")
    (case,) = closed_cases(bench)
    assert case.answers == (("sound", "1", "clicks"),)


def test_a_case_that_cannot_teach_says_why(bench: Bench) -> None:
    assert "not known what was broken" in close_case(bench, 1, UNKNOWN).teaches_not
    wide = another(bench, "1", "2", "3")
    sound = said([], nothing_broken=True, end=End.GIVEN_BACK, data=DataBack.ALL)
    assert "More than two bays" in close_case(bench, wide, sound).teaches_not
    with pytest.raises(UsageError, match="more bays than can be judged"):
        close_case(bench, wide, HEADS)
    empty = another(bench)
    assert "Neither a bay is described" in close_case(bench, empty, sound).teaches_not
    loose = another(bench, "1")
    bench.ledger.amend_case(loose, kind=CaseKind.BOARD_REPAIR)
    mended = said(["board-supply:1"], end=End.REPAIRED, data=DataBack.NOT_ASKED)
    assert "of the kind board repair" in close_case(bench, loose, mended).teaches_not
    three = said(["heads:1", "heads:2", "fan"], end=End.GIVEN_BACK, data=DataBack.NONE)
    assert "3 things were broken at once" in close_case(bench, another(bench, "1", "2"), three).teaches_not
    told = tell_triage(bench, another(bench, "1", "2"))
    assert (told.rests_on, len(told.teach_nothing)) == (0, 1)
    assert "3 things" in told.teach_nothing[0]


@pytest.mark.parametrize("found", ["heads", "heads:3", "flux:1", "adapter:1"])
def test_what_the_case_has_not_cannot_have_been_broken(bench: Bench, found: str) -> None:
    with pytest.raises(UsageError, match="Case 1 has no fault"):
        close_case(bench, 1, said([found], end=End.GIVEN_BACK, data=DataBack.NONE))
    assert bench.ledger.case(1).state is CaseState.OPEN
    assert bench.notes.of(NoteKind.OUTCOME) == ()


def test_a_drive_alone_has_no_faults_of_a_box(bench: Bench) -> None:
    number = another(bench, "1")
    describe(bench, number, box=False)
    with pytest.raises(UsageError, match="has no fault 'adapter'"):
        close_case(bench, number, said(["adapter"], end=End.GIVEN_BACK, data=DataBack.NONE))
    no_bay = another(bench)
    with pytest.raises(UsageError, match="No bay of case"):
        close_case(bench, no_bay, HEADS)


def test_what_can_be_ticked_stands_by_the_part_that_it_is_of(bench: Bench) -> None:
    number = another(bench, "1", "2")
    parts = dict(places_by_part(bench, number))
    assert list(parts) == ["the box", "the data and the way to it", "bay 1", "bay 2"]
    assert tuple(one for one, _ in parts["the box"]) == OF_BOX
    assert "file-system" in dict(parts["the data and the way to it"])
    assert dict(parts["bay 2"])["heads:2"] == "the heads or their preamplifier"
    told = [one for places in parts.values() for one, _ in places]
    assert sorted(told) == sorted(one for one, _ in places_of(bench, number))
    alone = another(bench, "1")
    describe(bench, alone, box=False)
    assert [name for name, _ in places_by_part(bench, alone)] == ["the data and the way to it", "bay 1"]
    assert places_by_part(bench, another(bench, *map(str, range(1, 40)))) == ()


def test_what_is_not_closed_or_not_there_cannot_be_opened_again(bench: Bench) -> None:
    with pytest.raises(UsageError, match="Case 1 is not closed: it is open"):
        reopen_case(bench, 1, "why not")
    close_case(bench, 1, HEADS)
    with pytest.raises(UsageError, match="without a reason"):
        reopen_case(bench, 1, " ")
    assert outcomes(bench) == {1: HEADS}
    for job in (look_at_closing, lambda bench, number: close_case(bench, number, HEADS)):
        with pytest.raises(NoSuchCase):
            job(bench, 77)


def test_a_swap_a_hand_back_and_triage_say_how_it_may_have_ended(bench: Bench, shop: ShopFolder) -> None:
    opened = look_at_closing(bench, 1)
    assert (opened.outcome, opened.hints) == (None, ())
    assert len(opened.missing) == 4
    set_authority(bench, 1, Whose.OWN)
    answer(bench, 1, CLICKS, "clicks")
    patient = BoardDescription(board_number="TB-4471", family="ALdd-HX4")
    (item,) = add_items(bench, shop, [StockItem(0, Kind.BOARD, patient)])
    agreement = agreement_with(bench, shop, 1, "1", item.number, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, item.number, 1, "1", agreement, True)
    tally = {"whole": 95, "holed": 4, "lost": 1}
    bench.note(1, "hand-back", "Files handed back to x: 95 whole, 4 holed, 1 lost.", tally)
    closing = look_at_closing(bench, 1)
    swap, handed, believed = closing.hints
    assert swap.found == ("board-supply:1", "motor-driver:1", "rom-mismatch:1")
    assert (handed.end, handed.data) == (End.HANDED_BACK, DataBack.MOST)
    assert believed.found == ("heads:1",)
    assert [one[:19] for one in closing.missing] == ["Nothing proves yet ", "Of the customer's t"]


def test_a_certified_rom_transfer_says_that_the_board_was_replaced(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = bench.now()
    kept = (
        KeptCertificate("2", Transfer.TRANSFER, at),
        KeptCertificate("1", Transfer.RESTORE, at),
        KeptCertificate("1", Transfer.TRANSFER, at, withdrawn="the wrong chip"),
    )
    monkeypatch.setattr(jobs_close_case, "certificates_kept", lambda bench, number: kept)
    (hint,) = look_at_closing(bench, 1).hints
    assert hint.words.startswith("Bay 2: a ROM transfer is certified")
    assert hint.found == ("board-supply:2", "motor-driver:2", "rom-mismatch:2")


def test_closing_is_one_step_all_of_it_or_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise LedgerError("The disk is full.", "Make room.")

    monkeypatch.setattr(type(bench.ledger), "amend_case", fails)
    with pytest.raises(LedgerError, match="disk is full"):
        close_case(bench, 1, HEADS)
    assert bench.notes.of(NoteKind.OUTCOME) == ()
    assert bench.notes.of(NoteKind.SUBJECT) == ()
    assert [one.what for one in bench.ledger.custody(1)] == ["taken in"] * 3


def test_files_handed_back_after_closing_leave_the_outcome(bench: Bench) -> None:
    close_case(bench, 1, HEADS)
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    assert outcomes(bench) == {1: HEADS}
    assert reopen_case(bench, 1, "more was found").state is CaseState.OPEN
    assert outcomes(bench) == {}


@pytest.mark.parametrize(
    ("tally", "data"),
    [
        ({"whole": 9, "unproven": 1}, DataBack.ALL),
        ({"whole": 9, "lost": 1}, DataBack.MOST),
        ({"whole": 8, "lost": 2}, DataBack.PART),
        ({"holed": 3}, DataBack.PART),
        ({"lost": 3}, DataBack.NONE),
        ({}, DataBack.NONE),
    ],
)
def test_how_much_a_hand_back_gave(bench: Bench, tally: dict[str, int], data: DataBack) -> None:
    bench.note(1, "hand-back", "Files handed back.", tally)
    assert [one.data for one in look_at_closing(bench, 1).hints] == [data]


@pytest.mark.parametrize("body", ["{", "[]", '{"bays": ["1"], "box": true, "answers": [["a", "b"]]}'])
def test_a_note_that_mendbay_did_not_write_is_told(bench: Bench, body: str) -> None:
    close_case(bench, 1, HEADS)
    bench.notes.add(Note(1, "", NoteKind.SUBJECT, "closed", bench.now(), "someone", body))
    with pytest.raises(LedgerError, match="of a closed case cannot be read"):
        closed_cases(bench)
    bench.notes.add(Note(1, "", NoteKind.OUTCOME, "case", bench.now(), "someone", body))
    with pytest.raises(LedgerError, match="of a closed case cannot be read"):
        outcomes(bench)


def test_worlds_are_built_once_for_all_open_cases(bench: Bench) -> None:
    closed_with(bench, HEADS)
    cases = closed_cases(bench)
    subject = tell_triage(bench, 1).subject
    assert tell_triage(bench, 1).belief.worlds is worlds_of(cases, subject)


def test_only_what_was_closed_since_is_read_anew(tmp_path: Path) -> None:
    with open_bench(tmp_path) as bench:
        for _ in range(3):
            number = take_in(bench, "Ann", bays=[Bay(0, "1")]).number
            answer(bench, number, Asked("sound", "1"), "clicks")
            close_case(bench, number, HEADS)
    with open_bench(tmp_path) as bench:
        first = closed_cases(bench)
        close_case(bench, 2, replace(HEADS, sure=False))
        second = closed_cases(bench)
        assert [one.sure for one in second] == [True, False, True]
        assert second[0] is first[0]
        assert second[2] is first[2]
        with suppress(RuntimeError), bench.ledger.together():
            reopen_case(bench, 3, "it came back")
            assert [one.number for one in closed_cases(bench)] == [1, 2]
            raise RuntimeError
        assert closed_cases(bench) == second, "what was taken back was not kept"


def test_outcomes_in_words() -> None:
    assert outcome_words(UNKNOWN) == "given back; data: none; what was broken is not known"
    likely = said([], nothing_broken=True, likely=True, end=End.ANSWERED, data=DataBack.NOT_ASKED)
    assert outcome_words(likely) == "enquiry answered; data: not asked for; nothing was broken, likely"


def test_numbers_of_a_topic(bench: Bench) -> None:
    closed_with(bench, HEADS, sound="clicks")
    told = table_numbers(bench, "sound")
    assert (told.rests_on, told.asks) == (1, "What does the drive sound like in the box?")
    assert {one.topic for one in told.numbers} == {"sound"}
    with pytest.raises(UsageError, match="no numbers of 'flux'"):
        table_numbers(bench, "flux")


def test_closed_again_as_what_cannot_teach_it_teaches_no_more(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    close_case(bench, 1, HEADS)
    assert len(closed_cases(bench)) == 1
    bench.ledger.amend_case(1, kind=CaseKind.ENQUIRY)
    again = close_case(bench, 1, HEADS)
    assert closed_cases(bench) == ()
    assert again.teaches_not
    assert tell_triage(bench, another(bench, "1")).rests_on == 0


def test_opened_again_it_is_where_it_was(bench: Bench) -> None:
    close_case(bench, 1, HEADS)
    assert reopen_case(bench, 1, "closed by mistake").state is CaseState.OPEN
    bench.note(1, "hand-back", "Files handed back to a folder.")
    close_case(bench, 1, HEADS)
    assert reopen_case(bench, 1, "a file is missing").state is CaseState.HANDED_BACK


def test_what_is_not_paid_is_told_at_closing(bench: Bench) -> None:
    make_quote(bench, 1, Wish(lines=(("hour", "1"),), odds=False))
    decide(bench, 1, 1, True, By.PHONE)
    account, _ = make_bill(bench, 1, {})
    assert account.due is not None
    assert any(account.due.text in one for one in close_case(bench, 1, HEADS).missing)
    pay(bench, 1, account.due.text, How.CASH)
    assert not any("not paid" in one for one in look_at_closing(bench, 1).missing)
    pay(bench, 1, "12", How.CASH, although_more="no change")
    assert any("12.00 EUR are to be returned" in one for one in look_at_closing(bench, 1).missing)


def test_a_donor_that_is_still_reserved_is_told_at_closing(bench: Bench, shop: ShopFolder) -> None:
    (item,) = add_items(bench, shop, [StockItem(0, Kind.BOARD, BoardDescription("TB-4471"))])
    assert not any("reserved" in one for one in look_at_closing(bench, 1).missing)
    reserve(bench, item.number, 1)
    (told,) = [one for one in close_case(bench, 1, HEADS).missing if "reserved" in one]
    assert "Item 1 of the stock (" in told
    assert "mendbay donor used 1 1 BAY OUTCOME" in told
    assert "mendbay donor free 1" in told
    free(bench, item.number)
    assert not any("reserved" in one for one in look_at_closing(bench, 1).missing)


def test_what_is_not_handed_over_is_told_at_closing(bench: Bench) -> None:
    (told,) = [one for one in look_at_closing(bench, 1).missing if "not back" in one]
    assert "0001-01 (drive of bay 1)" in told, "though nobody noted it as a thing"
    add_item(bench, 1, What.CABLE, "a cable")
    (told,) = [one for one in look_at_closing(bench, 1).missing if "not back" in one]
    assert "0001-03 (cable: a cable)" in told
    release(bench, 1, ["1", "2", "3"], Hand.CUSTOMER)
    assert not any("not back" in one for one in look_at_closing(bench, 1).missing)


def test_without_a_hand_back_copies_are_kept_from_the_closing_on(bench: Bench) -> None:
    tell(bench, 1, "keep-days", "10")
    declined = said([], nothing_broken=True, end=End.DECLINED, data=DataBack.NONE)
    until = day_after(bench.now()[:10], 10)
    assert close_case(bench, 1, declined).case.keep_until == until
    assert bench.ledger.custody(1)[-2].what == f"keep-until day put down: {until}"
    assert not any("No day" in one for one in look_at_closing(bench, 1).missing)
    assert reopen_case(bench, 1, "they think again").keep_until == "", "its copies are worked on"
    keep(bench, 1, "2999-01-01")
    assert close_case(bench, 1, declined).case.keep_until == "2999-01-01", "what was agreed stands"
    assert reopen_case(bench, 1, "they think again").keep_until == "2999-01-01"


def test_a_day_that_ran_from_the_closing_stands_once_somebody_says_it(bench: Bench) -> None:
    until = close_case(
        bench, 1, said([], nothing_broken=True, end=End.DECLINED, data=DataBack.NONE)
    ).case.keep_until
    assert until
    keep(bench, 1, until)
    assert reopen_case(bench, 1, "they think again").keep_until == until


def test_a_case_that_was_closed_without_a_day_is_told_what_puts_one_down(bench: Bench) -> None:
    close_case(bench, 1, said([], nothing_broken=True, end=End.DECLINED, data=DataBack.NONE))
    bench.ledger.amend_case(1, keep_until="")
    assert any("mendbay case keep 1" in one for one in look_at_closing(bench, 1).missing)
    assert keep(bench, 1).keep_until == day_after(bench.now()[:10], 30)
    assert not any("mendbay case keep 1" in one for one in look_at_closing(bench, 1).missing)


def test_after_a_hand_back_closing_leaves_its_day(bench: Bench) -> None:
    bench.note(1, "hand-back", "Files handed back.")
    close_case(bench, 1, said([], nothing_broken=True, end=End.DECLINED, data=DataBack.NONE))
    assert bench.ledger.case(1).keep_until == ""


def test_a_right_to_the_data_that_is_not_clear_is_told_at_closing(bench: Bench) -> None:
    assert any("Nobody's right" in one for one in look_at_closing(bench, 1).missing)
    set_authority(bench, 1, Whose.OWN)
    assert not any("right" in one for one in look_at_closing(bench, 1).missing)


def test_two_odd_cases_do_not_turn_a_judgement(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    before = tell_triage(bench, 1).belief
    for _ in range(2):
        closed_with(bench, said(["board-supply:1"], end=End.REPAIRED, data=DataBack.ALL), sound="clicks")
    after = tell_triage(bench, 1).belief
    assert after.fault("board-supply", "1") > before.fault("board-supply", "1")
    assert after.fault("heads", "1") > 2 * after.fault("board-supply", "1")


def test_what_a_repair_mended_was_broken_when_the_case_came_in(bench: Bench, shop: ShopFolder) -> None:
    patient = BoardDescription(board_number="TB-4471-200")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, patient)])
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    answer(bench, 1, Asked("supply-measured", "2"), "sound")
    end = said([], nothing_broken=True, end=End.GIVEN_BACK, data=DataBack.NONE)
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 1, 1, "1", agreement, True)
    assert tell_triage(bench, 1).belief.fault("board-supply", "1") < 0.02
    (query,) = close_case(bench, 1, end).against
    assert "triage believes in board-supply:1" in query
    assert "supply-measured (bay 1)" in query


def test_answers_that_a_repair_has_overtaken_were_told_all_the_same(bench: Bench, shop: ShopFolder) -> None:
    patient = BoardDescription(board_number="TB-4471-200")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, patient)])
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 1, 1, "1", agreement, True)
    assert not any("Nothing was told to triage" in one for one in look_at_closing(bench, 1).missing)
