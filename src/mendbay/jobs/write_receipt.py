"""The receipt a customer takes home: what came in, what was agreed, and how to check later."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from mendbay.case.authority import WORDS
from mendbay.case.consents import Word, packaged_risks
from mendbay.case.custody import Head
from mendbay.case.items import Item, Where
from mendbay.case.secret_text import require_no_secret
from mendbay.core.errors import NoSuchItem, SourceChanged
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_text
from mendbay.jobs.authority import authority_of
from mendbay.jobs.bench import Bench
from mendbay.jobs.came_in import condition_seen
from mendbay.jobs.case_papers import bytes_of_paper
from mendbay.jobs.check_custody import require_sound_custody
from mendbay.jobs.consents import HOW_GIVEN, consents_of
from mendbay.jobs.copies_erased import copies_erased_on
from mendbay.jobs.hand_over_items import head_facts, item_facts, seen_of
from mendbay.jobs.keep_copies import keeping_facts
from mendbay.jobs.keep_items import items_of, number_items
from mendbay.jobs.papers import frame, person_on_paper
from mendbay.jobs.remembered import remembered
from mendbay.jobs.told_days import day_in_paper

SUBJECT = "receipt"
"""Subject of the letter's note."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """A receipt that was made.

    Args:
        head: of the custody log as printed on it.
        path: where the case's folder keeps it.
    """

    items: tuple[Item, ...]
    head: str
    path: str
    pdf: bytes


def write_receipt(bench: Bench, case: int, agreed: Sequence[str] = ()) -> Receipt:
    """Makes the receipt of what the customer brought and is here now.

    Args:
        agreed: what was agreed beside what the case itself says, one sentence each.

    Raises:
        NoSuchCase: there is no such case.
        CustodyBroken: the custody log does not hold.
        UsageError: a sentence cannot be kept, or seems to hold a password.
        BadFormFile: the wording, or the shop's own file, is not sound.
        NoRoom, DestinationError: it cannot be kept.
    """
    for one in agreed:
        require_text(one)
    require_no_secret(*agreed)
    record = remembered(bench, case)
    number_items(bench, case)
    here = tuple(one for one in items_of(bench, case) if one.where is Where.HERE and one.owner == "customer")
    seen = condition_seen(bench, case, own_words=True)
    require_sound_custody(bench, case)
    entries = bench.ledger.custody(case)
    head = Head(entries[-1].sequence, entries[-1].hash).text
    facts = frame(bench, "Receipt", record) | {
        "case_number": case,
        "customer": record.customer,
        "opened": record.opened_at[:10],
        "box": record.box,
        "kind": str(record.kind),
        "wanted": list(record.wanted),
        "due_on": record.due_on,
        **keeping_facts(bench, record),
        "erased_on": copies_erased_on(bench, record),
        "consents": _consents(bench, case),
        "words": _words(bench, case),
        "authority": "" if (settled := authority_of(bench, case)) is None else WORDS[settled.whose],
        "agreed": [one.strip() for one in agreed if one.strip()],
        "seen": seen_of(here, seen),
        "items": [item_facts(one, seen) for one in here],
        "technician": person_on_paper(bench, bench.who),
        "head": head_facts(head),
    }
    pdf = bench.stationery.pdf("receipt", facts)
    kept = bench.files.keep(record, "papers/receipt.pdf", pdf)
    body = {"path": kept.path, "sha256": kept.sha256, "head": head, "items": [one.code for one in here]}
    with bench.ledger.together():
        bench.notes.add(
            Note(
                case,
                "",
                NoteKind.LETTER,
                SUBJECT,
                bench.now(),
                bench.who,
                json.dumps(body, ensure_ascii=False),
            )
        )
        bench.note(
            case,
            "receipt",
            f"Receipt made, with the head of custody entry {entries[-1].sequence}.",
            day_in_paper("" if facts["erased_on"] else facts["keep_until"]),
        )
    return Receipt(here, head, kept.path, pdf)


@dataclass(frozen=True, slots=True)
class ReceiptOnRecord:
    """A receipt that was made: when, and where the case's folder keeps it with which digest."""

    at: str
    path: str
    sha256: str


def receipts_made(bench: Bench, case: int) -> tuple[ReceiptOnRecord, ...]:
    """The receipts of a case, the oldest first. A note that Mendbay did not write is none."""
    found = []
    for note in bench.notes.of(NoteKind.LETTER, case, "", SUBJECT):
        with suppress(ValueError, KeyError, TypeError):
            body = json.loads(note.body)
            found.append(ReceiptOnRecord(note.at, str(body["path"]), str(body["sha256"])))
    return tuple(found)


def newest_receipt(bench: Bench, case: int) -> bytes:
    """The receipt that was made last, as PDF, proven by its digest.

    Raises:
        NoSuchCase, NoSuchItem: there is no such case, or no receipt of it.
        CaseForgotten: it was forgotten.
        SourceChanged: its file is gone or no longer holds what was kept.
    """
    record, made = remembered(bench, case), receipts_made(bench, case)
    if not made:
        raise NoSuchItem(
            f"Case {case} has no receipt.", f"Make one: mendbay case receipt {case} FILE.pdf does that."
        )
    data = bytes_of_paper(bench, record, made[-1].path)
    if sha256(data).hexdigest() != made[-1].sha256:
        raise SourceChanged(
            f"{made[-1].path} of case {case} no longer holds what was kept.",
            "Bring it back from a backup, or make a new receipt.",
        )
    return data


def _words(bench: Bench, case: int) -> list[dict[str, Any]]:
    """The same, put together where the word, the way and the day are the same: yes first, no last."""
    given = consents_of(bench, case)
    found: dict[tuple[Word, str], list[str]] = {}
    for word in (Word.YES, Word.ASK, Word.NO):
        for one, risk in packaged_risks().items():
            if one in given and given[one].word is word:
                how = f"{HOW_GIVEN[given[one].how]}, {given[one].at[:10]}"
                found.setdefault((word, how), []).append(risk.title)
    return [{"word": str(word), "what": what, "given": how} for (word, how), what in found.items()]


def _consents(bench: Bench, case: int) -> list[dict[str, str]]:
    """The customer's word on risky steps, in the order in which they are asked."""
    words = consents_of(bench, case)
    return [
        {"what": risk.title, "word": f"{words[one].word}, {words[one].how}, {words[one].at[:10]}"}
        for one, risk in packaged_risks().items()
        if one in words
    ]
