"""Repairs that a person told of: what was done in words, and what came of it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.record_swaps import boards_fitted
from mendbay.jobs.withdraw import standing_notes
from mendbay.triage.table_file import packaged_tables

BOARD_REPAIRS = ("mend-supply", "swap-board", "move-rom")
"""Steps of triage that mend a drive's board."""
DONE_LIMIT = 500
"""Characters of what was done: a sentence or two."""


class CameOf(StrEnum):
    """What came of a repair."""

    READY = "ready"
    """What it mends works since: of a drive, it comes ready."""
    STILL_NOT = "still-not"
    """It did not give the data."""
    NOT_TRIED = "not-tried"
    """Nobody tried it yet."""

    @property
    def words(self) -> str:
        return _CAME_OF[self]


_CAME_OF = {
    CameOf.READY: "done, and it helped",
    CameOf.STILL_NOT: "tried, and it did not help",
    CameOf.NOT_TRIED: "done, and not tried yet",
}


@dataclass(frozen=True, slots=True)
class MadeRepair:
    """A repair that was told of.

    Args:
        step: of triage.
        bay: of the drive; empty for the box or the case.
        done: what was done, in words; empty if nobody said.
        notes: those that tell of it: that it was done, then, if nobody tried it at first, what came of it.
    """

    step: str
    bay: str
    came_of: CameOf
    done: str
    notes: tuple[Note, ...]

    @property
    def made(self) -> Note:
        """The note that first told of it, which is when it was made."""
        return self.notes[0]

    @property
    def words(self) -> str:
        """What was done, with what came of it, in a few words."""
        step = packaged_tables().steps.get(self.step)
        called = step.words.rstrip(".") if step is not None else self.step
        return f"{self.done or called}: {self.came_of.words}"


def repairs_made(bench: Bench, case: int) -> tuple[MadeRepair, ...]:
    """The repairs of a case that were not taken back, in the order in which they were made. What is told of
    one that was not tried yet is what came of that one.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    found: list[MadeRepair] = []
    for note in standing_notes(bench, NoteKind.TRIED, case):
        came_of, done = said_of_repair(note)
        key = note.subject, note.bay
        at = next((at for at in _latest(found, key) if found[at].came_of is CameOf.NOT_TRIED), None)
        if at is None:
            found.append(MadeRepair(*key, came_of, done, (note,)))
        else:
            before = found[at]
            found[at] = replace(
                before, came_of=came_of, done=done or before.done, notes=(*before.notes, note)
            )
    return tuple(found)


def repair_body(came_of: CameOf, done: str) -> dict[str, str]:
    """What a note of a repair holds; nothing for one that did not help and of which no more is said."""
    if came_of is CameOf.STILL_NOT and not done:
        return {}
    return {"came_of": str(came_of), "done": done}


def boards_mended(repairs: Sequence[MadeRepair]) -> dict[str, MadeRepair]:
    """Of every bay the last repair of its board, by whatever step."""
    return {one.bay: one for one in repairs if one.bay and one.step in BOARD_REPAIRS}


def boards_that_work(bench: Bench, case: int) -> dict[str, str]:
    """Bays at which the drive comes ready with another board or with its own that was mended, each with when
    that was told. A swap that failed since is another word on either.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    fitted = boards_fitted(bench, case)
    found = {bay: one.worked.at for bay, one in fitted.items() if one.works and one.worked}
    for bay, one in boards_mended(repairs_made(bench, case)).items():
        swapped = fitted.get(bay)
        told = one.notes[-1]
        if one.came_of is CameOf.READY and (
            swapped is None or swapped.works or swapped.last.number < told.number
        ):
            found[bay] = max(found.get(bay, ""), told.at)
    return found


def board_works_since(bench: Bench, case: int, bay: str) -> str:
    """When it was last told that a bay's drive comes ready with another board or with its own mended, also if
    a board that was fitted failed since; empty if never. Raises as `boards_that_work` does."""
    fitted = boards_fitted(bench, case).get(bay)
    told = [fitted.worked.at] if fitted is not None and fitted.worked is not None else []
    mended = boards_mended(repairs_made(bench, case)).get(bay)
    if mended is not None and mended.came_of is CameOf.READY:
        told.append(mended.notes[-1].at)
    return max(told, default="")


def as_known(one: MadeRepair) -> Note:
    """The note of when it was made, with what is known of it now."""
    return replace(one.made, body=json.dumps(repair_body(one.came_of, one.done), ensure_ascii=False))


def _latest(found: Sequence[MadeRepair], key: tuple[str, str]) -> Iterator[int]:
    of_it = [at for at, one in enumerate(found) if (one.step, one.bay) == key]
    yield from of_it[-1:]


def said_of_repair(note: Note) -> tuple[CameOf, str]:
    """What came of a repair, and what was done.

    Raises:
        LedgerError: the note is not one that Mendbay wrote.
    """
    body = body_of(note, "a repair")
    try:
        return CameOf(body.get("came_of", CameOf.STILL_NOT)), str(body.get("done", ""))
    except ValueError as trouble:
        raise unreadable(note, "a repair", trouble) from trouble
