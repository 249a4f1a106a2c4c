"""What a customer is told: plain words, no promise, nothing that is not so."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest
from pypdf import PdfReader

from mendbay.case.agenda import WaitsFor
from mendbay.case.consents import Word, packaged_risks
from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.price_list import packaged_prices
from mendbay.case.quote import DIAGNOSIS, When
from mendbay.case.records import Bay, CaseKind, CaseState, Image
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.note import NoteKind
from mendbay.core.source import Identity
from mendbay.jobs.asked_by_works import AskedByWork
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import How, make_bill, pay
from mendbay.jobs.consents import give_word
from mendbay.jobs.files_seen import FilesSeen, files_seen, note_files
from mendbay.jobs.hand_over_items import release
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.letters import Message, letter_mail, letter_pdf, letter_words, message_mail
from mendbay.jobs.other_half import ASIDE
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import ENQUIRY_ALONE, Wish
from mendbay.jobs.reached_customer import COPY_CHECKED
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.triage_case import answer, tell_triage
from mendbay.jobs.waiting import wait
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import Asked
from support.erasures import Standing


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_case_nobody_looked_at_claims_nothing(bench: Bench) -> None:
    said = flat(letter_words(bench, 1))
    assert "We have not examined it yet" in said
    assert "%" not in said
    assert "The next step is" in said
    assert bench.notes.of(NoteKind.LETTER) == (), "looking at it is no letter"


def test_the_likeliest_fault_is_told_with_its_chance_and_the_drive_gets_no_power(bench: Bench) -> None:
    answer(bench, 1, Asked("history"), "dropped")
    told = answer(bench, 1, Asked("sound", "1"), "clicks")
    chance = f"{100 * told.belief.fault('heads', '1'):.0f} %"
    said = flat(letter_words(bench, 1))
    assert "most likely the parts inside the drive that read its discs (the drive in bay 1)" in said
    assert f"the chance of that is {chance}" in said
    assert "The drive in bay 1 is probably damaged inside." in said
    assert "also the other drive of a pair" in said
    for promise in ("100 %", "guarantee", "certainly", "we will save", " 0 %"):
        assert promise not in said.lower()


def test_an_empty_wording_makes_no_letter(bench: Bench, shop: ShopFolder) -> None:
    shop.keep("papers", "letter", "{# nothing #}\n")
    with pytest.raises(BadFormFile, match="says nothing"):
        letter_pdf(bench, 1)
    assert bench.notes.of(NoteKind.LETTER) == ()


def test_what_was_refused_is_not_asked_for_again(bench: Bench) -> None:
    answer(bench, 1, Asked("history"), "dropped")
    answer(bench, 1, Asked("sound", "1"), "clicks")
    assert "before you have agreed" in flat(letter_words(bench, 1))
    give_word(bench, 1, "power-on", Word.NO)
    said = flat(letter_words(bench, 1))
    assert "As you decided, we give it no power." in said
    assert "before you have agreed" not in said


def test_what_was_refused_is_told_with_what_it_leaves(bench: Bench) -> None:
    answer(bench, 1, Asked("history"), "dropped")
    answer(bench, 1, Asked("sound", "1"), "clicks")
    wait(bench, 1, WaitsFor.CUSTOMER, "a word on how to go on")
    for say in (letter_words, lambda bench, case: message_mail(bench, case, Message.STATUS).body):
        assert "said no" not in flat(say(bench, 1))
    give_word(bench, 1, "power-on", Word.NO)
    one = flat(letter_words(bench, 1))
    assert "without power we can read nothing" in one
    assert "You may change your word on it at any time." in one
    assert "nothing more that we can do" not in one, "a laboratory is left"
    give_word(bench, 1, "open-drive", Word.NO)
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    decide(bench, 1, 1, False, By.PHONE)
    for text in (flat(letter_words(bench, 1)), flat(message_mail(bench, 1, Message.STATUS).body)):
        assert "You said no to giving power to a failing drive. What you brought gets no power" in text
        assert "You said no to opening by a laboratory" in text
        assert "You declined our quote 1" in text
        assert "nothing more that we can do for your files" in text
        assert "take your things back as they are" in text
        for false in ("your turn", "once we have your answer", "The next step", "We wait for"):
            assert false not in text
    give_word(bench, 1, "power-on", Word.YES)
    give_word(bench, 1, "open-drive", Word.YES)
    text = flat(letter_words(bench, 1))
    assert "said no" not in text
    assert "We do nothing more for now." in text
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    assert "declined" not in flat(letter_words(bench, 1))
    assert "your turn" in flat(letter_words(bench, 1))


@pytest.mark.parametrize("consent", packaged_risks())
def test_every_refusal_is_told_with_what_it_leaves(bench: Bench, consent: str) -> None:
    risk = packaged_risks()[consent]
    give_word(bench, 1, consent, Word.ASK)
    said = f"You said no to {risk.title}. {risk.refused}"
    texts: tuple[Callable[[], str], ...] = (
        lambda: letter_words(bench, 1),
        lambda: message_mail(bench, 1, Message.STATUS).body,
    )
    assert [said in flat(text()) for text in texts] == [False, False]
    give_word(bench, 1, consent, Word.NO)
    assert [said in flat(text()) for text in texts] == [True, True]


def test_a_drive_that_came_alone_speaks_of_no_box(bench: Bench) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.DRIVE, box="")
    said = flat(letter_words(bench, 1))
    assert "nothing that a computer offers" in said
    assert "the box offers" not in said


def texts_of(bench: Bench, case: int) -> list[str]:
    """Every wording to a customer whose drives are looked at, in one line each."""
    make_quote(bench, case, Wish(lines=(("hour", ""),), odds=False))
    mails = [message_mail(bench, case, one) for one in (Message.STATUS, Message.QUOTE, Message.REMINDER)]
    return [flat(letter_words(bench, case)), *(flat(one.body) for one in mails)]


@pytest.mark.parametrize(
    ("bays", "kind"), [(1, CaseKind.DRIVE), (2, CaseKind.DRIVE), (1, CaseKind.BOX), (2, CaseKind.BOX)]
)
def test_one_drive_is_spoken_of_as_one_and_two_as_two(bench: Bench, bays: int, kind: CaseKind) -> None:
    case = take_in(bench, "Quillmere Pottery", bays=[Bay(0, str(one + 1)) for one in range(bays)]).number
    bench.ledger.amend_case(case, kind=kind)
    answer(bench, case, Asked("history"), "dropped")
    answer(bench, case, Asked("sound-alone", "1"), "clicks")
    letter, status, quote, reminder = texts_of(bench, case)
    one, two = (
        ("Your drive is only read", "before the drive is read", "Your drive is probably damaged inside"),
        ("Your drives are only read", "before the drives are read", "The drive in bay 1 is probably damaged"),
    )
    for said, of in ((one, 1), (two, 2)):
        assert [words in letter for words in said] == [bays == of] * 3
        assert (said[1] in quote) == (bays == of)
    if bays == 1:
        found = [
            re.findall(r".{0,60}\b(?:drives|in bay)\b.{0,30}", text)
            for text in (letter, status, quote, reminder)
        ]
        assert found == [[], [], [], []]
    box, pair = kind is CaseKind.BOX, "also the other drive of a pair may be needed"
    assert ("a drive or the box, should any of it still be with you" in letter) == box
    assert (pair in letter) == (box or bays == 2)


def test_of_a_board_alone_nothing_is_said_of_drives(bench: Bench) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    bench.ledger.amend_case(case, kind=CaseKind.BOARD_REPAIR)
    said = flat(letter_words(bench, case))
    assert "only read" not in said
    assert "Copies stay on our own machines" in said


@pytest.mark.parametrize("said", [{"customer": "Quill\nmere"}, {"customer": "Quillmere", "box": "box\nx"}])
def test_a_line_break_splits_no_letter(bench: Bench, said: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="U\\+000A"):
        take_in(bench, **said)  # type: ignore[arg-type]


def test_what_we_need_and_when(bench: Bench) -> None:
    wait(bench, 1, WaitsFor.CUSTOMER, "the password of the box", "2999-01-01")
    made, _ = make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    until = made.valid_until
    said = letter_words(bench, 1)
    assert "- The password of the box, if possible by 2999-01-01\n" in said
    assert f"- An answer to quote 1, if possible by {until}\n" in said
    assert "It is your turn" in said
    assert "The next step is" not in said
    quote = message_mail(bench, 1, Message.QUOTE)
    assert "our quote 1 for your job" in flat(quote.body)
    assert f"valid until {until}" in flat(quote.body)
    reminder = message_mail(bench, 1, Message.REMINDER).body
    assert reminder.count("\n- ") == 2
    assert "\n\nNothing is done meanwhile" in reminder
    assert reminder.startswith("Dear Quillmere Pottery,\n")


def test_a_message_without_a_reason_is_refused_with_the_next_step(bench: Bench) -> None:
    for message in (Message.QUOTE, Message.READY, Message.REMINDER, Message.FETCH):
        with pytest.raises(UsageError):
            message_mail(bench, 1, message)
    assert bench.notes.of(NoteKind.LETTER) == ()
    assert "case 0001" in flat(message_mail(bench, 1, Message.STATUS).body)


def test_an_answer_to_a_quote_is_asked_for_before_the_day_on_which_the_job_is_needed(bench: Bench) -> None:
    today = date.fromisoformat(bench.now()[:10])
    needed, middle = ((today + timedelta(days)).isoformat() for days in (6, 3))
    bench.ledger.amend_case(1, due_on=needed)
    made, _ = make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    said = letter_words(bench, 1)
    assert f"An answer to quote 1, if possible by {middle}, so that time is left for the work" in flat(said)
    assert made.valid_until not in said
    quote = flat(message_mail(bench, 1, Message.QUOTE).body)
    assert f"valid until {made.valid_until}. As you need it by {needed}, please answer by {middle}" in quote
    assert f"(by {middle})" in message_mail(bench, 1, Message.REMINDER).body


def test_a_day_set_after_the_quote_changes_nothing_of_what_its_paper_asks_and_is_told(bench: Bench) -> None:
    today = date.fromisoformat(bench.now()[:10])
    asked, soon = ((today + timedelta(days)).isoformat() for days in (10, 4))
    bench.ledger.amend_case(1, due_on=(today + timedelta(20)).isoformat())
    make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    for due, told in ((soon, f"as you need it by {soon} now, sooner helps"), ("", "")):
        bench.ledger.amend_case(1, due_on=due)
        said = flat(letter_words(bench, 1))
        assert f"- An answer to quote 1, if possible by {asked}{'; ' if told else ''}{told}" in said
        assert "so that time is left for the work" not in said
        quote = flat(message_mail(bench, 1, Message.QUOTE).body)
        assert f". The quote asks for your answer by {asked}, if you can." in quote
        assert ("sooner helps" in quote) == bool(told)


def test_a_quote_that_runs_out_first_is_not_said_to_be_answered_for_the_work_s_sake(bench: Bench) -> None:
    needed = (date.fromisoformat(bench.now()[:10]) + timedelta(300)).isoformat()
    bench.ledger.amend_case(1, due_on=needed)
    made, _ = make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    said = letter_words(bench, 1)
    assert f"- An answer to quote 1, if possible by {made.valid_until}\n" in said
    assert "time is left for the work" not in flat(message_mail(bench, 1, Message.QUOTE).body)


def test_no_answer_is_asked_for_by_a_day_that_is_past(bench: Bench) -> None:
    today = date.fromisoformat(bench.now()[:10])
    needed, middle, late = ((today + timedelta(days)).isoformat() for days in (6, 3, 4))
    bench.ledger.amend_case(1, due_on=needed)
    make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    later = replace(bench, clock=Standing(f"{late}T12:00:00Z"))
    texts = [
        letter_words(later, 1),
        *(message_mail(later, 1, one).body for one in Message if one not in (Message.READY, Message.FETCH)),
    ]
    assert not any(middle in one for one in texts)
    assert f"An answer to quote 1, so that time is left for the work: you need it by {needed}" in flat(
        texts[0]
    )
    after = replace(bench, clock=Standing(f"{today + timedelta(7)}T12:00:00Z"))
    assert "- An answer to quote 1\n" in letter_words(after, 1), "that day is past too"


def test_a_quote_that_ran_out_is_not_sent(bench: Bench) -> None:
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    later = replace(bench, clock=Standing("2999-01-01T00:00:00Z"))
    with pytest.raises(UsageError, match="has run out") as refused:
        message_mail(later, 1, Message.QUOTE)
    assert "case quote 1" in refused.value.next_step
    assert "- an answer to quote 1, which has run out\n" in message_mail(later, 1, Message.REMINDER).body
    assert "valid until" in flat(message_mail(bench, 1, Message.QUOTE).body)


def test_a_quote_says_what_is_due_in_any_case(bench: Bench, shop: ShopFolder) -> None:
    wish = Wish(lines=(("hour", ""),), odds=False)
    make_quote(bench, 1, wish)
    said = flat(message_mail(bench, 1, Message.QUOTE).body)
    assert "The examination, 45.00 EUR, is due in any case; nothing beyond it" in said
    shop.keep("settings", "prices", packaged_prices().replace('diagnosis = "45.00"', 'diagnosis = "0.00"'))
    make_quote(bench, 1, wish)
    said = flat(message_mail(bench, 1, Message.QUOTE).body)
    assert "Nothing is charged unless you accept." in said
    assert "in any case" not in said


def test_after_the_hand_back_only_money_is_asked_for(bench: Bench) -> None:
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    decide(bench, 1, 1, True, By.PHONE)
    make_bill(bench, 1, {})
    bench.note(1, "hand-back", "Files handed back.")
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    body = message_mail(bench, 1, Message.REMINDER).body
    assert "\n\n- the payment of 113.00 EUR\n" in body
    said = flat(body)
    assert "your files were copied out on" in said
    for false in ("rests", "power", "Nothing is done"):
        assert false not in said


def test_files_that_are_ready(bench: Bench) -> None:
    bench.note(1, "hand-back", "Files handed back.")
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK, keep_until="2999-01-01")
    day = bench.now()[:10]
    ready = flat(message_mail(bench, 1, Message.READY).body)
    assert f"were copied out on {day}" in ready
    assert "until 2999-01-01" in ready
    letter = flat(letter_words(bench, 1))
    assert f"Your files are copied and checked: they were copied out on {day}" in letter
    assert "Please do not" not in letter


def test_files_are_handed_back_once_a_medium_went_to_the_customer(bench: Bench) -> None:
    bench.note(1, "hand-back", "Files handed back.")
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    wait_for = (Message.STATUS, Message.READY)

    def said() -> list[str]:
        return [flat(letter_words(bench, 1)), *(flat(message_mail(bench, 1, one).body) for one in wait_for)]

    day = bench.now()[:10]
    for text in said():
        assert "handed back" not in text.replace("after handing back", ""), "they lie in a folder of the shop"
        assert "came with" not in text
    assert "on its own medium" not in said()[0]
    bench.note(1, COPY_CHECKED, "A copy was checked.")
    assert f"The copy for you was checked on its own medium on {day}." in said()[0]
    item = add_item(bench, 1, What.DRIVE)
    release(bench, 1, [str(item.number)], Role.CUSTOMER)
    assert "handed back on" not in said()[0], "a drive is no copy"
    item = add_item(bench, 1, What.MEDIUM)
    release(bench, 1, [str(item.number)], Role.CUSTOMER)
    for text in said()[:2]:
        assert f"Your files were handed back on {day}." in text
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    assert f"The job is closed. Your files were handed back on {day}." in said()[0]


def test_a_closed_job_tells_what_is_due_and_says_of_no_files_that_they_went_out(bench: Bench) -> None:
    bench.note(1, "hand-back", "A hand-back of 3 files.")
    add_item(bench, 1, What.BOX)
    make_quote(bench, 1, Wish(lines=(("hour", "1"),), odds=False))
    decide(bench, 1, 1, True, By.PHONE)
    account, _ = make_bill(bench, 1, {})
    assert account.due is not None
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    for text in (letter_words(bench, 1), message_mail(bench, 1, Message.STATUS).body):
        said = flat(text)
        assert "We have not put down that a medium with them went to you" in said
        assert f"Of our bill {account.due.text} are still to be paid." in said
        assert "Of your things we still have: drive of bay 1, drive of bay 2, box." in said
    pay(bench, 1, account.due.text, How.CASH)
    release(bench, 1, ["1", "2", "3"], Role.CUSTOMER)
    said = flat(letter_words(bench, 1))
    assert [one in said for one in ("still open", "still to be paid", "still have")] == [False] * 3
    pay(bench, 1, "12", How.CASH, although_more="no change")
    assert "We owe you 12.00 EUR." in flat(letter_words(bench, 1))


def test_an_enquiry_speaks_of_no_drive(bench: Bench) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.ENQUIRY)
    said = flat(letter_words(bench, 1))
    assert "no drive was examined" in said
    assert "You asked us on" in said
    assert "to find out from your pictures" in said
    tell(bench, 1, "enquiry", "Is there a board\nfor {{ 7*7 }} it?")
    for text in (letter_words(bench, 1), letter_mail(bench, 1).body):
        assert "“Is there a board for {{ 7*7 }} it?”" in flat(text)
        for false in ("your turn", "What we need", "switch on", "your drives", "it came to us", "only read"):
            assert false not in flat(text).lower()


def test_of_an_enquiry_nobody_speaks_again_of_a_step_that_cannot_be_taken(bench: Bench) -> None:
    answer(bench, 1, Asked("sound", "1"), "silent")
    for one in ("power-on", "open-drive"):
        give_word(bench, 1, one, Word.NO)
    assert tell_triage(bench, 1).speak_again
    bench.ledger.amend_case(1, kind=CaseKind.ENQUIRY)
    assert tell_triage(bench, 1).speak_again == ()
    assert "said no" not in flat(letter_words(bench, 1))


def test_of_an_enquiry_only_the_answer_is_quoted_and_waited_for(bench: Bench) -> None:
    tell(bench, 1, "kind", "picture-enquiry")
    quote, kept = make_quote(bench, 1, Wish())
    assert [(one.key, str(one.when)) for one in quote.lines] == [(DIAGNOSIS, str(When.ALWAYS))]
    assert len({total.gross for total in quote.totals.values()}) == 1
    assert (quote.odds, ENQUIRY_ALONE in quote.remarks) == (False, True)
    pages = PdfReader(io.BytesIO(bench.files.take(bench.ledger.case(1), kept))).pages
    paper = flat(" ".join(page.extract_text() for page in pages))
    assert "If you decline" in paper
    assert "no file" not in paper
    assert "We answer your question once we have" in flat(letter_words(bench, 1))
    for message in (Message.REMINDER, Message.QUOTE, Message.STATUS):
        body = message_mail(bench, 1, message).body
        assert "question, case 0001" in body
        assert "power" not in body
    picked, _ = make_quote(bench, 1, Wish(lines=(("hour", "0.5"),)))
    assert [one.key for one in picked.lines][1:], "what is picked by hand goes in"


def test_the_letter_is_kept_and_custody_names_no_customer(bench: Bench) -> None:
    made = letter_pdf(bench, 1)
    text = flat(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(made.pdf)).pages))
    assert "Dear Quillmere Pottery" in text
    assert len(PdfReader(io.BytesIO(made.pdf)).pages) == 1
    folder = bench.images.folder(bench.ledger.case(1))
    assert (folder / made.path).read_bytes() == made.pdf
    last = bench.ledger.custody(1)[-1]
    assert made.sha256 in last.item
    assert "Quillmere" not in last.item + last.what
    (note,) = bench.notes.of(NoteKind.LETTER, 1)
    assert json.loads(note.body)["sha256"] == made.sha256


def test_hostile_names_stay_words(bench: Bench) -> None:
    number = take_in(bench, "# Boss **x** {{ 7*7 }} > go", box="<b>box</b> - [x](y)").number
    mail = letter_mail(bench, number)
    assert "# Boss **x** {{ 7*7 }}" in mail.body
    assert "<b>box</b>" in mail.body
    assert not re.search("[\r\n]", mail.subject)
    assert mail.subject == "Where your job stands (case 0002)"
    assert max(map(len, mail.body.splitlines())) <= 76


def image_of(bay: str, read: int, unread: int) -> Image:
    """The figures of an image with a hundredth of its drive refused."""
    at = "2026-11-25T10:00:00Z"
    return Image(1, bay, f"bay-{bay}.img", "", at, at, read, 1000, 0, unread)


def test_what_was_read_is_told_with_how_many_files_are_whole(bench: Bench) -> None:
    answer(bench, 1, Asked("history"), "dropped")
    answer(bench, 1, Asked("sound", "1"), "clicks")
    before = flat(letter_words(bench, 1))
    assert "Nobody can say before the drives are read how much can be saved." in before
    assert "was read" not in before
    bench.ledger.note_image(image_of("1", 53_000, 46_000))
    give_word(bench, 1, "power-on", Word.YES)
    partly = letter_words(bench, 1)
    said = flat(partly)
    assert "- The drive in bay 1 was read: 53" in said
    assert "How many of your files are whole on what was read, we have not listed yet." in said
    assert "Please note: The drive in bay 1 is probably damaged inside. You agreed that it gets power" in said
    for false in ("Nobody can say", "before you have agreed", ">"):
        assert false not in partly
    note_files(bench, 1, {"whole": 88, "holed": 42})
    note_files(bench, 1, {"whole": 88, "holed": 42})
    assert sum(one.kind == "files" for one in bench.ledger.events(1)) == 1, "the same is noted once"
    for text in (letter_words(bench, 1), message_mail(bench, 1, Message.STATUS).body):
        assert "Of 130 files that we could list on what was read, 88 are whole" in flat(text)
    assert "nobody can say before the rest is read" in flat(letter_words(bench, 1))
    for bay in ("1", "2"):
        bench.ledger.note_image(image_of(bay, 99_000, 0))
    said = flat(letter_words(bench, 1))
    assert "The rest of it was tried, or is not needed." in said
    for false in ("nobody can say", "is probably damaged inside", "power"):
        assert false not in said.partition("What happens next")[0]


def test_what_the_customer_is_waited_for_is_told_while_a_reading_stands_still(bench: Bench) -> None:
    store = bench.images.create(bench.ledger.case(1), "1", Identity("AL20-HX4", "S1", 1 << 20, 512))
    still = replace(bench, asked_by_works=lambda case: (AskedByWork("w", case, 1, "Cut the power"),))
    assert "A drive is being read now" in letter_words(bench, 1)
    assert "is being read now" not in letter_words(still, 1)
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    assert "valid until" in flat(message_mail(still, 1, Message.QUOTE).body)
    reminder = message_mail(still, 1, Message.REMINDER).body
    assert "n answer to quote 1" in reminder
    assert "without power" not in reminder
    store.close()
    assert "rests without power" in message_mail(bench, 1, Message.REMINDER).body


def test_files_seen_on_an_image_that_was_set_aside_are_not_told(bench: Bench) -> None:
    bench.ledger.note_image(image_of("1", 53_000, 46_000))
    note_files(bench, 1, {"whole": 88, "holed": 42})
    assert files_seen(bench, 1).whole == 88
    bench.note(1, "imaging", "The image of bay 1 is set aside.", {"bay": "1", ASIDE: "bay-1-aside-1.img"})
    assert files_seen(bench, 1) == FilesSeen()
    assert "88" not in letter_words(bench, 1)


def test_a_hand_back_of_a_choice_is_not_told_as_all_there_is(bench: Bench) -> None:
    bench.ledger.note_image(image_of("1", 53_000, 46_000))
    note_files(bench, 1, {"whole": 88, "holed": 42})
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    tally = {"whole": 66, "holed": 11, "lost": 0, "not_chosen_files": 57}
    bench.note(1, "hand-back", "A hand-back of 77 of 134 files.", tally)
    bench.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    for text in (letter_words(bench, 1), message_mail(bench, 1, Message.READY).body):
        said = flat(text)
        assert "Of the 77 files that were to be copied, 66 are complete; of the other 11" in said
        assert "We found 57 more files that this copy was not to hold: ask us" in said, "as its report says"
        assert "Not all of what you brought was read" in said
    assert "Our quote 1, valid until" in flat(letter_words(bench, 1))
    later = replace(bench, clock=Standing("2999-01-01T00:00:00Z"))
    assert "waits for your answer" not in flat(letter_words(later, 1)), "it has run out"
    for bay in ("1", "2"):
        bench.ledger.note_image(image_of(bay, 99_000, 0))
    bench.note(1, "hand-back", "A hand-back of 130 files.", {"whole": 130, "holed": 0, "lost": 0})
    said = flat(letter_words(bench, 1))
    assert "All of it is complete: 130 files." in said
    for false in ("not to hold", "Not all of what you brought", "something is missing"):
        assert false not in said
