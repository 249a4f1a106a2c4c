"""Items of the stock are found by what stands on them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem, StockState, label_text
from mendbay.jobs.bench import Bench
from mendbay.jobs.keep_stock import remove
from mendbay.jobs.search_stock import search_stock
from mendbay.wiring import open_bench

WORDS = ("TB-44", "tb", "shelf", "R2", "k1", "7", "", "AL20 shelf", "damaged", "none of it")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with open_bench(tmp_path_factory.mktemp("stock") / "home") as found:
        with found.shelf.together():
            for at in range(40):
                found.shelf.add_item(
                    StockItem(
                        0,
                        Kind.DRIVE if at % 3 else Kind.BOARD,
                        BoardDescription(board_number=f"TB-44{at:02}", revision="R2", family="AL20"),
                        own_id=f"K{at}",
                        location=f"Shelf {at % 7}",
                    )
                )
        remove(found, 7, "sold")
        yield found


def test_removed_ones_are_found_by_their_state_alone(bench: Bench) -> None:
    assert 7 not in {one.number for one in search_stock(bench, most=100).items}
    assert [one.number for one in search_stock(bench, state=StockState.REMOVED).items] == [7]


def test_the_code_of_a_label_finds_its_item_whatever_else(bench: Bench) -> None:
    assert [one.number for one in search_stock(bench, f" {label_text(7).upper()} ").items] == [7]
    assert search_stock(bench, label_text(99)).total == 0


@given(st.sampled_from(WORDS), st.sampled_from([None, *Kind]), st.integers(0, 45), st.integers(1, 50))
def test_pages_are_parts_of_the_whole(
    bench: Bench, words: str, kind: Kind | None, start: int, most: int
) -> None:
    whole = search_stock(bench, words, kind=kind, most=1000)
    part = search_stock(bench, words, kind=kind, start=start, most=most)
    assert whole.total == part.total == len(whole.items)
    assert part.items == whole.items[start : start + most]
    for one in whole.items:
        text = f"{one.number} {one.own_id} {one.name} {one.location} {one.condition} AL20".casefold()
        assert all(word in text for word in words.casefold().split())


def test_an_empty_stock(tmp_path: Path) -> None:
    with open_bench(tmp_path / "home") as bench:
        assert search_stock(bench, "x").total == 0
