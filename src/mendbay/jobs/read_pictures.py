"""Pictures of a drive, its board or its box become identifiers, kept with the case and corrected by hand."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from hashlib import sha256
from pathlib import Path

from mendbay.board.confusable import Confusions, Correction, compact
from mendbay.board.description import BoardDescription
from mendbay.board.form_file import FormText
from mendbay.board.forms import load_forms, packaged_texts
from mendbay.board.identifier import Identifier, made_on
from mendbay.board.identify import correct, identify
from mendbay.board.missing import Advice, Want, missing
from mendbay.board.number_form import Forms, Kind
from mendbay.board.sighting import PICTURE_BYTES, How, PictureReading
from mendbay.board.sighting_text import packed, unpacked
from mendbay.board.unique_data import UniqueData, Work, unique_data
from mendbay.case.records import Bay, Case, Facts
from mendbay.core.errors import BadFormFile, LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_line
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Pictures, ShopFiles
from mendbay.jobs.corrections import Word, lessons, no_longer, note_correction, said_of
from mendbay.jobs.events import Said, StepProgress
from mendbay.jobs.know_family import family_notes
from mendbay.jobs.nameless import is_nameless
from mendbay.jobs.own_names import own_name, some_names
from mendbay.jobs.picture_files import (
    ENDINGS,
    NO_PICTURE,
    LeftOut,
    ending_of,
    found,
    is_no_picture,
    kept_name,
    shown,
    unread,
)
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.said_serials import MODEL_FROM_DRIVE, SERIAL_FROM_DRIVE, last_said
from mendbay.jobs.withdraw import reason_of, require_reason, standing_notes, subject_of, withdraw

_DATE = re.compile(
    r"(?P<year>[0-9]{4})-(?:W(?P<week>[0-9]{1,2})|(?P<month>[0-9]{1,2})(?:-(?P<day>[0-9]{1,2}))?)"
)

_NEVER = re.compile(r"[^A-Za-z0-9 \-./_+#:,()&*']")
"""What no number on a drive, board or chip is printed with (common practice, from memory, no source)."""


@dataclass(frozen=True, slots=True)
class BoardLook:
    """What is known of a bay's drive and board from its pictures.

    Args:
        identifiers: by kind, the surest first.
        readings: one for each picture kept, in the order they came.
        advice: what is still needed for a donor, and what to photograph again.
        left_out: files that were given or lie in the folder and are not read.
        clashes: what the pictures say otherwise than the take-in or the drive, as sentences: they may show
            another drive.
        withdrawn: pictures, and corrections that rested on them, that count no longer, as sentences.
        rom: whether the unique board data must move to a donor's board; None while nothing is known of the
            board.
        blind: pictures given this time in which nothing could be seen at all, by name.
        corrections: what people said of them that holds, the oldest first.
    """

    identifiers: tuple[Identifier, ...]
    readings: tuple[PictureReading, ...]
    advice: tuple[Advice, ...]
    left_out: tuple[LeftOut, ...] = ()
    clashes: tuple[str, ...] = ()
    withdrawn: tuple[str, ...] = ()
    rom: UniqueData | None = None
    blind: tuple[str, ...] = ()
    corrections: tuple[Correction, ...] = ()

    @property
    def incomplete(self) -> bool:
        """Whether a picture must be taken or given again: one could not be read, or is too poor while
        something is needed that it may show."""
        poor = any(one.want is Want.UNREADABLE for one in self.advice)
        return poor or bool(self.blind) or any(one.missing for one in self.left_out)


def read_pictures(
    bench: Bench,
    shop: ShopFiles,
    pictures: Callable[[], Pictures],
    case: int,
    bay: str,
    places: Sequence[Path],
    names: Mapping[Path, str] | None = None,
) -> BoardLook:
    """Reads pictures, keeps them with the case, and says what they show together with earlier ones.

    All are kept before the first is read; one at a time is held in memory. A picture is read once, and again
    if the reading of it failed before. What cannot be taken is left out, and so is a picture in a folder that
    was withdrawn from this bay: naming the file itself files it anew.

    Args:
        pictures: starts the reader; called once, and only if there is something new to read.
        places: pictures, or folders of pictures (not the folders in them).
        names: what files are called by whoever sent them, where they lie under another name.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: there is no picture that can be taken, or there are too many.
        SourceChanged: a picture was changed while it was being kept and read.
    """
    of = remembered(bench, case)
    bench.ledger.bay(case, bay)
    forms = shop_forms(shop)
    files, left_out = found(places)
    readings = _readings(bench, case, bay)
    known = {one.sha256 for one in readings if not one.unread}
    again = {one.sha256: one.picture for one in readings if one.unread}
    gone = _withdrawn_digests(bench, case, bay)
    new: list[KeptFile] = []
    given: set[str] = set()
    troubles: list[UsageError] = []
    for file in files:
        try:
            data = bench.files.fetch(file.path, PICTURE_BYTES)
        except UsageError as trouble:
            troubles.append(trouble)
            left_out.append(unread(file.path, trouble))
            continue
        if file.named and is_no_picture(file.path.name, data):
            troubles.append(UsageError(f"{file.path} is not a picture.", NO_PICTURE))
            left_out.append(LeftOut(shown(file.path), "not a picture", NO_PICTURE, missing=True))
            continue
        digest = sha256(data).hexdigest()
        if file.named:
            gone.pop(digest, None)
        if digest in gone:
            step = "Name the file itself to file it anew."
            left_out.append(LeftOut(shown(file.path), f"withdrawn: {gone[digest]}", step))
            continue
        name = again.get(digest) or _name(of, file.path, data, (names or {}).get(file.path, ""))
        kept = bench.files.keep(of, picture_place(bay, name), data)
        given.add(digest)
        if digest not in known:  # a copy under another name shows nothing more
            known.add(digest)
            new.append(kept)
    if len(troubles) == len(files):
        raise troubles[0]
    if new:
        _read(bench, pictures, of, bay, new, again)
    look = _look(bench, forms, case, bay, left_out)
    return replace(
        look, blind=tuple(one.picture for one in look.readings if one.blind and one.sha256 in given)
    )


def _name(of: Case, path: Path, data: bytes, named: str) -> str:
    """The name under which a picture is kept: its own, with an ending by which a folder of pictures is read
    again. It is told wherever the picture is, so one that names the customer is not taken."""
    own = own_name(named)
    if not (own and is_nameless(of, own)):
        return kept_name(path)
    return kept_name(Path(own if own.lower().endswith(ENDINGS) else own + ending_of(data)))


def _read(
    bench: Bench,
    pictures: Callable[[], Pictures],
    of: Case,
    bay: str,
    new: Sequence[KeptFile],
    again: Container[str],
) -> None:
    """Reads kept pictures and notes each at once, so that those read before a stop need no second reading.

    Args:
        again: digests of those that could not be read before.
    """
    read = 0
    reader = pictures()
    try:
        for number, file in enumerate(new):
            name = file.path.rpartition("/")[2]
            if file.sha256 in again:
                bench.tell(Said(f"{name} is read again: it could not be read before."))
            bench.tell(StepProgress("reading pictures:", number, len(new), name))
            reading = reader.read_bytes(bench.files.take(of, file), name)
            _note_picture(bench, of.number, bay, reading, again=file.sha256 in again)
            read += 1
        bench.tell(StepProgress("reading pictures:", len(new), len(new), ""))
    finally:
        reader.close()
        if read:
            count = "1 picture" if read == 1 else f"{read} pictures"
            stopped = f" of {len(new)}, then stopped" if read < len(new) else ""
            names = some_names(of, [file.path.rpartition("/")[2] for file in new[:read]])
            bench.note(of.number, "pictures", f"Bay {bay}: {count} read{stopped}{names}.", {"pictures": read})


def tell_board(bench: Bench, shop: ShopFiles, case: int, bay: str) -> BoardLook:
    """What is known of a bay's drive and board from pictures read before.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    bench.ledger.bay(case, bay)
    return _look(bench, shop_forms(shop), case, bay)


def described(bench: Bench, forms: Forms, case: int, bay: str) -> BoardDescription:
    """What pictures show of a bay's drive and board, as far as it is settled.

    Args:
        forms: as `shop_forms` gives them, for many bays at once.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    bench.ledger.bay(case, bay)
    return describe(() if _is_bare(bench, case, bay) else _look(bench, forms, case, bay).identifiers)


def identifiers_of(bench: Bench, case: int, bay: str) -> tuple[Identifier, ...]:
    """The identifiers of a bay by the number forms that come with Mendbay.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    bench.ledger.bay(case, bay)
    return () if _is_bare(bench, case, bay) else _look(bench, load_forms(), case, bay).identifiers


def texts_of(bench: Bench, case: int, bay: str) -> tuple[str, ...]:
    """What was read in the pictures of a bay, and what people said of it, as it stands there: weighing what
    it means takes far longer."""
    readings = _readings(bench, case, bay)
    said, _ = _corrections(bench, case, bay, readings)
    seen = (one.text for reading in readings for one in reading.sightings)
    return (*seen, *(one.correction.right_text for one in said))


def _is_bare(bench: Bench, case: int, bay: str) -> bool:
    """Whether no picture shows anything of a bay and nobody said anything, as of most: weighing nothing by
    the forms takes far longer than the rest of a case's story."""
    readings = _readings(bench, case, bay)
    return not readings and not _corrections(bench, case, bay, readings)[0]


def correct_identifier(
    bench: Bench, shop: ShopFiles, case: int, bay: str, kind: Kind, right: str, read: str = ""
) -> BoardLook:
    """Notes a person's word on an identifier; it holds for this bay, and the shop learns how characters
    are misread from it.

    Args:
        right: what it says; empty if there is no such number.
        read: the value that is wrong, if the bay has several of the kind.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: several identifiers of the kind, and none named; nothing to take out; or a character that
            no such number has.
    """
    require_line(right, str(kind))
    _require_printed(right.strip(), kind)
    if kind is Kind.DATE:
        _require_possible_date(right.strip(), bench.now()[:10])
    look = tell_board(bench, shop, case, bay)
    said_so = [one for one in look.identifiers if one.kind is kind]
    if read:
        said_so = [one for one in said_so if read in (one.value, *one.read_as)]
    if len(said_so) > 1:
        values = ", ".join(one.value for one in said_so)
        raise UsageError(
            f"Bay {bay} has several of the kind {kind}: {values}.", "Say which with --instead-of."
        )
    if not said_so and (read or not right):
        raise UsageError(f"Bay {bay} has no {kind} {read}".rstrip() + ".", "mendbay board show lists them.")
    wrong = said_so[0] if said_so else None
    said = (wrong.read_as or (wrong.value,)) if wrong else ("",)
    showing = {seen.picture for seen in wrong.sightings} if wrong else set()
    digests = tuple(dict.fromkeys(one.sha256 for one in look.readings if one.picture in showing))
    by_code = wrong is not None and any(seen.how is How.BARCODE for seen in wrong.sightings)
    correction = Correction(kind, said[0], right.strip(), digests, said[1:])
    with bench.shelf.together():
        note_correction(bench, case, bay, correction, misread=not by_code)
        was = f" instead of {wrong.value}" if wrong and wrong.value != right else ""
        words = f"{kind} is {right.strip() or 'none'}{was}"
        bench.note(case, "pictures", f"Bay {bay}: {words}, said by {bench.who}.")
        bench.custody(case, "identifier corrected by hand", f"bay {bay}, {words}")
    return tell_board(bench, shop, case, bay)


def withdraw_correction(
    bench: Bench, shop: ShopFiles, case: int, bay: str, kind: Kind, reason: str
) -> tuple[BoardLook, str]:
    """Takes the last correction of a kind back: what it replaced counts again, and it teaches nothing.

    Returns:
        What is known without it, and what it had said; empty if it had said that there is no such number.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: there is no correction of the kind, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        bench.ledger.bay(case, bay)
        said = [one for one in said_of(bench, case, bay) if one.correction.kind is kind]
        if not said:
            raise UsageError(
                f"Nobody corrected the {kind} of bay {bay}.", f"mendbay board show {case} {bay} lists all."
            )
        gone = said[-1].correction.right_text
        withdraw(bench, [subject_of(said[-1].note)], case, bay, reason)
        words = f"{kind} is {gone or 'none'}"
        bench.note(case, "pictures", f"Bay {bay}: correction withdrawn, {words}. {reason.strip()}")
        bench.custody(case, "correction withdrawn", f"bay {bay}, {words}: {reason.strip()}")
    return tell_board(bench, shop, case, bay), gone


def withdraw_picture(
    bench: Bench, shop: ShopFiles, case: int, bay: str, picture: str, reason: str
) -> tuple[BoardLook, str]:
    """Takes a picture out of what a bay is known by, with the corrections of what it alone showed; the file
    stays where it is. What misread characters taught the shop stays: it is about print, not about a drive.

    Args:
        picture: its name as the bay's list has it.
        reason: why it does not belong there.

    Returns:
        What is known without it, and where the file lies below the case's folder.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: the bay has no such picture, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        bench.ledger.bay(case, bay)
        said = standing_notes(bench, NoteKind.PICTURE, case, bay, picture)
        if not said:
            raise UsageError(
                f"Bay {bay} of case {case} has no picture {picture[:60]!r}.",
                f"mendbay board show {case} {bay} names its pictures.",
            )
        digest = _reading_of(said[-1]).sha256
        held = _corrections(bench, case, bay, _readings(bench, case, bay))[0]
        withdraw(bench, map(subject_of, said), case, bay, reason)
        gone = [one for one in _corrections(bench, case, bay, _readings(bench, case, bay))[1] if one in held]
        with_it = f" With it went: {'; '.join(one.words for one in gone)}." if gone else ""
        bench.note(
            case,
            "pictures",
            f"Bay {bay}: picture {picture} withdrawn. {reason}{with_it}",
            {"picture": picture, "corrections": len(gone)},
        )
        bench.custody(case, "picture withdrawn", f"bay {bay}, SHA-256 {digest}: {reason}{with_it}")
    return tell_board(bench, shop, case, bay), picture_place(bay, picture)


def shop_forms(shop: ShopFiles) -> Forms:
    """The number forms in use: the packaged ones, then the shop's own.

    Raises:
        BadFormFile: a file of the shop breaks a rule; the message names its full path.
    """
    own = [
        FormText(str(shop.path_of("number-forms", name)), text) for name, text in shop.texts("number-forms")
    ]
    try:
        return load_forms((*packaged_texts(), *own))
    except BadFormFile as trouble:
        step = f"{trouble.next_step} Moved out of that folder, the file is not used."
        raise BadFormFile(trouble.what, step) from trouble


def describe(identifiers: Sequence[Identifier], heads_map: str = "") -> BoardDescription:
    """What identifiers say of a board, as donors are compared with it: only what is settled, since a wrong
    marking would rule the right donor out. See `unsettled` for the others."""
    best: dict[Kind, Identifier] = {}
    for one in identifiers:
        if one.settled:
            best.setdefault(one.kind, one)

    def value(kind: Kind) -> str:
        return best[kind].value if kind in best and "?" not in best[kind].value else ""

    made = made_on(best[Kind.DATE]) if Kind.DATE in best else None
    return BoardDescription(
        board_number=value(Kind.BOARD),
        revision=value(Kind.REVISION),
        controller=value(Kind.CONTROLLER),
        motor_driver=value(Kind.MOTOR_DRIVER),
        rom_chip=value(Kind.ROM),
        family=best[Kind.MODEL].family if Kind.MODEL in best else "",
        model=value(Kind.MODEL),
        firmware=value(Kind.FIRMWARE),
        site=value(Kind.SITE),
        made_on=made.isoformat() if made else "",
        heads_map=heads_map,
    )


def unsettled(identifiers: Sequence[Identifier]) -> tuple[Identifier, ...]:
    """What pictures show without certainty, of kinds of which nothing is settled; the surest of each kind."""
    settled = {one.kind for one in identifiers if one.settled}
    first: dict[Kind, Identifier] = {}
    for one in identifiers:
        if one.kind not in settled:
            first.setdefault(one.kind, one)
    return tuple(first.values())


def _look(bench: Bench, forms: Forms, case: int, bay: str, left_out: Sequence[LeftOut] = ()) -> BoardLook:
    readings = _readings(bench, case, bay)
    taught = [one.correction for one in lessons(bench)]
    pictured = identifiers = identify(readings, forms, Confusions(taught))
    said, gone = _corrections(bench, case, bay, readings)
    for one in said:
        identifiers = correct(identifiers, one.correction, forms, pictured)
    clashes = _clashes(bench.ledger.bay(case, bay), identifiers, last_said(bench, case, bay))
    last = {one.correction.kind: one.correction.right_text for one in said}
    struck = {kind for kind, right in last.items() if not right}
    advice = missing(identifiers, readings, struck)
    withdrawn = (*_withdrawn(bench, case, bay), *no_longer(gone))
    described, rom = describe(identifiers), None
    if described != BoardDescription():
        rom = unique_data(described, Work.BOARD_SWAP, notes=family_notes(bench))
    return BoardLook(
        *(identifiers, readings, advice, tuple(left_out), clashes, withdrawn, rom),
        corrections=tuple(one.correction for one in said),
    )


def kept_pictures(bench: Bench, case: int, bay: str) -> dict[str, str]:
    """The digests of a bay's pictures that were not withdrawn, by their places in the case's folder.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    bench.ledger.bay(case, bay)
    return {picture_place(bay, one.picture): one.sha256 for one in _readings(bench, case, bay)}


def picture_place(bay: str, picture: str) -> str:
    """Where a picture of a bay lies in the case's folder, by its name."""
    return f"photos/bay-{bay}/{picture}"


def corrections_of(bench: Bench, case: int, bay: str, kind: Kind) -> tuple[Correction, ...]:
    """A person's words on one kind of identifier of a bay, the oldest first; those on pictures that were
    withdrawn are left out."""
    every, _ = _corrections(bench, case, bay, _readings(bench, case, bay))
    return tuple(one.correction for one in every if one.correction.kind is kind)


def _corrections(
    bench: Bench, case: int, bay: str, readings: Sequence[PictureReading]
) -> tuple[list[Word], list[Word]]:
    """What people said of a bay that holds, and what went with its pictures; each the oldest first."""
    pictures = {one.sha256 for one in readings}
    said = said_of(bench, case, bay)
    holding = [one for one in said if one.holds_with(pictures)]
    return holding, [one for one in said if not one.holds_with(pictures)]


def _withdrawn(bench: Bench, case: int, bay: str) -> tuple[str, ...]:
    """Pictures of a bay that were withdrawn and not read anew since, as sentences."""
    standing = {note.subject for note in standing_notes(bench, NoteKind.PICTURE, case, bay)}
    notes = {subject_of(note): note for note in bench.notes.of(NoteKind.PICTURE, case, bay)}
    return tuple(
        f"Withdrawn by {one.who} at {one.at}: {notes[one.subject].subject}. {reason_of(one)}"
        for one in bench.notes.of(NoteKind.WITHDRAWAL, case, bay)
        if one.subject in notes and notes[one.subject].subject not in standing
    )


def _clashes(bay: Bay, identifiers: Sequence[Identifier], by_drive: Facts) -> tuple[str, ...]:
    """
    Args:
        by_drive: who the drive said it is, and what the bay has from that.
    """
    said = []
    for kind, known, fact in (
        (Kind.SERIAL, bay.serial, SERIAL_FROM_DRIVE),
        (Kind.MODEL, bay.model, MODEL_FROM_DRIVE),
    ):
        seen = [one.value for one in identifiers if one.kind is kind and one.settled]
        if known and seen and not any(compact(one) in compact(known) for one in seen):
            source = (
                f"the drive itself said {known}"
                if by_drive.get(fact) == known
                else f"at take-in it was {known}"
            )
            said.append(
                f"The {kind} in the pictures is {seen[0]}, and {source}: they may show another drive."
            )
    return tuple(said)


def _require_printed(text: str, kind: Kind) -> None:
    """
    Raises:
        UsageError: something that no such number is printed with, or neither a letter nor a digit.
    """
    advice = (
        "Compare it with the part: letters A to Z, digits, blanks and - . / _ + # : , ( ) & * ' are taken."
    )
    if odd := _NEVER.search(text):
        raise UsageError(f"No {kind} holds the character {odd[0]!r}: {text[:40]!r}.", advice)
    if text and not any(one.isalnum() for one in text):
        raise UsageError(f"No {kind} is without a letter or a digit: {text[:40]!r}.", advice)


def _require_possible_date(text: str, today: str) -> None:
    """
    Raises:
        UsageError: a date in years, with weeks or months and days, that no calendar has or that is to come.
    """
    said = _DATE.fullmatch(text)
    if not said:
        return  # written another way: its form says what it means
    year, week, month, day = (int(part or 0) for part in said.groups())
    try:
        meant = date.fromisocalendar(year, week, 1) if said["week"] else date(year, month, day or 1)
    except ValueError:
        raise UsageError(
            f"No calendar has {text}.", "Weeks run from 01 to 52 or 53, like 2025-W07; months to 12."
        ) from None
    if meant.isoformat() > today:
        raise UsageError(
            f"{text} is still to come: it is {today}.", "Compare with the part and type it again."
        )


def _note_picture(bench: Bench, case: int, bay: str, reading: PictureReading, *, again: bool) -> None:
    body = json.dumps({"sha256": reading.sha256, "seen": packed(reading)})
    note = Note(case, bay, NoteKind.PICTURE, reading.picture, bench.now(), bench.who, body)
    with bench.shelf.together():
        bench.notes.add(note)
        what = "picture read again" if again else "picture filed"
        bench.custody(case, what, f"bay {bay}, SHA-256 {reading.sha256}")


def _readings(bench: Bench, case: int, bay: str) -> tuple[PictureReading, ...]:
    """The newest reading of each picture that was not withdrawn.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    last = {note.subject: note for note in standing_notes(bench, NoteKind.PICTURE, case, bay)}
    return tuple(_reading_of(note) for note in last.values())


def _reading_of(note: Note) -> PictureReading:
    try:
        body = json.loads(note.body)
        return unpacked(body["seen"], note.subject, body["sha256"])
    except (ValueError, KeyError, TypeError) as trouble:
        raise LedgerError(
            f"The ledger's note of a picture of case {note.case} cannot be read: {trouble}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def _withdrawn_digests(bench: Bench, case: int, bay: str) -> dict[str, str]:
    """The pictures of a bay that were withdrawn and not filed anew since, by digest, each with the reason."""
    said = {note.subject: reason_of(note) for note in bench.notes.of(NoteKind.WITHDRAWAL, case, bay)}
    standing = {one.sha256 for one in _readings(bench, case, bay)}
    notes = [note for note in bench.notes.of(NoteKind.PICTURE, case, bay) if subject_of(note) in said]
    gone = {_reading_of(note).sha256: said[subject_of(note)] for note in notes}
    return {digest: reason for digest, reason in gone.items() if digest not in standing}
