"""The stock keeps what it is told, the ranking says why, and the odds learn from the shop's swaps."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image

from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative
from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.stock_alike import Alike
from mendbay.board.stock_csv import Field
from mendbay.board.stock_import import ImportPlan
from mendbay.board.swap_odds import ATTRIBUTES, Attribute, Level, Purpose
from mendbay.board.unique_data import FamilyNote, Need, Seat
from mendbay.core.errors import LedgerError, NoSuchCase, NoSuchItem, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.alternatives import accept_alternative, alternatives
from mendbay.jobs.bench import Bench
from mendbay.jobs.find_donor import DonorSearch, agreement_with, cautions_before, find_donor
from mendbay.jobs.import_stock import export_stock, import_stock
from mendbay.jobs.keep_stock import (
    add_items,
    change_item,
    changes_by_hand,
    free,
    item_named,
    items_to_label,
    remove,
    reserve,
)
from mendbay.jobs.know_family import known_families, note_family
from mendbay.jobs.read_pictures import correct_identifier, read_pictures, tell_board
from mendbay.jobs.record_swaps import outcomes, record_swap, withdraw_swap
from mendbay.jobs.take_in import amend_bay
from mendbay.outlets.shop_files import ShopFolder
from mendbay.outlets.stock_labels import LabelJob, labels_pictures
from support.board_bench import ToldPictures, starting

PATIENT = BoardDescription(
    board_number="TB-4471-200", revision="R3", controller="KL5120B", motor_driver="MV3041CT"
)
GOOD = StockItem(0, Kind.BOARD, PATIENT, "D-1", "B2", Condition.TESTED_GOOD)
LIST = (
    "Our number,Board number,Rev,Main chip,Motor driver,Model,Date,Price,Tested\r\n"
    "D-1,TB-4471-200,R3,KL5120B,MV3041CT,AL20-HX4,2025-09-22,38.00,tested good\r\n"
    "D-2,TB-4471-200,R3,KL5120B,MV3041CT,AL20-HX4,someday,38.00,tested good\r\n"
    "D-3,TB-4471-200,R2,KL5120B,MV3041CT,AL20-HX4,2025-02-10,31.00,untested\r\n"
)


def search(bench: Bench, shop: ShopFolder, **changes: object) -> DonorSearch:
    return find_donor(bench, shop, 1, "1", said=PATIENT, **changes)  # type: ignore[arg-type]


def test_a_list_is_taken_in_and_every_other_row_told(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    path = tmp_path / "stock.csv"
    path.write_text(LIST)
    trial = import_stock(bench, shop, path, currency="EUR", trial=True)
    assert (len(trial.plan.new), trial.done, list(bench.shelf.items())) == (2, False, [])
    done = import_stock(bench, shop, path, currency="EUR")
    assert [one.own_id for one in bench.shelf.items()] == ["D-1", "D-3"]
    assert [one.line for one in done.troubles] == [3]
    first = bench.shelf.item(1)
    assert (first.cost_minor, first.currency, first.description.made_on) == (3800, "EUR", "2025-09-22")
    assert first.description.family, "the family follows from the model's form"


def test_the_same_list_twice_changes_nothing_and_its_columns_are_remembered(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path = tmp_path / "stock.csv"
    path.write_text(LIST)
    columns = {"Rev": None, "Price": Field.NOTES}
    first = import_stock(bench, shop, path, columns=columns)
    assert not first.remembered
    again = import_stock(bench, shop, path)
    assert again.remembered
    assert again.mapping == first.mapping
    assert (len(again.plan.new), len(again.plan.changed), again.plan.unchanged) == (0, 0, 2)
    assert bench.shelf.item(1).notes == "38.00"
    with pytest.raises(UsageError, match="no column 'Colour'"):
        import_stock(bench, shop, path, columns={"Colour": Field.NOTES})


def test_what_is_exported_comes_back_unchanged(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    add_items(bench, shop, [replace(GOOD, notes="=1+1"), replace(GOOD, own_id="")])
    path = tmp_path / "out.csv"
    path.write_bytes(export_stock(bench))
    before = list(bench.shelf.items())
    done = import_stock(bench, shop, path)
    assert (len(done.plan.new), len(done.plan.changed), done.troubles) == (0, 0, ())
    assert list(bench.shelf.items()) == before


def test_a_fitting_board_leads_and_what_is_wrong_is_ruled_out_with_its_reason(
    bench: Bench, shop: ShopFolder
) -> None:
    other = replace(PATIENT, motor_driver="MV9999AA")
    add_items(
        bench,
        shop,
        [
            replace(GOOD, own_id="", description=other),
            GOOD,
            replace(GOOD, own_id="", condition=Condition.DAMAGED),
            replace(GOOD, own_id="", description=replace(PATIENT, revision="R2")),
        ],
    )
    found = search(bench, shop)
    assert [one.item.number for one in found.ranking.fitting] == [2, 4]
    assert {one.item.number for one in found.ranking.stopped} == {1, 3}
    assert any("MV9999AA instead of MV3041CT" in stop.words for stop in found.ranking.stopped[0].stops)
    assert found.rom.need is Need.MUST
    assert found.rom.seat is Seat.UNKNOWN


def test_an_item_of_which_nothing_is_known_does_not_fit(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, description=BoardDescription())])
    found = search(bench, shop)
    assert found.ranking.fitting == ()
    assert "look at the part first" in found.ranking.stopped[0].stops[0].words


def test_nothing_fits_gives_words_for_suppliers(bench: Bench, shop: ShopFolder) -> None:
    found = search(bench, shop)
    assert found.ranking.fitting == ()
    assert found.supplier is not None
    assert "TB-4471-200" in found.supplier.searches[0]


def test_what_pictures_show_is_used_and_a_persons_word_stands_before_it(
    bench: Bench, shop: ShopFolder
) -> None:
    with pytest.raises(UsageError, match="Nothing is known"):
        find_donor(bench, shop, 1, "1")
    correct_identifier(bench, shop, 1, "1", NumberKind.BOARD, "TB-4471-200")
    correct_identifier(bench, shop, 1, "1", NumberKind.ROM, "W25Q20CLSIG")
    found = find_donor(bench, shop, 1, "1")
    assert found.patient.board_number == "TB-4471-200"
    assert found.rom.seat is Seat.SEPARATE_CHIP
    said = find_donor(bench, shop, 1, "1", said=BoardDescription(board_number="TB-1000-100"))
    assert said.patient.board_number == "TB-1000-100"
    assert said.patient.rom_chip == "W25Q20CLSIG"


def test_the_model_noted_at_take_in_is_used_where_no_picture_shows_one(
    bench: Bench, shop: ShopFolder
) -> None:
    _, changes = amend_bay(bench, 1, "1", "AL20-HX4")
    assert [one.split(" -> ")[1] for one in changes] == ["AL20-HX4"]
    found = find_donor(bench, shop, 1, "1")
    assert (found.patient.model, found.model_from_take_in) == ("AL20-HX4", True)
    assert found.patient.family, "the family follows from the model's form"
    said = find_donor(bench, shop, 1, "1", said=BoardDescription(model="AL40-HX4"))
    assert (said.patient.model, said.model_from_take_in) == ("AL40-HX4", False)
    correct_identifier(bench, shop, 1, "1", NumberKind.MODEL, "AL10-HX4")
    seen = find_donor(bench, shop, 1, "1")
    assert (seen.patient.model, seen.model_from_take_in) == ("AL10-HX4", False)


def test_what_is_noted_of_a_bay_is_put_right_and_told(bench: Bench) -> None:
    before, _ = amend_bay(bench, 1, "1", "AL20-HX4", "XY123")
    now, changes = amend_bay(bench, 1, "1", serial="XY124")
    assert (now, changes) == (replace(before, serial="XY124"), ("serial XY123 -> XY124",))
    assert bench.ledger.bay(1, "1") == now
    assert bench.ledger.custody(1)[-1].item == "drive of bay 1: serial XY123 -> XY124"
    entries = len(bench.ledger.custody(1))
    assert amend_bay(bench, 1, "1", serial="XY124") == (now, ())
    assert len(bench.ledger.custody(1)) == entries
    cleared, changes = amend_bay(bench, 1, "1", serial="")
    assert (cleared, changes) == (replace(before, serial=""), ("serial XY124 -> (nothing)",))
    assert bench.ledger.custody(1)[-1].item == "drive of bay 1: serial XY124 -> (nothing)"
    assert amend_bay(bench, 1, "1", serial="")[1] == ()
    with pytest.raises(UsageError, match="Nothing is said"):
        amend_bay(bench, 1, "1")
    with pytest.raises(NoSuchCase):
        amend_bay(bench, 1, "9", "X")


def test_a_word_against_the_pictures_is_taken_and_told(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    (tmp_path / "a.jpg").write_bytes(b"a")
    pictures = ToldPictures({b"a": ("TB-4471-200 R3", "MODEL AL20-HX4")})
    read_pictures(bench, shop, starting(pictures), 1, "1", [tmp_path / "a.jpg"])
    assert find_donor(bench, shop, 1, "1").patient.board_number == "TB-4471-200"

    def told(**said: str) -> tuple[str, ...]:
        return find_donor(bench, shop, 1, "1", said=BoardDescription(**said)).contradictions

    assert told() == told(board_number="TB 4471 200", site="QV") == ()
    (typed,) = told(board_number="TB-4471-2O0")
    assert re.fullmatch(
        r"The board number TB-4471-2O0 given here was taken, but the pictures of this drive show TB-4471-200 "
        r"\((over )?\d+ %\)\. They only differ in signs that look alike \(O for 0\): it may be mistyped\.",
        typed,
    )
    (other,) = told(board_number="TB-9999-100")
    assert "alike" not in other
    correct_identifier(bench, shop, 1, "1", NumberKind.BOARD, "TB-5000-100")
    (against,) = told(board_number="TB-9999-100")
    assert "it was set by hand to TB-5000-100" in against


def test_an_accepted_alternative_no_longer_rules_out(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, description=replace(PATIENT, board_number="TB-4471-210"))])
    assert search(bench, shop).ranking.fitting == ()
    accept_alternative(bench, Alternative(Attribute.BOARD_NUMBER, "TB-4471-200", "TB-4471-210"))
    assert len(search(bench, shop).ranking.fitting) == 1


@pytest.mark.parametrize(
    ("subject", "body"),
    [
        ("board number", "{"),
        ("board number", "[]"),
        ("board number", '{"wanted": "A"}'),
        ("board number", '{"wanted": 5, "donor": "B"}'),
        ("board number", '{"wanted": "A", "donor": "B", "colour": "red"}'),
        ("colour", '{"wanted": "A", "donor": "B"}'),
    ],
)
def test_a_note_of_what_can_stand_for_what_that_mendbay_did_not_write(
    bench: Bench, subject: str, body: str
) -> None:
    bench.notes.add(Note(0, "", NoteKind.ALTERNATIVE, subject, bench.now(), bench.who, body))
    with pytest.raises(LedgerError, match="note 1 of what can stand for what"):
        alternatives(bench)


@pytest.mark.parametrize("was", ['["free"]', '{"state": "sold", "case": 1}', '{"state": "free"}'])
def test_a_note_of_a_swap_that_mendbay_did_not_write(bench: Bench, shop: ShopFolder, was: str) -> None:
    add_items(bench, shop, [GOOD])
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, PATIENT)
    record_swap(bench, 1, 1, "1", agreement, True)
    (note,) = bench.notes.of(NoteKind.SWAP)
    body = note.body.replace('{"state": "free", "case": 0}', was)
    assert body != note.body
    bench.notes.add(replace(note, body=body))
    with pytest.raises(LedgerError, match="note 2 of a swap"):
        withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, "a mistake")


def test_a_reserved_donor_is_for_its_case_alone(bench: Bench, shop: ShopFolder) -> None:
    from mendbay.jobs.take_in import take_in

    add_items(bench, shop, [GOOD])
    second = take_in(bench, "Another studio")
    reserve(bench, 1, second.number)
    assert search(bench, shop).ranking.fitting == ()
    with pytest.raises(UsageError, match="reserved for case 2"):
        reserve(bench, 1, 1)
    free(bench, 1)
    assert reserve(bench, 1, 1).state is StockState.RESERVED
    assert reserve(bench, 1, 1).case == 1, "twice is once"
    assert len(search(bench, shop).ranking.fitting) == 1
    assert "Donor 1 reserved" in bench.ledger.events(1)[-1].text


def test_an_item_off_the_stock_fits_no_more_and_can_be_taken_back(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    add_items(bench, shop, [GOOD, replace(GOOD, own_id="")])
    for number in (1, 2):
        assert remove(bench, number, " thrown away ").state is StockState.REMOVED
    found = search(bench, shop)
    assert (found.ranking.fitting, found.ranking.stopped, found.stock) == ((), (), 0)
    for done in (lambda: reserve(bench, 1, 1), lambda: remove(bench, 1, "again")):
        with pytest.raises(UsageError, match="was removed from the stock"):
            done()
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, PATIENT)
    with pytest.raises(UsageError, match="was removed from the stock"):
        record_swap(bench, 1, 1, "1", agreement, True)
    path = tmp_path / "out.csv"
    path.write_bytes(export_stock(bench))
    assert import_stock(bench, shop, path).plan.unchanged == 2
    path.write_bytes(path.read_bytes().replace(b"mendbay item", b"left out"))
    assert import_stock(bench, shop, path).plan.unchanged == 2, "its row makes no other item"
    with pytest.raises(
        UsageError, match=r"not in the stock any more, removed \(thrown away\): it gets no label"
    ):
        items_to_label(bench, ["1"])
    change_item(bench, shop, 1, {"revision": "R4"}, {})
    assert free(bench, 1).state is StockState.FREE
    assert [one.change.words() for one in changes_by_hand(bench, 1)[1]] == [
        "state free -> removed: thrown away",
        "revision R3 -> R4",
        "state removed -> free",
    ]
    reserve(bench, 1, 1)
    assert [one.number for one in items_to_label(bench, ["1"])] == [1]
    with pytest.raises(UsageError, match="is reserved for case 1"):
        remove(bench, 1, "sold")
    with pytest.raises(UsageError, match="Nothing is removed without a reason"):
        remove(bench, 2, " ")


def test_an_item_that_names_nothing_is_not_put_on_the_shelf(bench: Bench, shop: ShopFolder) -> None:
    with pytest.raises(UsageError, match="neither a board nor a drive"):
        add_items(bench, shop, [GOOD, StockItem(0, Kind.BOARD, BoardDescription(), location="B2")])
    assert list(bench.shelf.items()) == []
    add_items(bench, shop, [StockItem(0, Kind.BOARD, BoardDescription(model="AL20-HX4"))])
    with pytest.raises(UsageError, match="neither a board nor a drive"):
        change_item(bench, shop, 1, {"model": ""}, {})


def test_what_the_ranking_holds_against_an_item_is_said_before_it_is_taken(
    bench: Bench, shop: ShopFolder
) -> None:
    other = replace(PATIENT, board_number="TB-9999-100")
    add_items(
        bench,
        shop,
        [
            GOOD,
            StockItem(0, Kind.BOARD, PATIENT, condition=Condition.DAMAGED),
            StockItem(0, Kind.BOARD, other),
            StockItem(0, Kind.BOARD, BoardDescription(), "X-1"),
        ],
    )

    def said(number: int, purpose: Purpose = Purpose.BOARD_SWAP) -> tuple[str, ...]:
        return cautions_before(bench, shop, 1, number, purpose)

    assert (said(1), said(3)) == ((), ()), "nothing is known of the patients"
    assert said(2) == ("The donor is damaged.",)
    assert "look at the part first" in said(4)[0]
    assert "no heads to move" in said(1, Purpose.HEAD_TRANSPLANT)[-1]
    correct_identifier(bench, shop, 1, "1", NumberKind.BOARD, "TB-4471-200")
    assert said(1) == ()
    assert said(3)[0].startswith("Another board number: TB-9999-100 instead of TB-4471-200")
    reserve(bench, 1, 1)
    assert said(1) == (), "reserved for this very case"
    correct_identifier(bench, shop, 1, "2", NumberKind.BOARD, "TB-9999-100")
    assert (said(1), said(3)) == ((), ()), "each fits one of the two"
    (against,) = cautions_before(bench, shop, 1, 3, Purpose.BOARD_SWAP, bay="1")
    assert "TB-9999-100 instead of" in against
    correct_identifier(bench, shop, 1, "2", NumberKind.BOARD, "TB-5555-100")
    assert [one[:6] for one in said(3)] == ["Bay 1:", "Bay 2:"]


def test_a_rom_that_was_not_moved_though_it_must_be_is_said(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])

    def said(rom: Level, purpose: Purpose = Purpose.BOARD_SWAP) -> tuple[str, ...]:
        return cautions_before(
            bench, shop, 1, 1, purpose, bay="1", rom=rom, said=replace(PATIENT, family="F")
        )

    (caution,) = said(Level.NOT_MOVED)
    assert caution.startswith("The ROM was not moved, though it must be: ")
    assert said(Level.MOVED) == ()
    assert "ROM" not in " ".join(said(Level.NOT_MOVED, Purpose.HEAD_TRANSPLANT))
    note_family(bench, FamilyNote("F", Seat.IN_CONTROLLER, Need.NOT, "four swaps without it"))
    assert said(Level.NOT_MOVED) == ()


def test_swaps_move_the_odds_and_are_counted(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, own_id="") for _ in range(9)])
    correct_identifier(bench, shop, 1, "1", NumberKind.BOARD, "TB-4471-200")
    before = search(bench, shop).ranking.fitting[0].odds
    assert before.outcomes == 0
    for number in range(1, 9):
        agreement = agreement_with(bench, shop, 1, "1", number, Purpose.BOARD_SWAP, Level.MOVED)
        record_swap(bench, number, 1, "1", agreement, worked=False)
    after = search(bench, shop).ranking.fitting[0].odds
    assert after.outcomes == 8
    assert after.chance < before.chance - 0.1
    assert bench.shelf.item(1).state is StockState.USED
    with pytest.raises(UsageError, match="was used"):
        free(bench, 1)
    assert search(bench, shop).rom.odds is not None
    assert search(bench, shop).rom.odds.outcomes == 8  # type: ignore[union-attr]


def test_a_correction_of_an_outcome_replaces_it(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    correct_identifier(bench, shop, 1, "1", NumberKind.BOARD, "TB-4471-200")
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED)
    record_swap(bench, 1, 1, "1", agreement, worked=False)
    record_swap(bench, 1, 1, "1", agreement, worked=True)
    assert [one.worked for one in outcomes(bench)] == [True]
    assert any("worked" in one.what for one in bench.ledger.custody(1))


@pytest.mark.parametrize(
    "name", ["2", "000002", " 2\n", "mendbay:stock:000002", "MENDBAY:STOCK:000002\r\n", "D-2", "d-2 "]
)
def test_an_item_answers_to_its_number_its_label_and_its_mark(
    bench: Bench, shop: ShopFolder, name: str
) -> None:
    add_items(bench, shop, [GOOD, replace(GOOD, own_id="D-2"), replace(GOOD, own_id="")])
    assert item_named(bench, name).number == 2


def test_a_name_of_several_items_is_asked_back_and_an_unknown_one_told(
    bench: Bench, shop: ShopFolder
) -> None:
    add_items(bench, shop, [replace(GOOD, own_id="2"), replace(GOOD, own_id="d-9")])
    add_items(bench, shop, [replace(GOOD, own_id="D-9")])
    with pytest.raises(UsageError, match=r"'2' can mean 2 items: mendbay:stock:000001 .*000002"):
        item_named(bench, "2")
    assert item_named(bench, "mendbay:stock:000002").own_id == "d-9", "a code is one item"
    with pytest.raises(UsageError, match="can mean 2 items"):
        item_named(bench, "D-9")
    for unknown in ("7", "mendbay:stock:000007", "D-7", "mendbay:stock:12", "२"):
        with pytest.raises(NoSuchItem, match="no item"):
            item_named(bench, unknown)
    with pytest.raises(UsageError, match="No item is named"):
        item_named(bench, " ")


def test_a_printed_label_scanned_names_its_item(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD, replace(GOOD, own_id="")])
    job = LabelJob((bench.shelf.item(2),))
    (picture,) = labels_pictures(job)
    (scanned,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(picture)))
    assert item_named(bench, scanned.text).number == 2


def test_what_is_noted_of_a_family_decides_whether_the_rom_moves(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    correct_identifier(bench, shop, 1, "1", NumberKind.MODEL, "AL20-HX4")
    family = find_donor(bench, shop, 1, "1").patient.family
    assert family
    assert tell_board(bench, shop, 1, "1").rom.need is Need.MUST  # type: ignore[union-attr]
    note_family(bench, FamilyNote("Other", Seat.UNKNOWN, Need.MUST, "not this one"))
    note_family(bench, FamilyNote(family, Seat.IN_CONTROLLER, Need.MUST, "a guess"))
    note_family(bench, FamilyNote(family.upper(), Seat.IN_CONTROLLER, Need.NOT, "four swaps without it"))
    found = find_donor(bench, shop, 1, "1", said=PATIENT)
    assert (found.rom.need, found.rom.seat, found.rom.odds) == (Need.NOT, Seat.IN_CONTROLLER, None)
    assert "four swaps without it" in found.rom.need_reason
    rom = {one.attribute: one.level for one in found.ranking.fitting[0].parts}[Attribute.ROM]
    assert rom is Level.NOT_NEEDED
    assert tell_board(bench, shop, 1, "1").rom.need is Need.NOT  # type: ignore[union-attr]
    assert [one.note.basis for one in known_families(bench)] == ["four swaps without it", "not this one"]
    assert tell_board(bench, shop, 1, "2").rom is None, "nothing is known of that board"
    with pytest.raises(UsageError, match="basis"):
        FamilyNote(family, Seat.UNKNOWN, Need.MAY, " ")


def test_nothing_half_done(bench: Bench, shop: ShopFolder) -> None:
    with pytest.raises(UsageError, match="belongs to item"):
        add_items(bench, shop, [GOOD, GOOD])
    assert list(bench.shelf.items()) == []
    with pytest.raises(NoSuchItem):
        reserve(bench, 5, 1)


def test_a_list_of_few_columns_changes_only_those(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    broken = replace(GOOD, kind=Kind.DRIVE, condition=Condition.DAMAGED, cost_minor=100, currency="EUR")
    add_items(bench, shop, [broken])
    path = tmp_path / "moved.csv"
    path.write_text("own id,location\nD-1,C7\n")
    assert len(import_stock(bench, shop, path).plan.changed) == 1
    assert bench.shelf.item(1) == replace(broken, number=1, location="C7")


def test_one_bad_row_does_not_keep_the_others_out(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("own id,board number,state,case\nS8,123,free,\nS9,124,reserved,99\n")
    done = import_stock(bench, shop, path)
    assert [one.own_id for one in bench.shelf.items()] == ["S8"]
    assert [(one.line, "99" in one.reason) for one in done.troubles] == [(3, True)]


def test_an_own_id_given_twice_does_not_keep_the_list_out(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    add_items(bench, shop, [GOOD, replace(GOOD, own_id="D-2")])
    path = tmp_path / "list.csv"
    path.write_text("mendbay item,own id,board number\n2,X,B-2\n,X,B-9\n,,B-10\n")
    done = import_stock(bench, shop, path)
    assert [one.line for one in done.troubles] == [3]
    assert [one.own_id for one in bench.shelf.items()] == ["D-1", "X", ""]


def test_swaps_of_other_bays_and_purposes_are_swaps_of_their_own(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, kind=Kind.DRIVE)])
    for bay, purpose, worked in (
        ("1", Purpose.BOARD_SWAP, False),
        ("1", Purpose.HEAD_TRANSPLANT, True),
        ("2", Purpose.BOARD_SWAP, True),
    ):
        agreement = agreement_with(bench, shop, 1, bay, 1, purpose, Level.MOVED, PATIENT)
        assert agreement.level(ATTRIBUTES[purpose][0]) in (Level.SAME, Level.UNKNOWN)
        record_swap(bench, 1, 1, bay, agreement, worked)
    assert [one.worked for one in outcomes(bench)] == [False, True, True]


def test_what_is_not_certain_is_not_compared(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    add_items(bench, shop, [GOOD])
    (tmp_path / "a.jpg").write_bytes(b"a")
    pictures = ToldPictures({b"a": ("TB-4471-200 R3", "MODEL AL20-HX4", "AL2?-HX4")})
    read_pictures(bench, shop, starting(pictures), 1, "1", [tmp_path / "a.jpg"])
    found = find_donor(bench, shop, 1, "1")
    values = {one.value for one in found.unsettled}
    assert found.patient.model not in values


def test_what_the_stock_says_is_put_right_and_the_rest_stays(bench: Bench, shop: ShopFolder) -> None:
    two = replace(GOOD, own_id="D-2")
    add_items(bench, shop, [replace(GOOD, photos=("a.jpg",), notes="dusty"), two])
    reserve(bench, 1, 1)
    changed, _ = change_item(
        bench, shop, 1, {"revision": "R4"}, {"location": "C1", "notes": "", "photos": ("b.jpg", "a.jpg")}
    )
    assert changed == bench.shelf.item(1)
    assert changed.description == replace(PATIENT, revision="R4")
    assert (changed.location, changed.notes, changed.photos) == ("C1", "", ("a.jpg", "b.jpg"))
    assert (changed.state, changed.case, changed.condition) == (StockState.RESERVED, 1, Condition.TESTED_GOOD)
    story = [one.text for one in bench.ledger.events(1) if "put right" in one.text]
    assert story == [
        "Donor 1 put right: revision R3 -> R4; location B2 -> C1; photos a.jpg -> a.jpg b.jpg; "
        "notes dusty -> (nothing)."
    ]
    assert change_item(bench, shop, 1, {"revision": "R4"}, {}) == (changed, ()), "said again, nothing changes"
    assert len([one for one in bench.ledger.events(1) if "put right" in one.text]) == 1
    (by_hand,) = changes_by_hand(bench, 1).values()
    assert [one.change.field for one in by_hand] == ["revision", "location", "photos", "notes"]
    assert {(one.who, one.at) for one in by_hand} == {(bench.who, bench.ledger.events(1)[-1].at)}
    assert changes_by_hand(bench, 2) == {}
    with pytest.raises(UsageError, match="D-2"):
        change_item(bench, shop, 1, {}, {"own_id": "D-2", "location": "C9"})
    assert bench.shelf.item(1) == changed
    with pytest.raises(UsageError, match="Nothing is said"):
        change_item(bench, shop, 1, {}, {})
    with pytest.raises(NoSuchItem):
        change_item(bench, shop, 7, {"revision": "R4"}, {})


def taken_in(bench: Bench, shop: ShopFolder, path: Path, text: str, **more: object) -> ImportPlan:
    path.write_text(text)
    return import_stock(bench, shop, path, currency="EUR", **more).plan  # type: ignore[arg-type]


def told(plan: ImportPlan) -> list[tuple[int, str]]:
    return [(number, one.words()) for number, one in plan.changes]


def test_what_was_set_by_hand_is_not_undone_by_the_same_list(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path = tmp_path / "list.csv"
    taken_in(bench, shop, path, LIST)
    described = {"revision": "R3", "model": "AL20-HX5"}
    others = {"cost_minor": 3000, "currency": "EUR", "condition": Condition.DAMAGED}
    by_hand, _ = change_item(bench, shop, 2, described, others)
    for trial in (True, False):
        plan = taken_in(bench, shop, path, LIST, trial=trial)
        assert (plan.changed, plan.changes, plan.unchanged) == ((), (), 2)
        said = {str(one.field): (one.listed, one.kept) for one in plan.kept}
        said.pop("family", None)
        assert said == {
            "revision": ("R2", "R3"),
            "model": ("AL20-HX4", "AL20-HX5"),
            "cost": ("31.00 EUR", "30.00 EUR"),
            "condition": ("untested", "damaged"),
        }
    assert bench.shelf.item(2) == by_hand


def test_a_value_that_is_new_in_a_list_takes_effect_and_is_told(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path = tmp_path / "list.csv"
    text = "own id,board number,rev,shelf\nD-1,BX-1,R2,A\n"
    taken_in(bench, shop, path, text)
    change_item(bench, shop, 1, {"revision": "R3"}, {})
    change_item(bench, shop, 1, {"revision": "R4"}, {})
    plan = taken_in(bench, shop, path, text.replace("R2,A", "R3,B"))
    assert told(plan) == [(1, "location A -> B")]
    assert [one.words() for one in plan.kept] == ["revision R4 was set by hand and stays; the list says R3"]
    assert told(taken_in(bench, shop, path, text.replace("R2,A", "R5,B"))) == [(1, "revision R4 -> R5")]
    back = taken_in(bench, shop, path, text)
    assert told(back) == [(1, "revision R5 -> R2"), (1, "location B -> A")], "nothing of it is set by hand"
    change_item(bench, shop, 1, {"revision": "R6"}, {"location": ""})
    older = taken_in(bench, shop, path, text.replace("R2,A", "R3,C"))
    assert told(older) == [(1, "revision R6 -> R3"), (1, "location (nothing) -> C")]


def test_an_item_put_right_by_hand_is_still_the_one_an_older_list_means(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path = tmp_path / "list.csv"
    text = "id,board,rev,shelf\n,BX-1,R1,A\n,BX-1,R1,A\n,BX-2,,B\nN-4,BX-4,,C\nN-5,BX-5,,C\n"
    taken_in(bench, shop, path, text)
    change_item(bench, shop, 1, {"revision": "R2"}, {})
    change_item(bench, shop, 3, {}, {"own_id": "N-3", "location": "D"})
    change_item(bench, shop, 4, {}, {"own_id": ""})
    change_item(bench, shop, 5, {}, {"own_id": "N-6"})
    before = list(bench.shelf.items())
    plan = taken_in(bench, shop, path, text)
    assert (plan.new, plan.changed, plan.troubles, plan.unchanged) == ((), (), (), 5)
    assert sorted({one.number for one in plan.kept}) == [1, 3, 4, 5]
    asked = taken_in(bench, shop, path, text.replace("R1,A", "R1,Z"))
    assert (asked.new, asked.asked) == ((), 2)
    moved = taken_in(bench, shop, path, text.replace("R1,A", "R1,Z"), alike=Alike.SAME)
    assert (moved.new, told(moved)) == ((), [(2, "location A -> Z"), (1, "location A -> Z")])
    assert bench.shelf.item(1) == replace(before[0], location="Z")
    both = taken_in(bench, shop, path, "id,board\nN-6,BX-5\nN-5,BX-9\n")
    assert [one.own_id for one in both.new] == ["N-5"], "a row that names the item as it is stands before"


@pytest.mark.parametrize("body", ["{", "[5]", '[{"field": "colour", "old": "", "new": ""}]', '[{"old": ""}]'])
def test_a_note_of_a_change_that_mendbay_did_not_write(bench: Bench, body: str) -> None:
    bench.notes.add(Note(0, "", NoteKind.CHANGE, "1", bench.now(), bench.who, body))
    with pytest.raises(LedgerError, match="note 1 of a change"):
        changes_by_hand(bench)


def test_a_family_that_followed_from_the_model_follows_the_new_one(bench: Bench, shop: ShopFolder) -> None:
    said = BoardDescription(model="AL20-HX4")
    first, second = add_items(
        bench, shop, [StockItem(0, Kind.DRIVE, said), StockItem(0, Kind.DRIVE, replace(said, family="ours"))]
    )
    assert first.description.family not in ("", "ours")
    changed, _ = change_item(bench, shop, first.number, {"model": "no such form"}, {})
    assert changed.description.family == ""
    back, _ = change_item(bench, shop, first.number, {"model": "AL20-HX4"}, {})
    assert back.description.family == first.description.family
    kept, _ = change_item(bench, shop, second.number, {"model": "no such form"}, {})
    assert kept.description.family == "ours"


def test_a_number_that_only_looks_different_is_told(bench: Bench, shop: ShopFolder) -> None:
    numbers = ("TB-4471-2OO", "TB-44T1-2O0", "TB-4471-300", "TB-4471-2O1")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, replace(PATIENT, board_number=one)) for one in numbers])
    stopped = {one.item.number: one.stops[0].words for one in search(bench, shop).ranking.stopped}
    assert stopped[1].endswith("look alike (0 for O): look at both parts again.")
    assert "(7 for T and 0 for O)" in stopped[2]
    assert "alike" not in stopped[3]
    assert "alike" not in stopped[4]


def test_a_remark_that_cannot_be_kept_is_named_as_such(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, PATIENT)
    with pytest.raises(UsageError, match="remark"):
        record_swap(bench, 1, 1, "1", agreement, True, "a\x01b")
    assert bench.shelf.item(1).state is StockState.FREE


def test_the_story_of_a_swap_names_nobody(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [GOOD])
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, PATIENT)
    before = (bench.notes.last_number(), bench.ledger.events(1), bench.ledger.custody(1))
    for remark in ("spins up, call Quillmere", "QUILLMERE\u00a0POTTERY was told"):
        with pytest.raises(UsageError, match="names the customer"):
            record_swap(bench, 1, 1, "1", agreement, worked=True, remark=remark)
    assert (bench.notes.last_number(), bench.ledger.events(1), bench.ledger.custody(1)) == before
    assert bench.shelf.item(1).state is StockState.FREE
    record_swap(bench, 1, 1, "1", agreement, worked=True, remark="spins up at once")
    assert bench.ledger.events(1)[-1].text.endswith("spins up at once")


def test_what_is_put_right_of_a_reserved_item_names_nobody(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [replace(GOOD, notes="for Quillmere, seen by them")])
    reserve(bench, 1, 1)
    with pytest.raises(UsageError, match="names the customer"):
        change_item(bench, shop, 1, {}, {"location": "box of Quillmere"})
    assert bench.shelf.item(1).location == "B2"
    change_item(bench, shop, 1, {}, {"notes": "", "location": "B4"})
    told = bench.ledger.events(1)[-1].text
    assert told == "Donor 1 put right: location B2 -> B4; notes changed."
