"""What was recorded by mistake counts no longer; the record and the reason stay."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative
from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.stock import Kind, StockItem, StockState
from mendbay.board.swap_odds import Attribute, Level, Purpose
from mendbay.board.unique_data import FamilyNote, Need, Seat
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.alternatives import (
    accept_alternative,
    accepted,
    alternatives,
    withdraw_alternative,
)
from mendbay.jobs.bench import Bench
from mendbay.jobs.corrections import lessons, unlearn
from mendbay.jobs.find_donor import agreement_with, find_donor
from mendbay.jobs.keep_stock import add_items, reserve
from mendbay.jobs.know_family import known_families, note_family, withdraw_family
from mendbay.jobs.learn_rom import families, family_named, learn_family, unlearn_dump
from mendbay.jobs.read_pictures import (
    correct_identifier,
    corrections_of,
    read_pictures,
    tell_board,
    withdraw_picture,
)
from mendbay.jobs.record_swaps import outcomes, record_swap, withdraw_swap
from mendbay.jobs.withdraw import REASON_LIMIT
from mendbay.outlets.shop_files import ShopFolder
from support.board_bench import ToldPictures, starting
from support.flash_bench import checked_dump

PATIENT = BoardDescription(board_number="TB-4471-200", revision="R3", motor_driver="MV3041CT")
GOOD = StockItem(0, Kind.DRIVE, PATIENT)
WHY = "it was another board"


def swapped(bench: Bench, shop: ShopFolder, worked: bool, purpose: Purpose = Purpose.BOARD_SWAP) -> None:
    agreement = agreement_with(bench, shop, 1, "1", 1, purpose, Level.MOVED, PATIENT)
    record_swap(bench, 1, 1, "1", agreement, worked)


def test_odds_forget_a_withdrawn_swap_and_nothing_is_removed(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD, GOOD])
    before = find_donor(bench, shop, 1, "1", said=PATIENT).ranking.fitting[0].odds
    reserve(bench, 1, 1)
    swapped(bench, shop, worked=False)
    swapped(bench, shop, worked=True)
    withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, WHY)
    assert outcomes(bench) == ()
    item = bench.shelf.item(1)
    assert (item.state, item.case) == (StockState.RESERVED, 1), "as it was before the first word"
    assert find_donor(bench, shop, 1, "1", said=PATIENT).ranking.fitting[0].odds == before
    assert len(bench.notes.of(NoteKind.SWAP)) == 2
    last = bench.ledger.custody(1)[-1]
    assert (last.what, WHY in last.item) == ("board swap: outcome withdrawn", True)
    swapped(bench, shop, worked=True)
    assert [one.worked for one in outcomes(bench)] == [True], "said anew, it counts again"


def test_another_swap_of_the_same_drive_keeps_it_used(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    swapped(bench, shop, worked=True)
    swapped(bench, shop, worked=False, purpose=Purpose.HEAD_TRANSPLANT)
    assert withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, WHY).state is StockState.USED
    assert [one.worked for one in outcomes(bench)] == [False]
    assert withdraw_swap(bench, 1, 1, "1", Purpose.HEAD_TRANSPLANT, WHY).state is StockState.FREE


def test_an_item_that_was_used_before_its_swap_was_said_stays_used(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, state=StockState.USED, case=1)])
    for _ in range(2):
        swapped(bench, shop, worked=True)
        back = withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, WHY)
        assert (back.state, back.case, bench.shelf.item(1)) == (StockState.USED, 1, back)
    assert find_donor(bench, shop, 1, "1", said=PATIENT).ranking.fitting == ()


def test_a_note_that_does_not_say_what_an_item_was_leaves_it_free(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    swapped(bench, shop, worked=True)
    (note,) = bench.notes.of(NoteKind.SWAP)
    old = {name: value for name, value in json.loads(note.body).items() if name != "was"}
    withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, WHY)
    add_items(bench, shop, [replace(GOOD, state=StockState.USED, case=1)])
    bench.notes.add(replace(note, subject="2", body=json.dumps(old)))
    assert withdraw_swap(bench, 2, 1, "1", Purpose.BOARD_SWAP, WHY).state is StockState.FREE


def test_what_was_not_recorded_and_what_has_no_reason_is_refused(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    with pytest.raises(UsageError, match="No board swap with item 1"):
        withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, WHY)
    swapped(bench, shop, worked=True)
    with pytest.raises(UsageError, match="without a reason"):
        withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, "  ")
    with pytest.raises(UsageError, match="bay 2"):
        withdraw_swap(bench, 1, 1, "2", Purpose.BOARD_SWAP, WHY)
    assert len(outcomes(bench)) == 1
    assert bench.notes.of(NoteKind.WITHDRAWAL) == ()


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("a\nb", "reason 'a.nb' holds the character U.000A"),
        ("\x1b[2J", "reason .* holds the character U.001B"),
        ("it was \udcff", "reason .* holds the character U.DCFF"),
        ("x" * 20_000, "The reason has 20000 characters"),
        ("\t", "without a reason"),
    ],
)
def test_a_reason_that_cannot_be_kept_is_named_as_the_reason(
    bench: Bench, shop: ShopFolder, tmp_path: Path, reason: str, said: str
) -> None:
    add_items(bench, shop, [GOOD])
    swapped(bench, shop, worked=True)
    pictures(bench, shop, tmp_path, "1")
    before = len(bench.ledger.custody(1))
    for taken_back in (
        lambda: withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, reason),
        lambda: withdraw_picture(bench, shop, 1, "1", "a.jpg", reason),
        lambda: unlearn(bench, 1, reason),
        lambda: unlearn_dump(bench, shop, "TB", "a.bin", reason),
        lambda: withdraw_alternative(bench, 1, reason),
        lambda: withdraw_family(bench, "TB", reason),
    ):
        with pytest.raises(UsageError, match=said):
            taken_back()
    assert len(bench.ledger.custody(1)) == before
    assert bench.notes.of(NoteKind.WITHDRAWAL) == ()
    withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, "\u00e9" * REASON_LIMIT)
    assert bench.ledger.custody(1)[-1].item.endswith("\u00e9" * REASON_LIMIT)


def pictures(bench: Bench, shop: ShopFolder, folder: Path, bay: str) -> None:
    told = ToldPictures({b"a": ("TB-4471-200 R3", "S/N: AH4K-20719C")})
    (folder / "a.jpg").write_bytes(b"a")
    read_pictures(bench, shop, starting(told), 1, bay, [folder / "a.jpg"])


def test_a_picture_of_another_drive_takes_its_corrections_with_it(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    pictures(bench, shop, tmp_path, "1")
    correct_identifier(bench, shop, 1, "1", NumberKind.SERIAL, "AH4K-20719D")
    correct_identifier(bench, shop, 1, "1", NumberKind.ROM, "W25Q20CLSIG")
    look, place = withdraw_picture(bench, shop, 1, "1", "a.jpg", "it shows bay 2")
    assert [(one.kind, one.value) for one in look.identifiers] == [(NumberKind.ROM, "W25Q20CLSIG")]
    assert look.readings == ()
    assert "a.jpg" in look.withdrawn[0]
    assert corrections_of(bench, 1, "1", NumberKind.SERIAL) == ()
    assert (bench.images.folder(bench.ledger.case(1)) / place).read_bytes() == b"a"
    assert len(bench.notes.of(NoteKind.PICTURE)) == 1
    assert "it shows bay 2" in bench.ledger.custody(1)[-1].item
    with pytest.raises(UsageError, match=r"no picture 'a.jpg'"):
        withdraw_picture(bench, shop, 1, "1", "a.jpg", "again")
    pictures(bench, shop, tmp_path, "2")
    assert tell_board(bench, shop, 1, "2").readings
    pictures(bench, shop, tmp_path, "1")
    back = tell_board(bench, shop, 1, "1")
    assert (len(back.readings), back.withdrawn) == (1, ()), "filed anew, it counts again"
    assert "AH4K-20719D" in {one.value for one in back.identifiers}


def test_a_withdrawn_picture_stays_away_when_its_folder_is_read_again(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    told = ToldPictures(
        {b"mine": ("S/N AH4K-20719C",), b"other": ("FW H40.99Z",), b"new": ("TB-4471-200 R3",)}
    )
    folder = tmp_path / "shots"
    folder.mkdir()
    for name, data in (("1.jpg", b"mine"), ("2.jpg", b"other"), ("copy of 2.jpg", b"other")):
        (folder / name).write_bytes(data)
    read_pictures(bench, shop, starting(told), 1, "1", [folder])
    withdraw_picture(bench, shop, 1, "1", "2.jpg", "another customer's")
    (folder / "3.jpg").write_bytes(b"new")
    look = read_pictures(bench, shop, starting(told), 1, "1", [folder])
    assert [one.picture for one in look.readings] == ["1.jpg", "3.jpg"]
    assert [(one.name, one.why, one.missing) for one in look.left_out] == [
        ("2.jpg", "withdrawn: another customer's", False),
        ("copy of 2.jpg", "withdrawn: another customer's", False),
    ]
    assert "Name the file itself" in look.left_out[0].next_step
    assert values(bench, shop, NumberKind.FIRMWARE) == set()
    back = read_pictures(bench, shop, starting(told), 1, "1", [folder, folder / "2.jpg"])
    assert ({one.picture for one in back.readings}, back.left_out) == ({"1.jpg", "2.jpg", "3.jpg"}, ())
    assert values(bench, shop, NumberKind.FIRMWARE) == {"H40.99Z"}
    again = read_pictures(bench, shop, starting(told), 1, "1", [folder])
    assert (len(again.readings), again.left_out) == (3, ())


def values(bench: Bench, shop: ShopFolder, kind: NumberKind) -> set[str]:
    return {one.value for one in tell_board(bench, shop, 1, "1").identifiers if one.kind is kind}


@pytest.mark.parametrize("other", ["S/N: AH4K-20719C", "S/N: AH4K-2O719C"])
def test_a_correction_holds_until_the_last_picture_that_showed_the_number_is_withdrawn(
    bench: Bench, shop: ShopFolder, tmp_path: Path, other: str
) -> None:
    """Else the misread number would come back, as sure as before, from the picture that stays."""
    told = ToldPictures({b"a": ("TB-4471-200 R3", "S/N: AH4K-20719C"), b"b": (other,)})
    for name in "ab":
        (tmp_path / f"{name}.jpg").write_bytes(name.encode())
    read_pictures(bench, shop, starting(told), 1, "1", [tmp_path / "a.jpg", tmp_path / "b.jpg"])
    assert values(bench, shop, NumberKind.SERIAL) == {"AH4K-20719C"}
    correct_identifier(bench, shop, 1, "1", NumberKind.SERIAL, "AH4K-20719D")
    look, _ = withdraw_picture(bench, shop, 1, "1", "a.jpg", "it shows bay 2")
    assert values(bench, shop, NumberKind.SERIAL) == {"AH4K-20719D"}
    assert [one.right_text for one in corrections_of(bench, 1, "1", NumberKind.SERIAL)] == ["AH4K-20719D"]
    assert len(look.withdrawn) == 1
    assert "went" not in bench.ledger.custody(1)[-1].item
    look, _ = withdraw_picture(bench, shop, 1, "1", "b.jpg", "as well")
    assert values(bench, shop, NumberKind.SERIAL) == set()
    assert "serial number AH4K-20719D instead of AH4K-20719C, said by" in look.withdrawn[-1]
    words = "With it went: serial number AH4K-20719D instead of AH4K-20719C."
    assert bench.ledger.custody(1)[-1].item.endswith(words)
    assert bench.ledger.events(1)[-1].text.endswith(words)


def test_a_correction_of_an_older_ledger_names_one_picture(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    pictures(bench, shop, tmp_path, "1")
    digest = tell_board(bench, shop, 1, "1").readings[0].sha256
    kind = NumberKind.SERIAL
    body = {"read": "AH4K-20719C", "right": "AH4K-20719D", "picture": digest, "misread": True}

    def written(body: object) -> Note:
        at = "2026-11-25T07:10:00Z"
        return Note(1, "1", NoteKind.CORRECTION, str(kind), at, "Ada", json.dumps(body))

    bench.notes.add(written(body))
    assert values(bench, shop, kind) == {"AH4K-20719D"}
    withdraw_picture(bench, shop, 1, "1", "a.jpg", "it shows bay 2")
    assert values(bench, shop, kind) == set()
    bench.notes.add(written({**body, "right": 4}))
    with pytest.raises(LedgerError, match="of a correction cannot be read"):
        tell_board(bench, shop, 1, "1")
    with pytest.raises(LedgerError, match="of a correction cannot be read"):
        lessons(bench)


def test_each_reading_of_a_picture_teaches_its_own_lesson_and_the_last_word_on_it_counts(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    told = ToldPictures({b"a": ("FW H40.17C", "FW H41.22D")})
    (tmp_path / "a.jpg").write_bytes(b"a")
    read_pictures(bench, shop, starting(told), 1, "1", [tmp_path / "a.jpg"])
    kind = NumberKind.FIRMWARE
    assert values(bench, shop, kind) == {"H40.17C", "H41.22D"}
    correct_identifier(bench, shop, 1, "1", kind, "H40.17G", read="H40.17C")
    correct_identifier(bench, shop, 1, "1", kind, "H41.22O", read="H41.22D")
    correct_identifier(bench, shop, 1, "1", kind, "H41.22Q", read="H41.22O")
    taught = {one.correction.read_text: one.correction.right_text for one in lessons(bench)}
    assert taught == {"H40.17C": "H40.17G", "H41.22D": "H41.22Q"}


def test_a_lesson_is_unlearned_and_its_correction_stays(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    pictures(bench, shop, tmp_path, "1")
    correct_identifier(bench, shop, 1, "1", NumberKind.SERIAL, "AH4K-20719D")
    (lesson,) = lessons(bench)
    assert (lesson.correction.read_text, lesson.correction.right_text) == ("AH4K-20719C", "AH4K-20719D")
    pictures(bench, shop, tmp_path, "2")

    def elsewhere() -> dict[str, float]:
        found = tell_board(bench, shop, 1, "2").identifiers
        return {one.value: one.confidence for one in found if one.kind is NumberKind.SERIAL}

    taught = elsewhere()
    unlearn(bench, lesson.number, "it was smeared")
    assert lessons(bench) == ()
    assert elsewhere() != taught, "another picture is read as if nobody had said so"
    here = tell_board(bench, shop, 1, "1").identifiers
    assert "AH4K-20719D" in {one.value for one in here if one.kind is NumberKind.SERIAL}
    assert "it was smeared" in bench.ledger.custody(1)[-1].item
    with pytest.raises(UsageError, match="no lesson"):
        unlearn(bench, lesson.number, "twice")


def test_what_can_stand_for_what_is_taken_back(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, description=replace(PATIENT, board_number="TB-4471-210"))])
    row = Alternative(Attribute.BOARD_NUMBER, "TB-4471-200", "TB-4471-210", reason="it worked once")
    for one in (row, replace(row, both_ways=True), replace(row, reason="again")):
        accept_alternative(bench, one)
    assert [one.number for one in accepted(bench)] == [1, 2, 3]
    assert withdraw_alternative(bench, 1, WHY).alternative == row
    assert [one.alternative.both_ways for one in accepted(bench)] == [True], "said twice, withdrawn once"
    with pytest.raises(UsageError, match="No row 3"):
        withdraw_alternative(bench, 3, WHY)
    assert len(find_donor(bench, shop, 1, "1", said=PATIENT).ranking.fitting) == 1
    withdraw_alternative(bench, 2, WHY)
    assert (alternatives(bench), len(bench.notes.of(NoteKind.ALTERNATIVE))) == ((), 3)
    assert find_donor(bench, shop, 1, "1", said=PATIENT).ranking.fitting == ()
    accept_alternative(bench, row)
    assert alternatives(bench) == (row,), "said anew, it counts again"


def test_what_is_noted_of_a_family_is_taken_back(bench: Bench, shop: ShopFolder) -> None:
    correct_identifier(bench, shop, 1, "1", NumberKind.MODEL, "AL20-HX4")
    look = tell_board(bench, shop, 1, "1")
    family = next(one.family for one in look.identifiers if one.kind is NumberKind.MODEL)
    for need in (Need.NOT, Need.MAY):
        note_family(bench, FamilyNote(family, Seat.UNKNOWN, need, f"said to be {need}"))
    gone = withdraw_family(bench, family.lower(), WHY)
    assert gone.note.need is Need.MAY
    assert known_families(bench) == ()
    assert tell_board(bench, shop, 1, "1").rom.need is Need.MUST  # type: ignore[union-attr]
    assert len(bench.notes.of(NoteKind.FAMILY)) == 2
    with pytest.raises(UsageError, match="Nothing is noted"):
        withdraw_family(bench, family, WHY)
    note_family(bench, FamilyNote(family, Seat.UNKNOWN, Need.NOT, "measured"))
    assert [one.note.need for one in known_families(bench)] == [Need.NOT]


def test_a_family_that_rests_on_a_withdrawn_dump_judges_nothing(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    paths = [tmp_path / f"good-{number}.bin" for number in range(4)]
    for number, path in enumerate(paths):
        path.write_bytes(checked_dump(number))
    learn_family(bench, shop, "TB", paths)
    learned, gone = unlearn_dump(bench, shop, "TB", "good-2.bin", "its drive never worked")
    assert learned.withdrawn == (gone,)
    assert families(bench, shop)[0][0].withdrawn == (gone,)
    with pytest.raises(UsageError, match=r"good-2.bin: its drive never worked"):
        family_named(bench, shop, "TB")
    with pytest.raises(UsageError, match=r"taken back from the family TB before: its drive never worked"):
        unlearn_dump(bench, shop, "TB", "good-2.bin", "again")
    place = tmp_path / "home/families/TB.json"
    place.write_text(place.read_text() + "\n")
    with pytest.raises(UsageError, match=r"good-2.bin: its drive never worked"):
        family_named(bench, shop, "TB")
    again, _ = learn_family(bench, shop, "TB", paths)
    assert [one.name for one in again.left_out] == ["good-2.bin"]
    assert family_named(bench, shop, "TB").dumps == 3
    taken, _ = learn_family(bench, shop, "TB", paths, also_withdrawn=True, in_its_place=True)
    assert (taken.left_out, family_named(bench, shop, "TB").dumps) == ((), 4)
    unlearn_dump(bench, shop, "TB", gone.sha256[:8].upper(), "after all")
    with pytest.raises(UsageError, match="after all"):
        family_named(bench, shop, "TB")
    with pytest.raises(UsageError, match="Every dump given was withdrawn"):
        learn_family(bench, shop, "TB", paths[2:3])


def test_a_dump_that_cannot_be_told_is_asked_back(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    paths = []
    for number in range(2):
        (tmp_path / str(number)).mkdir()
        paths.append(tmp_path / str(number) / "rom.bin")
        paths[-1].write_bytes(checked_dump(number))
    learned, place = learn_family(bench, shop, "TB", paths)
    with pytest.raises(UsageError, match="several dumps"):
        unlearn_dump(bench, shop, "TB", "rom.bin", WHY)
    with pytest.raises(UsageError, match="is no dump"):
        unlearn_dump(bench, shop, "TB", "other.bin", WHY)
    place.write_text(place.read_text().replace('"evidence"', '"evidence" ') + "\n")
    assert families(bench, shop) == ((learned,), ()), "the file itself says which dumps it was learned from"
