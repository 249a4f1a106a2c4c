"""Whose data it is, and what was seen to prove it."""

from __future__ import annotations

import json
from pathlib import Path

from mendbay.case.authority import WORDS, Authority, Whose, concern_about
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.picture_files import ending_of, is_scan, shown
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

SUBJECT = "authority"
"""Subject of the note of take-in that says it."""
_FOLDER = "papers/authority/"
DOCUMENT_LIMIT = 64 << 20
"""Bytes of a scanned paper: a hundred pages in colour."""


def authority_of(bench: Bench, case: int) -> Authority | None:
    """What is on record of the customer's right to the data; None if nothing is.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: the note is not one that Mendbay wrote.
    """
    remembered(bench, case)
    notes = standing_notes(bench, NoteKind.INTAKE, case, "", SUBJECT)
    return _authority(notes[-1]) if notes else None


def concern(bench: Bench, case: int) -> str:
    """What is still to be cleared before the data may be given to the customer; empty if nothing is."""
    return concern_about(authority_of(bench, case))


def set_authority(
    bench: Bench, case: int, whose: Whose, *, seen: bool = False, document: Path | None = None
) -> Authority:
    """Puts down whose data it is.

    Args:
        seen: whether a paper that says so was seen.
        document: a copy of that paper, kept with the case under a number, as its own name is often the
            customer's; its digest goes into custody.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: the paper cannot be read or is by its bytes neither picture nor PDF, or there can be none
            for a right that is not clear.
        NoRoom, DestinationError: it cannot be kept.
    """
    remembered(bench, case)
    if whose is Whose.UNCLEAR and (seen or document):
        raise UsageError("A paper proves no right that is not clear.", "Say whose data it is.")
    data = None if document is None else _scan_in(bench, document)
    with (
        bench.ledger.together()
    ):  # the paper too: no other may take its number, and no take-back come between
        kept = None if data is None else _keep_paper(bench, case, data)
        made = Authority(
            whose,
            seen or kept is not None,
            kept.path if kept else "",
            kept.sha256 if kept else "",
            bench.now(),
            bench.who,
        )
        body = {"whose": str(whose), "seen": made.seen, "document": made.document, "sha256": made.sha256}
        paper = (
            f"paper kept, SHA-256 {made.sha256}" if kept else "paper seen" if made.seen else "no paper seen"
        )
        bench.notes.add(Note(case, "", NoteKind.INTAKE, SUBJECT, made.at, made.who, json.dumps(body)))
        bench.custody(case, "authority put down", f"data: {WORDS[whose]}; {paper}")
        bench.note(case, "take-in", f"Whose data it is: {WORDS[whose]}; {paper}.")
    return made


def _scan_in(bench: Bench, document: Path) -> bytes:
    """The bytes of a scanned paper.

    Raises:
        UsageError: it cannot be read, or is neither picture nor PDF.
    """
    data = bench.files.fetch(document, DOCUMENT_LIMIT)
    if not is_scan(data):
        raise UsageError(
            f"{shown(document)} is neither a picture nor a PDF, by its bytes.",
            "Scan the paper as PDF, JPEG or PNG.",
        )
    return data


def _keep_paper(bench: Bench, case: int, data: bytes) -> KeptFile:
    """Keeps it under a number that no paper of the case had before, also one that was taken back."""
    notes = bench.notes.of(NoteKind.INTAKE, case, "", SUBJECT)
    number = 1 + sum(1 for one in map(_authority, notes) if one is not None and one.document)
    return bench.files.keep(remembered(bench, case), f"{_FOLDER}{number}{ending_of(data)}", data)


def take_authority_back(bench: Bench, case: int, reason: str) -> None:
    """Takes back what was put down by mistake. Every paper kept for it is removed from the case's folder;
    custody tells its SHA-256.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nothing is on record, or no reason is given.
        SourceChanged: a paper's file holds something else by now; nothing is taken back.
        DestinationError: a paper cannot be removed; nothing is taken back.
    """
    require_reason(reason)
    with bench.ledger.together():
        record = remembered(bench, case)
        said = standing_notes(bench, NoteKind.INTAKE, case, "", SUBJECT)
        if not said:
            raise UsageError(
                "Nobody's right to the data is on record.", f"mendbay case form {case} tells what is."
            )
        withdraw(bench, map(subject_of, said), case, "", reason)
        papers = {one.document: one.sha256 for one in map(_authority, said) if one and one.document}
        gone = "".join(f"; paper removed, SHA-256 {one}" for one in papers.values())
        bench.custody(case, "authority taken off the record", f"data{gone}")
        bench.note(case, "take-in", f"Taken off the record: whose data it is{gone}. {reason}")
        for path, digest in papers.items():  # last: of what cannot be removed nothing is told as taken back
            bench.files.remove(
                record, KeptFile(path, digest, 0)
            )  # it is known by its digest; no size is kept


def _authority(note: Note) -> Authority | None:
    """None where take-in noted that nobody knows."""
    body = body_of(note, "authority")
    if body.get("values") == []:
        return None
    try:
        if not isinstance(body["seen"], bool):
            raise TypeError("seen")
        return Authority(
            Whose(body["whose"]), body["seen"], str(body["document"]), str(body["sha256"]), note.at, note.who
        )
    except (ValueError, KeyError, TypeError, UsageError) as trouble:
        raise unreadable(note, "authority", trouble) from trouble
