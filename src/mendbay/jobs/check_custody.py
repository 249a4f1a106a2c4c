"""Check custody logs: a case's own, and an exported one that anybody may hold."""

from __future__ import annotations

from mendbay.case.custody import (
    CustodyCheck,
    CustodyEntry,
    Head,
    check_export,
    export_lines,
    verify,
)
from mendbay.jobs.bench import Bench
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
    return verify(entries, _head(anchor)), entries


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
