"""What is about a person and what is a technical outcome: of every kind of note, what stays when a case is
forgotten, with the reason. Own choice; decision 0086 tells what it rests on.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from mendbay.case.records import FORGOTTEN, Event
from mendbay.core.note import Note, NoteKind

_SHA256 = re.compile(r"[0-9a-f]{64}")


class Fate(StrEnum):
    """What becomes of the notes of a kind."""

    GOES = "goes"
    REDUCED = "stays, reduced"
    SHOPS = "the shop's own"
    """Never of a case; should one be, it goes."""


@dataclass(frozen=True, slots=True)
class Ruling:
    """What becomes of the notes of one kind when their case is forgotten. Members of the body that are named
    nowhere here go.

    Args:
        why: the reason, as `case forget` tells it.
        whole: members of the body that stay as they are.
        emptied: members that stay for those who read the note, without what they hold: a text becomes
            `(forgotten)`, an array an empty one; empty texts stay.
        digests: whether every member stays that is a SHA-256.
        not_of: subjects whose notes go all the same.
    """

    fate: Fate
    why: str
    whole: tuple[str, ...] = ()
    emptied: tuple[str, ...] = ()
    digests: bool = False
    not_of: frozenset[str] = frozenset()


def _goes(why: str) -> Ruling:
    return Ruling(Fate.GOES, why)


RULINGS: Mapping[NoteKind, Ruling] = {
    NoteKind.PICTURE: _goes("serial numbers, and whatever else a picture shows"),
    NoteKind.CORRECTION: Ruling(
        Fate.REDUCED,
        "which printed characters are misread for which",
        whole=("read", "right", "misread"),
        emptied=("also_read", "pictures"),
        not_of=frozenset({"serial number"}),
    ),
    NoteKind.MEASUREMENT: Ruling(
        Fate.REDUCED,
        "what was measured on the board",
        whole=("text", "size", "drive_at_hand", "gate", "taken_back"),
        emptied=("note", "skipped", "reason"),
    ),
    NoteKind.DUMP: _goes("a ROM holds the serial number of its drive"),
    NoteKind.PLAN: _goes("it names the dumps of the customer's drive"),
    NoteKind.CERTIFICATE: _goes("it names the customer's drive and its ROM"),
    NoteKind.SWAP: Ruling(
        Fate.REDUCED,
        "which donors worked for what; the odds learn from it",
        whole=("purpose", "agreement", "worked", "was"),
        emptied=("remark",),
    ),
    NoteKind.TRIED: Ruling(
        Fate.REDUCED, "which repair was made, and what came of it", whole=("came_of",), emptied=("done",)
    ),
    NoteKind.ALTERNATIVE: Ruling(Fate.SHOPS, "which part can stand for which"),
    NoteKind.LEARNED: Ruling(Fate.SHOPS, "what a board family was learned from"),
    NoteKind.FAMILY: Ruling(Fate.SHOPS, "what is known of a model family"),
    NoteKind.CHANGE: Ruling(Fate.SHOPS, "what was put right in the stock"),
    NoteKind.SIGN: Ruling(Fate.REDUCED, "what was seen and heard of the fault", whole=("answer",)),
    NoteKind.SUBJECT: Ruling(
        Fate.REDUCED,
        "whether a box or a drive came and what was seen of it; not what its data was worth to the customer",
        whole=("box", "bays", "answers"),
    ),
    NoteKind.INTAKE: _goes("the customer's own words"),
    NoteKind.CONSENT: _goes("the customer's word, and who gave it"),
    NoteKind.ITEM: _goes("serial numbers, and what the customer left with us"),
    NoteKind.HANDOVER: _goes("who brought and fetched what"),
    NoteKind.QUOTE: _goes("what the customer was offered"),
    NoteKind.PAYMENT: _goes("what the customer paid"),
    NoteKind.WAITING: _goes("free words, often about the customer"),
    NoteKind.IN_HAND: _goes("who worked on it; custody keeps who did what"),
    NoteKind.LETTER: _goes("written to the customer"),
    NoteKind.RECORDS: _goes("a drive's serial number, and the pages it answered with"),
    NoteKind.OUTCOME: Ruling(
        Fate.REDUCED,
        "what was broken and how the case ended; triage and lessons learn from it",
        whole=("found", "known", "sure", "end", "data"),
        emptied=("remark",),
    ),
    NoteKind.ERASURE: Ruling(
        Fate.REDUCED,
        "digests of plans and certificates, so that a certificate the customer holds can be recognised",
        digests=True,
    ),
    NoteKind.FORGETTING: Ruling(Fate.REDUCED, "why the case was forgotten", whole=("reason",)),
    NoteKind.PRACTICE: Ruling(Fate.REDUCED, "that it was for practice, and teaches nothing"),
    NoteKind.SAVING: Ruling(Fate.SHOPS, "that the shop was saved or put back"),
    NoteKind.WITHDRAWAL: Ruling(
        Fate.REDUCED, "what was recorded by mistake must not count again", emptied=("reason",)
    ),
}


def remaining(note: Note) -> Note | None:
    """The note in the form in which it stays when its case is forgotten; None if it goes. Number, time and
    technician are the same."""
    ruling = RULINGS[note.kind]
    if ruling.fate is not Fate.REDUCED or note.subject in ruling.not_of:
        return None
    try:
        body = json.loads(note.body)
    except (ValueError, RecursionError):
        return None
    if not isinstance(body, dict):
        return None
    kept: dict[str, object] = {}
    for key, value in body.items():
        if key in ruling.whole or (ruling.digests and _is_digest(value)):
            kept[key] = value
        elif key in ruling.emptied:
            kept[key] = [] if isinstance(value, list) else FORGOTTEN if value else ""
    return replace(note, body=json.dumps(kept, ensure_ascii=False, sort_keys=True))


def _is_digest(value: object) -> bool:
    return isinstance(value, str) and _SHA256.fullmatch(value) is not None


NOT_THE_CUSTOMERS: Mapping[NoteKind, str] = {
    NoteKind.PLAN: "the shop's working paper; it names chips of donors",
    NoteKind.ALTERNATIVE: "the shop's own",
    NoteKind.LEARNED: "the shop's own",
    NoteKind.FAMILY: "the shop's own",
    NoteKind.CHANGE: "the shop's own",
}
"""Kinds that an export for the customer leaves out. What technicians remarked of the customer's things is in
it: an opinion about somebody is about them (CJEU C-434/16, 2017, from memory). The remark at closing is not:
it says what the shop learns from a case, and may not name the customer."""

EVENTS_NOT_THE_CUSTOMERS = frozenset({"donor"})
"""Kinds of events that it leaves out: they tell of the shop's stock, what it cost and where it came from. How
a swap went is in the notes."""

_PRICES = ("cost", "markup", "margin")
"""A member whose name holds one of these is what a thing costs the shop, not the customer."""
_CLOSING, _CLOSED = "closing", "Closed: "
"""Kind of the event that a case was closed, and how its text begins: the end, a full stop, the remark."""
REMARK = "remark"
"""The fact of that event that holds the remark, empty for none; older events lack it."""
_PATIENT = "patient"
"""Role of the customer's own chip in a `dump`."""


def for_customer(note: Note) -> Note | None:
    """The note as an export for the customer has it; None if it is left out: the shop's own, or of a donor's
    chip. Members that tell what things cost the shop, for which other case a donor was meant, or what the
    shop learns from the case (the remark at closing), go."""
    if note.kind in NOT_THE_CUSTOMERS:
        return None
    try:
        body = json.loads(note.body)
    except (ValueError, RecursionError):
        return note
    if isinstance(body, dict):
        if note.kind is NoteKind.DUMP and body.get("role") != _PATIENT:
            return None
        if note.kind is NoteKind.SWAP:
            body.pop("was", None)
        if note.kind is NoteKind.OUTCOME:
            body.pop("remark", None)
    return replace(note, body=json.dumps(_without_prices(body), ensure_ascii=False))


def event_for_customer(event: Event, remarks: Collection[str] = ()) -> Event | None:
    """The event as an export for the customer has it: without the remark at closing; None if left out.

    Args:
        remarks: the remarks of the case's outcomes, by which one is found in an event that does not hold it
            as a fact. A reason why it was closed all the same stands before it and stays; where neither tells
            how the text ends, it is cut at its first full stop, rather too early than with the remark.
    """
    if event.kind in EVENTS_NOT_THE_CUSTOMERS:
        return None
    if event.kind != _CLOSING or not event.text.startswith(_CLOSED):
        return event
    own = event.facts.get(REMARK)
    known = [own] if isinstance(own, str) else sorted(remarks, key=len, reverse=True)
    found = next((one for one in known if one and event.text.endswith(f". {one}")), None)
    if found is not None:
        text = event.text.removesuffix(f" {found}")
    elif own == "":
        text = event.text
    else:
        text = "".join(event.text.partition(".")[:2])  # no word for an end, for data or for a fault has one
    return replace(event, text=text, facts={key: one for key, one in event.facts.items() if key != REMARK})


def remark_of(note: Note) -> str:
    """The remark at closing that a note has, which an export for the customer leaves out; empty for none."""
    try:
        body = json.loads(note.body)
    except (ValueError, RecursionError):
        return ""
    if note.kind is not NoteKind.OUTCOME or not isinstance(body, dict):
        return ""
    return str(body.get("remark") or "")


def has_remark(note: Note) -> bool:
    """Whether a note has a remark at closing."""
    return bool(remark_of(note))


def _without_prices(value: object) -> object:
    if isinstance(value, dict):
        return {
            key: _without_prices(one)
            for key, one in value.items()
            if not any(word in key.casefold() for word in _PRICES)
        }
    if isinstance(value, list):
        return [_without_prices(one) for one in value]
    return value
