"""Which work of a case is on record as done, and which can no longer be needed: quotes and bills rest on it.

Work is done whether or not it helped. What no note tells of (the work of a laboratory) is not known here: a
person says it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.board.swap_odds import Attribute, Level, Purpose
from mendbay.case.records import LOOSE_BOARD, CaseKind, Image
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.closed_board import closed_board
from mendbay.jobs.hand_repairs import BOARD_REPAIRS, MadeRepair, boards_that_work, repairs_made
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.record_swaps import boards_that_helped
from mendbay.jobs.transfer_notes import RESTORED
from mendbay.jobs.withdraw import standing_notes
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, StepKind

MEND, SWAP, MOVE = BOARD_REPAIRS
ONE, BOTH, FILES = "read-gently", "read-both", "copy-out"
"""Steps of triage that read one drive, read both, and copy files out of what was read."""
AGAIN = ":in vain"
"""End of the key of work that was done in vain and may be needed once more."""
GIVEN_WORDS = ("whole", "unproven", "holed")
"""Counts of a hand-back's files that the customer has something of."""


@dataclass(frozen=True, slots=True)
class DoneWork:
    """Work that is on record as done.

    Args:
        step: of triage.
        bay: of the drive it was done to; empty for the box.
        rests_on: what tells of it, in a few words with the day.
        items: numbers of the stock's items that were used up by it.
        in_vain: it did not help, so it may be needed again.
    """

    step: str
    bay: str
    rests_on: str
    items: tuple[str, ...] = ()
    in_vain: bool = False

    @property
    def key(self) -> str:
        """The key of its line in a quote."""
        key = f"{self.step}:{self.bay}" if self.bay else self.step
        return f"{key}{AGAIN}" if self.in_vain and self.bay else key

    @property
    def times(self) -> int:
        """How often it was done: once with each item that it used up."""
        return max(1, len(self.items))


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What is on record of the work of a case.

    Args:
        done: each work once.
        bays: that are described.
        read: bays whose drives are read.
        works: bays at which another board works, or the drive's own that was mended.
        handed_back: the day on which files were handed back; empty while none were.
        loose: a board alone is here, and nothing of a drive was ever read.
    """

    done: tuple[DoneWork, ...] = ()
    bays: tuple[str, ...] = ()
    read: frozenset[str] = frozenset()
    works: frozenset[str] = frozenset()
    handed_back: str = ""
    loose: bool = False

    def may_be_needed(self, step: str, bay: str) -> bool:
        """Whether work may still be needed: not once it is done and was not in vain, its aim is reached, or
        the files are with the customer."""
        if self.handed_back:
            return False
        if any((one.step, one.bay) == (step, bay) and not one.in_vain for one in self.done):
            return False
        if step in BOARD_REPAIRS:
            return bay not in self.works and bay not in self.read
        if step == ONE:
            return bay not in self.read
        of_box = packaged_tables().steps[step]
        if of_box.seat is Seat.BAY or of_box.kind is not StepKind.REPAIR or step == FILES:
            return True
        return not (self.bays and self.read.issuperset(self.bays))

    def instead(self, step: str, bay: str) -> tuple[tuple[str, str], ...]:
        """The work that is left of a work, each with its bay: of reading both drives only the one that is not
        read."""
        if step == BOTH and self.read:
            return tuple((ONE, one) for one in self.bays if one not in self.read)
        return ((step, bay),)


def on_record(bench: Bench, case: int) -> OnRecord:
    """What is on record of the work of a case; no image is opened for it.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    record = bench.ledger.case(case)
    if record.kind is CaseKind.ENQUIRY:
        return OnRecord()
    bays = tuple(one.bay for one in bench.ledger.bays(case))
    handed_back = _handed_back(bench, case)
    images = {one.bay: one for one in bench.ledger.images(case)}  # of each bay the last
    read = {bay: one for bay, one in images.items() if _is_read(one, handed_back)}
    helped = frozenset(one.bay for one in boards_that_helped(bench, case))
    ready = boards_that_work(bench, case).keys()
    works = frozenset(bay for bay in ready & set(bays) if closed_board(bench, case, bay) is None)
    found = [one for bay in bays for one in _of_board(bench, case, bay, helped)]
    found += _of_reading(read, bays)
    known = {(one.step, one.bay) for one in found}
    found += [one for one in _tried(bench, case) if (one.step, one.bay) not in known]
    loose = record.kind in LOOSE_BOARD and not any(one.read_bytes for one in images.values())
    return OnRecord(tuple(found), bays, frozenset(read), works, handed_back, loose)


def _handed_back(bench: Bench, case: int) -> str:
    """The day of the last hand-back of which the customer has something."""
    days = [
        one.at[:10]
        for one in bench.ledger.events(case)
        if one.kind == HAND_BACK and (not one.facts or any(one.facts.get(each) for each in GIVEN_WORDS))
    ]
    return days[-1] if days else ""


def _is_read(image: Image, handed_back: str) -> bool:
    """Whether nothing of a drive is left to be read; what is left after a hand-back stays unread."""
    return image.read_bytes > 0 and (image.unread_bytes == 0 or bool(handed_back))


def _swaps(bench: Bench, case: int, bay: str) -> dict[str, Note]:
    """The items whose boards were fitted, each with the last word on it."""
    found: dict[str, Note] = {}
    for note in standing_notes(bench, NoteKind.SWAP, case, bay):
        if body_of(note, "a swap").get("purpose") == str(Purpose.BOARD_SWAP):
            found[note.subject] = note
    return found


def _of_board(bench: Bench, case: int, bay: str, helped: frozenset[str]) -> Iterator[DoneWork]:
    swaps = _swaps(bench, case, bay)
    if swaps:
        told = [f"the board of item {item} {_how(note)}, {note.at[:10]}" for item, note in swaps.items()]
        yield DoneWork(SWAP, bay, "; ".join(told), tuple(swaps), in_vain=bay not in helped)
        return
    certified = bench.notes.of(NoteKind.CERTIFICATE, case, bay)
    if certified and not certified[-1].subject.startswith(RESTORED):
        said = standing_notes(bench, NoteKind.SIGN, case, bay, "swapped")
        swapped_before = bool(said) and body_of(said[-1], "triage").get("answer") != "no"
        rests_on = f"the ROM's transfer is certified, {certified[-1].at[:10]}"
        yield DoneWork(MOVE if swapped_before else SWAP, bay, rests_on)


def _how(note: Note) -> str:
    body = body_of(note, "a swap")
    agreement = body.get("agreement")
    unmoved = isinstance(agreement, dict) and agreement.get(str(Attribute.ROM)) == str(Level.NOT_MOVED)
    return f"{'worked' if body.get('worked') else 'did not help'}{' without the ROM' if unmoved else ''}"


def _of_reading(read: dict[str, Image], bays: tuple[str, ...]) -> list[DoneWork]:
    days = {bay: one.started_at[:10] for bay, one in read.items()}
    if len(read) > 1:
        told = ", ".join(f"bay {bay} {day}" for bay, day in sorted(days.items()))
        return [DoneWork(BOTH, "", f"the images of both drives, {told}")]
    return [DoneWork(ONE, bay, f"its image, {day}") for bay, day in days.items()]


def _tried(bench: Bench, case: int) -> list[DoneWork]:
    """Repairs that were told to have been made."""
    found = {(one.step, one.bay): _told_words(one) for one in repairs_made(bench, case)}
    steps = packaged_tables().steps
    return [
        DoneWork(step, bay, rests_on)
        for (step, bay), rests_on in found.items()
        if step in steps and steps[step].kind is StepKind.REPAIR
    ]


def _told_words(one: MadeRepair) -> str:
    what = f" ({one.done})" if one.done else ""
    return f"told as {one.came_of.words}, {one.notes[-1].at[:10]}{what}"
