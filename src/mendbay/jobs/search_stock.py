"""Find items of the stock by words that stand on them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from operator import attrgetter

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem, StockState, number_in_label
from mendbay.jobs.bench import Bench

GONE = (StockState.USED, StockState.REMOVED)
"""States of what is not on the shelf any more."""
_DESCRIBED: Callable[[BoardDescription], tuple[str, ...]] = attrgetter(
    *(one.name for one in fields(BoardDescription))
)


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
    said = words.casefold().split()
    coded = number_in_label(words.strip().casefold())
    found: list[StockItem] = []
    total = 0
    for item in bench.shelf.items():
        if coded is not None:
            fits = item.number == coded
        else:
            fits = (
                (item.state is state if state else item.state not in GONE)
                and (kind is None or item.kind is kind)
                and (not said or _has_all(item, said))
            )
        if fits:
            if start <= total < start + most:
                found.append(item)
            total += 1
    return FoundItems(tuple(found), start, total)


def _has_all(item: StockItem, said: list[str]) -> bool:
    text = "\n".join(
        (
            str(item.number),
            item.own_id,
            *_DESCRIBED(item.description),
            item.location,
            item.condition,
            item.notes,
        )
    ).casefold()
    return all(one in text for one in said)
