"""Things that were entered, and hand-overs that were put down, by mistake. Nothing is removed: custody tells
both, and numbers are not used again."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Container
from dataclasses import replace
from hashlib import sha256

from mendbay.case.hand_over import HandOver, papers_of
from mendbay.case.items import Item, What, Where, read_item
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_over_items import hand_over_called, hand_overs_of, write_hand_over
from mendbay.jobs.keep_items import item_named, items_of, number_items, put_items, take_item_back
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_bodies import unreadable
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes

AS_TYPED = {
    Where.HERE: "here",
    Where.SENT: "sent",
    Where.CUSTOMER: "customer",
    Where.USED: "used",
    Where.DESTROYED: "destroyed",
}
"""Where a thing is, as `case item-move` has it."""


def can_be_withdrawn(item: Item, papered: Container[int], bays: Container[str]) -> bool:
    """Whether an item may be taken back as entered by mistake: no hand-over was of it, and it is not the
    drive of a bay that the case has.

    Args:
        papered: numbers of the items that a hand-over was of (`case.hand_over.papers_of`).
        bays: of the case.
    """
    return item.number not in papered and not (item.what is What.DRIVE and item.bay in bays)


def withdraw_item(bench: Bench, case: int, named: str, reason: str) -> Item:
    """Takes back an item that was entered by mistake and never passed from hand to hand; lists, labels and
    papers made from now on do not show it.

    Args:
        reason: without the customer's name.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or item.
        CaseForgotten: it was forgotten.
        UsageError: no reason, one that cannot be kept, or the item has to stay.
    """
    require_reason(reason)
    with bench.ledger.together():
        record = remembered(bench, case)
        require_nameless(record, reason)
        number_items(bench, case)
        item = item_named(bench, case, named)
        papered = papers_of(hand_overs_of(bench, case))
        if not can_be_withdrawn(item, papered, {one.bay for one in bench.ledger.bays(case)}):
            raise _has_to_stay(bench, item, papered.get(item.number))
        take_item_back(bench, item, reason)
    return item


def _has_to_stay(bench: Bench, item: Item, number: int | None) -> UsageError:
    """Why an item cannot be taken back.

    Args:
        number: of the last hand-over that it stands in; None for none.
    """
    right = f"mendbay case item-change {item.case} {item.code} puts right what is noted of it"
    if number is None:
        return UsageError(
            f"{item.code} is the drive of bay {item.bay}, which the case has.",
            f"mendbay case bay {item.case} {item.bay}=MODEL/SERIAL --amend puts right what is noted of it.",
        )
    off = f"mendbay case call-off {item.case} {number} --reason REASON, if that never took place"
    signed = hand_over_called(bench, item.case, number).signed
    return UsageError(
        f"{item.code} stands in hand-over {number}, so it was there.", right if signed else f"{off}; {right}"
    )


def call_off(bench: Bench, case: int, number: int, reason: str) -> HandOver:
    """Calls off a hand-over that never was: its items are where they were before, and its paper, which bears
    names and nothing that says so, leaves the case's folder. Custody tells the paper's SHA-256.

    Args:
        reason: without the customer's name.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or hand-over.
        CaseForgotten: it was forgotten.
        UsageError: no reason or one that cannot be kept; the hand-over is signed or called off already; or
            one of its items is neither where it left it nor where it was before.
        SourceChanged, DestinationError: its paper cannot be read or removed; nothing is called off.
        LedgerError: a note is not one that Mendbay wrote.
    """
    require_reason(reason, "called off")
    with bench.ledger.together():
        require_nameless(remembered(bench, case), reason)
        over = hand_over_called(bench, case, number)
        if over.called_off:
            raise UsageError(
                f"Hand-over {number} is called off already.", f"mendbay case hand-overs {case} lists all."
            )
        if over.signed:
            name = over.signed[-1].path
            raise UsageError(
                f"Hand-over {number} is signed, so it took place.",
                f"If the paper belongs to another: mendbay case signed {case} {number} --take-back {name} "
                "--reason REASON",
            )
        found, back = _as_before(bench, over)
        put_items(bench, case, back)
        over = replace(over, called_off=reason.strip())
        write_hand_over(bench, over)
        moves = "; ".join(
            f"{was.traceable}: {was.whereabouts}{_onward(was, now)}"
            for was, now in zip(found, back, strict=True)
        )
        papers = _papers_of(bench, over)
        gone = "".join(f"; paper removed, SHA-256 {one.sha256}" for one in papers)
        bench.custody(case, f"hand-over {number} called off: {over.called_off}", moves + gone)
        bench.note(case, "hand-over", f"Hand-over {number} called off: {over.called_off}. {moves}{gone}.")
        for paper in papers:  # last: of what cannot be removed nothing is told as called off
            bench.files.remove(bench.ledger.case(case), paper)
    return over


def _papers_of(bench: Bench, over: HandOver) -> tuple[KeptFile, ...]:
    """The unsigned papers that lie in the case's folder for a hand-over: made more than once, with the shop's
    address or wording changed meanwhile, there are several. Each is known by its name alone."""
    record = bench.ledger.case(over.case)
    paper = re.compile(rf"papers/hand-over-{over.number}(-[0-9]{{1,3}})?\.pdf")
    found: list[KeptFile] = []
    for one in bench.files.held(record):
        if one.is_plain and paper.fullmatch(one.path):
            digest, size = sha256(), 0
            for piece in bench.files.read(record, one.path):
                digest.update(piece)
                size += len(piece)
            found.append(KeptFile(one.path, digest.hexdigest(), size))
    return tuple(found)


def _onward(was: Item, now: Item) -> str:
    """Where an item that was put right by hand stays, in words; else where it is now."""
    stays = (was.where, was.place) == (now.where, now.place)
    return ", put right already" if stays else f" -> {now.whereabouts}"


def _as_before(bench: Bench, over: HandOver) -> tuple[tuple[Item, ...], tuple[Item, ...]]:
    """The items where they are noted now, and where they were before the hand-over.

    Raises:
        UsageError: one is neither where the hand-over left it nor where it was before.
    """
    now = {one.number: one for one in items_of(bench, over.case)}
    first = bench.notes.of(NoteKind.HANDOVER, over.case, "", str(over.number))[0].number
    later = [
        one for one in hand_overs_of(bench, over.case) if one.number > over.number and not one.called_off
    ]
    found: list[Item] = []
    back: list[Item] = []
    for left in over.items:
        item = now.get(left.number)
        again = next((one for one in later if any(each.number == left.number for each in one.items)), None)
        if again is not None:
            raise UsageError(
                f"{left.code} went on in hand-over {again.number}.",
                f"mendbay case call-off {over.case} {again.number} --reason REASON calls that off first.",
            )
        notes = standing_notes(bench, NoteKind.ITEM, over.case, None, str(left.number))
        earlier = [_item(one) for one in notes if one.number < first]
        if len(earlier) < 2:
            raise LedgerError(
                f"The ledger does not tell where {left.code} was before hand-over {over.number}.",
                "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
            )
        was = earlier[-2]  # the last is what the hand-over itself wrote
        if item is None or (item.where, item.place) not in ((left.where, left.place), (was.where, was.place)):
            place = f" --place {shlex.quote(was.place)}" if was.place else ""
            raise UsageError(
                f"{left.code} was moved since hand-over {over.number}"
                f"{'' if item is None else f' and is {item.whereabouts}'}; before it was {was.whereabouts}.",
                f"If the move was noted wrongly: mendbay case item-move {over.case} {left.code} "
                f"{AS_TYPED[was.where]}{place} --mistake REASON, then call off again.",
            )
        found.append(item)
        back.append(replace(item, where=was.where, place=was.place))
    return tuple(found), tuple(back)


def _item(note: Note) -> Item:
    try:
        return read_item(json.loads(note.body))
    except (ValueError, KeyError, TypeError) as trouble:
        raise unreadable(note, "an item", trouble) from trouble
