"""The shop's shelf: put boards and donor drives on it, reserve them, use them, and say how the swap went."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from mendbay.board.claims import exact_form
from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative
from mendbay.board.number_form import Forms
from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.stock import StockItem, StockState, label_text, number_in_label
from mendbay.board.stock_by_hand import Change, HandChange, changes_between
from mendbay.board.stock_csv import Field
from mendbay.board.stock_import import gone_words
from mendbay.board.swap_odds import Agreement, Attribute, Purpose, SwapOutcome
from mendbay.case.named_persons import names_person
from mendbay.case.records import Case
from mendbay.core.errors import LedgerError, NoSuchItem, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_characters
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.consents import PARTS, refused_although
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.read_pictures import shop_forms
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

NEEDED = {Purpose.BOARD_SWAP: (PARTS, "board-swap"), Purpose.HEAD_TRANSPLANT: (PARTS,)}
"""The customer's word that a swap rests on (`consents.toml`)."""
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
        LedgerError: an own id is taken.
        UsageError: one of them names neither a board nor a drive.
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
            the item is for.
        LedgerError: an own id is taken.
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
                "Put the newest backup of the ledger in its place.",
            ) from trouble
        kept += (HandChange(one, note.at, note.who) for one in rows)
    return {one: tuple(changes) for one, changes in found.items()}


def _note_changes(bench: Bench, number: int, changes: Sequence[Change]) -> None:
    body = json.dumps(
        [{"field": str(one.field), "old": one.old, "new": one.new} for one in changes], ensure_ascii=False
    )
    bench.notes.add(Note(0, "", NoteKind.CHANGE, str(number), bench.now(), bench.who, body))


def item_named(bench: Bench, name: str) -> StockItem:
    """The item a person or a scanner names: by its number (with or without the noughts of its label), by what
    the code on its label holds, or by the shop's own mark that the label shows too.

    The code on the label is never taken for anything else; capitals do not matter.

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
    found = {item.number: item for item in bench.shelf.items() if _is_called(item, said)}
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
    found = [item_named(bench, one) for one in names]
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
        _require_there(item)
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


def _require_there(item: StockItem) -> None:
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
        _require_there(item)
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


def record_swap(
    bench: Bench,
    number: int,
    case: int,
    bay: str,
    agreement: Agreement,
    worked: bool,
    remark: str = "",
    *,
    although: str = "",
) -> StockItem:
    """Notes how a swap with an item went; the item is used from then on, and the odds learn from it.

    Args:
        agreement: how patient and donor agreed, as the ranking said.
        although: why it was made, where the customer refused what it needs; custody keeps it. One that is
            noted as used for the case already needs none: its outcome is only put right.

    Raises:
        NoSuchItem, NoSuchCase: one of them is not there.
        CaseForgotten: the case was forgotten.
        HeldBack: the customer refused that a part is used up, or that another board is fitted; nothing is
            recorded.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
        UsageError: the item was used or reserved for another case, or a remark that cannot be kept, names
            the customer or seems to hold a password.
    """
    require_characters(remark, "remark")
    with bench.shelf.together():
        require_nameless(remembered(bench, case), remark)
        item = bench.shelf.item(number)
        _require_there(item)
        if item.state is not StockState.FREE and item.case != case:
            raise UsageError(
                f"Item {number} is {item.state} for case {item.case}.", "Check the number on its label."
            )
        needed = () if item.state is StockState.USED else NEEDED[agreement.purpose]
        against = refused_although(bench, case, needed, although)
        used = replace(item, state=StockState.USED, case=case)
        bench.shelf.amend_item(used)
        body = {
            "purpose": str(agreement.purpose),
            "agreement": agreement.as_words(),
            "worked": worked,
            "remark": remark,
            "was": {"state": str(item.state), "case": item.case},
        }
        bench.notes.add(Note(case, bay, NoteKind.SWAP, str(number), bench.now(), bench.who, json.dumps(body)))
        outcome = "worked" if worked else "did not work"
        bench.note(
            case,
            "donor",
            f"The {agreement.purpose} with donor {number} {outcome}{f': {remark}' if remark else '.'}",
            {"item": number, "worked": worked},
        )
        bench.custody(case, f"{agreement.purpose}: {outcome}", f"donor {number} ({item.full_name})")
        if against:
            done = f"{agreement.purpose} made although the customer refused {against}"
            bench.custody(case, done, f"donor {number}; {although.strip()}")
            bench.note(case, "donor", f"{done[:1].upper()}{done[1:]}: {although.strip()}", {"item": number})
    return used


def withdraw_swap(bench: Bench, number: int, case: int, bay: str, purpose: Purpose, reason: str) -> StockItem:
    """Takes back how a swap with an item went, however often it was said: the odds learn from it no more.
    The item is as it was before, unless another swap used it.

    Args:
        reason: why it was a mistake.

    Raises:
        NoSuchItem, NoSuchCase: one of them is not there.
        UsageError: no such swap is recorded, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        bench.ledger.bay(case, bay)
        item = bench.shelf.item(number)
        of_item = standing_notes(bench, NoteKind.SWAP, subject=str(number))
        said = [one for one in of_item if (one.case, one.bay) == (case, bay) and _purpose_of(one) is purpose]
        if not said:
            raise UsageError(
                f"No {purpose} with item {number} is recorded for bay {bay} of case {case}.",
                f"mendbay case show {case} tells what is recorded.",
            )
        withdraw(bench, map(subject_of, said), case, bay, reason)
        if len(said) == len(of_item):
            item = _as_before(item, bench.notes.of(NoteKind.SWAP, subject=str(number)))
            bench.shelf.amend_item(item)
        outcome = "worked" if json.loads(said[-1].body)["worked"] else "did not work"
        bench.note(
            case,
            "donor",
            f"Withdrawn: the {purpose} with donor {number} in bay {bay} ({outcome}). {reason}",
            {"item": number},
        )
        bench.custody(case, f"{purpose}: outcome withdrawn", f"donor {number} ({outcome}): {reason}")
    return item


def _purpose_of(note: Note) -> Purpose:
    return Purpose(_swap_of(note)["purpose"])


def _as_before(item: StockItem, said: Sequence[Note]) -> StockItem:
    """The item as it was before its swaps used it. One that had been used before the first of them (it came
    so in a list) still is; where nothing was written down it is free.

    Args:
        said: every swap of it, withdrawn ones too, the oldest first.
    """
    states = [_was_of(_swap_of(note)) for note in said]
    unused = [was for was in states if was and was[0] is not StockState.USED]
    state, case = (unused[-1] if unused else states[0]) or (StockState.FREE, 0)
    return replace(item, state=state, case=case)


def outcomes(bench: Bench) -> tuple[SwapOutcome, ...]:
    """Every swap the shop has recorded.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(SwapOutcome(_agreement_of(body), bool(body["worked"])) for body in last_swaps(bench))


def last_swaps(bench: Bench) -> list[Mapping[str, Any]]:
    """The last word on each swap that was not withdrawn: of one donor, for one purpose, in one bay of a
    case.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return [body for _, body in _last_swaps(bench)]


def dated_swaps(bench: Bench) -> list[tuple[str, SwapOutcome]]:
    """The same as the odds take them, each with the time at which it was noted.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return [
        (note.at, SwapOutcome(_agreement_of(body), bool(body["worked"]))) for note, body in _last_swaps(bench)
    ]


def _last_swaps(bench: Bench) -> list[tuple[Note, Mapping[str, Any]]]:
    last: dict[tuple[int, str, str, str], tuple[Note, Mapping[str, Any]]] = {}
    for note in standing_notes(bench, NoteKind.SWAP):
        body = _swap_of(note)
        last[note.case, note.bay, note.subject, body["purpose"]] = note, body
    return list(last.values())


def last_swaps_of(bench: Bench, case: int, bay: str) -> list[Mapping[str, Any]]:
    """The same of one bay of a case."""
    last: dict[tuple[str, str], Mapping[str, Any]] = {}
    for note in standing_notes(bench, NoteKind.SWAP, case, bay):
        body = _swap_of(note)
        last.pop((note.subject, body["purpose"]), None)  # said again, it comes last
        last[note.subject, body["purpose"]] = body
    return list(last.values())


def _swap_of(note: Note) -> Mapping[str, Any]:
    try:
        body: Mapping[str, Any] = json.loads(note.body)
        _agreement_of(body)
        _was_of(body)
        bool(body["worked"])
    except (ValueError, KeyError, TypeError, UsageError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a swap cannot be read: {trouble}.",
            "Put the newest backup of the ledger in its place.",
        ) from trouble
    return body


def _was_of(body: Mapping[str, Any]) -> tuple[StockState, int] | None:
    """State and case of the item before the swap; None if that was not written down."""
    was = body.get("was")
    return (StockState(was["state"]), int(was["case"])) if was else None


def _agreement_of(body: Mapping[str, Any]) -> Agreement:
    return Agreement.from_words(Purpose(body["purpose"]), body["agreement"])


def accept_alternative(bench: Bench, alternative: Alternative) -> None:
    """Notes that one value can stand for another from now on."""
    body = {
        "wanted": alternative.wanted,
        "donor": alternative.donor,
        "both_ways": alternative.both_ways,
        "board_number": alternative.board_number,
        "reason": alternative.reason,
    }
    subject = str(alternative.attribute)
    bench.notes.add(Note(0, "", NoteKind.ALTERNATIVE, subject, bench.now(), bench.who, json.dumps(body)))


@dataclass(frozen=True, slots=True)
class Accepted:
    """A row of the shop's table of what can stand for what: its number, when it was noted and by whom."""

    number: int
    alternative: Alternative
    at: str
    who: str


def accepted(bench: Bench) -> tuple[Accepted, ...]:
    """The shop's table of what can stand for what, the oldest row first.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(
        Accepted(note.number, _alternative_of(note), note.at, note.who)
        for note in standing_notes(bench, NoteKind.ALTERNATIVE)
    )


def alternatives(bench: Bench) -> tuple[Alternative, ...]:
    """The same as the ranking takes it."""
    return tuple(one.alternative for one in accepted(bench))


def withdraw_alternative(bench: Bench, number: int, reason: str) -> Accepted:
    """Takes back that one value can stand for another, however often that row was noted.

    Args:
        number: the row's.
        reason: why it was a mistake.

    Raises:
        UsageError: there is no such row, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        said = {note.number: note for note in standing_notes(bench, NoteKind.ALTERNATIVE)}
        rows = {one.number: one for one in accepted(bench)}
        if number not in rows:
            raise UsageError(
                f"No row {number} says what can stand for what.", "mendbay donor accepted lists them."
            )
        meant = replace(rows[number].alternative, reason="")
        same = [one.number for one in rows.values() if replace(one.alternative, reason="") == meant]
        withdraw(bench, [subject_of(said[one]) for one in same], 0, "", reason)
    return rows[number]


def _alternative_of(note: Note) -> Alternative:
    try:
        return Alternative(Attribute(note.subject), **json.loads(note.body))
    except (ValueError, TypeError, UsageError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of what can stand for what cannot be read: {trouble}.",
            "Put the newest backup of the ledger in its place.",
        ) from trouble
