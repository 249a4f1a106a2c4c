"""Save the whole shop while it is at work, look whether a copy is whole, and put one back.

The ledger is copied first, as of one moment, then the files: whatever a ledger names is written before it is
named, so nothing that the copied ledger names is lacking. A file that goes meanwhile, erased say, sends it
through once more with the ledger of then.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from mendbay.core.errors import CustodyBroken, DestinationError, Interrupted, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import StepProgress, Tell
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.saving_port import (
    CopyCheck,
    CopyFacts,
    Kept,
    LedgerCopies,
    LedgerLook,
    PutBack,
    RoundTaken,
    SavedCopies,
    Saving,
)

SAVED, PUT_BACK = "saved", "put back"
"""Subjects of the notes."""
OLD_DAYS = 7
"""From which age of the last save on a new one is advised (own choice)."""
ROUNDS = 5
"""How often the home is gone through while files vanish from it (own choice)."""
CASES = "cases/"
OWN = (CASES, "settings/", "papers/", "families/", "number-forms/")
"""What vanishes there may have been moved, and is looked for once more; elsewhere nothing waits for it."""


@dataclass(frozen=True, slots=True)
class Saved:
    """A save that ended well.

    Args:
        folder: of the copy.
        kept: what is in it, and what was copied for it.
        remarks: what is to be known of it, as sentences.
        lacking: what the copy has not or not as it should, as sentences; empty if it has all.
    """

    folder: Path
    facts: CopyFacts
    kept: Kept
    remarks: tuple[str, ...]
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LastSave:
    """The last copy of the shop that its ledger knows of.

    Args:
        folder: where it was written.
        made_at: of when it is, UTC.
    """

    folder: str
    made_at: str
    with_images: bool

    def is_old(self, now: str) -> bool:
        """Whether it is older than a week, so that a new one is advised."""
        return datetime.fromisoformat(now) - datetime.fromisoformat(self.made_at) > timedelta(days=OLD_DAYS)


def save_shop(
    bench: Bench,
    copies: SavedCopies,
    ledger: LedgerCopies,
    tool: str,
    *,
    with_images: bool = True,
    although_gone: bool = False,
) -> Saved:
    """Saves the shop into a folder, or renews the copy there; others work on meanwhile. Where it breaks off,
    what was there before is whole as it was, and the same call goes on.

    Args:
        tool: the program, as the copy names it.
        with_images: whether the images of drives are copied; their logs are in any case.
        although_gone: drop images from the copy that the home has lost, though nothing says they were erased.

    Raises:
        DestinationError: the folder cannot be a copy's place, holds that of another shop or a later one, or
            something cannot be read or written.
        NoRoom: there is too little room.
        UsageError: the copy there has images, and this one is to have none.
        LedgerError: the ledger is damaged; nothing was changed.
        CustodyBroken: a custody log does not verify, and a copy is there that may have it as it was.
        Interrupted: `bench.stop` said so.
    """
    with copies.saving() as saving:
        _require_same_shop(saving.before, copies.folder, ledger, with_images)
        total = saving.require_room(with_images)
        far = _Far("saving", bench.tell, bench.stop, total)
        made_at, look, taken = _taken(bench, saving, ledger, with_images, far)
        lost = _lost(saving, look) if with_images else []
        known = set(saving.missing())
        gone = [one for one in lost if one in known]
        if gone and not although_gone:
            raise DestinationError(
                f"The shop's folder has lost {_named(gone)}, which the copy in {copies.folder} still has, "
                "and nothing says that it was erased. The copy stays as it is.",
                "Look where it went: is a disk missing? Save into another folder meanwhile, or drop it from "
                "this copy with --although-gone.",
            )
        remarks, lacking = _sentences(saving, look, taken, lost, with_images)
        facts = CopyFacts(made_at, bench.who, tool, look.mark, with_images, lacking)
        kept = saving.finish(facts)
    _note(bench, SAVED, copies.folder, facts)
    return Saved(copies.folder, facts, kept, remarks, lacking)


def _require_same_shop(
    before: CopyFacts | None, folder: Path, ledger: LedgerCopies, with_images: bool
) -> None:
    if before is None:
        return
    if not ledger.went_through(before.mark):
        raise DestinationError(
            f"{folder} holds a copy of another shop, or one that is newer than the shop as it is now. "
            "It stays as it is.",
            "Save into another folder.",
        )
    if before.with_images and not with_images:
        raise UsageError(
            f"The copy in {folder} has the images of drives, and one without them would drop them.",
            "Save without images into another folder.",
        )


def _taken(
    bench: Bench, saving: Saving, ledger: LedgerCopies, with_images: bool, far: _Far
) -> tuple[str, LedgerLook, RoundTaken]:
    """The ledger and all files, of a round in which nothing vanished, or of the last one."""
    for left in reversed(range(ROUNDS)):
        made_at = bench.now()
        place = saving.ledger_place
        ledger.copy_to(place)
        look = ledger.look(place)
        if look.broken is not None and saving.before is not None:
            raise CustodyBroken(
                f"{look.broken.what} The copy that is there may have it as it was, and stays as it is.",
                "Save into another folder, and compare the log with that of the copy and the customer's "
                "receipt.",
            )
        taken = saving.take(with_images, far.beat)
        if not left or not any(one.startswith(OWN) for one in taken.vanished):
            return made_at, look, taken
    raise AssertionError("there is a last round")


def _lost(saving: Saving, look: LedgerLook) -> list[str]:
    """Images that the ledger names and the home has not, though none of their case was erased."""
    return sorted(
        f"{CASES}{one}"
        for one in look.images
        if not saving.holds(f"{CASES}{one}") and _case_of(one) not in look.erased
    )


def _case_of(place: str) -> int:
    number = place.partition("-")[0]
    return int(number) if number.isdecimal() else 0


def _sentences(
    saving: Saving, look: LedgerLook, taken: RoundTaken, lost: list[str], with_images: bool
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    remarks = []
    if not with_images:
        remarks.append("The images of drives are not in this copy: save them in another way.")
    if saving.is_same_disk:
        remarks.append(
            "The copy lies on the same file system as the shop: a disk that fails takes both. Save onto "
            "another one too."
        )
    lacking = [f"{one}: named by the ledger, and not there." for one in lost]
    lacking += [f"{one}: no plain file, or a name that no list takes; not copied." for one in taken.odd]
    lacking += [
        f"{one}: it changed each time it was copied, or holds pieces that its log does not tell of. It is "
        "copied as it was; save again, and if this stays, verify the image."
        for one in taken.restless
    ]
    lacking += [
        f"{one}: it vanished while it was copied, as something erases or moves files. Save again once that "
        "has ended."
        for one in taken.vanished
        if one.startswith(OWN)
    ]
    if look.broken is not None:
        lacking.append(look.broken.what)
    return tuple(remarks), tuple(lacking)


def _named(paths: list[str]) -> str:
    more = f" and {counted(len(paths) - 1, 'more file')}" if len(paths) > 1 else ""
    return f"{paths[0]}{more}"


def check_saved(copies: SavedCopies, tell: Tell, stop: Callable[[], bool]) -> CopyCheck:
    """Reads a copy and holds it against its sums, its ledger and custody logs too. Nothing is changed.

    Raises:
        DestinationError: it cannot be opened.
        Interrupted: `stop` said so.
    """
    return copies.check(_Far("checking", tell, stop, 0).beat)


def put_back(
    copies: SavedCopies,
    opened: Callable[[], AbstractContextManager[Bench]],
    tell: Tell,
    stop: Callable[[], bool],
    *,
    set_aside: bool = False,
) -> PutBack:
    """Puts a copy where the shop's folder is not, and notes that in its ledger. Nothing is overwritten.

    Args:
        opened: gives the bench of the home, once it is there.
        set_aside: whether a folder that is there is renamed; else it is refused.

    Raises:
        DestinationError: a home is there, or in use; or it cannot be written.
        BagInvalid, LedgerError, NoRoom: as `SavedCopies.put_back` says; nothing was put in place.
        Interrupted: `stop` said so; nothing was put in place.
    """
    done = copies.put_back(_Far("putting back", tell, stop, 0).beat, set_aside)
    with opened() as bench:
        _note(bench, PUT_BACK, copies.folder, done.facts)
    return done


def last_save(bench: Bench) -> LastSave | None:
    """The last copy of the shop that its ledger knows of; None if it was never saved."""
    notes = bench.notes.of(NoteKind.SAVING, 0)
    if not notes:
        return None
    body = body_of(notes[-1], "saves")
    made_at = str(body.get("made_at", notes[-1].at))
    return LastSave(str(body.get("folder", "")), made_at, body.get("with_images") is True)


def _note(bench: Bench, subject: str, folder: Path, facts: CopyFacts) -> None:
    body = {"folder": str(folder), "made_at": facts.made_at, "with_images": facts.with_images}
    bench.notes.add(Note(0, "", NoteKind.SAVING, subject, bench.now(), bench.who, json.dumps(body)))


class _Far:
    """Tells how far it is, and stops where a person wants it.

    Args:
        total: bytes; 0 while unknown.
    """

    def __init__(self, step: str, tell: Tell, stop: Callable[[], bool], total: int) -> None:
        self._step = step
        self._tell = tell
        self._stop = stop
        self._done = 0
        self._total = total

    def beat(self, path: str, more: int) -> None:
        if self._stop():
            raise Interrupted(
                f"Stopped while {self._step}; nothing that was there before was changed.",
                "The same command goes on.",
            )
        self._done += more
        self._tell(StepProgress(self._step, self._done, max(self._total, self._done), path, in_bytes=True))
