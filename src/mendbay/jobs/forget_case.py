"""Forget a case: what names a person goes for good, technical outcomes stay to learn from.

Order: files first, while the ledger still knows where they lie; then the ledger, in one step, after a second
look at what speaks against it; then what came into the folder since; then the ledger's own files are
scrubbed. Stopped anywhere, the same call finishes.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from mendbay.case.items import Item, Owner, Where
from mendbay.case.personal import RULINGS, remaining
from mendbay.case.records import Bay, Case, CaseState, Forgotten
from mendbay.core.errors import DestinationError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import bytes_text, counted
from mendbay.handback.erasure import DEFAULT_SORTS, Sort, is_leftover, sort_of
from mendbay.jobs.bench import Bench
from mendbay.jobs.erasure_port import Copies
from mendbay.jobs.keep_copies import (
    EXPORT,
    HAND_BACK_BEGUN,
    Held,
    folders_told,
    held,
    recorded_hand_backs,
)
from mendbay.jobs.keep_items import items_of
from mendbay.jobs.ports import HeldFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason

BAG_MARKS = ("bagit.txt", "handback.progress")
"""A folder that holds one of these is a hand-back, finished or begun."""
IMAGE = ".img"
MOST_TOLD = 5
"""Things of the customer that a refusal names."""
SHORTEST_WORD = 4
"""Letters from which a word of the customer's name must not stand in the reason."""
ABOUT = "case"
"""Subject of the note that says why a case was forgotten."""


@dataclass(frozen=True, slots=True)
class NotesLeft:
    """What becomes of the notes of one kind.

    Args:
        going, staying: how many.
        why: the reason for what becomes of them.
    """

    kind: NoteKind
    going: int
    staying: int
    why: str


@dataclass(frozen=True, slots=True)
class ForgetPlan:
    """What forgetting a case would remove, and what would stay.

    Args:
        files: everything in the case's folder; all of it goes.
        copies: those of them that are copies of the customer's data, which must be erased before.
        bays: whose serial numbers and conditions go.
        entries, events, images: how many rows of the ledger go.
        notes: by kind, those that the case has.
        stock: numbers of items that were used or reserved for it, which stay.
        elsewhere: folders of exports, and of hand-backs on other media, that are still there and stay.
        refusals: why it cannot be forgotten now, each with the next step; empty if it can.
    """

    case: Case
    files: tuple[HeldFile, ...]
    copies: tuple[HeldFile, ...]
    bays: tuple[Bay, ...]
    entries: int
    events: int
    images: int
    notes: tuple[NotesLeft, ...]
    stock: tuple[int, ...]
    elsewhere: tuple[str, ...]
    refusals: tuple[tuple[str, str], ...]

    @property
    def by_folder(self) -> Mapping[str, tuple[int, int]]:
        """How many files and bytes go, by the folder they lie in directly below the case's own."""
        found: dict[str, tuple[int, int]] = {}
        for one in self.files:
            top = PurePosixPath(one.path).parts[0] if "/" in one.path else "."
            files, size = found.get(top, (0, 0))
            found[top] = (files + 1, size + one.size_bytes)
        return found


def plan_forgetting(bench: Bench, copies: Copies, number: int) -> ForgetPlan:
    """What would go and what would stay.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten already.
        DestinationError: its folder cannot be looked through.
    """
    case = remembered(bench, number)
    files = bench.files.held(case)
    holding = held(bench, copies, number)
    return ForgetPlan(
        case=case,
        files=files,
        copies=copies_among(files),
        bays=bench.ledger.bays(number),
        entries=len(bench.ledger.custody(number)),
        events=len(bench.ledger.events(number)),
        images=len(bench.ledger.images(number)),
        notes=_notes_left(bench.notes.all_of(number)),
        stock=tuple(one.number for one in bench.shelf.items() if one.case == number),
        elsewhere=(*holding.elsewhere, *_exports(bench, copies, case)),
        refusals=tuple(_refusals(bench, copies, holding, files)),
    )


def forget(bench: Bench, copies: Copies, number: int, reason: str) -> Forgotten:
    """Forgets a case. Of one that was forgotten already it makes sure that nothing is left in the ledger's
    own files, nor in a folder of its number.

    Args:
        reason: why; it stays, so it must not name the customer.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it is not closed, copies of its data are still held, things of the customer are not with
            them, or no reason that can be kept.
        DestinationError: a folder cannot be removed, or a work of the case is under way; to be done again.
        LedgerError: another process holds the ledger; to be done again.
    """
    done = bench.ledger.forgotten(number)
    if done is None:
        require_reason(reason, "forgotten")
        plan = plan_forgetting(bench, copies, number)
        _require_nothing_against(plan)
        _require_nameless(reason, plan)
        bench.forget_works(number)
        bench.files.clear(plan.case)
        with bench.ledger.together():
            # another process may have opened the case again or kept something of it meanwhile
            _require_nothing_against(plan_forgetting(bench, copies, number))
            now = bench.now()
            body = json.dumps({"reason": reason.strip()}, ensure_ascii=False)
            bench.notes.add(Note(number, "", NoteKind.FORGETTING, ABOUT, now, bench.who, body))
            kept = [left for one in bench.notes.all_of(number) if (left := remaining(one)) is not None]
            done = bench.ledger.forget_case(number, now, bench.who, kept)
    _clear_what_came_since(bench, number)
    bench.remembered.forget(number)
    bench.forget_presses(number)
    bench.ledger.scrub()
    return done


def _require_nothing_against(plan: ForgetPlan) -> None:
    for what, step in plan.refusals:
        raise UsageError(what, step)


def _clear_what_came_since(bench: Bench, number: int) -> None:
    """Removes the works and folders of a forgotten case that a process which still knew it filled; its number
    alone says which they are, as the customer's name in them is not kept.

    Raises:
        DestinationError: copies of the customer's data are among it, or it cannot be removed.
    """
    bench.forget_works(number)
    case = bench.ledger.case(number)
    for name in bench.files.folders_of(number):
        there = replace(case, slug=name.partition("-")[2])
        copies = copies_among(bench.files.held(there))
        if copies:
            raise DestinationError(
                f"Case {number} is forgotten, but {copies[0].path!r}, a copy of the customer's data, came "
                f"into the folder {bench.images.folder(there)} meanwhile.",
                "Move it away or remove it by hand, then run the same command again.",
            )
        bench.files.clear(there)


def copies_among(files: Sequence[HeldFile]) -> tuple[HeldFile, ...]:
    """Those that are copies of the customer's data: images of drives, also what an erasure left of them, and
    whatever lies in a hand-back."""
    bags = _bags(files)
    return tuple(
        one
        for one in files
        if one.path.endswith(IMAGE) or is_leftover(one.path) or any(_is_below(one.path, bag) for bag in bags)
    )


def _bags(files: Sequence[HeldFile]) -> list[str]:
    """Folders of hand-backs, finished or begun; empty for the one that holds all."""
    return sorted(
        {folder for one in files for folder, _, name in [one.path.rpartition("/")] if name in BAG_MARKS}
    )


def _is_below(path: str, folder: str) -> bool:
    return not folder or path.startswith(f"{folder}/")


def _notes_left(notes: Sequence[Note]) -> tuple[NotesLeft, ...]:
    every = Counter(one.kind for one in notes)
    staying = Counter(one.kind for one in notes if remaining(one) is not None)
    return tuple(
        NotesLeft(kind, every[kind] - staying[kind], staying[kind], RULINGS[kind].why)
        for kind in NoteKind
        if every[kind]
    )


def _exports(bench: Bench, copies: Copies, case: Case) -> list[str]:
    return [one for one in folders_told(bench, case.number, EXPORT) if copies.root(case, one) is not None]


def _refusals(
    bench: Bench, copies: Copies, holding: Held, files: Sequence[HeldFile]
) -> Iterator[tuple[str, str]]:
    case = holding.case
    number = case.number
    if case.state is not CaseState.CLOSED:
        yield (
            f"Case {number} is {case.state}; only a closed case is forgotten.",
            f"mendbay case close {number} closes it, and keeps what was learned.",
        )
    amounts = [holding.amounts[one] for one in DEFAULT_SORTS if one in holding.amounts]
    if amounts:
        size = bytes_text(sum(one.size_bytes for one in amounts))
        count = counted(sum(one.files for one in amounts), "file")
        where = "".join(f", also in {one}" for one in holding.hand_backs)
        yield (
            f"Of case {number} the shop still holds copies of the customer's data: {count} ({size}){where}.",
            f"mendbay case erase-plan {number} plans to erase them, with a certificate.",
        )
    for folder in _by_hand(bench, copies, case, files):
        yield (
            f"{folder} holds a copy of the customer's data that is on record as no image and no finished "
            "hand-back.",
            "Finish it if it is a hand-back that was begun; otherwise move it away or remove it by hand.",
        )
    things = [one for one in items_of(bench, number) if _is_still_ours(one)]
    if things:
        words = ", ".join(f"{one.code} ({one.whereabouts})" for one in things[:MOST_TOLD])
        more = f" and {len(things) - MOST_TOLD} more" if len(things) > MOST_TOLD else ""
        yield (
            f"Of case {number} the shop still has what the customer left with us: {words}{more}.",
            f"mendbay case release {number} ITEM --to customer gives it back; mendbay case item-move "
            f"{number} ITEM destroyed --why REASON says that it is no more.",
        )


def _is_still_ours(item: Item) -> bool:
    return item.owner is Owner.CUSTOMER and item.where in (Where.HERE, Where.SENT)


def _by_hand(bench: Bench, copies: Copies, case: Case, files: Sequence[HeldFile]) -> Iterator[str]:
    """Files and folders with copies that no erasure can be planned of: in the case's folder what is no image
    in its place and no hand-back on record, and hand-backs that were begun and never finished."""
    home = bench.images.folder(case).absolute()
    recorded = recorded_hand_backs(bench, case.number)
    found = []
    for one in copies_among(files):
        folder = next((it for it in _bags(files) if _is_below(one.path, it)), None)
        if folder is None and sort_of(one.path) is not Sort.IMAGES:
            found.append(str(home / one.path))
        elif folder is not None and str(home / folder) not in recorded:
            found.append(str(home / folder))
    for begun in folders_told(bench, case.number, HAND_BACK_BEGUN):
        root = None if begun in recorded else copies.root(case, begun)
        if root is not None and root.device == copies.shop_device and any(copies.walk(case, begun)):
            found.append(begun)
    yield from dict.fromkeys(found)


def words_in(text: str, *names: str) -> list[str]:
    """Words and numbers of the names that stand in the text: words of `SHORTEST_WORD` letters or more, and
    runs of as many digits, whatever stands between the digits of a number in either; names as a whole."""
    said = text.casefold()
    spoken, digits = set(re.findall(r"[^\W\d_]+", said)), _digits(said)
    found = []
    for name in (one.strip().casefold() for one in names if one.strip()):
        words = [one for one in re.findall(r"[^\W\d_]+", name) if len(one) >= SHORTEST_WORD]
        found += [one for one in words if one in spoken]
        found += [
            one for one in _digits(name) if len(one) >= SHORTEST_WORD and any(one in it for it in digits)
        ]
        found += [name] if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", said) else []
    return found


def _digits(text: str) -> list[str]:
    """Its numbers, without what groups their digits."""
    return [re.sub(r"\D", "", one) for one in re.findall(r"\d(?:[\s()/.-]*\d)*", text)]


def _require_nameless(reason: str, plan: ForgetPlan) -> None:
    """The reason outlives the case.

    Raises:
        UsageError: it names the customer or a drive.
    """
    case = plan.case
    named = words_in(reason, case.customer, case.contact, *(one.serial for one in plan.bays))
    if named:
        raise UsageError(
            f"The reason holds {named[0]!r}, and it is kept when the case is forgotten.",
            "Give a reason that names nobody: asked by the customer, keeping time over.",
        )
