"""What people said of identifiers read from pictures, and what it taught the shop of misread characters.

A person's word rests on every picture that showed the number. It holds while one of them does; one that was
typed from no picture always holds.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mendbay.board.confusable import Correction, align
from mendbay.board.number_form import Kind
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.withdraw import require_reason, standing_notes, withdraw

MISREAD = 2
"""How many characters a reading may differ in to teach what is taken for what."""


@dataclass(frozen=True, slots=True)
class Word:
    """A person's word on an identifier.

    Args:
        note: where it is written down.
        correction: what was read, and what it is.
        misread: whether it was misread print; a code whose own checks hold was not.
    """

    note: Note
    correction: Correction
    misread: bool

    def holds_with(self, pictures: Iterable[str]) -> bool:
        """Whether it counts while the pictures of these digests do."""
        rests_on = self.correction.pictures_sha256
        return not rests_on or not set(rests_on).isdisjoint(pictures)

    @property
    def words(self) -> str:
        """What was said, without who and when: `serial number AH4K-20719D instead of AH4K-20719C`."""
        said = self.correction
        was = f" instead of {said.read_text}" if said.read_text not in ("", said.right_text) else ""
        return f"{said.kind} {said.right_text or 'none'}{was}"


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a person's word taught the shop of misread characters.

    Args:
        number: of the note it rests on.
        correction: what was read, and what it is.
        case, bay, at, who: where, when and by whom it was said.
    """

    number: int
    correction: Correction
    case: int
    bay: str
    at: str
    who: str


def note_correction(bench: Bench, case: int, bay: str, correction: Correction, *, misread: bool) -> None:
    """Writes a person's word down.

    Args:
        misread: whether it was misread print.
    """
    body = {
        "read": correction.read_text,
        "also_read": list(correction.also_read),
        "right": correction.right_text,
        "pictures": list(correction.pictures_sha256),
        "misread": misread,
    }
    subject = str(correction.kind)
    bench.notes.add(Note(case, bay, NoteKind.CORRECTION, subject, bench.now(), bench.who, json.dumps(body)))


def said_of(bench: Bench, case: int | None = None, bay: str | None = None) -> tuple[Word, ...]:
    """Every word on identifiers that was not taken back, of all cases or of one, the oldest first; also those
    that hold no longer, as their pictures were withdrawn.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(_said(note) for note in standing_notes(bench, NoteKind.CORRECTION, case, bay))


def _said(note: Note) -> Word:
    try:
        body = json.loads(note.body)
        pictures = body["pictures"] if "pictures" in body else [body["picture"]]  # one, in older notes
        texts = [body["read"], body["right"], *pictures, *body.get("also_read", ())]
        if not all(isinstance(one, str) for one in texts):
            raise TypeError("not a text")
        correction = Correction(
            kind=Kind(note.subject),
            read_text=body["read"],
            right_text=body["right"],
            pictures_sha256=tuple(one for one in pictures if one),
            also_read=tuple(body.get("also_read", ())),
        )
        return Word(note, correction, bool(body.get("misread", True)))
    except (ValueError, KeyError, TypeError, AttributeError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a correction cannot be read: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def lessons(bench: Bench) -> tuple[Lesson, ...]:
    """What the shop has learned of misread characters, the oldest first.

    It is the last word on each reading of a bay, if that was of printed text and differs in few characters. A
    code whose own checks hold was not misread: who says otherwise means another thing, and that is no lesson
    for other pictures. A picture that was withdrawn teaches all the same: it is about print, not about a
    drive.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    last = {}
    for one in said_of(bench):
        last[one.note.case, one.note.bay, one.correction.kind, one.correction.read_text] = one
    unlearned = {note.subject for note in bench.notes.of(NoteKind.WITHDRAWAL)}
    return tuple(
        Lesson(one.note.number, one.correction, one.note.case, one.note.bay, one.note.at, one.note.who)
        for one in last.values()
        if one.misread and _teaches(one.correction) and _subject(one.note.number) not in unlearned
    )


def _teaches(said: Correction) -> bool:
    if not said.read_text or not said.right_text:
        return False
    return 0 < sum(one != other for one, other in align(said.read_text, said.right_text)) <= MISREAD


def unlearn(bench: Bench, number: int, reason: str) -> Lesson:
    """Takes a lesson back: other pictures are read without it. The correction holds for its bay.

    Args:
        number: the lesson's.
        reason: why it teaches something wrong.

    Raises:
        UsageError: there is no such lesson, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        found = next((one for one in lessons(bench) if one.number == number), None)
        if found is None:
            raise UsageError(f"There is no lesson {number}.", "mendbay board lessons lists them.")
        withdraw(bench, [_subject(number)], found.case, found.bay, reason)
        said = found.correction
        words = f"bay {found.bay}, {said.kind}: {said.read_text} read for {said.right_text}"
        bench.note(found.case, "pictures", f"Lesson withdrawn: {words}. {reason}", {"lesson": number})
        bench.custody(found.case, "lesson of misread characters withdrawn", f"{words}: {reason}")
    return found


def _subject(number: int) -> str:
    return f"lesson {number}"


def no_longer(said: Sequence[Word]) -> tuple[str, ...]:
    """Corrections that went with their pictures, as sentences."""
    return tuple(
        f"Counts no longer, as every picture it rests on was withdrawn: {one.words}, said by "
        f"{one.note.who} at {one.note.at}."
        for one in said
    )
