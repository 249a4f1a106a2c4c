"""What was put right by hand in the stock, and what a list says against it.

A value set by hand after a list was read is not undone by the same list read again: a list's value that the
hand change took away leaves the hand-set one as it is, and is told. A value that is new takes effect.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from mendbay.board.stock import Condition, Kind, StockItem
from mendbay.board.stock_alike import DESCRIBED, PLAIN
from mendbay.board.stock_csv import Field
from mendbay.core.money import cost_text, read_cost

TOLD = (
    *(Field.KIND, *DESCRIBED, Field.OWN_ID, Field.LOCATION, Field.CONDITION, Field.COST, Field.PHOTOS),
    Field.NOTES,
)
"""What a person or a list can change of an item, in the order in which it is told."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field of an item changed: its value as text before and after, empty for none. A state it left the
    stock by says why: `removed: thrown away`."""

    field: Field
    old: str
    new: str

    def words(self) -> str:
        """`revision R2 -> R3`, with long texts cut."""
        new = self.new if self.field is Field.STATE else _short(self.new)
        return f"{self.field} {_short(self.old)} -> {new}"


@dataclass(frozen=True, slots=True)
class HandChange:
    """A change that a person made in the stock, when (UTC) and who."""

    change: Change
    at: str
    who: str


@dataclass(frozen=True, slots=True)
class Kept:
    """A hand-set value that a list did not undo.

    Args:
        number: the item's.
        field: what of it.
        listed: what the list says.
        kept: what the item holds, as before.
    """

    number: int
    field: Field
    listed: str
    kept: str

    def words(self) -> str:
        """`revision R3 was set by hand and stays; the list says R2`."""
        return (
            f"{self.field} {_short(self.kept)} was set by hand and stays; the list says {_short(self.listed)}"
        )


def value_of(item: StockItem, field: Field) -> str:
    """What an item holds in one of the fields that are told, as text."""
    if field is Field.COST:
        return cost_text(item.cost_minor, item.currency)
    if field is Field.PHOTOS:
        return "\n".join(item.photos)
    of = item.description if field in DESCRIBED else item
    return str(getattr(of, DESCRIBED.get(field) or PLAIN[field]))


def changes_between(before: StockItem, after: StockItem) -> tuple[Change, ...]:
    """What differs between two states of one item, field by field."""
    pairs = ((one, value_of(before, one), value_of(after, one)) for one in TOLD)
    return tuple(Change(field, old, new) for field, old, new in pairs if old != new)


def taken_away(item: StockItem, by_hand: Sequence[HandChange]) -> dict[Field, tuple[str, ...]]:
    """The values that hand changes took away, of every field that still holds what was set by hand; the one
    it had before all of them first. What was changed by a list in between ends the row: what was said before
    that list has nothing to do with the hand-set value.

    Args:
        by_hand: the item's hand changes, the oldest first.
    """
    gone: dict[Field, list[str]] = {}
    ended: set[Field] = set()
    for one in reversed(by_hand):
        field, old, new = one.change.field, one.change.old, one.change.new
        if field not in TOLD:
            continue
        holds = gone[field][0] if field in gone else value_of(item, field)
        if field in ended or new != holds:
            ended.add(field)
        else:
            gone.setdefault(field, []).insert(0, old)
    return {field: tuple(olds) for field, olds in gone.items()}


def as_listed(item: StockItem, by_hand: Sequence[HandChange]) -> StockItem:
    """The item as it was before it was put right by hand: what a list read before that calls it."""
    return _with_values(item, {field: olds[0] for field, olds in taken_away(item, by_hand).items()})


def hand_kept(
    known: StockItem, brought: StockItem, by_hand: Sequence[HandChange]
) -> tuple[StockItem, tuple[Kept, ...]]:
    """The item as a list makes it, but with what was set by hand where the list says what that took away.

    Args:
        known: as it is in the stock.
        brought: as the list would make it.
        by_hand: the item's hand changes, the oldest first.

    Returns:
        The item as it is to be, and every value that was not undone.
    """
    gone = taken_away(known, by_hand) if by_hand else {}
    against = [one for one in changes_between(known, brought) if one.new in gone.get(one.field, ())]
    kept = _with_values(brought, {one.field: one.old for one in against})
    return kept, tuple(Kept(known.number, one.field, one.new, one.old) for one in against)


def _with_values(item: StockItem, values: Mapping[Field, str]) -> StockItem:
    """The item with other values, given as `value_of` tells them."""
    described = {DESCRIBED[field]: text for field, text in values.items() if field in DESCRIBED}
    others: dict[str, Any] = {}
    for field, text in values.items():
        if field is Field.COST:
            others["cost_minor"], others["currency"] = read_cost(text, as_written=True)
        elif field is Field.PHOTOS:
            others["photos"] = tuple(text.split("\n")) if text else ()
        elif field is Field.KIND:
            others["kind"] = Kind(text)
        elif field is Field.CONDITION:
            others["condition"] = Condition(text)
        elif field in PLAIN:
            others[PLAIN[field]] = text
    return replace(item, description=replace(item.description, **described), **others)


def _short(text: str) -> str:
    line = " ".join(text.split())
    return "(nothing)" if not line else line if len(line) <= 60 else f"{line[:57]}..."
