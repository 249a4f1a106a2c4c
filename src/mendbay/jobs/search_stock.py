"""Find items of the stock by words that stand on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.board.stock import Kind, StockItem, StockState, number_in_label
from mendbay.core.errors import NoSuchItem
from mendbay.jobs.bench import Bench

GONE = (StockState.USED, StockState.REMOVED)
"""States of what is not on the shelf any more."""


@dataclass(frozen=True, slots=True)
class FoundItems:
    """A page of what was found.

    Args:
        items: of this page, by their number.
        start: how many come before them.
        total: of all that were found.
    """

    items: tuple[StockItem, ...]
    start: int
    total: int


def search_stock(
    bench: Bench,
    words: str = "",
    *,
    kind: Kind | None = None,
    state: StockState | None = None,
    start: int = 0,
    most: int = 50,
) -> FoundItems:
    """The items on which every word stands somewhere: in number, marks, markings, place, condition or notes.
    Capitals do not matter. The code of a label finds its item alone.

    Args:
        state: in that state alone; None for all that is on the shelf.
        start, most: which part of them.
    """
    coded = number_in_label(words.strip().casefold())
    if coded is not None:
        numbers: Sequence[int] = [coded] if _is_there(bench, coded) else []
    else:
        states = [state] if state else [one for one in StockState if one not in GONE]
        numbers = bench.shelf.numbers_with(words.casefold().split(), kind or "", states)
    page = numbers[start : start + most]
    return FoundItems(tuple(bench.shelf.item(one) for one in page), start, len(numbers))


def _is_there(bench: Bench, number: int) -> bool:
    try:
        bench.shelf.item(number)
    except NoSuchItem:
        return False
    return True
