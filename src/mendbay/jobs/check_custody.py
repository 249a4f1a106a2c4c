"""Check custody logs: a case's own, and an exported one that anybody may hold."""

from __future__ import annotations

from dataclasses import replace

from mendbay.case.custody import (
    Break,
    CustodyCheck,
    CustodyEntry,
    Fault,
    Head,
    check_export,
    export_lines,
    verify,
)
from mendbay.core.errors import CustodyBroken
from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import disputed, require_undisputed
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.remembered import remembered

EXPORT_LIMIT_BYTES = 256 << 20
"""Largest exported log that is read: some hundred thousand entries (own choice)."""


def check_custody(
    bench: Bench, number: int, anchor: str = ""
) -> tuple[CustodyCheck, tuple[CustodyEntry, ...]]:
    """Checks a case's custody log, against the head printed on a receipt if one is given.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: the anchor is not a head.
    """
    remembered(bench, number)
    entries = bench.ledger.custody(number)
    return held_against_papers(bench, number, verify(entries, _head(anchor)), entries), entries


def held_against_papers(
    bench: Bench, number: int, check: CustodyCheck, entries: tuple[CustodyEntry, ...]
) -> CustodyCheck:
    """The check with what the log alone cannot show: that it was emptied, since every case has at least the
    entry of its take-in, that it lacks the last head that was printed on a receipt or hand-over, or that the
    customer's word on a step is noted otherwise than it tells.

    Raises:
        LedgerError: the note of a receipt, hand-over or consent is not one that Mendbay wrote.
    """
    faults = list(check.faults)
    notes = [*bench.notes.of(NoteKind.HANDOVER, number), *bench.notes.of(NoteKind.LETTER, number)]
    heads = [Head.parse(said) for note in notes if (said := str(body_of(note, note.kind).get("head", "")))]
    if heads:
        last = max(heads, key=lambda one: one.sequence)
        papers = verify(entries, last, typed=False).faults
        same = {(one.sequence, one.how) for one in papers}
        faults = [*papers, *(one for one in faults if (one.sequence, one.how) not in same)]
    elif not entries:
        faults.append(Fault(1, Break.CUT, "the log is empty: not even the entry of take-in is there."))
    if not faults:  # of a broken log nobody can say which of the two is right
        faults += [Fault(at, Break.DISPUTED, sentence) for at, sentence in disputed(bench, number)]
    return replace(check, faults=tuple(faults))


def require_sound_custody(bench: Bench, number: int) -> None:
    """Refuses to go on from a custody log that does not hold: a paper that names its head would vouch for it.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        CustodyBroken: it does not hold, or the customer's word is noted otherwise than it tells.
    """
    check, _ = check_custody(bench, number)
    if check.is_disputed:
        require_undisputed(bench, number)
    if not check.holds:
        first = check.faults[0]
        raise CustodyBroken(
            f"The custody log of case {number} does not hold at entry {first.sequence}: {first.sentence}",
            f"mendbay case custody {number} tells all; then put the newest sound backup in its place.",
        )


def exported_custody(bench: Bench, number: int) -> bytes:
    """A case's custody log as `docs/formats/custody.md` describes it, whether or not it holds.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    remembered(bench, number)
    return export_lines(bench.ledger.custody(number))


def check_exported(data: bytes, anchor: str = "") -> CustodyCheck:
    """Checks an exported log, against the head printed on a receipt if one is given. Needs no ledger.

    Raises:
        UsageError: it is no custody log at all, or the anchor is not a head.
    """
    return check_export(data, _head(anchor))


def _head(anchor: str) -> Head | None:
    return Head.parse(anchor) if anchor.strip() else None
