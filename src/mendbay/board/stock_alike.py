"""Which rows of a list that name no item are items the stock has already, whatever their order.

A row and an item without a mark of the shop's own are the same if they say the same in every column the list
has, spelling apart. If only what can change with time differs (place, condition, cost, notes), nothing in the
list tells whether the item was moved or is another one like it: a person says so, or is asked.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum

from mendbay.board.description import BoardDescription, comparison_key
from mendbay.board.stock import StockItem, StockState
from mendbay.board.stock_csv import Field

DESCRIBED = {
    Field(one.name.replace("_", " ").replace("rom chip", "ROM chip")): one.name
    for one in fields(BoardDescription)
}
"""Where a description keeps what a column holds."""
PLAIN = {
    Field.OWN_ID: "own_id",
    Field.KIND: "kind",
    Field.LOCATION: "location",
    Field.CONDITION: "condition",
    Field.NOTES: "notes",
}
CHANGING = (Field.LOCATION, Field.CONDITION, Field.COST, Field.NOTES)
COMPARED_LIMIT = 64
"""Items of one description that a moved row is compared with."""
TOLD_LIMIT = 3
_GONE = (StockState.USED, StockState.REMOVED)

Key = tuple[object, ...]


class Alike(StrEnum):
    """What to make of a row that names no item and is like one but for what can change."""

    ASK = "ask"
    """It is not taken, and told."""
    SAME = "same"
    """It is that item, moved or judged anew."""
    NEW = "new"
    """It is another one like it."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """Rows that name no item, by their line.

    Args:
        known: the item a row is.
        doubtful: why it cannot be told which a row is, and what to do.
    """

    known: dict[int, StockItem] = field(default_factory=dict)
    doubtful: dict[int, str] = field(default_factory=dict)


def pair(
    stock: Iterable[StockItem],
    rows: Sequence[tuple[int, StockItem]],
    columns: Collection[Field | None],
    alike: Alike,
    formerly: Mapping[int, StockItem] | None = None,
) -> Pairing:
    """Finds the items that rows without a number or own id are.

    Args:
        stock: any items; those with an own id are left alone, and used or removed ones are never moved.
        rows: with the line each begins on.
        columns: what the list has columns for.
        alike: what to make of rows that only differ in what can change.
        formerly: by number, items of the stock as they were before they were put right by hand: a list read
            before that still calls them so.
    """
    found = Pairing()
    everything = list(stock)
    changed = [(one, formerly[one.number]) for one in everything if formerly and one.number in formerly]
    now = {one.number: one for one, _ in changed}
    items = _those_there_first(one for one in everything if not one.own_id)
    before = _those_there_first(was for _, was in changed if not was.own_id)
    left = _same(items, rows, columns, found)
    if before:
        paired = {one.number for one in found.known.values()}
        left = _same([one for one in before if one.number not in paired], left, columns, found)
    if alike is not Alike.NEW and left:
        paired = {one.number for one in found.known.values()}
        free = [
            [one for one in some if one.number not in paired and one.state not in _GONE]
            for some in (items, before)
        ]
        _moved([_grouped(some, columns) for some in free], left, columns, alike, found)
    found.known.update({line: now[one.number] for line, one in found.known.items() if one.number in now})
    return found


def _those_there_first(items: Iterable[StockItem]) -> list[StockItem]:
    return sorted(items, key=lambda one: one.state in _GONE)


def _moved(
    groups: Sequence[dict[Key, list[StockItem]]],
    left: Sequence[tuple[int, StockItem]],
    columns: Collection[Field | None],
    alike: Alike,
    found: Pairing,
) -> None:
    """Pairs rows with items of which only what can change differs, or asks.

    Args:
        groups: the items by what never changes, as they are and then as they were; one may stand in both.
    """
    taken: set[int] = set()
    for line, row in left:
        for waiting in groups:
            candidates = waiting.get(_identity(row, columns), [])
            if taken and any(one.number in taken for one in candidates[: -COMPARED_LIMIT - 1 : -1]):
                candidates[:] = [one for one in candidates if one.number not in taken]
            if not candidates:
                continue
            first = candidates[: -COMPARED_LIMIT - 1 : -1]
            if alike is Alike.ASK:
                found.doubtful[line] = _question(row, first[:TOLD_LIMIT], columns)
            else:
                near = [len(_differing(row, one, columns)) for one in first]
                found.known[line] = candidates.pop(-1 - near.index(min(near)))
                if groups[-1]:
                    taken.add(found.known[line].number)
            break


def brought_up(known: StockItem, item: StockItem, columns: Collection[Field | None]) -> StockItem:
    """A known item with what a list has columns for. What the bench knows better stays: state, case and
    pictures; and a family that only follows from the model does not replace one that was said."""
    described = {
        name: getattr(item.description, name) for field, name in DESCRIBED.items() if field in columns
    }
    if Field.MODEL in columns and Field.FAMILY not in columns and not known.description.family:
        described["family"] = item.description.family
    plain = {name: getattr(item, name) for field, name in PLAIN.items() if field in columns}
    if Field.COST in columns:
        plain |= {"cost_minor": item.cost_minor, "currency": item.currency}
    return replace(known, description=replace(known.description, **described), **plain)


def _same(
    items: Sequence[StockItem],
    rows: Sequence[tuple[int, StockItem]],
    columns: Collection[Field | None],
    found: Pairing,
) -> list[tuple[int, StockItem]]:
    """Pairs what says the same, as many items as rows; gives the rows that are left."""
    alike: dict[Key, list[StockItem]] = defaultdict(list)
    for one in reversed(items):
        alike[_said(one, columns)].append(one)
    left = []
    for line, row in rows:
        candidates = alike.get(_said(row, columns))
        if candidates:
            found.known[line] = candidates.pop()
        else:
            left.append((line, row))
    return left


def _grouped(items: Iterable[StockItem], columns: Collection[Field | None]) -> dict[Key, list[StockItem]]:
    """The items by what never changes, in each group the first of them last."""
    groups: dict[Key, list[StockItem]] = defaultdict(list)
    for one in items:
        groups[_identity(one, columns)].append(one)
    for group in groups.values():
        group.reverse()
    return groups


def _identity(item: StockItem, columns: Collection[Field | None]) -> Key:
    """What of an item never changes, as far as the list has columns for it."""
    described = (getattr(item.description, name) for field, name in DESCRIBED.items() if field in columns)
    return *((item.kind,) if Field.KIND in columns else ()), *map(comparison_key, described)


def _said(item: StockItem, columns: Collection[Field | None]) -> Key:
    """All that the list says of an item."""
    return *_identity(item, columns), *(_changing(item, one) for one in CHANGING if one in columns)


def _changing(item: StockItem, field: Field) -> object:
    if field is Field.COST:
        return item.cost_minor, item.currency
    return getattr(item, PLAIN[field])


def _differing(row: StockItem, item: StockItem, columns: Collection[Field | None]) -> list[Field]:
    return [one for one in CHANGING if one in columns and _changing(row, one) != _changing(item, one)]


def _question(row: StockItem, items: Sequence[StockItem], columns: Collection[Field | None]) -> str:
    differing = dict.fromkeys(str(one) for item in items for one in _differing(row, item, columns))
    numbers = " or ".join(str(one.number) for one in items)
    return (
        f"It may be item {numbers}, which differs in {', '.join(differing)} alone, or another one like it: "
        f"nothing in the list tells. Write the item's number under a header '{Field.NUMBER}', or give "
        "another one an own id; or say for all such rows what they are (--alike)."
    )
