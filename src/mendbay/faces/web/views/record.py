"""The whole story of a case, and its custody log with what proves it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from mendbay.case.custody import CustodyCheck
from mendbay.core.errors import UsageError
from mendbay.faces.custody_words import anchor_text, check_text, compare_text
from mendbay.faces.story_words import happened
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.broken_words import broken_in_words
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import files, line, number
from mendbay.faces.web.visit import Visit
from mendbay.jobs.check_custody import EXPORT_LIMIT_BYTES, check_custody, check_exported, exported_custody
from mendbay.jobs.close_case import places_of

BOOK = Book()
CLOSING = "closing"
SHOWN = 100
"""Events and entries on one page."""


@BOOK.page(
    "/case/{case:int}/record",
    "record",
    "The story of the case in time order, and its custody log.",
    [
        number("until", "The story up to the event"),
        number("entries", "Custody up to the entry"),
        line("receipt", "Head as printed on the receipt", limit=400),
    ],
)
def record(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        check, entries = check_custody(bench, case, said["receipt"])
        events = bench.ledger.events(case)
        told_closed = any(one.kind == CLOSING for one in events)
        places = dict(places_of(bench, case)) if told_closed else {}
        folder = bench.images.folder(card.case)
    story = _leaf(tuple(happened(events)), said["until"])
    story["rows"] = [replace(one, text=broken_in_words(one.text, places)) for one in story["rows"]]
    facts = {
        "card": card,
        "folder": str(folder),
        "story": story,
        "custody": _leaf(entries, said["entries"]),
        "check": _told(check, "the newest backup of the ledger", said["receipt"]),
        "receipt": said["receipt"],
        "until": said["until"],
        "entries": said["entries"],
    }
    return Page("record.html", facts)


@BOOK.page("/case/{case:int}/record/custody", "custody-log", "The custody log, for anyone to check.")
def custody_log(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        data = exported_custody(bench, case)
    return Blob(data, "application/x-ndjson", f"custody-{case:04}.jsonl")


@BOOK.change(
    "/case/{case:int}/record/check",
    "check-custody-log",
    "Checks a custody log that was exported before; changes nothing.",
    [files("log", "The log, a file", limit=1), line("receipt", "Head as printed on the receipt", limit=400)],
)
def check_log(visit: Visit) -> Answer:
    sent, receipt = visit.said["log"][0], visit.said["receipt"]
    data = sent.file.read(EXPORT_LIMIT_BYTES + 1)
    if len(data) > EXPORT_LIMIT_BYTES:
        raise UsageError("The log is larger than any that Mendbay writes.", "Choose the right file.")
    check = check_exported(data, receipt)
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
    facts = {
        "card": card,
        "file": (sent.filename or "the file")[:120],
        "check": _told(check, "another copy of the log", receipt),
    }
    return Page("record_check.html", facts)


def _leaf(every: Sequence[Any], until: int | None) -> dict[str, Any]:
    """The newest of them up to one, oldest first, and where the pages before and after end."""
    total = len(every)
    stop = min(until or total, total)
    start = max(0, stop - SHOWN)
    return {
        "rows": every[start:stop],
        "first": start + 1,
        "last": stop,
        "total": total,
        "older": start or None,
        "newer": min(stop + SHOWN, total) if stop < total else None,
    }


def _told(check: CustodyCheck, other: str, receipt: str) -> dict[str, Any]:
    """A check in words."""
    return {
        "holds": check.holds,
        "words": check_text(check) if check.holds or check.is_disputed else "The custody log does NOT hold.",
        "faults": [one.sentence for one in check.faults],
        "anchor": anchor_text(check) if check.holds else "",
        "compare": "" if check.holds else compare_text(other, receipt),
        "head": check.head.text if check.head else "",
    }
