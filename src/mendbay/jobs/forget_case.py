"""Forget a case: what names a person goes for good, technical outcomes stay to learn from.

Order: files first, while the ledger still knows where they lie; then the ledger, in one step; then its own
files are scrubbed. Stopped anywhere, the same call finishes.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from mendbay.case.personal import RULINGS, remaining
from mendbay.case.records import Bay, Case, CaseState, Forgotten
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import bytes_text
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import HeldFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason

BAG_MARKS = ("bagit.txt", "handback.progress")
"""A folder that holds one of these is a hand-back, finished or begun."""
IMAGE = ".img"
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


def plan_forgetting(bench: Bench, number: int) -> ForgetPlan:
    """What would go and what would stay.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten already.
        DestinationError: its folder cannot be looked through.
    """
    case = remembered(bench, number)
    files = bench.files.held(case)
    copies = copies_among(files)
    return ForgetPlan(
        case=case,
        files=files,
        copies=copies,
        bays=bench.ledger.bays(number),
        entries=len(bench.ledger.custody(number)),
        events=len(bench.ledger.events(number)),
        images=len(bench.ledger.images(number)),
        notes=_notes_left(bench.notes.all_of(number)),
        stock=tuple(one.number for one in bench.shelf.items() if one.case == number),
        refusals=tuple(_refusals(case, copies)),
    )


def forget(bench: Bench, number: int, reason: str) -> Forgotten:
    """Forgets a case. Of one that was forgotten already it makes sure that nothing is left in the ledger's
    own files.

    Args:
        reason: why; it stays, so it must not name the customer.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it is not closed, copies of its data are still held, or no reason that can be kept.
        DestinationError: its folder cannot be removed; to be done again.
        LedgerError: another process holds the ledger; to be done again.
    """
    done = bench.ledger.forgotten(number)
    if done is None:
        require_reason(reason, "forgotten")
        plan = plan_forgetting(bench, number)
        for what, step in plan.refusals:
            raise UsageError(what, step)
        _require_nameless(reason, plan)
        bench.files.clear(plan.case)
        with bench.ledger.together():
            now = bench.now()
            body = json.dumps({"reason": reason.strip()}, ensure_ascii=False)
            bench.notes.add(Note(number, "", NoteKind.FORGETTING, ABOUT, now, bench.who, body))
            kept = [left for one in bench.notes.all_of(number) if (left := remaining(one)) is not None]
            done = bench.ledger.forget_case(number, now, bench.who, kept)
    bench.ledger.scrub()
    return done


def copies_among(files: Sequence[HeldFile]) -> tuple[HeldFile, ...]:
    """Those that are copies of the customer's data: images of drives, and whatever lies in a hand-back."""
    bags = {parent for one in files for parent, _, name in [one.path.rpartition("/")] if name in BAG_MARKS}
    return tuple(
        one
        for one in files
        if one.path.endswith(IMAGE) or any(one.path.startswith(f"{bag}/") or not bag for bag in bags)
    )


def _notes_left(notes: Sequence[Note]) -> tuple[NotesLeft, ...]:
    every = Counter(one.kind for one in notes)
    staying = Counter(one.kind for one in notes if remaining(one) is not None)
    return tuple(
        NotesLeft(kind, every[kind] - staying[kind], staying[kind], RULINGS[kind].why)
        for kind in NoteKind
        if every[kind]
    )


def _refusals(case: Case, copies: Sequence[HeldFile]) -> list[tuple[str, str]]:
    found = []
    if case.state is not CaseState.CLOSED:
        found.append(
            (
                f"Case {case.number} is {case.state}; only a closed case is forgotten.",
                f"mendbay case close {case.number} closes it, and keeps what was learned.",
            )
        )
    if copies:
        size = bytes_text(sum(one.size_bytes for one in copies))
        count = "a copy" if len(copies) == 1 else f"{len(copies)} copies"
        found.append(
            (
                f"Of case {case.number} the shop still holds {count} of the customer's data ({size}), the "
                f"first being {copies[0].path!r}.",
                f"mendbay case erase-plan {case.number} plans to erase them, with a certificate.",
            )
        )
    return found


def _require_nameless(reason: str, plan: ForgetPlan) -> None:
    """The reason outlives the case.

    Raises:
        UsageError: it names the customer or a drive.
    """
    case, said = plan.case, reason.casefold()
    words = [one for one in re.findall(r"\w+", case.customer.casefold()) if len(one) >= SHORTEST_WORD]
    names = [case.customer, case.contact, *(one.serial for one in plan.bays)]
    named = [one for one in names if one.strip() and one.strip().casefold() in said]
    named += [one for one in words if re.search(rf"\b{re.escape(one)}\b", said)]
    if named:
        raise UsageError(
            f"The reason holds {named[0]!r}, and it is kept when the case is forgotten.",
            "Give a reason that names nobody: asked by the customer, keeping time over.",
        )
