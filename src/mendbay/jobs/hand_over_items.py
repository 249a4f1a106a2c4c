"""Hand items over, keep what was signed, and make the paper to sign."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import Any

from mendbay.case.custody import Head
from mendbay.case.hand_over import (
    Direction,
    HandOver,
    Role,
    Signed,
    hand_over_record,
    read_hand_over,
    received,
    released,
)
from mendbay.case.items import Item, Owner, What
from mendbay.case.secret_text import require_no_secret
from mendbay.core.errors import MendbayError, NoSuchItem, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.came_in import condition_seen
from mendbay.jobs.check_custody import require_sound_custody
from mendbay.jobs.consents import WordDue, note_asked, refused_although, require_asked, word_due
from mendbay.jobs.keep_items import items_named, number_items, put_items
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_bodies import unreadable
from mendbay.jobs.papers import frame, person_on_paper
from mendbay.jobs.picture_files import ending_of, is_scan
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason

SIGNED_LIMIT_BYTES = 64 << 20
"""Largest scan or photo that is kept: some pages at the finest setting of an office scanner (own choice)."""

NEEDED = {Role.LAB: ("open-drive",), Role.COURIER: ("shipping",)}
"""The customer's word that handing something to that role rests on (`consents.toml`)."""

CAME_IN = (What.BOX, What.DRIVE, What.BOARD)
"""What take-in asks the condition of, as far as it is the customer's."""


@dataclass(frozen=True, slots=True)
class HandedOver:
    """A hand-over with the paper to sign, as PDF, and where the case's folder keeps it."""

    done: HandOver
    path: str
    pdf: bytes


def receive(
    bench: Bench,
    case: int,
    named: Sequence[str],
    role: Role = Role.CUSTOMER,
    *,
    place: str = "",
    person: str = "",
    words: str = "",
) -> HandedOver:
    """Takes items in: what came back, or what came at take-in and has no paper yet.

    Args:
        place: where they are put.
        person: who brought them, for the paper alone.
        words: what was agreed, for the paper alone.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or item.
        UsageError: an item cannot come in, or a text cannot be kept or seems to hold a password.
        CustodyBroken: the custody log does not hold; nothing is recorded.
        BadFormFile: the wording of the paper is not sound; the hand-over is recorded.
        NoRoom, DestinationError: the paper cannot be kept; the hand-over is recorded.
    """
    return _hand_over(bench, case, named, Direction.RECEIVED, role, place, person, words)


def release(
    bench: Bench,
    case: int,
    named: Sequence[str],
    role: Role,
    *,
    person: str = "",
    words: str = "",
    although: str = "",
    asked: bool = False,
) -> HandedOver:
    """Gives items away.

    Args:
        although: why, where the customer refused it; custody keeps it.
        asked: the customer, who wants to be asked each time before that, was asked and said yes.
        person: who took them, for the paper alone.
        words: what was agreed, for the paper alone.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or item.
        HeldBack: the customer refused what it needs, or wants to be asked before and was not; nothing is
            recorded.
        UsageError: an item is not here, or a text cannot be kept or seems to hold a password.
        CustodyBroken: the custody log does not hold; nothing is recorded.
        BadFormFile: the wording of the paper is not sound; the hand-over is recorded.
        NoRoom, DestinationError: the paper cannot be kept; the hand-over is recorded.
    """
    return _hand_over(bench, case, named, Direction.RELEASED, role, "", person, words, although, asked)


def _hand_over(
    bench: Bench,
    case: int,
    named: Sequence[str],
    direction: Direction,
    role: Role,
    place: str,
    person: str,
    words: str,
    although: str = "",
    asked: bool = False,
) -> HandedOver:
    with bench.ledger.together():
        earlier = hand_overs_of(bench, case)
        require_sound_custody(bench, case)
        customer = remembered(bench, case).customer
        require_no_secret(person, words)
        require_nameless(remembered(bench, case), place)
        needed = NEEDED.get(role, ()) if direction is Direction.RELEASED else ()
        against = refused_although(bench, case, needed, although)
        titles = require_asked(bench, case, needed, asked)
        number_items(bench, case)
        before = items_named(bench, case, named) if named else ()
        if direction is Direction.RECEIVED:
            items = received(before, earlier, place)
        else:
            items = released(before, role)
        number = len(earlier) + 1
        over = HandOver(
            case, number, direction, role, items, bench.now(), bench.who, person, words, customer=customer
        )
        put_items(bench, case, items)
        codes = ", ".join(one.code for one in items)
        note_asked(bench, case, titles, [codes], "hand-over")
        if against:
            what = f"released to the {role.words} although the customer refused {against}"
            bench.custody(case, what, f"{codes}; {although.strip()}")
        bench.custody(case, *over.custody_words)
        last = bench.ledger.custody(case)[-1]
        over = replace(over, head=Head(last.sequence, last.hash).text)
        write_hand_over(bench, over)
        bench.note(case, "hand-over", f"Hand-over {number}: {codes} {direction}, {over.between}.")
    try:
        return _papered(bench, over)
    except MendbayError as trouble:
        raise type(trouble)(
            f"Hand-over {number} is recorded, but its paper cannot be made. {trouble.what}",
            f"Put that right, then: mendbay case hand-over {case} {number} FILE.pdf makes it.",
        ) from trouble


def release_due(bench: Bench, case: int, role: Role) -> WordDue:
    """What the customer's word asks for before things are given to somebody.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    return word_due(bench, case, NEEDED.get(role, ()))


def hand_over_paper(bench: Bench, case: int, number: int) -> HandedOver:
    """The paper of an earlier hand-over, made anew.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or hand-over.
        CustodyBroken: the custody log does not hold.
        BadFormFile: its wording is not sound.
        NoRoom, DestinationError: it cannot be kept.
    """
    over = _standing(bench, case, number)
    require_sound_custody(bench, case)
    return _papered(bench, over)


def keep_signed(bench: Bench, case: int, number: int, scan: Path) -> HandOver:
    """Keeps a scan or photo of the signed paper with the case; custody tells its SHA-256.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or hand-over.
        UsageError: it was called off; or the file cannot be read, is empty, too large, no picture or PDF, or
            is kept already.
        DestinationError: it cannot be written.
    """
    record = remembered(bench, case)
    _standing(bench, case, number)
    data = bench.files.fetch(scan, SIGNED_LIMIT_BYTES)
    if not data:
        raise UsageError(f"{scan} is empty.", "Scan the paper again.")
    if not is_scan(data):
        raise UsageError(
            f"{scan} is neither a picture nor a PDF, by its bytes.", "Scan the paper as PDF, JPEG or PNG."
        )
    digest = sha256(data).hexdigest()
    with bench.ledger.together():  # the file too, or a take-back may remove it in between
        over = _standing(bench, case, number)
        if any(one.sha256 == digest for one in over.signed):
            raise UsageError(
                f"Hand-over {number} has that very file already.", "Give another, or leave it as it is."
            )
        # the name of the file may be the customer's: nothing of it is kept
        kept = bench.files.keep(record, f"papers/hand-over-{number}-signed{ending_of(data)}", data)
        signed = Signed(kept.path, kept.sha256, kept.size_bytes, bench.now())
        over = replace(over, signed=(*over.signed, signed))
        write_hand_over(bench, over)
        bench.custody(case, f"signed paper of hand-over {number} kept", f"{kept.path}, SHA-256 {kept.sha256}")
        bench.note(case, "hand-over", f"The signed paper of hand-over {number} is kept as {kept.path}.")
    return over


def take_signed_back(bench: Bench, case: int, number: int, named: str, reason: str) -> HandOver:
    """Takes a signed paper back that was kept by mistake: its file is removed from the case's folder, and the
    hand-over is not signed unless another paper is. Custody tells its SHA-256 and the reason.

    Args:
        named: its name in the case's folder, with or without the folder it lies in.
        reason: without the customer's name.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case, hand-over or signed paper.
        UsageError: no reason, or one that cannot be kept.
        SourceChanged: its file holds something else by now; nothing is taken back.
        DestinationError: its file cannot be removed; nothing is taken back.
    """
    require_reason(reason)
    with bench.ledger.together():
        record = remembered(bench, case)
        require_nameless(record, reason)
        over = hand_over_called(bench, case, number)
        wrong = next((one for one in over.signed if named in (one.path, PurePosixPath(one.path).name)), None)
        if wrong is None:
            raise NoSuchItem(
                f"Hand-over {number} of case {case} has no signed paper {named[:60]!r}.",
                f"mendbay case hand-overs {case} lists those it has.",
            )
        over = replace(over, signed=tuple(one for one in over.signed if one != wrong))
        write_hand_over(bench, over)
        said = f"{wrong.path}, SHA-256 {wrong.sha256}"
        what = f"signed paper of hand-over {number} taken back, kept by mistake: {reason.strip()}"
        bench.custody(case, what, said)
        bench.note(
            case, "hand-over", f"The signed paper of hand-over {number} taken back: {said}. {reason.strip()}"
        )
        # last: of what cannot be removed nothing is told as taken back
        bench.files.remove(record, KeptFile(wrong.path, wrong.sha256, wrong.size_bytes))
    return over


def hand_overs_of(bench: Bench, case: int) -> tuple[HandOver, ...]:
    """All of a case, by number.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    remembered(bench, case)
    latest: dict[int, HandOver] = {}
    for note in bench.notes.of(NoteKind.HANDOVER, case):
        try:
            over = read_hand_over(case, json.loads(note.body))
            if str(over.number) != note.subject:
                raise ValueError("another hand-over than its note says")
        except (ValueError, KeyError, TypeError) as trouble:
            raise unreadable(note, "a hand-over", trouble) from trouble
        latest[over.number] = over
    return tuple(latest[number] for number in sorted(latest))


def item_facts(item: Item, seen: str = "") -> dict[str, Any]:
    """An item as papers name it: `code`, `what`, `marks`, `own` (the condition noted of it alone),
    `condition` (that, or what is said of all that came in), `owner`, `where`.

    Args:
        seen: the condition that take-in noted of all that came in.
    """
    of_all = f"as noted of what came in: {seen}" if seen and _came_in(item) else ""
    return {
        "code": item.code,
        "what": item.named[:1].upper() + item.named[1:],
        "marks": item.marks,
        "own": item.condition,
        "condition": item.condition or of_all,
        "owner": str(item.owner),
        "where": item.whereabouts,
    }


def seen_of(items: Iterable[Item], seen: str) -> str:
    """The condition of all that came in, for a paper that names these items; empty if none came in."""
    return seen if any(map(_came_in, items)) else ""


def _came_in(item: Item) -> bool:
    return item.what in CAME_IN and item.owner is Owner.CUSTOMER


def head_facts(head: str) -> dict[str, str]:
    """A head of the custody log for a paper: `text`, in groups, and `code`, the same without blanks."""
    return {"text": head, "code": head.replace(" ", "")}


def _papered(bench: Bench, over: HandOver) -> HandedOver:
    record = bench.ledger.case(over.case)
    incoming = over.direction is Direction.RECEIVED
    seen = condition_seen(bench, over.case, own_words=over.role is Role.CUSTOMER, at=over.at)
    title = f"{'Taken in' if incoming else 'Handed over'}: {counted(len(over.items), 'item')}"
    facts = frame(bench, title, record) | {
        "number": over.number,
        "received": incoming,
        "between": over.between,
        "role": over.role.words,
        "customer": over.customer or record.customer,
        "person": over.person,
        "technician": person_on_paper(bench, over.who),
        "at": f"{over.at[:10]} {over.at[11:16]} UTC",
        "seen": seen_of(over.items, seen),
        "items": [item_facts(one, seen) for one in over.items],
        "words": over.words.split("\n") if over.words.strip() else [],
        "head": head_facts(over.head),
        "case_number": record.number,
    }
    pdf = bench.stationery.pdf("hand-over", facts)
    with bench.ledger.together():
        _standing(bench, over.case, over.number)  # called off meanwhile, its paper is not put back
        kept = bench.files.keep(record, f"papers/hand-over-{over.number}.pdf", pdf)
    return HandedOver(over, kept.path, pdf)


def write_hand_over(bench: Bench, over: HandOver) -> None:
    """Writes down what is known of a hand-over from now on."""
    body = json.dumps(hand_over_record(over), ensure_ascii=False)
    bench.notes.add(Note(over.case, "", NoteKind.HANDOVER, str(over.number), bench.now(), bench.who, body))


def hand_over_called(bench: Bench, case: int, number: int) -> HandOver:
    """The hand-over of that number.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or hand-over.
    """
    found = next((one for one in hand_overs_of(bench, case) if one.number == number), None)
    if found is None:
        raise NoSuchItem(
            f"Case {case} has no hand-over {number}.", f"mendbay case hand-overs {case} lists those it has."
        )
    return found


def _standing(bench: Bench, case: int, number: int) -> HandOver:
    """The same, if it was not called off.

    Raises:
        UsageError: it was.
    """
    found = hand_over_called(bench, case, number)
    if found.called_off:
        raise UsageError(
            f"Hand-over {number} of case {case} was called off: {found.called_off}",
            f"mendbay case hand-overs {case} lists all.",
        )
    return found
