"""How swaps with items of the stock went: put down, taken back, and told to the odds that learn from them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from mendbay.board.stock import StockItem, StockState
from mendbay.board.swap_odds import Agreement, Purpose, SwapOutcome
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_characters
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import PARTS, note_asked, refused_although, require_asked
from mendbay.jobs.keep_stock import require_there
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.practice import practice_cases
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

NEEDED = {Purpose.BOARD_SWAP: (PARTS, "board-swap"), Purpose.HEAD_TRANSPLANT: (PARTS,)}
"""The customer's word that a swap rests on (`consents.toml`)."""


def words_needed(item: StockItem, purpose: Purpose) -> tuple[str, ...]:
    """The consents that noting a swap with an item rests on; of one that is noted as used only the outcome is
    put right."""
    return () if item.state is StockState.USED else NEEDED[purpose]


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
    asked: bool = False,
) -> StockItem:
    """Notes how a swap with an item went; the item is used from then on, and the odds learn from it.

    Args:
        agreement: how patient and donor agreed, as the ranking said.
        although: why it was made, where the customer refused what it needs; custody keeps it. One that is
            noted as used for the case already needs none: its outcome is only put right.
        asked: the customer, who wants to be asked each time before that, was asked and said yes.

    Raises:
        NoSuchItem, NoSuchCase: one of them is not there.
        CaseForgotten: the case was forgotten.
        HeldBack: the customer refused that a part is used up, or that another board is fitted, or wants to be
            asked before and was not; nothing is recorded.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
        UsageError: the item was used or reserved for another case, or a remark that cannot be kept, names
            the customer or seems to hold a password.
    """
    require_characters(remark, "remark")
    with bench.shelf.together():
        require_nameless(remembered(bench, case), remark)
        item = bench.shelf.item(number)
        require_there(item)
        if item.state is not StockState.FREE and item.case != case:
            raise UsageError(
                f"Item {number} is {item.state} for case {item.case}.", "Check the number on its label."
            )
        needed = words_needed(item, agreement.purpose)
        against = refused_although(bench, case, needed, although)
        titles = require_asked(bench, case, needed, asked)
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
        note_asked(bench, case, titles, [f"donor {number}"], "donor")
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
    """Every swap the shop has recorded that teaches something.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(SwapOutcome(_agreement_of(body), bool(body["worked"])) for body in last_swaps(bench))


def last_swaps(bench: Bench) -> list[Mapping[str, Any]]:
    """The last word on each swap that was not withdrawn: of one donor, for one purpose, in one bay of a
    case that was not for practice.

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
    practice = practice_cases(bench)
    for note in standing_notes(bench, NoteKind.SWAP):
        if note.case in practice:
            continue
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


@dataclass(frozen=True, slots=True)
class FittedBoard:
    """The boards that were fitted in a bay.

    Args:
        worked: the note of the last one that worked, None if none did. One that was said anew stands where it
            was said first: what was told between is of the board that was fitted.
        last: the last word on any.
        works: no other failed after it, which is another word on that board.
    """

    worked: Note | None
    last: Note
    works: bool


def boards_fitted(bench: Bench, case: int) -> dict[str, FittedBoard]:
    """What is on record of the swaps of boards of a case, by bay.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    found: dict[str, FittedBoard] = {}
    for note in standing_notes(bench, NoteKind.SWAP, case):
        body, before = _swap_of(note), found.get(note.bay)
        if body["purpose"] != Purpose.BOARD_SWAP:
            continue
        worked = before.worked if before else None
        if not body["worked"]:
            found[note.bay] = FittedBoard(worked, note, False)
        elif before is None or worked is None or not before.works or worked.subject != note.subject:
            found[note.bay] = FittedBoard(note, note, True)
        else:
            found[note.bay] = FittedBoard(worked, note, True)
    return found


def boards_that_helped(bench: Bench, case: int) -> list[Note]:
    """The swaps of boards that worked, of every bay the last one if none failed after it. Raises as
    `boards_fitted` does."""
    return [one.worked for one in boards_fitted(bench, case).values() if one.works and one.worked]


def _swap_of(note: Note) -> Mapping[str, Any]:
    try:
        body: Mapping[str, Any] = json.loads(note.body)
        _agreement_of(body)
        _was_of(body)
        bool(body["worked"])
    except (ValueError, KeyError, TypeError, UsageError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a swap cannot be read: {trouble}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble
    return body


def _was_of(body: Mapping[str, Any]) -> tuple[StockState, int] | None:
    """State and case of the item before the swap; None if that was not written down."""
    was = body.get("was")
    return (StockState(was["state"]), int(was["case"])) if was else None


def _agreement_of(body: Mapping[str, Any]) -> Agreement:
    return Agreement.from_words(Purpose(body["purpose"]), body["agreement"])
