"""What the jobs need of the shop's ledger for boards and donors. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from mendbay.board.stock import StockItem


class BoardLedger(Protocol):
    """The stock of boards and donor drives.

    Every method is one durable step by itself; `together` makes one of several, also with those of the
    case ledger beside it. What cannot be stored or read raises `LedgerError`.
    """

    def together(self) -> AbstractContextManager[None]:
        """Makes all that is done inside one durable step."""
        ...

    def add_item(self, item: StockItem) -> StockItem:
        """Puts an item into the stock; any number it carries is replaced by a new one.

        Raises:
            UsageError: another item has the same own id.
            NoSuchCase: it is for a case that is not there.
        """
        ...

    def amend_item(self, item: StockItem) -> None:
        """Puts this description in the place of the one the item of that number has.

        Raises:
            NoSuchItem: there is none.
        """
        ...

    def item(self, number: int) -> StockItem:
        """
        Raises:
            NoSuchItem: there is none of that number.
        """
        ...

    def item_of(self, own_id: str) -> StockItem | None:
        """The item with a mark of the shop's own, or None."""
        ...

    def items(self) -> Iterator[StockItem]:
        """Every item, used ones too, by number."""
        ...

    def numbers_with(self, words: Sequence[str], kind: str, states: Collection[str]) -> Sequence[int]:
        """The numbers, rising, of the items on which every word stands somewhere: in number, marks, markings,
        place, condition or notes.

        Args:
            words: folded to lower case, without blanks; none for all items.
            kind: of that kind alone; empty for any.
            states: in one of these.
        """
        ...

    def reserved(self, case: int = 0) -> tuple[StockItem, ...]:
        """The items that are reserved for a case, 0 for any, by number."""
        ...

    def mapping(self, fingerprint: str) -> str | None:
        """How a list with these columns was read the last time, as JSON; None if never."""
        ...

    def remember_mapping(self, fingerprint: str, mapping: str) -> None:
        """Remembers how a list with these columns is read."""
        ...
