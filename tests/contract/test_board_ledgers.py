"""What every board ledger must do, whatever it is kept in."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.case.records import Intake
from mendbay.core.errors import NoSuchCase, NoSuchItem, UsageError
from mendbay.jobs.board_ledger_port import BoardLedger
from mendbay.ledger import board_shelf
from mendbay.ledger.database import Ledger
from support.memory_ledger import MemoryLedger
from support.memory_shelf import MemoryShelf

AT = "2026-11-25T07:10:00Z"
ITEM = StockItem(
    0,
    Kind.BOARD,
    BoardDescription(
        "TB-4471-200",
        "R3",
        "AC7731-B2",
        "MD8812C",
        "W25Q20CL",
        "TB-4471",
        "AL20-HX4",
        "HX4.17",
        "KV2",
        "2025-09-22",
        "0,1,2",
    ),
    own_id="D-014",
    location="B2",
    condition=Condition.TESTED_GOOD,
    cost_minor=3800,
    currency="EUR",
    photos=("front.jpg", "Rückseite.jpg"),
    notes="from the\nsecond box",
)


@pytest.fixture(params=["sqlite", "memory"])
def shelf(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[BoardLedger]:
    """With case 1 beside it."""
    if request.param == "memory":
        cases = MemoryLedger()
        cases.open_case(Intake(AT, "Kiln"))
        yield MemoryShelf(cases)
        return
    with Ledger(tmp_path / "ledger.sqlite3") as ledger:
        ledger.open_case(Intake(AT, "Kiln"))
        yield ledger.shelf


def test_an_item_comes_back_as_it_was_put_in(shelf: BoardLedger) -> None:
    added = shelf.add_item(ITEM)
    assert added == replace(ITEM, number=1)
    assert shelf.item(1) == added
    assert shelf.item_of("D-014") == added
    assert list(shelf.items()) == [added]


def test_an_item_of_which_nothing_is_known_stays_unknown(shelf: BoardLedger) -> None:
    bare = StockItem(0, Kind.DRIVE, BoardDescription())
    assert shelf.item(shelf.add_item(bare).number) == replace(bare, number=1)
    assert shelf.item_of("") is None


def test_items_without_a_mark_may_be_many_and_marks_are_not_shared(shelf: BoardLedger) -> None:
    bare = replace(ITEM, own_id="")
    assert [shelf.add_item(bare).number for _ in range(2)] == [1, 2]
    shelf.add_item(ITEM)
    with pytest.raises(UsageError, match="D-014"):
        shelf.add_item(ITEM)
    with pytest.raises(UsageError, match="D-014"):
        shelf.amend_item(replace(bare, number=1, own_id="D-014"))
    assert len(list(shelf.items())) == 3


def test_an_item_is_reserved_and_used_for_a_case_that_exists(shelf: BoardLedger) -> None:
    number = shelf.add_item(ITEM).number
    for state in (StockState.RESERVED, StockState.USED):
        shelf.amend_item(replace(ITEM, number=number, state=state, case=1))
        assert (shelf.item(number).state, shelf.item(number).case) == (state, 1)
    with pytest.raises(NoSuchCase):
        shelf.amend_item(replace(ITEM, number=number, state=StockState.USED, case=9))
    assert shelf.item(number).case == 1


def test_reserved_items_are_found_without_the_others(shelf: BoardLedger) -> None:
    free = shelf.add_item(replace(ITEM, own_id=""))
    taken = shelf.add_item(replace(ITEM, state=StockState.RESERVED, case=1))
    assert shelf.reserved() == (taken,)
    shelf.amend_item(replace(free, state=StockState.USED, case=1))
    shelf.amend_item(replace(taken, state=StockState.FREE, case=0))
    assert shelf.reserved() == ()


@pytest.mark.parametrize("number", [0, -1, 2, 2**70])
def test_an_item_that_is_not_there_is_told(shelf: BoardLedger, number: int) -> None:
    shelf.add_item(ITEM)
    with pytest.raises(NoSuchItem):
        shelf.item(number)


def test_a_stock_larger_than_a_batch_comes_in_order(
    shelf: BoardLedger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_shelf, "BATCH", 7)
    with shelf.together():
        for at in range(30):
            shelf.add_item(replace(ITEM, own_id=f"D-{at}"))
    assert [one.number for one in shelf.items()] == list(range(1, 31))


def test_several_steps_hold_together(shelf: BoardLedger) -> None:
    def stopped() -> None:
        with shelf.together():
            shelf.add_item(ITEM)
            raise UsageError("stopped", "go on")

    with pytest.raises(UsageError):
        stopped()
    assert list(shelf.items()) == []


def test_a_mapping_is_remembered_and_replaced(shelf: BoardLedger) -> None:
    assert shelf.mapping("abc") is None
    shelf.remember_mapping("abc", "{}")
    shelf.remember_mapping("abc", '{"a": 1}')
    assert shelf.mapping("abc") == '{"a": 1}'


def test_no_stray_statement_removes_an_item(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite3") as ledger:
        ledger.open_case(Intake(AT, "Kiln"))
        ledger.shelf.add_item(ITEM)
    stray = sqlite3.connect(tmp_path / "ledger.sqlite3")
    for sql in ("DELETE FROM stock",):
        with pytest.raises(sqlite3.IntegrityError):
            stray.execute(sql)
    stray.close()


def test_numbers_of_items_by_what_stands_on_them(shelf: BoardLedger) -> None:
    shelf.add_item(ITEM)
    shelf.add_item(
        replace(ITEM, own_id="Ö-7", kind=Kind.DRIVE, location="C9", notes="a 100% 'quoted' _thing")
    )
    shelf.add_item(replace(ITEM, own_id="", state=StockState.REMOVED))
    there = [StockState.FREE, StockState.RESERVED]
    assert list(shelf.numbers_with([], "", there)) == [1, 2]
    assert list(shelf.numbers_with([], "", [])) == []
    assert list(shelf.numbers_with([], "", list(StockState))) == [1, 2, 3]
    assert list(shelf.numbers_with([], Kind.DRIVE, there)) == [2]
    for words, found in (
        (["tb-44", "second"], [1]),
        (["ö-7"], [2]),
        (["100%"], [2]),
        (["'quoted'", "_thing", "c9"], [2]),
        (["%"], [2]),
        (["w25q20cl"], [1, 2]),
        (["r3b2"], []),
        (["front.jpg"], []),
    ):
        assert list(shelf.numbers_with(words, "", there)) == found, words
