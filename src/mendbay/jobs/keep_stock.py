"""The shop's shelf: boards and donor drives put on it, put right, kept for a case, taken off it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

from mendbay.board.claims import exact_form
from mendbay.board.description import BoardDescription
from mendbay.board.number_form import Forms
from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.stock import StockItem, StockState, label_text, number_in_label
from mendbay.board.stock_by_hand import Change, HandChange, changes_between
from mendbay.board.stock_csv import Field
from mendbay.board.stock_import import gone_words
from mendbay.case.named_persons import names_person
from mendbay.case.records import Case
from mendbay.core.errors import LedgerError, NoSuchItem, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.read_pictures import shop_forms
from mendbay.jobs.withdraw import require_reason

NAMED_LIMIT = 4
"""Items of one name that are told."""


def with_family(forms: Forms, item: StockItem) -> StockItem:
    """The item with the family its model number belongs to, if none was said and the number has a form."""
    return replace(item, description=family_followed(forms, item.description))


def family_followed(forms: Forms, described: BoardDescription) -> BoardDescription:
    """The description with the family its model number belongs to, if none was said and the number has a
    form."""
    if described.family or not described.model:
        return described
    form, parts = exact_form(forms.forms, NumberKind.MODEL, described.model)
    return (
        described if form is None else replace(described, family=form.family_of(described.model, dict(parts)))
    )


def add_items(bench: Bench, shop: ShopFiles, items: Sequence[StockItem]) -> tuple[StockItem, ...]:
    """Puts items on the shelf, all or none.

    Returns:
        The items with their numbers.

    Raises:
        UsageError: one of them names neither a board nor a drive, or an own id is taken.
    """
    forms = shop_forms(shop)
    for one in items:
        _require_named(one)
    with bench.shelf.together():
        return tuple(bench.shelf.add_item(with_family(forms, one)) for one in items)


def _require_named(item: StockItem) -> None:
    """Refuses what nobody can find again, as the import of a list does."""
    if not item.own_id and item.description == BoardDescription():
        raise UsageError(
            "The item names neither a board nor a drive.",
            "Give at least one number or marking of it, or a mark of your own (--own-id).",
        )


def change_item(
    bench: Bench,
    shop: ShopFiles,
    number: int,
    described: Mapping[str, str],
    others: Mapping[str, Any],
) -> tuple[StockItem, tuple[Change, ...]]:
    """Puts right what the stock says of an item. What is left out stays, and so do its state and its case.

    A family that followed from the model follows the new one, unless a family is given. Every field that
    changes is kept on record with its old and new value, and a list read again does not undo it.

    Args:
        described: fields of its description, and what they hold from now on; an empty text clears one.
        others: the same for other fields of `StockItem`; pictures are added to those it has.

    Returns:
        The item as it is now, and what changed; nothing if it was so already.

    Raises:
        NoSuchItem: it is not there.
        UsageError: nothing is given, or a value that cannot be kept or names the customer of the case that
            the item is for, or an own id is taken.
    """
    if not described and not others:
        raise UsageError("Nothing is said that would change.", "Give the option of what is to be put right.")
    forms = shop_forms(shop)
    with bench.shelf.together():
        item = bench.shelf.item(number)
        followed = with_family(forms, replace(item, description=replace(item.description, family="")))
        follows = "family" not in described and followed.description.family == item.description.family
        description = replace(item.description, **described, **({"family": ""} if follows else {}))
        photos = tuple(dict.fromkeys((*item.photos, *others.get("photos", ()))))
        changed = replace(item, **{**others, "description": description, "photos": photos})
        changed = with_family(forms, changed)
        _require_named(changed)
        changes = changes_between(item, changed)
        case = _case_of(bench, item)
        if case is not None:
            require_nameless(case, *(one.new for one in changes))
        if changes:
            bench.shelf.amend_item(changed)
            _note_changes(bench, number, changes)
            if case is not None:
                said = "; ".join(_words_for(case, one) for one in changes)
                bench.note(case.number, "donor", f"Donor {number} put right: {said}.", {"item": number})
    return changed, changes


def _case_of(bench: Bench, item: StockItem) -> Case | None:
    """The case that an item is kept or used for; None if for none, or one that was forgotten and has no
    story any more."""
    known = item.case and bench.ledger.forgotten(item.case) is None
    return bench.ledger.case(item.case) if known else None


def _words_for(case: Case, one: Change) -> str:
    """A change as the story of a case tells it: without values that name its customer."""
    named = names_person(f"{one.old} {one.new}", case.customer, case.contact)
    return f"{one.field} changed" if named else one.words()


def changes_by_hand(bench: Bench, number: int | None = None) -> dict[int, tuple[HandChange, ...]]:
    """What was put right by hand in the stock, by the item's number and the oldest first.

    Args:
        number: of that item alone.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    found: dict[int, list[HandChange]] = {}
    for note in bench.notes.of(NoteKind.CHANGE, subject=None if number is None else str(number)):
        try:
            rows = [Change(Field(one["field"]), one["old"], one["new"]) for one in json.loads(note.body)]
            kept = found.setdefault(int(note.subject), [])
        except (ValueError, KeyError, TypeError) as trouble:
            raise LedgerError(
                f"The ledger's note {note.number} of a change in the stock cannot be read: {trouble}.",
                "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
            ) from trouble
        kept += (HandChange(one, note.at, note.who) for one in rows)
    return {one: tuple(changes) for one, changes in found.items()}


def _note_changes(bench: Bench, number: int, changes: Sequence[Change]) -> None:
    body = json.dumps(
        [{"field": str(one.field), "old": one.old, "new": one.new} for one in changes], ensure_ascii=False
    )
    bench.notes.add(Note(0, "", NoteKind.CHANGE, str(number), bench.now(), bench.who, body))


def item_named(bench: Bench, name: str, among: Callable[[], Sequence[StockItem]] | None = None) -> StockItem:
    """The item a person or a scanner names: by its number (with or without the noughts of its label), by what
    the code on its label holds, or by the shop's own mark that the label shows too.

    The code on the label is never taken for anything else; capitals do not matter.

    Args:
        among: gives the whole stock; read anew if left out.

    Raises:
        NoSuchItem: nothing in the stock is called so.
        UsageError: the name is empty, or several items are called so.
    """
    said = name.strip()
    if not said:
        raise UsageError("No item is named.", "Give its number, or scan its label.")
    coded = number_in_label(said.casefold())
    if coded is not None:
        return bench.shelf.item(coded)
    stock = bench.shelf.items() if among is None else among()
    found = {item.number: item for item in stock if _is_called(item, said)}
    if len(found) == 1:
        return next(iter(found.values()))
    shown = repr(said[:60])
    if not found:
        raise NoSuchItem(
            f"The stock has no item {said[:60] if said.isdecimal() else shown}.",
            "mendbay donor list shows the numbers; the code on a label reads like mendbay:stock:000123.",
        )
    meant = [f"{label_text(one.number)} ({one.full_name})" for one in found.values()]
    more = f" and {len(meant) - NAMED_LIMIT} more" if len(meant) > NAMED_LIMIT else ""
    raise UsageError(
        f"{shown} can mean {len(meant)} items: {', '.join(meant[:NAMED_LIMIT])}{more}.",
        "Scan the label, or type its code as it stands here.",
    )


def items_to_label(bench: Bench, names: Sequence[str]) -> list[StockItem]:
    """The items that are named (see `item_named`), to have a label.

    Raises:
        NoSuchItem: nothing in the stock is called so.
        UsageError: a name is empty or means several items, or an item was removed from the stock.
    """
    whole = cache(lambda: tuple(bench.shelf.items()))  # read once, and only if something is no code
    found = [item_named(bench, one, whole) for one in names]
    for item in found:
        if item.state is StockState.REMOVED:
            gone = gone_words(item, changes_by_hand(bench, item.number).get(item.number, ()))
            raise UsageError(
                f"Item {item.number} is not in the stock any more, {gone}: it gets no label.",
                f"mendbay donor free {item.number} takes that back.",
            )
    return found


def _is_called(item: StockItem, said: str) -> bool:
    by_number = said.isascii() and said.isdecimal() and len(said) <= 16 and int(said) == item.number
    return by_number or (bool(item.own_id) and item.own_id.casefold() == said.casefold())


def reserve(bench: Bench, number: int, case: int) -> StockItem:
    """Keeps an item for a case.

    Raises:
        NoSuchItem, NoSuchCase: one of them is not there.
        UsageError: it is used, or reserved for another case.
    """
    with bench.shelf.together():
        item = bench.shelf.item(number)
        require_there(item)
        if item.state is StockState.USED or (item.state is StockState.RESERVED and item.case != case):
            raise UsageError(
                f"Item {number} is {item.state} for case {item.case}.",
                "Take another, or free this one first.",
            )
        if item.state is StockState.RESERVED:
            return item
        kept = replace(item, state=StockState.RESERVED, case=case)
        bench.shelf.amend_item(kept)
        bench.note(case, "donor", f"Donor {number} reserved ({item.full_name}).", {"item": number})
    return kept


def require_there(item: StockItem) -> None:
    """Refuses an item that was removed from the stock.

    Raises:
        UsageError: it was.
    """
    if item.state is StockState.REMOVED:
        raise UsageError(
            f"Item {item.number} was removed from the stock.",
            f"mendbay donor free {item.number} takes that back.",
        )


def remove(bench: Bench, number: int, reason: str) -> StockItem:
    """Takes an item off the stock that is there no longer: thrown away, sold, sent back. Its record stays,
    and `free` takes the removal back.

    Args:
        reason: what became of it.

    Raises:
        NoSuchItem: it is not there.
        UsageError: it is reserved, used, or removed already, or no reason is given.
    """
    require_reason(reason, "removed")
    with bench.shelf.together():
        item = bench.shelf.item(number)
        require_there(item)
        if item.state is not StockState.FREE:
            hint = (
                f"mendbay donor free {number} puts it back first."
                if item.state is StockState.RESERVED
                else "What is used is off the stock already."
            )
            raise UsageError(f"Item {number} is {item.state} for case {item.case}.", hint)
        gone = replace(item, state=StockState.REMOVED)
        bench.shelf.amend_item(gone)
        change = Change(Field.STATE, str(item.state), f"{gone.state}: {reason.strip()}")
        _note_changes(bench, number, [change])
    return gone


def free(bench: Bench, number: int) -> StockItem:
    """Puts a reserved item back, or one that was removed from the stock.

    Raises:
        NoSuchItem: it is not there.
        UsageError: it has been used.
    """
    with bench.shelf.together():
        item = bench.shelf.item(number)
        if item.state is StockState.USED:
            raise UsageError(
                f"Item {number} was used in case {item.case}.",
                "A board that came back is a new item; mendbay donor withdraw takes a mistake back.",
            )
        freed = replace(item, state=StockState.FREE, case=0)
        bench.shelf.amend_item(freed)
        if item.state is StockState.REMOVED:
            _note_changes(bench, number, [Change(Field.STATE, str(item.state), str(freed.state))])
        case = _case_of(bench, item)
        if case is not None:
            bench.note(case.number, "donor", f"Donor {number} is free again.", {"item": number})
    return freed
