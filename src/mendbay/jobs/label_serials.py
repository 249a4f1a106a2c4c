"""The serial number on the label of a bay's drive: as it was typed, else as its pictures show it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Kind
from mendbay.case.records import Bay
from mendbay.core.quantity import chance_text
from mendbay.core.serials import plain_serial, same_serial
from mendbay.jobs.bench import Bench
from mendbay.jobs.read_pictures import identifiers_of, texts_of
from mendbay.jobs.said_serials import SERIAL_FROM_DRIVE, last_said

NEARLY_CERTAIN = 0.99
"""Confidence above which a serial number read from pictures counts as if it had been typed (own choice)."""
PART, FEW_PARTS = 3, 4
"""Characters of a part of a serial number, and one of how many of its parts must have been read as they are
for it to be weighed at all: a number that is read with certainty has hardly one of its characters misread
(own choice)."""
_OTHER = re.compile(r"[^0-9A-Z?]")


def typed_serial(bench: Bench, known: Bay) -> str:
    """The serial number of a bay as a person put it down; empty if nobody did, be it that its drive said one
    since."""
    if not plain_serial(known.serial):
        return ""
    by_drive = last_said(bench, known.case, known.bay).get(SERIAL_FROM_DRIVE) == known.serial
    return "" if by_drive else known.serial


def pictured_serials(bench: Bench, known: Bay) -> tuple[str, ...]:
    """What the pictures of a bay show with near certainty, the surest first, where nobody typed its label;
    several, as of a drive and of its board, all count."""
    if typed_serial(bench, known):
        return ()
    return shown_serials(bench, known)


def shown_serials(bench: Bench, known: Bay) -> tuple[str, ...]:
    """As `pictured_serials`, whether or not somebody typed the label."""
    return tuple(one.value for one in _of_pictures(bench, known) if _is_certain(one))


def may_show(bench: Bench, known: Bay, said: str) -> bool:
    """Whether what was read in the pictures of a bay has enough of a serial number in common that they can
    show it: told at once, as what they show with certainty is not."""
    plain = plain_serial(said)
    parts = {plain[at : at + PART] for at in range(max(1, len(plain) - PART + 1))}
    read = [plain_serial(one) for one in texts_of(bench, known.case, known.bay)]
    common = sum(any(part in one for one in read) for part in parts)
    return bool(plain) and common >= -(-len(parts) // FEW_PARTS)


def pictures_against(pictured: Sequence[str], said: str) -> bool:
    """Whether a drive says another serial number than each that its pictures show."""
    return bool(pictured) and not any(same_serial(one, said) for one in pictured)


def doubt_words(bench: Bench, known: Bay, said: str) -> str:
    """What is said where the pictures of a bay show another serial number than its drive says, but not with
    certainty: a sentence; empty otherwise."""
    if not plain_serial(said) or typed_serial(bench, known):
        return ""
    seen = _of_pictures(bench, known)
    if not seen or any(_is_certain(one) or _may_be(one, said) for one in seen):
        return ""
    surest = seen[0]
    return (
        f"The pictures of bay {known.bay} show serial number {surest.value}, read with "
        f"{chance_text(surest.confidence)}, and the drive says {said}. Look at its label: it may be another "
        "drive."
    )


def _of_pictures(bench: Bench, known: Bay) -> list[Identifier]:
    """The serial numbers that pictures of a bay show, the surest first; none where there is no such bay."""
    if all(one.bay != known.bay for one in bench.ledger.bays(known.case)):
        return []
    found = [one for one in identifiers_of(bench, known.case, known.bay) if one.kind is Kind.SERIAL]
    return sorted(found, key=lambda one: -one.confidence)


def _is_certain(one: Identifier) -> bool:
    return one.settled and one.confidence > NEARLY_CERTAIN and "?" not in one.value


def _may_be(one: Identifier, said: str) -> bool:
    """Whether what was read may be what a drive says, `?` standing for what could not be read."""
    texts = (one.value, *one.read_as, *(other.value for other in one.alternatives))
    return any(same_serial(text, said) or _matches(text, said) for text in texts)


def _matches(text: str, said: str) -> bool:
    plain = _OTHER.sub("", text.upper())
    return "?" in plain and re.fullmatch(plain.replace("?", "."), plain_serial(said)) is not None
