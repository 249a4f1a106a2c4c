"""Items of a case at the bench: drives become items by themselves, things move, and custody tells."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pypdf
import pytest

from mendbay.case.authority import Whose
from mendbay.case.consents import How, Word
from mendbay.case.custody import Head
from mendbay.case.hand_over import Role
from mendbay.case.items import Owner, What, Where
from mendbay.case.records import Bay
from mendbay.core.errors import BadFormFile, HeldBack, LedgerError, NoSuchCase, NoSuchItem, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.authority import set_authority
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.consents import give_word
from mendbay.jobs.hand_over_items import hand_over_paper, hand_overs_of, keep_signed, receive, release
from mendbay.jobs.keep_items import (
    add_item,
    change_item,
    find_item,
    item_named,
    items_of,
    items_to_label,
    move_item,
    number_items,
)
from mendbay.jobs.letters import letter_words
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.take_in import add_bay, amend_bay, take_in, tell_case
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.write_receipt import write_receipt
from mendbay.outlets.shop_files import ShopFolder

SCAN = b"\x89PNG\r\n\x1a\nsigned"


def custody(bench: Bench, case: int = 1) -> list[tuple[str, str]]:
    return [(one.what, one.item) for one in bench.ledger.custody(case)]


def words_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages).split())


class TestItems:
    def test_drives_become_items_by_themselves_and_only_once(self, bench: Bench) -> None:
        for _ in range(2):
            assert not bench.notes.of(NoteKind.ITEM, 1), "looking writes nothing"
            assert [(one.code, one.named) for one in items_of(bench, 1)] == [
                ("0001-01", "drive of bay 1"),
                ("0001-02", "drive of bay 2"),
            ]
        for _ in range(2):
            number_items(bench, 1)
            assert len(bench.notes.of(NoteKind.ITEM, 1)) == 2
        add_bay(bench, Bay(1, "3", "AL20-HX4", "QM-3", condition="dent"))
        third = tell_case(bench, 1).items[2]
        assert (third.bay, third.marks, third.condition) == ("3", "AL20-HX4 QM-3", "dent")

    def test_a_drive_is_called_as_its_bay_says_until_a_person_says_otherwise(self, bench: Bench) -> None:
        items_of(bench, 1)
        amend_bay(bench, 1, "1", "AL20-HX4", "QM-1")
        move_item(bench, 1, "1", Where.HERE, "shelf B4")
        amend_bay(bench, 1, "1", None, "QM-7")
        assert item_named(bench, 1, "1-1").marks == "AL20-HX4 QM-7"
        now, changes = change_item(bench, 1, "1", marks="QM-9, by its board")
        assert changes == ("marks AL20-HX4 QM-7 -> QM-9, by its board",)
        amend_bay(bench, 1, "1", None, "QM-8")
        assert (item_named(bench, 1, "1").marks, now.place) == ("QM-9, by its board", "shelf B4")

    def test_a_second_box_is_taken_in_only_when_it_is_said_so(self, bench: Bench) -> None:
        first = add_item(bench, 1, What.BOX, marks="Tarn", place="shelf B4")
        before = bench.notes.last_number(1)
        with pytest.raises(
            UsageError, match=r"The box is item 0001-03 already \(Tarn, here, shelf B4\)"
        ) as told:
            add_item(bench, 1, What.BOX, "the other one", marks="Alder")
        assert "item-change 1 0001-03" in told.value.next_step
        assert "--another" in told.value.next_step
        assert bench.notes.last_number(1) == before
        second = add_item(bench, 1, What.BOX, "the other one", marks="Alder", another=True)
        of_shop = add_item(bench, 1, What.BOX, "to try drives in", owner=Owner.SHOP)
        assert (first.number, second.number, of_shop.number) == (3, 4, 5)
        with pytest.raises(UsageError, match="The box is item 0001-03 already"):
            add_item(bench, 1, What.BOX)

    def test_the_box_that_take_in_made_an_item_is_not_added_again(self, bench: Bench) -> None:
        number = take_in(bench, "Quillmere Pottery").number
        tell(bench, number, "kind", "two-bay-box")
        tell(bench, number, "bays", "both")
        with pytest.raises(UsageError, match="The box is item 0002-01 already"):
            add_item(bench, number, What.BOX, marks="Tarn")
        with pytest.raises(UsageError, match="drive of bay 1 is item 0002-02 already"):
            add_item(bench, number, What.DRIVE, bay="1", another=True)

    def test_what_is_added_is_in_custody_without_its_words(self, bench: Bench) -> None:
        added = add_item(bench, 1, What.BOARD, "loose", bay="1", marks="TB-4471", owner=Owner.SHOP)
        assert (added.code, added.named) == ("0001-03", "board: loose")
        assert custody(bench)[-1] == ("taken in", "0001-03 (board of bay 1), TB-4471; of: shop")
        change_item(bench, 1, "3", words="burnt", condition="burnt at its motor driver")
        assert custody(bench)[-1] == (
            "put right", "item 0001-03; condition (nothing) -> burnt at its motor driver",
        )  # fmt: skip
        assert change_item(bench, 1, "3", words="burnt")[1] == ()
        assert find_item(bench, "mendbay:case:0001-03")[1].words == "burnt"
        change_item(bench, 1, "3", words="burnt twice")
        assert custody(bench)[-1] == ("put right", "item 0001-03; its words")

    def test_what_makes_no_sense_is_refused_and_leaves_nothing(self, bench: Bench) -> None:
        number_items(bench, 1)
        before = (custody(bench), bench.notes.all_of(1))
        for error, call in (
            (UsageError, lambda: add_item(bench, 1, What.DRIVE, bay="1")),
            (UsageError, lambda: add_item(bench, 1, What.ENVELOPE, "screws of quillmere POTTERY")),
            (NoSuchCase, lambda: add_item(bench, 1, What.BOARD, bay="9")),
            (NoSuchCase, lambda: items_of(bench, 9)),
            (NoSuchCase, lambda: find_item(bench, "9-1")),
            (NoSuchItem, lambda: find_item(bench, "1-9")),
            (UsageError, lambda: change_item(bench, 1, "1")),
            (UsageError, lambda: change_item(bench, 1, "1", bay="2")),
            (UsageError, lambda: move_item(bench, 1, "1", Where.CUSTOMER)),
            (UsageError, lambda: move_item(bench, 1, "1", Where.DESTROYED)),
            (UsageError, lambda: move_item(bench, 1, "2-1", Where.HERE)),
            (UsageError, lambda: move_item(bench, 1, "1", Where.USED, why="Quillmere Pottery asked")),
            (UsageError, lambda: release(bench, 1, [], Role.LAB)),
            (UsageError, lambda: release(bench, 1, ["1", "0001-01"], Role.LAB)),
        ):
            with pytest.raises(error):
                call()
        assert (custody(bench), bench.notes.all_of(1)) == before

    def test_the_end_of_a_thing_needs_a_reason_and_a_mistake_can_be_put_right(self, bench: Bench) -> None:
        gone = move_item(bench, 1, "1", Where.DESTROYED, why="asked for in writing")
        assert (gone.where, custody(bench)[-1]) == (
            Where.DESTROYED,
            ("moved", "0001-01 (drive of bay 1): here -> destroyed"),
        )
        with pytest.raises(UsageError, match="it is destroyed"):
            release(bench, 1, ["1"], Role.LAB)
        assert [one.number for one in items_to_label(bench, 1, [])] == [2]
        back = move_item(bench, 1, "1", Where.HERE, "shelf B4", mistake="it was drive 2 of another case")
        assert back.whereabouts == "here, shelf B4"
        assert custody(bench)[-1][0] == "whereabouts put right"

    def test_a_reason_for_what_is_so_already_is_not_dropped_unseen(self, bench: Bench) -> None:
        there = move_item(bench, 1, "1", Where.HERE, "shelf B4")
        for reason in ({"why": "they keep it"}, {"mistake": "it never left"}):
            with pytest.raises(UsageError, match="already, so the reason would be kept nowhere"):
                move_item(bench, 1, "1", Where.HERE, "shelf B4", **reason)
        assert move_item(bench, 1, "1", Where.HERE, "shelf B4") == there
        move_item(bench, 1, "1", Where.HERE, "shelf B5", why="the rack was full")
        assert bench.ledger.events(1)[-1].text.endswith("; the rack was full.")

    def test_labels_do_not_name_a_customer_who_was_called_otherwise_before(self, bench: Bench) -> None:
        add_item(bench, 1, What.ENVELOPE, "from Kiln Lane")
        bench.ledger.amend_case(1, customer="Kiln Lane")
        assert [one.words for one in items_to_label(bench, 1, ["3"])] == [""]

    @pytest.mark.parametrize(
        ("model", "marks", "on_label"),
        [
            ("AL20-HX4", "", "AL20-HX4 QM-1"),
            ("AL20-HX4", "red sticker", "AL20-HX4 red sticker"),
            ("AL20-HX4", "QM-9, AL20-HX4 by its board", "QM-9, AL20-HX4 by its board"),
            ("AL20-HX4", "AL20-HX45 QM-9", "AL20-HX4 AL20-HX45 QM-9"),
            ("A" * 40, "", "A" * 29 + "… QM-1"),
            ("A" * 300, "", "A" * 29 + "…"),
            ("Quillmere AL20", "red sticker", "red sticker"),
            ("", "red sticker", "red sticker"),
        ],
    )
    def test_the_label_of_a_drive_says_its_model(
        self, bench: Bench, model: str, marks: str, on_label: str
    ) -> None:
        amend_bay(bench, 1, "1", model, "QM-1")
        if marks:
            change_item(bench, 1, "1", marks=marks)
        change_item(bench, 1, "2", marks="of bay 2")
        board = add_item(bench, 1, What.BOARD, bay="1", marks="TB-4471")
        drive, other, loose = items_to_label(bench, 1, ["1", "2", board.code])
        assert (drive.marks, loose.marks) == (on_label, "TB-4471")
        assert other.marks.endswith("of bay 2")

    @pytest.mark.parametrize("body", ["{", "[]", '{"number": 1}'])
    def test_a_note_that_mendbay_did_not_write(self, bench: Bench, body: str) -> None:
        for kind, read in ((NoteKind.ITEM, items_of), (NoteKind.HANDOVER, hand_overs_of)):
            bench.notes.add(Note(1, "", kind, "1", bench.now(), bench.who, body))
            with pytest.raises(LedgerError, match="cannot be read"):
                read(bench, 1)


class TestHandOvers:
    def test_out_and_back_with_a_paper_each(self, bench: Bench, tmp_path: Path) -> None:
        came = receive(bench, 1, ["1", "2"], person="A. Potter", words="Read both.\nAsk before soldering.")
        words = words_of(came.pdf)
        for said in ("Drive of bay 1", "0001-02", "A. Potter", "Ask before soldering.", "Quillmere Pottery"):
            assert said in words
        assert came.done.head in words
        assert check_custody(bench, 1, came.done.head)[0].anchored
        release(bench, 1, ["1"], Role.LAB)
        assert item_named(bench, 1, "1").whereabouts == "sent to the laboratory"
        back = receive(bench, 1, ["1"], Role.LAB, place="shelf B4").done
        assert (back.number, back.between) == (3, "from the laboratory to the shop")
        assert item_named(bench, 1, "1").whereabouts == "here, shelf B4"
        assert [what for what, _ in custody(bench)][-3:] == [
            "received from the customer, hand-over 1",
            "released to the laboratory, hand-over 2",
            "received from the laboratory, hand-over 3",
        ]
        assert hand_over_paper(bench, 1, 1).pdf == came.pdf, "the paper is the same whenever it is made"
        assert "Customer" not in words_of(hand_over_paper(bench, 1, 2).pdf).replace("customer", "")

    def test_a_reprint_calls_the_customer_as_the_signed_paper_does(self, bench: Bench) -> None:
        came = receive(bench, 1, ["1"])
        bench.ledger.amend_case(1, customer="Kiln Lane")
        assert hand_over_paper(bench, 1, 1).pdf == came.pdf

    def test_a_hand_over_recorded_without_the_name_is_still_read(self, bench: Bench) -> None:
        receive(bench, 1, ["1"])
        (note,) = bench.notes.of(NoteKind.HANDOVER, 1)
        old = json.loads(note.body)
        assert old.pop("customer") == "Quillmere Pottery"
        bench.notes.add(Note(1, "", note.kind, "1", bench.now(), bench.who, json.dumps(old)))
        assert hand_overs_of(bench, 1)[0].customer == ""
        assert "Quillmere Pottery" in words_of(hand_over_paper(bench, 1, 1).pdf)

    def test_a_carrier_gets_nothing_before_the_customer_was_asked_who_wants_to_be(self, bench: Bench) -> None:
        give_word(bench, 1, "shipping", Word.ASK)
        with pytest.raises(HeldBack, match="asked each time before sending things by a carrier"):
            release(bench, 1, ["1"], Role.COURIER)
        assert item_named(bench, 1, "1").where is Where.HERE
        assert release(bench, 1, ["1"], Role.COURIER, asked=True).done.items
        words = "the customer was asked this time, and said yes"
        assert (words, "0001-01; sending things by a carrier") in custody(bench)
        receive(bench, 1, ["1"], Role.COURIER, place="shelf B4")
        assert release(bench, 1, ["1"], Role.CUSTOMER).done.items

    def test_persons_stand_on_paper_alone(self, bench: Bench) -> None:
        receive(bench, 1, ["1"], person="A. Potter", words="Ask A. Potter")
        told = json.dumps([custody(bench), [one.text for one in bench.ledger.events(1)[1:]]])
        assert "Potter" not in told

    def test_the_signed_paper_is_kept_with_its_digest(self, bench: Bench, tmp_path: Path) -> None:
        receive(bench, 1, ["1"])
        scan = tmp_path / "A. Potter.PNG"
        scan.write_bytes(SCAN)
        (signed,) = keep_signed(bench, 1, 1, scan).signed
        kept = KeptFile(signed.path, signed.sha256, signed.size_bytes)
        assert bench.files.take(bench.ledger.case(1), kept) == SCAN
        assert signed.path == "papers/hand-over-1-signed.png"
        assert signed.sha256 in custody(bench)[-1][1]
        assert hand_overs_of(bench, 1)[0].signed == (signed,)
        with pytest.raises(UsageError, match="that very file"):
            keep_signed(bench, 1, 1, scan)
        scan.write_bytes(b"only some text")
        with pytest.raises(UsageError, match="neither a picture nor a PDF"):
            keep_signed(bench, 1, 1, scan)
        scan.write_bytes(b"")
        with pytest.raises(UsageError, match="empty"):
            keep_signed(bench, 1, 1, scan)
        with pytest.raises(NoSuchItem, match="no hand-over 2"):
            keep_signed(bench, 1, 2, scan)

    def test_a_wording_that_is_not_sound_loses_no_hand_over(self, bench: Bench, shop: ShopFolder) -> None:
        path, _ = shop.keep("papers", "hand-over", "{{ nobody }}")
        with pytest.raises(BadFormFile, match="Hand-over 1 is recorded"):
            release(bench, 1, ["1"], Role.COURIER)
        assert item_named(bench, 1, "1").where is Where.SENT
        path.unlink()
        assert "0001-01" in words_of(hand_over_paper(bench, 1, 1).pdf)


class TestReceipt:
    def test_a_case_of_which_little_is_known(self, bench: Bench) -> None:
        case = take_in(bench, "Quillmere Pottery").number
        made = write_receipt(bench, case)
        words = words_of(made.pdf)
        for said in (
            "Nothing is listed yet",
            "Copies kept until not said; we usually keep them until 30 days after hand-back, or after",
            "Give no power to any other drive",
            made.head,
        ):
            assert said in words
        assert (made.items, Head.parse(made.head).sequence) == ((), 1)

    @pytest.mark.parametrize(
        ("told", "said"),
        [
            ({"came-in": "a two-bay box by Tarn"}, "without a number yet: a two-bay box by Tarn."),
            ({"kind": "board-repair"}, "without a number yet: a loose board."),
        ],
    )
    def test_what_is_known_of_what_came_in_stands_on_it_before_it_has_a_number(
        self, bench: Bench, told: dict[str, str], said: str
    ) -> None:
        case = take_in(bench, "Quillmere Pottery").number
        for question, answer in told.items():
            tell(bench, case, question, answer)
        words = words_of(write_receipt(bench, case).pdf)
        assert said in words
        assert "Nothing is listed" not in words
        assert "mendbay case" not in words, "a customer has no use for commands"

    def test_it_says_what_was_agreed_on_one_page(self, bench: Bench) -> None:
        give_word(bench, 1, "power-on", Word.YES)
        give_word(bench, 1, "board-repair", Word.NO, how=How.PHONE)
        set_authority(bench, 1, Whose.OWN)
        tell(bench, 1, "keep-days", "3")
        made = write_receipt(bench, 1, ["Call before shipping."])
        words = words_of(made.pdf)
        for said in (
            *(
                "You said yes to giving power to a failing drive (in person, ",
                "no to soldering on the drive's board",
            ),
            "(by telephone, ",
            *("it is the customer's own", "Call before shipping."),
            "Copies kept until 3 days after hand-back, or after closing",
        ):
            assert said in words
        assert "usually" not in words
        assert len(pypdf.PdfReader(io.BytesIO(made.pdf)).pages) == 1

    def test_how_long_copies_are_kept_is_agreed_only_if_the_customer_said_so(self, bench: Bench) -> None:
        for said, paper, letter in (
            (
                "",
                "until not said; we usually keep them until 30 days",
                "not agreed with you. We usually keep them",
            ),
            ("30", "Copies kept until 30 days after", "As you said, we keep our copies for 30 days"),
            (
                "0",
                "Copies kept until hand-back, or closing",
                "As you said, we keep our copies no longer than",
            ),
            (
                "not known",
                "until not said; we usually",
                "not agreed with you. We usually keep them for 30 days",
            ),
        ):
            if said:
                tell(bench, 1, "keep-days", said)
            assert paper in words_of(write_receipt(bench, 1).pdf)
            assert letter in " ".join(letter_words(bench, 1).split())
        bench.ledger.amend_case(1, keep_until="2999-12-31")
        assert "We keep our copies until 2999-12-31." in words_of(write_receipt(bench, 1).pdf)
        assert "We keep our copies until 2999-12-31 and" in " ".join(letter_words(bench, 1).split())
        bench.ledger.amend_case(1, keep_until="2020-12-31")
        assert "is over" in letter_words(bench, 1)

    def test_the_condition_is_that_of_take_in_where_none_is_noted_of_the_item(self, bench: Bench) -> None:
        tell(bench, 1, "kind", "two-bay-box")
        tell(bench, 1, "bays", "both")
        add_item(bench, 1, What.DRIVE, "spare", condition="clean")
        add_item(bench, 1, What.MEDIUM, "hand-back drive", owner=Owner.LENT)
        assert "condition not noted" in words_of(write_receipt(bench, 1).pdf)
        tell(bench, 1, "condition", "2 4")
        tell(bench, 1, "condition-words", "two screws missing, says Quillmere")
        seen = "a seal is broken or missing, a dent or a crack"
        assert f"its condition as seen; as a whole: {seen}" in words_of(write_receipt(bench, 1).pdf)
        paper = words_of(write_receipt(bench, 1).pdf)
        assert paper.count(seen) == 1, "of the box with all in it, once"
        assert paper.count("nothing noted of it alone") == 3  # the box and a drive in each bay
        assert "two screws missing" in paper
        assert "spare, no marks noted; clean" in paper
        change_item(bench, 1, "1", condition="scratched")
        everything = release(bench, 1, [one.code for one in items_of(bench, 1)], Role.LAB)
        paper = words_of(everything.pdf)
        assert paper.count(seen) == 1
        assert paper.count("nothing noted of it alone") == 2
        assert "; scratched" in paper
        assert "screws" not in paper, "free words may name a person, and the paper goes to others"
        assert paper.count("condition not noted") == 1, "what is not the customer's came in with nothing"
        lent = next(one.code for one in items_of(bench, 1) if one.owner is Owner.LENT)
        assert seen not in words_of(receive(bench, 1, [lent], Role.LAB).pdf)

    def test_it_lists_what_the_customer_brought_and_is_here(self, bench: Bench) -> None:
        add_item(bench, 1, What.BOX, "two-bay box", marks="Tarn", condition="dent")
        add_item(bench, 1, What.MEDIUM, "hand-back drive", owner=Owner.LENT)
        release(bench, 1, ["2"], Role.LAB)
        bench.ledger.amend_case(1, keep_until="2026-12-31", due_on="2026-12-01")
        made = write_receipt(bench, 1, ["No *soldering* without asking."])
        words = words_of(made.pdf)
        assert [one.code for one in made.items] == ["0001-01", "0001-03"]
        for said in ("Box: two-bay box, Tarn; dent", "No *soldering*", "2026-12-31", "2026-12-01"):
            assert said in words
        assert "0001-02" not in words
        assert "0001-04" not in words
        assert check_custody(bench, 1, made.head)[0].anchored
        (note,) = bench.notes.of(NoteKind.LETTER, 1, "", "receipt")
        assert json.loads(note.body)["head"] == made.head
