"""The board's part of the shop's ledger: stock and list mappings (`docs/formats/ledger.md`)."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import astuple, replace

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.core.errors import NoSuchItem, UsageError
from mendbay.jobs.board_ledger_port import BoardLedger
from mendbay.ledger import board_queries as queries
from mendbay.ledger.store import Row, Store, Value, damaged, no_such_case

BATCH = 10_000
"""Items read at a time, so that a large stock never lies in memory twice."""


class BoardShelf(BoardLedger):
    """A `BoardLedger` in the same file as the cases, sharing their transactions."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def together(self) -> AbstractContextManager[None]:
        return self._store.transaction()

    def add_item(self, item: StockItem) -> StockItem:
        with self.together():
            self._require_case(item.case)
            self._require_own_id(item)
            number = self._store.write(queries.ADD_ITEM, _values(item))
        return replace(item, number=number)

    def amend_item(self, item: StockItem) -> None:
        with self.together():
            self.item(item.number)
            self._require_case(item.case)
            self._require_own_id(item)
            self._store.write(queries.AMEND_ITEM, (*_values(item), item.number))

    def item(self, number: int) -> StockItem:
        found = self._items(queries.ONE_ITEM, (number,)) if 0 < number < 2**63 else []
        if not found:
            raise NoSuchItem(f"The stock has no item {number}.", "List the stock to see what is there.")
        return found[0]

    def item_of(self, own_id: str) -> StockItem | None:
        found = self._items(queries.ITEM_OF, (own_id,)) if own_id else []
        return found[0] if found else None

    def items(self) -> Iterator[StockItem]:
        after = 0
        while batch := self._items(queries.ITEMS_AFTER, (after, BATCH)):
            yield from batch
            after = batch[-1].number

    def numbers_with(self, words: Sequence[str], kind: str, states: Collection[str]) -> Sequence[int]:
        values = (kind, json.dumps(sorted(states)), "\n".join(words))
        return [int(row[0]) for row in self._store.rows(queries.NUMBERS_WITH, values)]

    def reserved(self, case: int = 0) -> tuple[StockItem, ...]:
        return tuple(self._items(queries.RESERVED, (case, case)))

    def mapping(self, fingerprint: str) -> str | None:
        rows = self._store.rows(queries.MAPPING, (fingerprint,))
        return str(rows[0][0]) if rows else None

    def remember_mapping(self, fingerprint: str, mapping: str) -> None:
        with self.together():
            self._store.write(queries.REMEMBER_MAPPING, (fingerprint, mapping))

    def _require_case(self, case: int) -> None:
        if case and not self._store.rows(queries.CASE_EXISTS, (case,)):
            raise no_such_case(self._store, case)

    def _require_own_id(self, item: StockItem) -> None:
        other = self.item_of(item.own_id)
        if other is not None and other.number != item.number:
            raise UsageError(
                f"The mark {item.own_id!r} belongs to item {other.number} already.",
                "Give this one another mark, or none.",
            )

    def _items(self, sql: str, values: tuple[Value, ...]) -> list[StockItem]:
        rows = self._store.rows(sql, values)
        try:
            return [_item_of(row) for row in rows]
        except (ValueError, TypeError, UsageError) as trouble:
            raise damaged(self._store.path, f"a row makes no stock item ({trouble})") from trouble


def _values(item: StockItem) -> tuple[Value, ...]:
    """An item's columns after its number; -1 and 0 stand for NULL, as the statements say."""
    cost = -1 if item.cost_minor is None else item.cost_minor
    photos = json.dumps(item.photos, ensure_ascii=False)
    return (
        *(item.kind.value, item.own_id, *astuple(item.description), item.location, item.condition.value),
        *(cost, item.currency, item.state.value, item.case, photos, item.notes),
    )


def _item_of(row: Row) -> StockItem:
    number, kind, own_id, *described = row[:14]
    location, condition, cost, currency, state, case, photos, notes = row[14:]
    return StockItem(
        number=number,
        kind=Kind(kind),
        description=BoardDescription(*described),
        own_id=own_id,
        location=location,
        condition=Condition(condition),
        cost_minor=cost,
        currency=currency,
        state=StockState(state),
        case=case,
        photos=tuple(json.loads(photos)),
        notes=notes,
    )
