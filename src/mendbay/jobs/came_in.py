"""What of a box came in, or the drive that came alone.

A box and the drives in its bays are there once somebody looked and said which came, as custody never tells
of what did not; a drive that came alone is there from the moment a case is said to be of one. What was added
by mistake can be taken back while nothing is on record of it.
"""

from __future__ import annotations

from mendbay.case.items import Item, What
from mendbay.case.records import Bay, CaseKind
from mendbay.case.take_in_form import CONDITION, packaged_form
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.keep_items import add_item, item_kept, number_items, take_item_back, thing_of_bay
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.take_in import add_bay
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

QUESTION = "bays"
"""Question of take-in that tells which parts of a box came in."""
CONDITION_WORDS = "condition-words"
"""Question of take-in about the condition that is answered freely."""
CONDITION_LIMIT = 200
"""Characters of it on a paper, as of an item's own condition."""
BOTH = frozenset({"1", "2"})
ALONE = "1"
"""The bay of a drive that came alone."""
FILLED = {
    "both": BOTH,
    "bay-1-empty": frozenset({"2"}),
    "bay-2-empty": frozenset({"1"}),
    "no-box": BOTH,
}
"""The bays with a drive, by what was answered."""
NOT_SO = "it did not come in, as put down at take-in"


def filled_bays(bench: Bench, case: int) -> frozenset[str]:
    """The bays of a box without bays described that may hold a drive: both, but one that was said to be
    empty."""
    return FILLED.get(_answered(bench, case), BOTH)


def condition_seen(bench: Bench, case: int, *, own_words: bool, at: str = "") -> str:
    """What take-in noted of the condition of all that came in, in one line; empty if nothing was.

    Args:
        own_words: with what was written freely, which may name a person.
        at: as noted until then, UTC; empty for now.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    picked = {one.id: one.words for one in packaged_form()[CONDITION].options}
    seen = [picked[one] for one in _values(bench, case, CONDITION, at) if one in picked]
    if own_words:
        words = _values(bench, case, CONDITION_WORDS, at)
        seen += [" ".join(one.split())[:CONDITION_LIMIT] for one in words]
    return ", ".join(seen)


def settle_bays(bench: Bench, case: int) -> None:
    """Makes bays and items of a box, or the bay of a drive that came alone, what was said of it, once the
    kind or the bays were told, or taken back.

    Raises:
        UsageError: what did not come in has something on record.
    """
    kind = bench.ledger.case(case).kind
    if kind is CaseKind.DRIVE and not bench.ledger.bays(case):
        add_bay(bench, Bay(case, ALONE))
    if kind is not CaseKind.BOX:
        return
    said = _answered(bench, case)
    if not said:
        return  # nobody looked into it yet
    if said == "no-box":
        _take_box_back(bench, case)
    elif item_kept(bench, case, What.BOX) is None:
        add_item(bench, case, What.BOX)
    there = {one.bay for one in bench.ledger.bays(case)}
    if there - BOTH:
        return  # described as they are
    for label in sorted(BOTH):
        if label in filled_bays(bench, case) - there:
            add_bay(bench, Bay(case, label))
        elif label in there - filled_bays(bench, case):
            remove_bay(bench, case, label, NOT_SO)


def leave_bays(bench: Bench, case: int) -> None:
    """Takes back what came with the word that the case is of a box or a drive, when it is said to be of
    something else; what has anything on record stays."""
    kind = bench.ledger.case(case).kind
    if kind is CaseKind.BOX:
        return
    first = {ALONE} if kind is CaseKind.DRIVE else set()
    for bay in bench.ledger.bays(case):
        bare = not (bay.model or bay.serial or bay.condition)
        if bare and bay.bay in BOTH - first and not _on_record(bench, case, bay.bay):
            remove_bay(bench, case, bay.bay, f"the case is of a {kind}" if kind else NOT_SO)
    box = item_kept(bench, case, What.BOX)
    if box is not None and not box[1]:
        take_item_back(bench, box[0], f"the case is of a {kind}" if kind else NOT_SO)


def remove_bay(bench: Bench, case: int, label: str, reason: str) -> Bay:
    """Takes a bay back that was added by mistake, with the item of its drive; custody tells it.

    Returns:
        The bay as it was.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: no reason, or more than its take-in is on record of it.
    """
    require_reason(reason)
    with bench.ledger.together():
        bay = bench.ledger.bay(case, label)
        if known := _on_record(bench, case, label):
            raise UsageError(
                f"Bay {label} of case {case} is no slip: there is {known} of it.",
                f"mendbay case show {case} tells all; take that back first, if it is of another bay.",
            )
        number_items(bench, case)  # the number it was seen with is not used again
        drive = _thing_kept(bench, case, label)
        what = thing_of_bay(bench, case) if drive is None else drive[0].what
        if drive is not None:
            take_item_back(bench, drive[0], reason)
        withdraw(bench, map(subject_of, _unknown(bench, case, label)), case, label, reason)
        bench.ledger.remove_bay(case, label)
        marks = f": {bay.model} {bay.serial}".rstrip() if bay.model or bay.serial else ""
        bench.custody(
            case,
            f"taken back, added by mistake: {reason.strip()}",
            f"{what} of bay {label}{marks}",
        )
        bench.note(case, "take-in", f"Bay {label} taken back: {reason.strip()}", {"bay": label})
    return bay


def _thing_kept(bench: Bench, case: int, label: str) -> tuple[Item, bool] | None:
    """The item of what came in a bay, as `item_kept` tells it: a drive, or where none is, a loose board."""
    drive = item_kept(bench, case, What.DRIVE, label)
    return drive or (item_kept(bench, case, What.BOARD, label) if _is_loose(bench, case) else None)


def _is_loose(bench: Bench, case: int) -> bool:
    return thing_of_bay(bench, case) is What.BOARD


def _take_box_back(bench: Bench, case: int) -> None:
    box = item_kept(bench, case, What.BOX)
    if box is None:
        return
    item, handled = box
    if handled:
        raise UsageError(
            f"The box is item {item.code}, and more than its take-in is on record of it.",
            f"mendbay case items {case} tells where it is.",
        )
    take_item_back(bench, item, NOT_SO)


def _answered(bench: Bench, case: int) -> str:
    values = _values(bench, case, QUESTION)
    return values[0] if values else ""


def _values(bench: Bench, case: int, question: str, at: str = "") -> list[str]:
    """What a question of take-in about the case was answered with; empty if it was not, or nobody knows."""
    notes = standing_notes(bench, NoteKind.INTAKE, case, "", question)
    notes = tuple(one for one in notes if not at or one.at <= at)
    values = body_of(notes[-1], "take-in").get("values") if notes else []
    return list(map(str, values)) if isinstance(values, list) else []


def _on_record(bench: Bench, case: int, label: str) -> str:
    """What beside its take-in is on record of a bay, in words; empty for nothing."""
    record = bench.ledger.case(case)
    if bench.ledger.images(case, label) or bench.images.exists(record, label):
        return "an image"
    drive = _thing_kept(bench, case, label)
    if drive is not None and drive[1]:
        return f"item {drive[0].code}, which was changed or moved,"
    gone = {note.subject for note in bench.notes.of(NoteKind.WITHDRAWAL)}
    unknown = {note.number for note in _unknown(bench, case, label)}
    number = drive[0].number if drive is not None else 0
    for note in bench.notes.all_of(case):
        ours = note.kind is NoteKind.ITEM and note.subject == str(number)
        counts = note.bay == label and note.kind is not NoteKind.WITHDRAWAL and subject_of(note) not in gone
        if counts and not ours and note.number not in unknown:
            return f"a note ({note.kind}, {note.subject})"
    return ""


def _unknown(bench: Bench, case: int, label: str) -> list[Note]:
    """That something of a bay is not known says nothing of it."""
    notes = standing_notes(bench, NoteKind.INTAKE, case, label)
    return [note for note in notes if body_of(note, "take-in").get("values") == []]
