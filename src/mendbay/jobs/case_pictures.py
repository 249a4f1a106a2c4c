"""Pictures of a case as a whole: what came in, as it came in."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from mendbay.case.records import Case
from mendbay.case.secret_text import holds_secret, require_no_secret
from mendbay.core.errors import NoSuchItem, SourceChanged, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_line
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.own_names import own_name, some_names
from mendbay.jobs.picture_files import (
    LeftOut,
    ending_of,
    found,
    is_picture,
    shown,
    unread,
)
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

_PREFIX = "picture of the case: "
_FOLDER = "pictures/"
PICTURE_BYTES = 64 << 20
"""The largest picture kept: cameras give at most some thirty million bytes."""
ENDINGS = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif", ".avif", ".tif", ".tiff", ".gif", ".bmp")
"""Of files that are tried as pictures where a folder is named."""
NO_PICTURE = "Pictures are JPEG, PNG, WebP, HEIF, AVIF, TIFF, GIF or BMP files, whatever their names say."


@dataclass(frozen=True, slots=True)
class CasePicture:
    """A kept picture.

    Args:
        of: what it shows, empty if nobody said.
        named: its own name as `own_name` gives it; empty if it is not known. It may be the customer's, so
            neither its file nor custody has it.
    """

    kept: KeptFile
    of: str
    at: str
    who: str
    named: str = ""


def keep_pictures(
    bench: Bench,
    case: int,
    places: Sequence[Path],
    of: str = "",
    names: Mapping[Path, str] | None = None,
) -> tuple[tuple[CasePicture, ...], tuple[LeftOut, ...]]:
    """Keeps pictures with the case, for reading only, their digests in custody.

    Args:
        places: files, and folders of which the pictures are taken.
        of: what they show, in a few words.
        names: what files are called by whoever sent them, where they lie under another name.

    Returns:
        What was kept now or earlier with the same bytes, and what was left out and why.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: a file that was named is by its bytes no picture or cannot be read, or there is none; or
            the words seem to hold a password.
        NoRoom, DestinationError: one cannot be kept.
    """
    record = remembered(bench, case)
    require_line(of, "words")
    require_no_secret(of)
    files, left_out = found(places, ENDINGS, NO_PICTURE)
    taken: list[tuple[bytes, str]] = []
    for one in files:
        try:
            data = bench.files.fetch(one.path, PICTURE_BYTES)
        except UsageError as trouble:
            if one.named:
                raise
            left_out.append(unread(one.path, trouble))
            continue
        if not is_picture(data):
            if one.named:
                raise UsageError(f"{shown(one.path)} is not a picture, by its bytes.", NO_PICTURE)
            left_out.append(LeftOut(shown(one.path), "not a picture"))
            continue
        taken.append((data, _own_name((names or {}).get(one.path, one.path.name))))
    made: list[CasePicture] = []
    try:
        for data, named in taken[:-1]:
            made.append(_keep(bench, case, data, of, named))
        for data, named in taken[-1:]:  # one step with what the story tells of all of them
            with bench.ledger.together():
                last = _keep(bench, case, data, of, named)
                _tell_kept(bench, record, [*made, last])
            made.append(last)
    except BaseException:
        if made:
            _tell_kept(bench, record, made)
        raise
    return tuple(made), tuple(left_out)


def _tell_kept(bench: Bench, record: Case, made: Sequence[CasePicture]) -> None:
    names_told = some_names(record, [one.named for one in made])
    bench.note(record.number, "pictures", f"Pictures kept: {len(made)}{names_told}.")


def _own_name(named: str) -> str:
    """A file's own name; none where it seems to hold a password, as a picture of a lock may be called."""
    found = own_name(named)
    return "" if any(map(holds_secret, (found, found.replace("_", " ").replace("-", " ")))) else found


def _keep(bench: Bench, case: int, data: bytes, of: str, named: str) -> CasePicture:
    """Keeps one and writes it down, as one step: nobody else may take its number, or take the same picture
    back, in between. Each by itself, so that others wait for the ledger no longer than one picture takes.
    Where a file no longer holds what was kept, the picture gets another number."""
    digest = sha256(data).hexdigest()
    with bench.ledger.together():
        record = remembered(bench, case)
        there_is = next((one for one in case_pictures(bench, case) if one.kept.sha256 == digest), None)
        try:
            kept = bench.files.find(record, there_is.kept.path, data) if there_is else None
        except SourceChanged:
            kept = None
        if kept is None:
            number = _last_number(bench, case) + 1
            path = f"{_FOLDER}{number:03}-{digest[:8]}{ending_of(data)}"
            kept = bench.files.keep(record, path, data)
        said = of or (there_is.of if there_is else "")  # sent again without words it shows the same
        picture = CasePicture(kept, said, bench.now(), bench.who, named)
        _note(bench, case, picture)
    return picture


def case_pictures(bench: Bench, case: int) -> tuple[CasePicture, ...]:
    """The pictures of a case as a whole, in the order they were first kept.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    remembered(bench, case)
    notes = standing_notes(bench, NoteKind.INTAKE, case, "")
    latest = {note.subject: _picture(note) for note in notes if note.subject.startswith(_PREFIX)}
    return tuple(latest.values())


def say_what_picture_shows(bench: Bench, case: int, named: str, of: str) -> CasePicture:
    """Puts down what a kept picture shows, in the place of what was said before; custody tells that it was,
    and not the words, which may name people.

    Args:
        named: its number or its name, as `case_pictures` has it.
        of: in a few words; empty to say nothing of it.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or picture.
        UsageError: several have that number, or the words cannot be kept or seem to hold a password.
        CaseForgotten: the case was forgotten.
    """
    require_line(of, "words")
    require_no_secret(of)
    with bench.ledger.together():
        remembered(bench, case)
        known = _one(bench, case, named)
        if known.of == of.strip():
            return known
        picture = CasePicture(known.kept, of.strip(), bench.now(), bench.who, known.named)
        _note(bench, case, picture)
        bench.custody(
            case, "put down what a picture shows", f"{known.kept.path}, SHA-256 {known.kept.sha256}"
        )
        bench.note(case, "pictures", f"What a picture shows is put down: {known.kept.path}.")
    return picture


def picture_bytes(bench: Bench, case: int, named: str) -> tuple[CasePicture, bytes]:
    """A kept picture with its bytes.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or picture.
        UsageError: several have that number.
        SourceChanged: its file is gone, or holds something else by now.
        CaseForgotten: the case was forgotten.
    """
    record = remembered(bench, case)
    picture = _one(bench, case, named)
    data = bytearray()
    for piece in bench.files.read(record, picture.kept.path):
        data += piece
        if len(data) > PICTURE_BYTES:
            break
    if sha256(data).hexdigest() != picture.kept.sha256:
        raise SourceChanged(
            f"The file of picture {picture.kept.path} holds something else by now.", "Take it anew."
        )
    return picture, bytes(data)


def take_picture_back(bench: Bench, case: int, named: str, reason: str) -> CasePicture:
    """Takes a picture back that was kept by mistake: its file is removed from the case's folder. Custody
    tells its SHA-256 and the reason.

    Args:
        named: its number or its name, as `case_pictures` has it.
        reason: without the customer's name.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case or picture.
        UsageError: no reason, or one that cannot be kept; or several have that number.
        SourceChanged: its file holds something else by now; nothing is taken back.
        DestinationError: its file cannot be removed; nothing is taken back.
    """
    require_reason(reason)
    with bench.ledger.together():
        record = remembered(bench, case)
        kept = (picture := _one(bench, case, named)).kept
        notes = standing_notes(bench, NoteKind.INTAKE, case, "", _subject(kept))
        withdraw(bench, map(subject_of, notes), case, "", reason)
        said = f"{kept.path}, SHA-256 {kept.sha256}"
        bench.custody(case, f"picture taken back, kept by mistake: {reason.strip()}", said)
        name = some_names(record, [picture.named])
        bench.note(case, "pictures", f"Picture taken back: {said}{name}. {reason.strip()}")
        bench.files.remove(record, kept)  # last: of what cannot be removed nothing is told as taken back
    return picture


def _one(bench: Bench, case: int, named: str) -> CasePicture:
    wanted = named.strip().removeprefix(_FOLDER)
    by_name = {one.kept.path.removeprefix(_FOLDER): one for one in case_pictures(bench, case)}
    found = [one for one in by_name if wanted in (one, one.partition(".")[0])]
    found = found or [one for one in by_name if _is_number(wanted, one)]
    if len(found) > 1:
        raise UsageError(
            f"{wanted[:60]} means several pictures of case {case}: {', '.join(found)}.", "Name one in full."
        )
    if found:
        return by_name[found[0]]
    raise NoSuchItem(
        f"Case {case} has no picture {named[:60]!r}.", f"mendbay case picture {case} lists those it has."
    )


def _is_number(wanted: str, name: str) -> bool:
    return wanted.isdecimal() and wanted.lstrip("0") == name.partition("-")[0].lstrip("0")


def _subject(kept: KeptFile) -> str:
    return _PREFIX + kept.path.removeprefix(_FOLDER)


def _last_number(bench: Bench, case: int) -> int:
    """How many pictures the case ever had: the number of one that was taken back is not used again."""
    notes = bench.notes.of(NoteKind.INTAKE, case, "")
    return len({note.subject for note in notes if note.subject.startswith(_PREFIX)})


def _note(bench: Bench, case: int, picture: CasePicture) -> None:
    kept = picture.kept
    body = {
        "path": kept.path,
        "sha256": kept.sha256,
        "size_bytes": kept.size_bytes,
        "of": picture.of,
        "named": picture.named,
    }
    subject = _subject(kept)
    earlier = standing_notes(bench, NoteKind.INTAKE, case, "", subject)
    text = json.dumps(body, ensure_ascii=False)
    bench.notes.add(Note(case, "", NoteKind.INTAKE, subject, picture.at, picture.who, text))
    if not earlier:
        bench.custody(case, "picture kept", f"{kept.path}, SHA-256 {kept.sha256}")


def _picture(note: Note) -> CasePicture:
    body = body_of(note, "a picture")
    try:
        kept = KeptFile(str(body["path"]), str(body["sha256"]), int(body["size_bytes"]))
        return CasePicture(kept, str(body["of"]), note.at, note.who, str(body.get("named", "")))
    except (ValueError, KeyError, TypeError) as trouble:
        raise unreadable(note, "a picture", trouble) from trouble
