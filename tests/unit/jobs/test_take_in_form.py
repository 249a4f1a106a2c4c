"""Take-in as a job: every answer is kept where it belongs, is shown from there, and can be taken back."""

from __future__ import annotations

import re
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import cast

import pytest

from mendbay.case.agenda import WaitsFor
from mendbay.case.authority import Whose
from mendbay.case.consents import By, How, Word, packaged_risks
from mendbay.case.custody import verify
from mendbay.case.hand_over import Role
from mendbay.case.items import What, Where
from mendbay.case.records import Bay, CaseKind
from mendbay.case.take_in_form import KINDS, Type, packaged_form
from mendbay.core.errors import LedgerError, NoRoom, NoSuchCase, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.authority import authority_of, concern, set_authority
from mendbay.jobs.bench import Bench
from mendbay.jobs.came_in import remove_bay
from mendbay.jobs.case_pictures import case_pictures, keep_pictures
from mendbay.jobs.consents import consents_of, give_word, take_word_back
from mendbay.jobs.hand_over_items import hand_over_paper, keep_signed, receive, release
from mendbay.jobs.keep_items import add_item, items_of, move_item, number_items
from mendbay.jobs.ports import CaseFiles
from mendbay.jobs.take_in import add_bay, take_in, tell_case
from mendbay.jobs.take_in_form import Entry, FilledForm, fill_form, tell, untell
from mendbay.jobs.triage_case import answer, tell_triage
from mendbay.jobs.waiting import wait
from mendbay.triage.belief import Asked
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, StepKind
from mendbay.triage.worlds import Subject
from mendbay.wiring import open_bench

NAME = "Quillmere Pottery"


@pytest.fixture
def case(bench: Bench) -> int:
    """A case of which nothing but the customer is known."""
    return take_in(bench, NAME).number


def value(form: FilledForm, question: str, bay: str = "") -> tuple[str, ...]:
    return next(one.values for one in form.entries if one.key == (question, bay))


def test_questions_and_steps_name_what_there_is() -> None:
    signs = packaged_tables().signs
    asked = [one.id for one in packaged_form().values() if one.type is Type.SIGN]
    assert set(asked) <= set(signs)
    for one in packaged_form().values():
        if one.type is Type.SIGN and signs[one.id].seat is Seat.BOX:
            assert one.kinds == {CaseKind.BOX}
        if one.type is Type.SIGN and signs[one.id].seat is Seat.BAY:
            assert one.kinds <= {CaseKind.BOX, CaseKind.DRIVE}
    for step in packaged_tables().steps.values():
        assert set(step.consents) <= set(packaged_risks()), step.id
        assert not step.powers or "power-on" in step.consents


def test_answers_set_the_case_and_survive_the_program(bench: Bench, case: int, tmp_path: Path) -> None:
    for question, text in (
        ("kind", "drive"),
        ("contact", "555 0100"),
        ("came-in", "one drive in a bag"),
        ("wanted", "*.xlsx, *.jpg"),
        ("due", "2026-12-24"),
        ("notes", "rings at eight"),
        ("customer", "Quillmere Pottery Ltd"),
        ("worth", "900"),
        ("condition", "4 5"),
    ):
        tell(bench, case, question, text)
    record = bench.ledger.case(case)
    assert (record.kind, record.contact, record.box) == (CaseKind.DRIVE, "555 0100", "one drive in a bag")
    assert (record.wanted, record.due_on, record.notes) == (
        ("*.xlsx", "*.jpg"),
        "2026-12-24",
        "rings at eight",
    )
    assert record.customer == "Quillmere Pottery Ltd"
    assert tell_triage(bench, case).stakes.data == 900
    before = fill_form(bench, case)
    assert value(before, "condition") == ("dented", "rattles")
    assert before.stops == ("give nothing power that came in: a dent or a crack; something rattles.",)
    with open_bench(tmp_path / "home") as again:
        assert fill_form(again, case).entries == before.entries


def test_what_case_open_put_down_is_not_asked_again(bench: Bench) -> None:
    number = take_in(bench, NAME, contact="555 0100", box="a box", wanted=("*.jpg",)).number
    form = fill_form(bench, number)
    assert {"customer", "contact", "came-in", "wanted"}.isdisjoint(one.question.id for one in form.open)
    assert value(form, "came-in") == ("a box",)


def test_symptoms_are_answers_of_triage(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "two-bay-box")
    form = tell(bench, case, "sound", "3", bay="2")
    assert bays_of(bench, case) == ["2"], "who tells of a drive says that it is there"
    assert form.stops == ("give the drive of bay 2 no power: it clicks again and again.",)
    assert ("sound", "1") in {one.key for one in form.missing}, "the other bay is still asked about"
    told = tell_triage(bench, case)
    assert told.known[Asked("sound", "2")].answer == "clicks"
    answer(bench, case, Asked("sound", "2"), "normal")
    assert value(fill_form(bench, case), "sound", "2") == ("normal",), "triage tell and the form are one"
    form = untell(bench, case, "sound", "the wrong box", "2")
    assert Asked("sound", "2") not in tell_triage(bench, case).known
    assert ("sound", "2") in {one.key for one in form.missing}


def test_what_nobody_knows_is_not_asked_again_and_enters_no_answer(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "two-bay-box")
    form = tell(bench, case, "sound", "not known", bay="1")
    entry = next(one for one in form.entries if one.key == ("sound", "1"))
    assert (entry.answered, entry.values, entry.shown) == (True, (), "not known")
    assert bays_of(bench, case) == [], "nor does it say that there is a drive"
    assert not tell_triage(bench, case).known
    assert value(tell(bench, case, "sound", "silent", bay="1"), "sound", "1") == ("silent",)
    with pytest.raises(UsageError, match="was answered"):
        tell(bench, case, "sound", "not known", bay="1")
    form = tell(bench, case, "due", "not known")
    assert "due" not in {one.question.id for one in form.missing}
    form = untell(bench, case, "due", "there is one after all")
    assert "due" in {one.question.id for one in form.missing}


@pytest.mark.parametrize(
    ("kind", "subject"),
    [
        ("two-bay-box", Subject(("1", "2"), box=True)),
        ("drive", Subject(("1",), box=False)),
        ("board-repair", Subject(("1",), box=False)),
        ("picture-enquiry", Subject(("1",), box=False)),
    ],
)
def test_what_triage_is_of_follows_from_the_kind(
    bench: Bench, case: int, kind: str, subject: Subject
) -> None:
    tell(bench, case, "came-in", "something in a box")
    tell(bench, case, "kind", kind)
    if kind == "two-bay-box" or kind == "drive":
        tell(bench, case, "worth", "500")
    assert tell_triage(bench, case).subject == subject


def test_an_enquiry_is_asked_little_and_other_questions_are_refused(bench: Bench, case: int) -> None:
    form = tell(bench, case, "kind", "picture-enquiry")
    assert len(form.entries) == 7
    for question in ("came-in", "power-on", "lights", "authority"):
        with pytest.raises(UsageError, match="not asked of a picture enquiry"):
            tell(bench, case, question, "1")


@pytest.mark.parametrize(
    ("question", "text", "bay", "said"),
    [
        ("colour", "red", "", "no question 'colour'"),
        ("sound", "clicks", "", "asked of each drive"),
        ("due", "2026-12-24", "1", "of the case, not of a bay"),
        ("sound", "clicks", "../x", "bay"),
        ("sound", "clicks", "7", "has no bay 7"),
        ("due", "2020-01-01", "", "is past"),
        ("condition", "1, 4", "", "cannot both be"),
        ("came-in", "a box\nx", "", "cannot be kept"),
        ("power-on", "perhaps", "", "cannot be 'perhaps'"),
        ("locked-who", "the pin is 4711", "", "looks like a password"),
    ],
)
def test_what_cannot_be_told_is_refused_and_leaves_no_trace(
    bench: Bench, case: int, question: str, text: str, bay: str, said: str
) -> None:
    before = bench.notes.all_of(case), bench.ledger.events(case), bench.ledger.custody(case)
    with pytest.raises(UsageError, match=said):
        tell(bench, case, question, text, bay)
    assert (bench.notes.all_of(case), bench.ledger.events(case), bench.ledger.custody(case)) == before
    with pytest.raises(NoSuchCase):
        tell(bench, 99, "due", "2026-12-24")


def things(bench: Bench, case: int) -> list[str]:
    return [one.named for one in items_of(bench, case)]


def bays_of(bench: Bench, case: int) -> list[str]:
    return [one.bay for one in bench.ledger.bays(case)]


def test_both_drives_and_the_box_are_items_though_nothing_is_known_of_them(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "two-bay-box")
    assert things(bench, case) == []
    tell(bench, case, "bays", "both")
    tell(bench, case, "sound", "not known", bay="1")
    tell(bench, case, "sound", "clicks", bay="2")
    assert things(bench, case) == ["box", "drive of bay 1", "drive of bay 2"]
    assert tell_triage(bench, case).subject == Subject(("1", "2"), box=True)
    tell(bench, case, "kind", "two-bay-box")
    add_bay(bench, Bay(case, "1", "AL20-HX4"))
    assert things(bench, case) == ["box", "drive of bay 1", "drive of bay 2"], "said twice, there once"
    assert bench.ledger.bay(case, "1").model == "AL20-HX4"


def test_a_drive_alone_is_an_item_though_nobody_knows_its_sound(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "drive")
    tell(bench, case, "sound", "not known", bay="1")
    assert things(bench, case) == ["drive of bay 1"]
    for bay in ("2", "7"):
        with pytest.raises(UsageError, match=f"no bay {bay}; asked about is bay 1") as refused:
            tell(bench, case, "sound", "nothing", bay)
        assert f"case bay {case} {bay}=" in refused.value.next_step
    assert things(bench, case) == ["drive of bay 1"]


def test_a_drive_alone_is_there_from_its_kind_on(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "drive")
    assert (bays_of(bench, case), things(bench, case)) == (["1"], ["drive of bay 1"])
    add_bay(bench, Bay(case, "2"))
    tell(bench, case, "kind", "drive")
    assert sorted(bays_of(bench, case)) == ["1", "2"], "said again it takes nothing away"
    tell(bench, case, "kind", "picture-enquiry")
    assert bays_of(bench, case) == []
    tell(bench, case, "kind", "two-bay-box")
    tell(bench, case, "bays", "bay-1-empty")
    tell(bench, case, "kind", "drive")
    assert bays_of(bench, case) == ["1"]


def test_a_drive_described_already_stays_as_it_is(bench: Bench) -> None:
    number = take_in(bench, NAME, bays=[Bay(0, "left")]).number
    tell(bench, number, "kind", "drive")
    assert bays_of(bench, number) == ["left"]


@pytest.mark.parametrize(
    ("bays", "came"),
    [
        ("both", ["0002-01 (box); of: customer", "drive of bay 1", "drive of bay 2"]),
        ("bay-2-empty", ["0002-01 (box); of: customer", "drive of bay 1"]),
        ("no-box", ["drive of bay 1", "drive of bay 2"]),
        ("not known", []),
    ],
)
def test_custody_tells_only_of_what_is_said_to_be_there(
    bench: Bench, case: int, bays: str, came: list[str]
) -> None:
    before = len(bench.ledger.custody(case))
    tell(bench, case, "kind", "two-bay-box")
    tell(bench, case, "sound", "not known", bay="2")
    assert len(bench.ledger.custody(case)) == before, "a kind brings nothing in, nor does what nobody knows"
    tell(bench, case, "bays", bays)
    new = bench.ledger.custody(case)[before:]
    assert [(one.what, one.item) for one in new] == [("taken in", one) for one in came]


def test_an_empty_bay_has_no_drive(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "two-bay-box")
    tell(bench, case, "bays", "both")
    assert things(bench, case) == ["box", "drive of bay 1", "drive of bay 2"]
    form = tell(bench, case, "bays", "bay-1-empty")
    assert things(bench, case) == ["box", "drive of bay 2"]
    assert {one.bay for one in form.entries if one.question.id == "sound"} == {"2"}
    with pytest.raises(UsageError, match="no bay 1"):
        tell(bench, case, "sound", "clicks", bay="1")
    assert tell_triage(bench, case).subject == Subject(("2",), box=True)
    untell(bench, case, "bays", "looked again")
    assert bays_of(bench, case) == ["2"], "described as it is until it is answered anew"
    tell(bench, case, "bays", "both")
    assert sorted(bays_of(bench, case)) == ["1", "2"]
    tell(bench, case, "bays", "no-box")
    assert things(bench, case) == ["drive of bay 2", "drive of bay 1"]
    assert [one.number for one in items_of(bench, case)] == [3, 4], "no number is used twice"
    tell(bench, case, "sound", "clicks", bay="1")
    with pytest.raises(UsageError, match="is no slip"):
        tell(bench, case, "bays", "bay-1-empty")
    assert sorted(bays_of(bench, case)) == ["1", "2"]
    assert verify(bench.ledger.custody(case)).holds


def test_bays_that_are_described_stay_as_they_are(bench: Bench) -> None:
    number = take_in(bench, NAME, bays=[Bay(0, "left"), Bay(0, "right")]).number
    tell(bench, number, "kind", "two-bay-box")
    assert bays_of(bench, number) == ["left", "right"]
    with pytest.raises(UsageError, match="left or right"):
        tell(bench, number, "sound", "clicks", bay="1")


def test_a_kind_that_was_a_slip_leaves_nothing_behind(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "two-bay-box")
    tell(bench, case, "bays", "both")
    tell(bench, case, "kind", "drive")
    assert (bays_of(bench, case), things(bench, case)) == (["1"], ["drive of bay 1"])
    tell(bench, case, "kind", "two-bay-box")
    tell(bench, case, "kind", "picture-enquiry")
    assert (bays_of(bench, case), things(bench, case)) == ([], [])


def test_a_bay_added_by_mistake_is_taken_back_while_nothing_is_on_record_of_it(
    bench: Bench, case: int
) -> None:
    tell(bench, case, "kind", "drive")
    tell(bench, case, "sound", "normal", bay="1")
    add_bay(bench, Bay(case, "7", "AL20-HX4"))
    assert things(bench, case) == ["drive of bay 1", "drive of bay 7"]
    with pytest.raises(UsageError, match="reason"):
        remove_bay(bench, case, "7", " ")
    remove_bay(bench, case, "7", "a slip of the finger")
    assert things(bench, case) == ["drive of bay 1"]
    last = bench.ledger.custody(case)[-1]
    assert (last.what, last.item) == (
        "taken back, added by mistake: a slip of the finger", "drive of bay 7: AL20-HX4",
    )  # fmt: skip
    with pytest.raises(NoSuchCase):
        remove_bay(bench, case, "7", "again")
    with pytest.raises(UsageError, match="sign, sound"):
        remove_bay(bench, case, "1", "a slip")
    untell(bench, case, "sound", "of another drive", "1")
    move_item(bench, case, "1", Where.HERE, "shelf B4")
    with pytest.raises(UsageError, match="changed or moved"):
        remove_bay(bench, case, "1", "a slip")


def test_taking_back(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "drive")
    for question, text in (
        ("came-in", "a drive"),
        ("power-on", "yes"),
        ("authority", "own"),
        ("backup", "no"),
    ):
        tell(bench, case, question, text)
        form = untell(bench, case, question, "typed into the wrong case")
        assert question in {one.question.id for one in form.open}
    assert bench.ledger.case(case).box == ""
    assert not consents_of(bench, case)
    assert authority_of(bench, case) is None
    for question, said in (
        ("customer", "no case without"),
        ("worth", "Nobody answered"),
        ("backup", "Nobody answered"),
    ):
        with pytest.raises(UsageError, match=said):
            untell(bench, case, question, "a slip")
    with pytest.raises(UsageError, match="without a reason"):
        untell(bench, case, "kind", " ")


ANSWERS = {
    Type.LINE: "it is so",
    Type.TEXT: "it is so",
    Type.DAY: "2026-12-24",
    Type.DAYS: "30",
    Type.PATTERNS: "*.jpg",
    Type.WORTH: "900",
}
"""One of each type that is typed; of the others the first one that can be picked."""


@pytest.mark.parametrize("kind", KINDS)
def test_every_question_can_be_answered_not_known_and_taken_back(bench: Bench, case: int, kind: str) -> None:
    asked = tell(bench, case, "kind", kind).entries

    def looked_at() -> FilledForm:
        """The form, after all that reads answers has read them."""
        concern(bench, case)
        tell_triage(bench, case)
        tell_case(bench, case)
        return fill_form(bench, case)

    def shown(one: Entry) -> Entry:
        return next(entry for entry in looked_at().entries if entry.key == one.key)

    for one in asked:
        question, bay = one.key
        if question in ("customer", "kind"):
            with pytest.raises(UsageError, match="no case"):
                tell(bench, case, question, "not known", bay)
            continue
        tell(bench, case, question, "not known", bay)
        assert (shown(one).answered, shown(one).values) == (True, ()), one.key
        untell(bench, case, question, "typed by mistake", bay)
        assert not shown(one).answered, one.key
        tell(bench, case, question, "not known", bay)
        given = one.options[0].id if one.options else ANSWERS[one.question.type]
        tell(bench, case, question, given, bay)
        assert shown(one).values == (given,), "a later answer stands before it"
        untell(bench, case, question, "typed by mistake", bay)
        assert not shown(one).answered, one.key
        with pytest.raises(UsageError, match="Nobody answered"):
            untell(bench, case, question, "typed by mistake", bay)
    assert [one.key for one in looked_at().open if one.key not in {("kind", ""), ("customer", "")}]


def test_neither_custody_nor_story_name_the_customer(bench: Bench, case: int, tmp_path: Path) -> None:
    tell(bench, case, "kind", "two-bay-box")
    tell(bench, case, "bays", "both")
    secret = f"Ann Zeller of {NAME}"
    for question in ("customer", "contact", "story", "came-in", "condition-words", "locked-who", "matters"):
        tell(bench, case, question, secret)
    tell(bench, case, "notes", secret)
    tell(bench, case, "wanted", f"home/{NAME}/*")
    wait(bench, case, WaitsFor.CUSTOMER, secret)
    give_word(bench, case, "parts", Word.YES, how=How.PHONE)
    paper = tmp_path / f"{NAME}.png"
    paper.write_bytes(b"\x89PNG\r\n\x1a\n")
    set_authority(bench, case, Whose.OWN, document=paper)
    keep_pictures(bench, case, [paper], f"box of {NAME}")
    over = receive(bench, case, ["1"], place="B4", person=secret, words=secret).done
    keep_signed(bench, case, over.number, paper)
    move_item(bench, case, "1", Where.HERE, "B5")
    shelf = "shelf of Quillmere"
    refused = [
        lambda: receive(bench, case, ["1"], place="Ann's"),
        lambda: move_item(bench, case, "1", Where.HERE, shelf),
        lambda: add_item(bench, case, What.CABLE, place=shelf),
        lambda: take_word_back(bench, case, "parts", "Ann rang"),
        lambda: untell(bench, case, "authority", "Zeller rang"),
        lambda: release(bench, case, ["1"], Role.CUSTOMER) and receive(bench, case, ["1"], place=shelf),
    ]
    for one in refused:
        with pytest.raises(UsageError, match="names the customer"):
            one()
    told = [one.text for one in bench.ledger.events(case)]
    log = bench.ledger.custody(case)
    kept = "\n".join((*told, *(f"{one.what} {one.item}" for one in log)))
    assert not re.search("quill|zeller|ann ", kept, re.IGNORECASE), kept
    assert len(log) > 9
    assert verify(log).holds


@pytest.mark.parametrize("said", ["password: hunter2", "PIN: 4711", "the pin is 4711", "pin=4711"])
def test_no_password_is_kept_however_it_comes(bench: Bench, case: int, said: str) -> None:
    attempts = (
        lambda: take_in(bench, NAME, notes=said),
        lambda: add_item(bench, case, What.CABLE, said),
        lambda: tell(bench, case, "notes", said),
    )
    for one in attempts:
        with pytest.raises(UsageError, match="looks like a password"):
            one()


@pytest.mark.parametrize("said", ["the supply pin 12V is burnt", "bent pin J100", "pin 4 is bent"])
def test_pins_of_plugs_are_no_secrets(bench: Bench, case: int, said: str) -> None:
    add_item(bench, case, What.CABLE, said)
    tell(bench, case, "notes", said)


def test_a_hand_over_whose_paper_does_not_fit_says_that_it_is_recorded(bench: Bench) -> None:
    class Full:
        def keep(self, *_: object) -> None:
            raise NoRoom("There is no room.", "Run the command again.")

    full = replace(bench, files=cast(CaseFiles, Full()))
    with pytest.raises(NoRoom, match="Hand-over 1 is recorded") as told:
        release(full, 1, ["1"], Role.CUSTOMER)
    assert "hand-over 1 1" in told.value.next_step
    assert hand_over_paper(bench, 1, 1).pdf.startswith(b"%PDF")


def test_a_case_opened_with_all_it_has_names_nobody(bench: Bench) -> None:
    number = take_in(bench, NAME, box=f"box of {NAME}", contact="Ann", notes=f"{NAME}, Ann").number
    kept = [
        *(one.text for one in bench.ledger.events(number)),
        *(one.item for one in bench.ledger.custody(number)),
    ]
    assert kept, "something is told"
    assert not any("Quill" in one or "Ann" in one for one in kept)
    assert sha256(f"box of {NAME}".encode()).hexdigest() in bench.ledger.custody(number)[0].item


# ------------------------------------------------------------------------- consents


def test_the_last_word_stands_and_custody_keeps_both(bench: Bench, case: int) -> None:
    give_word(bench, case, "open-drive", Word.NO)
    give_word(bench, case, "open-drive", Word.YES, by=By.OTHER, how=How.WRITING)
    assert consents_of(bench, case)["open-drive"].word is Word.YES
    words = [one.what for one in bench.ledger.custody(case) if one.what.startswith("word")]
    assert words == ["word given: no", "word given: yes"]
    take_word_back(bench, case, "open-drive", "of another case")
    assert not consents_of(bench, case)
    with pytest.raises(UsageError, match="No word"):
        take_word_back(bench, case, "open-drive", "of another case")
    with pytest.raises(UsageError, match="no consent 'dance'"):
        give_word(bench, case, "dance", Word.YES)


def test_what_the_customer_refused_is_not_offered_and_no_plan_counts_on_it(bench: Bench) -> None:
    free = tell_triage(bench, 1)
    assert all(one.refused == "" for one in free.offers)
    give_word(bench, 1, "power-on", Word.NO)
    held = tell_triage(bench, 1)
    refused = [one for one in held.offers if one.refused]
    assert {one.step.id for one in refused} == {one.step.id for one in free.offers if one.step.powers}
    assert all(one.refused == "power-on" for one in refused)
    assert held.offers.index(refused[0]) == len(held.offers) - len(refused), "behind all that is agreed to"
    assert held.offers[0].total > free.offers[0].total, "what is refused makes the job dearer"
    give_word(bench, 1, "open-drive", Word.NO)
    ends = [one for one in tell_triage(bench, 1).offers if one.step.kind is StepKind.HAND_ON]
    assert [(one.step.id, one.refused) for one in ends] == [
        ("give-back", ""),
        ("stop-and-send", "open-drive"),
    ]
    give_word(bench, 1, "power-on", Word.YES)
    give_word(bench, 1, "open-drive", Word.ASK)
    assert tell_triage(bench, 1).offers == free.offers


def test_notes_that_mendbay_did_not_write_are_told(bench: Bench, case: int) -> None:
    for kind, subject, reader in (
        (NoteKind.CONSENT, "parts", consents_of),
        (NoteKind.INTAKE, "authority", authority_of),
        (NoteKind.INTAKE, "notes", fill_form),
        (NoteKind.INTAKE, "picture of the case: x.jpg", case_pictures),
    ):
        number = take_in(bench, NAME).number
        bench.notes.add(Note(number, "", kind, subject, bench.now(), "K", '{"values": 5}'))
        with pytest.raises(LedgerError, match="cannot be read"):
            reader(bench, number)


# -------------------------------------------------------------- authority, pictures


def test_a_paper_is_kept_with_its_digest_in_custody(bench: Bench, case: int, tmp_path: Path) -> None:
    assert "Nobody" in concern(bench, case)
    paper = tmp_path / "letter.pdf"
    paper.write_bytes(b"%PDF-1.7 agreed")
    set_authority(bench, case, Whose.EMPLOYER)
    assert "not seen" in concern(bench, case)
    made = set_authority(bench, case, Whose.EMPLOYER, document=paper)
    assert concern(bench, case) == ""
    kept = tmp_path / "home" / "cases" / bench.ledger.case(case).folder / made.document
    assert (kept.read_bytes(), kept.stat().st_mode & 0o777) == (b"%PDF-1.7 agreed", 0o400)
    assert any(made.sha256 in one.item for one in bench.ledger.custody(case))
    with pytest.raises(UsageError, match="proves no right"):
        set_authority(bench, case, Whose.UNCLEAR, seen=True)
    with pytest.raises(UsageError, match="cannot be opened"):
        set_authority(bench, case, Whose.OTHER, document=tmp_path / "none.pdf")


def test_pictures_of_the_case_are_kept_for_reading_only(bench: Bench, case: int, tmp_path: Path) -> None:
    folder = tmp_path / "camera"
    folder.mkdir()
    (folder / "front.png").write_bytes(b"\x89PNG\r\n\x1a\nfront")
    (folder / "list.txt").write_text("no picture")
    made, left_out = keep_pictures(bench, case, [folder], "the box as it came in")
    assert ([one.kept.path for one in made], [one.name for one in left_out]) == (
        ["pictures/001-1999b0ee.png"],
        ["list.txt"],
    )
    kept = tmp_path / "home" / "cases" / bench.ledger.case(case).folder / made[0].kept.path
    assert kept.stat().st_mode & 0o777 == 0o400
    keep_pictures(bench, case, [folder / "front.png"], "its front")
    (picture,) = case_pictures(bench, case)
    assert picture.of == "its front"
    assert [one.what for one in bench.ledger.custody(case)].count("picture kept") == 1
    with pytest.raises(UsageError, match="not a picture"):
        keep_pictures(bench, case, [folder / "list.txt"])
    assert not [one for one in fill_form(bench, case).entries if one.question.id.startswith("picture ")]


def asked_of(bench: Bench, case: int) -> set[str]:
    return {one.question.id for one in fill_form(bench, case).entries}


def test_before_the_kind_only_what_every_case_is_asked_stands_open(bench: Bench) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    assert asked_of(bench, case) == {"customer", "kind", "contact", "told-how", "due", "notes"}
    assert fill_form(bench, case).missing[0].question.id == "kind"
    tell(bench, case, "story", "It fell.")
    assert "story" in asked_of(bench, case), "what was answered is shown"
    add_bay(bench, Bay(case, "1"))
    assert {"sound", "power-on"} <= asked_of(bench, case)
    assert "enquiry" not in asked_of(bench, case), "a drive came in"


@pytest.mark.parametrize("kind", ["board-repair", "board-swap"])
def test_a_loose_board_is_asked_of_nothing_that_only_a_drive_has(bench: Bench, kind: str) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    tell(bench, case, "kind", kind)
    asked = asked_of(bench, case)
    assert not asked & {"locked", "locked-who", "matters", "wanted", "backup", "authority", "sound", "bays"}
    form = {one.question.id: one for one in fill_form(bench, case).entries}
    assert [one.id for one in form["condition"].options] == ["sound", "dented", "wet", "burnt"]
    assert [one.id for one in form["return"].options] == ["part-alone", "undecided"]
    with pytest.raises(UsageError):
        tell(bench, case, "condition", "rattles")
    tell(bench, case, "condition", "burnt")
    assert {one.question.id: one for one in fill_form(bench, case).entries}["condition"].shown.startswith(
        "a burn"
    )


def test_a_loose_board_that_is_put_down_is_a_board_and_no_drive(bench: Bench) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    tell(bench, case, "kind", "board-repair")
    add_bay(bench, Bay(case, "1"))
    assert bench.ledger.custody(case)[-1].item == "board of bay 1"
    assert [one.named for one in items_of(bench, case)] == ["board of bay 1"]
    number_items(bench, case)
    remove_bay(bench, case, "1", "another board was meant")
    assert bench.ledger.custody(case)[-1].item == "board of bay 1"
    assert items_of(bench, case) == ()
    add_bay(bench, Bay(case, "1"))
    number_items(bench, case)
    tell(bench, case, "kind", "drive")  # the customer brought the drive as well
    assert [one.named for one in items_of(bench, case)] == ["board of bay 1", "drive of bay 1"]


def test_before_the_kind_either_drive_may_be_told_of_first(bench: Bench) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    tell(bench, case, "sound", "silent", "2")
    tell(bench, case, "sound", "clicks", "1")
    assert {one.bay for one in bench.ledger.bays(case)} == {"1", "2"}
