"""Pictures of a case as a whole: what came in, as it came in."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from mendbay.case.secret_text import require_no_secret
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_line
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.picture_files import ENDINGS, NO_PICTURE, LeftOut, found, is_no_picture, shown, unread
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.withdraw import standing_notes

_PREFIX = "picture of the case: "
PICTURE_BYTES = 64 << 20
"""The largest picture kept: cameras give at most some thirty million bytes."""


@dataclass(frozen=True, slots=True)
class CasePicture:
    """A kept picture.

    Args:
        of: what it shows, empty if nobody said.
    """

    kept: KeptFile
    of: str
    at: str
    who: str


def keep_pictures(
    bench: Bench, case: int, places: Sequence[Path], of: str = ""
) -> tuple[tuple[CasePicture, ...], tuple[LeftOut, ...]]:
    """Keeps pictures with the case, for reading only, their digests in custody.

    Args:
        places: files, and folders of which the pictures are taken.
        of: what they show, in a few words.

    Returns:
        What was kept now or earlier with the same bytes, and what was left out and why.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: a file that was named is no picture or cannot be read, or there is none.
        NoRoom, DestinationError: one cannot be kept.
    """
    record = bench.ledger.case(case)
    require_line(of, "words")
    require_no_secret(of)
    files, left_out = found(places)
    taken: list[tuple[str, bytes]] = []
    for one in files:
        try:
            data = bench.files.fetch(one.path, PICTURE_BYTES)
        except UsageError as trouble:
            if one.named:
                raise
            left_out.append(unread(one.path, trouble))
            continue
        if is_no_picture(one.path.name, data):
            if one.named:
                raise UsageError(f"{shown(one.path)} is not a picture.", NO_PICTURE)
            left_out.append(LeftOut(shown(one.path), "not a picture"))
            continue
        taken.append((one.path.suffix, data))
    there = {one.kept.sha256: one.kept.path for one in case_pictures(bench, case)}
    made: list[CasePicture] = []
    for ending, data in taken:
        path = there.setdefault(digest := sha256(data).hexdigest(), _path(len(there) + 1, digest, ending))
        made.append(CasePicture(bench.files.keep(record, path, data), of, bench.now(), bench.who))
    with bench.ledger.together():
        for picture in made:
            _note(bench, case, picture)
        if made:
            bench.note(case, "pictures", f"Pictures kept: {len(made)}.")
    return tuple(made), tuple(left_out)


def case_pictures(bench: Bench, case: int) -> tuple[CasePicture, ...]:
    """The pictures of a case as a whole, in the order they were first kept.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    bench.ledger.case(case)
    notes = standing_notes(bench, NoteKind.INTAKE, case, "")
    latest = {note.subject: _picture(note) for note in notes if note.subject.startswith(_PREFIX)}
    return tuple(latest.values())


def _path(number: int, digest: str, ending: str) -> str:
    """Where a picture is kept. The name of the file may be the customer's: of it only the ending is kept."""
    ending = ending.casefold()
    return f"pictures/{number:03}-{digest[:8]}{ending if ending in ENDINGS else ''}"


def _note(bench: Bench, case: int, picture: CasePicture) -> None:
    kept = picture.kept
    body = {"path": kept.path, "sha256": kept.sha256, "size_bytes": kept.size_bytes, "of": picture.of}
    subject = _PREFIX + kept.path.removeprefix("pictures/")
    earlier = bench.notes.of(NoteKind.INTAKE, case, "", subject)
    text = json.dumps(body, ensure_ascii=False)
    bench.notes.add(Note(case, "", NoteKind.INTAKE, subject, picture.at, picture.who, text))
    if not earlier:
        bench.custody(case, "picture kept", f"{kept.path}, SHA-256 {kept.sha256}")


def _picture(note: Note) -> CasePicture:
    body = body_of(note, "a picture")
    try:
        kept = KeptFile(str(body["path"]), str(body["sha256"]), int(body["size_bytes"]))
        return CasePicture(kept, str(body["of"]), note.at, note.who)
    except (ValueError, KeyError, TypeError) as trouble:
        raise unreadable(note, "a picture", trouble) from trouble
