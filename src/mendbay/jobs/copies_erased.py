"""Whether the shop's copies of a case are erased, by the certificates of it."""

from __future__ import annotations

import json

from mendbay.case.records import Case
from mendbay.core.note import NoteKind
from mendbay.handback.erasure import DEFAULT_SORTS
from mendbay.jobs.bench import Bench
from mendbay.jobs.plan_erasure import CERTIFICATE, what_of


def copies_erased_on(bench: Bench, case: Case) -> str:
    """The day, `YYYY-MM-DD`, of the last certificate of copies with the customer's files, if none of them was
    left then; empty without such a certificate, or if an image is there now. Of a case of which nothing was
    erased no note is read.
    """
    if not bench.notes.last_number(case.number, NoteKind.ERASURE):
        return ""
    for note in reversed(bench.notes.of(NoteKind.ERASURE, case.number)):
        told = json.loads(note.body) if what_of(note) == CERTIFICATE else {}
        if set(told.get("sorts", ())) & set(DEFAULT_SORTS):
            is_there = any(bench.images.exists(case, one.bay) for one in bench.ledger.bays(case.number))
            return "" if told.get("holds", True) or is_there else note.at[:10]
    return ""
