"""The stock in columns; that it ranks like `match.rank` is shown in the property tests."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mendbay.board import stock_index
from mendbay.board.description import BoardDescription
from mendbay.board.match import TEXT_ATTRIBUTES, Alternative, Wanted, rank, text_of
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.stock_index import StockIndex, explained
from mendbay.board.swap_odds import Attribute, Purpose, SwapOdds, packaged_priors
from mendbay.core.errors import UsageError

SWAP = SwapOdds(Purpose.BOARD_SWAP, packaged_priors())
PATIENT = BoardDescription("BX-7", "B", "C3", family="F1", made_on="2019-03-28")


def stock(count: int) -> list[StockItem]:
    """Boards of which many agree in the very same way, so that ties are cut at every place."""
    chance = np.random.default_rng(count)
    made = []
    for number in range(1, count + 1):
        board, chip, day, state = chance.integers((1, 0, 1, 0), (12, 4, 29, 4)).tolist()
        described = BoardDescription(
            f"BX-{board}", "B", f"C{chip}" if chip else "", made_on=f"2019-03-{day:02d}"
        )
        taken = (StockState.USED, StockState.REMOVED, StockState.FREE, StockState.FREE)[state]
        made.append(
            StockItem(
                number,
                Kind.DRIVE if number % 4 == 0 else Kind.BOARD,
                described if number % 9 else replace(described, made_on=""),
                condition=tuple(Condition)[number % 5],
                state=taken,
                case=3 if taken is StockState.USED else 0,
            )
        )
    return made


@pytest.mark.parametrize("limit", [1, 2, 7, 50, 2000])
def test_any_cut_of_the_order(limit: int) -> None:
    items = stock(900)
    index = StockIndex.from_items(reversed(items))
    many = tuple(Alternative(Attribute.BOARD_NUMBER, "BX-7", f"BX-{one}") for one in range(1, 12) if one != 7)
    for wanted in (Wanted(PATIENT), Wanted(replace(PATIENT, made_on="")), Wanted(PATIENT, alternatives=many)):
        found = index.search(wanted, SWAP, limit)
        by_hand = rank(wanted, items, SWAP, limit)
        assert found.fitting == tuple(one.item.number for one in by_hand.fitting)
        assert found.stopped == tuple(one.item.number for one in by_hand.stopped)
        assert (found.fitting_total, found.stopped_total) == (by_hand.fitting_total, by_hand.stopped_total)
        assert explained(found, wanted, {one.number: one for one in items}, SWAP) == by_hand


def test_built_from_columns_as_from_items() -> None:
    items = stock(400)
    index = StockIndex.from_columns(
        np.array([one.number for one in items]),
        {one: [text_of(item.description, one) for item in items] for one in TEXT_ATTRIBUTES},
        made_on=[one.description.made_on for one in items],
        kinds=[str(one.kind) for one in items],
        conditions=[str(one.condition) for one in items],
        states=[str(one.state) for one in items],
        cases=[one.case for one in items],
    )
    wanted = Wanted(PATIENT)
    assert index.search(wanted, SWAP, 400) == StockIndex.from_items(items).search(wanted, SWAP, 400)


def test_left_out_columns_are_unknown() -> None:
    index = StockIndex.from_columns([5, 3], {Attribute.BOARD_NUMBER: ["BX-7", "BX-8"]})
    found = index.search(Wanted(PATIENT), SWAP)
    assert (found.fitting, found.stopped) == ((5,), (3,))
    plain = StockItem(5, Kind.BOARD, BoardDescription("BX-7"))
    explained(found, Wanted(PATIENT), {5: plain, 3: replace(plain, number=3)}, SWAP)


def test_an_empty_stock() -> None:
    found = StockIndex().search(Wanted(PATIENT), SWAP)
    assert (found.fitting, found.stopped, found.fitting_total, found.stopped_total) == ((), (), 0, 0)
    assert len(StockIndex.from_items([])) == len(StockIndex.from_columns([], {})) == 0


@pytest.mark.parametrize(
    ("numbers", "texts", "other"),
    [
        ([1, 1], {}, {}),
        ([0], {}, {}),
        ([2**60], {}, {}),
        ([2**80], {}, {}),
        ([1], {Attribute.SITE: ["a", "b"]}, {}),
        ([1], {Attribute.CONDITION: ["a"]}, {}),
        ([1], {}, {"made_on": ["2019-02-30"]}),
        ([1], {}, {"kinds": ["teapot"]}),
        ([1], {}, {"conditions": ["shiny"]}),
        ([1], {}, {"states": ["lost"]}),
        ([1, 2], {}, {"states": ["free"]}),
        ([1], {}, {"cases": [-1]}),
    ],
)
def test_columns_that_cannot_be(numbers: list[int], texts: Any, other: dict[str, Any]) -> None:
    with pytest.raises(UsageError):
        StockIndex.from_columns(numbers, texts, **other)


def test_what_cannot_be_changed() -> None:
    item = StockItem(4, Kind.BOARD, PATIENT)
    index = StockIndex.from_items([item])
    for broken in (
        lambda: index.add(item),
        lambda: index.add(replace(item, number=0)),
        lambda: index.change(replace(item, number=5)),
        lambda: index.set_state(3, StockState.FREE),
        lambda: index.remove(9),
        lambda: StockIndex.from_items([item, item]),
    ):
        with pytest.raises(UsageError):
            broken()
    assert len(index) == 1
    assert index.search(Wanted(PATIENT), SWAP).fitting == (4,)
    with pytest.raises(ValueError, match="rank"):
        index.search(Wanted(PATIENT), SWAP, 0)
    with pytest.raises(ValueError, match="rank"):
        index.search(Wanted(PATIENT, Purpose.HEAD_TRANSPLANT), SWAP)


def test_memory_is_stated_and_small() -> None:
    items = stock(3000)
    index = StockIndex.from_items(items)
    columns = sum(one.nbytes for one in index._columns.values())
    assert columns <= index.bytes_held < columns + 10_000
    assert index.bytes_held < 80 * len(items)


def test_batches_join(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stock_index, "_BATCH", 7)
    items = stock(100)
    found = StockIndex.from_items(items).search(Wanted(PATIENT), SWAP, 100)
    assert found.fitting == tuple(one.item.number for one in rank(Wanted(PATIENT), items, SWAP, 100).fitting)
