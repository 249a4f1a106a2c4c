"""Keep the physical things of a case: what came in, what it is, and where it is now."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from mendbay.case.items import (
    Item,
    Owner,
    What,
    Where,
    item_record,
    moved,
    number_named,
    parse_code,
    read_item,
)
from mendbay.case.named_persons import names_person
from mendbay.case.records import Bay, Case, CaseKind
from mendbay.core.errors import NoSuchItem, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_bodies import unreadable
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

MODEL_LIMIT = 30
"""Characters of a drive's model on a label: a line of it (own choice)."""


def items_of(bench: Bench, case: int) -> tuple[Item, ...]:
    """The things of a case by number. What came in its bays and nobody noted as an item yet has the number
    that `number_items` would give it; what was not noted of a drive by hand is taken from its bay.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    kept = _kept(bench, case)
    bays = bench.ledger.bays(case)
    known = {bay.bay: bay for bay in bays}
    every = (*kept, *_to_number(bench, case, bays, kept))
    return tuple(_as_its_bay_says(one, known.get(one.bay)) for one in every)


def number_items(bench: Bench, case: int) -> None:
    """Writes down the drives of bays that are no items yet, so that their numbers stay: before anything of
    the case's things is changed, labelled or put on a paper. Raises as `items_of`."""
    if not _to_number(bench, case, bench.ledger.bays(case), _kept(bench, case)):
        return
    with bench.ledger.together():  # another process may have been first: what is missing is looked for again
        for drive in _to_number(bench, case, bench.ledger.bays(case), _kept(bench, case)):
            write_item(bench, drive)


def _to_number(bench: Bench, case: int, bays: Sequence[Bay], kept: Sequence[Item]) -> list[Item]:
    what = thing_of_bay(bench, case) if bays else What.DRIVE
    missing = [
        bay
        for bay in bays
        if not any((one.what, one.bay) in ((what, bay.bay), (What.DRIVE, bay.bay)) for one in kept)
    ]
    first = _next_number(bench, case) if missing else 0
    return [Item(case, first + at, what, bay=bay.bay) for at, bay in enumerate(missing)]


def thing_of_bay(bench: Bench, case: int) -> What:
    """What came in where a bay of a case is described: a drive, or the board itself where it came alone."""
    loose = bench.ledger.case(case).kind in (CaseKind.BOARD_REPAIR, CaseKind.BOARD_SWAP)
    return What.BOARD if loose else What.DRIVE


def item_named(bench: Bench, case: int, text: str) -> Item:
    """The item of a case that is named by its code, typed or scanned, or by its number alone.

    Raises:
        NoSuchCase: there is no such case.
        NoSuchItem: it has no such item.
        UsageError: the text names none, or one of another case.
    """
    number = number_named(case, text)
    found = next((one for one in items_of(bench, case) if one.number == number), None)
    if found is None:
        raise NoSuchItem(
            f"Case {case} has no item {number}.", f"mendbay case items {case} lists those it has."
        )
    return found


def items_named(bench: Bench, case: int, texts: Sequence[str]) -> tuple[Item, ...]:
    """Several, in that order; all of the case if none is named. Raises as `item_named`."""
    return tuple(item_named(bench, case, one) for one in texts) if texts else items_of(bench, case)


def items_to_label(bench: Bench, case: int, named: Sequence[str]) -> tuple[Item, ...]:
    """The items that labels are printed for: those named, or all that still are; their numbers stay from now
    on. The marks of a drive begin with the model of its bay, also where others were noted by hand. Words that
    name the customer of today, who may have been called otherwise when they were written, are left out.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or item.
        UsageError: a name is no code, or there is nothing to label.
    """
    record = bench.ledger.case(case)
    number_items(bench, case)
    gone = (Where.USED, Where.DESTROYED)
    found = items_named(bench, case, named)
    if not named:
        found = tuple(one for one in found if one.where not in gone)
    if not found:
        raise UsageError(
            f"Case {case} has no items to label.", f"mendbay case item-add {case} WHAT takes one in."
        )

    def shown(text: str) -> str:
        return "" if names_person(text, record.customer, record.contact) else text

    models = {bay.bay: shown(_one_line(bay.model)[:200]) for bay in bench.ledger.bays(case)}
    return tuple(
        replace(
            one, words=shown(one.words), marks=_with_model(one, shown(one.marks), models.get(one.bay, ""))
        )
        for one in found
    )


def _with_model(item: Item, marks: str, model: str) -> str:
    """The marks of a drive, its model first; a long one is cut, as the serial number must find its place."""
    if item.what is not What.DRIVE or not model:
        return marks
    others = f"{marks} ".removeprefix(f"{model} ").strip()
    if f" {model} " in f" {others} ":
        return marks
    cut = model if len(model) <= MODEL_LIMIT else f"{model[: MODEL_LIMIT - 1]}…"
    return f"{cut} {others}".strip()


def find_item(bench: Bench, code: str) -> tuple[Case, Item]:
    """The case and the item that a code, typed or scanned, belongs to.

    Raises:
        UsageError: it is no code.
        NoSuchCase, NoSuchItem: there is none of it.
    """
    number, _ = parse_code(code)
    return bench.ledger.case(number), item_named(bench, number, code)


def add_item(
    bench: Bench,
    case: int,
    what: What,
    words: str = "",
    *,
    bay: str = "",
    marks: str = "",
    condition: str = "",
    place: str = "",
    owner: Owner = Owner.CUSTOMER,
    another: bool = False,
) -> Item:
    """Takes a thing in under the next number.

    Args:
        bay: which of the case's bays it belongs to, empty for none.
        another: a box came in beside the one that is an item already.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: a text that cannot stand on a label or names the customer, or the drive of a bay, or the
            box, that is an item already; or `another` is said of anything but a box.
    """
    with bench.ledger.together():
        record = bench.ledger.case(case)
        if bay:
            bench.ledger.bay(case, bay)
        number_items(bench, case)
        _require_new(items_of(bench, case), what, bay, owner, another)
        item = Item(
            case, _next_number(bench, case), what, words, bay, marks, condition, Where.HERE, place, owner
        )
        _require_nameless(record, item)
        write_item(bench, item)
        bench.custody(case, "taken in", f"{item.traceable}; of: {owner}")
        bench.note(case, "item", f"Item {item.code}: {item.named}, {item.whereabouts}; of: {owner}.")
    return item


def _require_new(there: Sequence[Item], what: What, bay: str, owner: Owner, another: bool) -> None:
    """Refuses a drive of a bay, or a box, that is an item already; and to call anything else another."""
    if what is What.BOX:
        double = next((one for one in there if (one.what, one.owner) == (what, owner) and not another), None)
        called, or_else = "The box", "; with --another a second box is taken in"
    else:
        double = next((one for one in there if what is What.DRIVE and bay and _is_drive_of(one, bay)), None)
        called, or_else = f"The drive of bay {bay}", ""
    if double is not None:
        said = ", ".join(one for one in (double.marks, double.whereabouts) if one)
        raise UsageError(
            f"{called} is item {double.code} already ({said}).",
            f"mendbay case item-change {double.case} {double.code} puts right what is noted of it{or_else}.",
        )
    if another and what is not What.BOX:
        raise UsageError("Only of a box is it asked whether another came in.", "Leave --another out.")


def change_item(
    bench: Bench,
    case: int,
    named: str,
    *,
    what: What | None = None,
    words: str | None = None,
    bay: str | None = None,
    marks: str | None = None,
    condition: str | None = None,
    owner: Owner | None = None,
) -> tuple[Item, tuple[str, ...]]:
    """Puts right what is noted of a thing; custody tells old and new, but for the free words.

    Returns:
        The item as it is now, and what changed, as `marks X -> Y`; nothing if it was noted so already.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case, bay or item.
        UsageError: nothing is said, a text that cannot be kept or names the customer, or the bay has a drive.
    """
    said = {
        "what": what, "words": words, "bay": bay, "marks": marks, "condition": condition, "owner": owner,
    }  # fmt: skip
    given = {name: value for name, value in said.items() if value is not None}
    if not given:
        raise UsageError("Nothing is said that would change.", "Say what is to be put right.")
    with bench.ledger.together():
        record = bench.ledger.case(case)
        number_items(bench, case)
        item = item_named(bench, case, named)
        if bay:
            bench.ledger.bay(case, bay)
        now = replace(item, **given)  # type: ignore[arg-type]
        others = (one for one in items_of(bench, case) if one.number != item.number)
        if now.what is What.DRIVE and now.bay and any(_is_drive_of(one, now.bay) for one in others):
            raise UsageError(f"Bay {now.bay} has a drive already.", "Give the bay that this one belongs to.")
        _require_nameless(record, now)
        changes = tuple(
            f"{name} {getattr(item, name) or '(nothing)'} -> {value or '(nothing)'}"
            for name, value in given.items()
            if getattr(item, name) != value
        )
        if changes:
            raw = next(one for one in _kept(bench, case) if one.number == item.number)
            write_item(bench, replace(raw, **given))  # type: ignore[arg-type]
            traced = [one for one in changes if not one.startswith("words ")]
            bench.custody(case, "put right", "; ".join((f"item {now.code}", *(traced or ["its words"]))))
            bench.note(case, "item", f"Item {now.code} put right: {'; '.join(changes)}.")
    return item_named(bench, case, named), changes


def move_item(
    bench: Bench, case: int, named: str, where: Where, place: str = "", *, why: str = "", mistake: str = ""
) -> Item:
    """Puts a thing somewhere else, without a hand-over.

    Args:
        why: what it was used up for, or why it was destroyed; needed for both.
        mistake: why what was noted of its whereabouts is wrong; with it, it can be put anywhere.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or item.
        UsageError: it cannot get there from where it is, a reason is missing, or one is given though it is
            there already.
    """
    if where in (Where.USED, Where.DESTROYED):
        require_reason(why or mistake, str(where))
    if mistake:
        require_reason(mistake, "put right")
    with bench.ledger.together():
        record = bench.ledger.case(case)
        number_items(bench, case)
        item = item_named(bench, case, named)
        now = replace(item, where=where, place=place.strip()) if mistake else moved(item, where, place)
        if now == item:
            _require_no_reason(item, why.strip() or mistake.strip())
            return item
        _require_nameless(record, now, why, mistake)
        raw = next(one for one in _kept(bench, case) if one.number == item.number)
        write_item(bench, replace(raw, where=now.where, place=now.place))
        done = "whereabouts put right" if mistake else "moved"
        bench.custody(case, done, f"{now.traceable}: {item.whereabouts} -> {now.whereabouts}")
        reason = f"; {mistake or why}" if mistake or why else ""
        bench.note(case, "item", f"Item {now.code} {done}: {item.whereabouts} -> {now.whereabouts}{reason}.")
    return now


def _require_no_reason(item: Item, reason: str) -> None:
    """Refuses a reason for what changes nothing: it would be noted nowhere."""
    if reason:
        raise UsageError(
            f"{item.code} is noted as {item.whereabouts} already, so the reason would be kept nowhere.",
            "Say where it is now, or leave the reason out.",
        )


def write_item(bench: Bench, item: Item) -> None:
    """Writes down what is known of an item from now on."""
    body = json.dumps(item_record(item), ensure_ascii=False)
    bench.notes.add(Note(item.case, item.bay, NoteKind.ITEM, str(item.number), bench.now(), bench.who, body))


def put_items(bench: Bench, case: int, items: Sequence[Item]) -> None:
    """Writes down where items are from now on; what else is noted of them stays as it was."""
    kept = {one.number: one for one in _kept(bench, case)}
    for item in items:
        write_item(bench, replace(kept[item.number], where=item.where, place=item.place))


def item_kept(bench: Bench, case: int, what: What, bay: str = "") -> tuple[Item, bool] | None:
    """The first item of that kind and bay, and whether more than its take-in is on record of it; None without
    one."""
    for item in _kept(bench, case):
        if item.what is what and item.bay == bay:
            notes = standing_notes(bench, NoteKind.ITEM, case, subject=str(item.number))
            return item, len(notes) > 1 or item.where is not Where.HERE
    return None


def take_item_back(bench: Bench, item: Item, reason: str) -> None:
    """Takes an item back that was taken in by mistake; custody tells it, and its number is not used again."""
    notes = standing_notes(bench, NoteKind.ITEM, item.case, subject=str(item.number))
    withdraw(bench, map(subject_of, notes), item.case, item.bay, reason)
    bench.custody(item.case, f"taken back, added by mistake: {reason.strip()}", item.traceable)
    bench.note(item.case, "item", f"Item {item.code} taken back: {item.named}. {reason.strip()}")


def _next_number(bench: Bench, case: int) -> int:
    """A number that no item of the case ever had: a label may be printed of one that was taken back."""
    return 1 + max((int(note.subject) for note in bench.notes.of(NoteKind.ITEM, case)), default=0)


def _kept(bench: Bench, case: int) -> list[Item]:
    """What the notes say, by number."""
    remembered(bench, case)
    latest: dict[int, Item] = {}
    for note in standing_notes(bench, NoteKind.ITEM, case):
        try:
            item = read_item(json.loads(note.body))
            if (item.case, str(item.number)) != (case, note.subject):
                raise ValueError("another item than its note says")
        except (ValueError, KeyError, TypeError) as trouble:
            raise unreadable(note, "an item", trouble) from trouble
        latest[item.number] = item
    return [latest[number] for number in sorted(latest)]


def _is_drive_of(item: Item, bay: str) -> bool:
    return item.what is What.DRIVE and item.bay == bay


def _as_its_bay_says(item: Item, bay: Bay | None) -> Item:
    """A drive's own marks and condition stand in its bay until a person notes others with the item."""
    if bay is None or item.what is not What.DRIVE:
        return item
    marks = _one_line(f"{bay.model} {bay.serial}")[:200]
    condition = _one_line(bay.condition)[:200]
    return replace(item, marks=item.marks or marks, condition=item.condition or condition)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _require_nameless(record: Case, item: Item, *said: str) -> None:
    require_nameless(record, item.words, item.marks, item.condition, item.place, *said)
