"""A board ledger in memory for tests of jobs; it passes the same contract as the one on disk."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import astuple, replace

from mendbay.board.stock import StockItem, StockState
from mendbay.core.errors import NoSuchItem, UsageError
from mendbay.jobs.board_ledger_port import BoardLedger
from mendbay.jobs.ledger_port import CaseLedger


class MemoryShelf(BoardLedger):
    """Keeps everything in lists. Not durable, otherwise a full `BoardLedger`."""

    def __init__(self, cases: CaseLedger) -> None:
        self._cases = cases
        self._stock: dict[int, StockItem] = {}
        self._mappings: dict[str, str] = {}

    @contextmanager
    def together(self) -> Iterator[None]:
        before = deepcopy((self._stock, self._mappings))
        try:
            with self._cases.together():
                yield
        except BaseException:
            self._stock, self._mappings = before
            raise

    def add_item(self, item: StockItem) -> StockItem:
        added = replace(item, number=len(self._stock) + 1)
        self._keep(added)
        return added

    def amend_item(self, item: StockItem) -> None:
        self.item(item.number)
        self._keep(item)

    def _keep(self, item: StockItem) -> None:
        if item.case:
            self._cases.case(item.case)
        other = self.item_of(item.own_id)
        if other is not None and other.number != item.number:
            raise UsageError(f"The mark {item.own_id!r} is taken.", "Use another.")
        self._stock[item.number] = item

    def item(self, number: int) -> StockItem:
        if number not in self._stock:
            raise NoSuchItem(f"The stock has no item {number}.", "List the stock.")
        return self._stock[number]

    def item_of(self, own_id: str) -> StockItem | None:
        return next((one for one in self._stock.values() if own_id and one.own_id == own_id), None)

    def items(self) -> Iterator[StockItem]:
        yield from list(self._stock.values())

    def numbers_with(self, words: Sequence[str], kind: str, states: Collection[str]) -> Sequence[int]:
        return [
            one.number
            for one in self._stock.values()
            if kind in ("", one.kind) and one.state in states and all(word in _said(one) for word in words)
        ]

    def reserved(self, case: int = 0) -> tuple[StockItem, ...]:
        return tuple(
            one for one in self.items() if one.state is StockState.RESERVED and case in (0, one.case)
        )

    def mapping(self, fingerprint: str) -> str | None:
        return self._mappings.get(fingerprint)

    def remember_mapping(self, fingerprint: str, mapping: str) -> None:
        self._mappings[fingerprint] = mapping


def _said(item: StockItem) -> str:
    parts = (item.number, item.own_id, *astuple(item.description), item.location, item.condition, item.notes)
    return "\n".join(map(str, parts)).casefold()
