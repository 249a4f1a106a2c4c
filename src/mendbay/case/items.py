"""The physical things of a case: what each is, whose it is, and where it is now.

A thing has a number within its case, and a code made of both, `0007-01`, that stands on its label in writing
and as a QR code of the text `mendbay:case:0007-01`. What passes from hand to hand is a hand-over
(`case/hand_over.py`); everything else that happens to a thing is a move, and only moves that make sense are
let through.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line

ITEMS_LIMIT = 999
"""Things of one case: far more than a bench ever has of one (own choice)."""
LARGEST_CASE = 2**63 - 1

_CODE = re.compile(r"(?:mendbay:case:)?([0-9]{1,19})-([0-9]{1,4})")
_ALONE = re.compile(r"[0-9]{1,4}")


class What(StrEnum):
    """What a thing is."""

    BOX = "box"
    DRIVE = "drive"
    BOARD = "board"
    ADAPTER = "mains adapter"
    CABLE = "cable"
    ENVELOPE = "envelope"
    MEDIUM = "medium"
    """What files are handed back on, or were brought on."""
    OTHER = "other"


class Owner(StrEnum):
    """Whose a thing is."""

    CUSTOMER = "customer"
    SHOP = "shop"
    LENT = "lent by the shop"


class Where(StrEnum):
    """Where a thing is now."""

    HERE = "here"
    CUSTOMER = "with the customer"
    SENT = "sent away"
    USED = "used up"
    DESTROYED = "destroyed"


MOVES: Mapping[Where, frozenset[Where]] = {
    Where.HERE: frozenset({Where.HERE, Where.USED, Where.DESTROYED}),
    Where.CUSTOMER: frozenset(),
    Where.SENT: frozenset({Where.SENT, Where.CUSTOMER, Where.DESTROYED}),
    Where.USED: frozenset(),
    Where.DESTROYED: frozenset(),
}
"""From where a thing can move to where without passing through the shop's hands (own choice). What was sent
away can be passed on, reach the customer, or be destroyed there; it comes back by a hand-over alone."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing.

    Args:
        number: within the case, from 1.
        words: what it is, in words; they travel on its label and name no person.
        bay: the bay it belongs to, empty for none.
        marks: model, serial number and other marks as seen on it.
        condition: as seen.
        place: on the shelf while it is here; to whom it went while it is sent away; otherwise empty.

    Raises:
        UsageError: a number out of range or a text that cannot stand on a label, or a place that says nothing
            where a thing is sent away.
    """

    case: int
    number: int
    what: What
    words: str = ""
    bay: str = ""
    marks: str = ""
    condition: str = ""
    where: Where = Where.HERE
    place: str = ""
    owner: Owner = Owner.CUSTOMER

    def __post_init__(self) -> None:
        if not 0 < self.number <= ITEMS_LIMIT or not 0 < self.case <= LARGEST_CASE:
            raise UsageError(
                f"A case cannot have an item {self.number}.", f"The numbers of items are 1 to {ITEMS_LIMIT}."
            )
        for text, what in (
            (self.words, "words"),
            (self.bay, "bay"),
            (self.marks, "marks"),
            (self.condition, "condition"),
            (self.place, "place"),
        ):
            require_line(text, what)
        if self.where is Where.SENT and not self.place.strip():
            raise UsageError(f"It is not said where {self.code} was sent.", "Say to whom it went.")
        if self.place and self.where not in (Where.HERE, Where.SENT):
            raise UsageError(f"What is {self.where} has no place.", "Leave the place out.")

    @property
    def code(self) -> str:
        """`0007-01`."""
        return code_of(self.case, self.number)

    @property
    def named(self) -> str:
        """What it is, in a few words: `drive of bay 1`, `mains adapter`."""
        what = self.words or ("thing" if self.what is What.OTHER else str(self.what))
        if self.words and self.what is not What.OTHER:
            what = f"{self.what}: {self.words}"
        return f"{self.what} of bay {self.bay}" if self.bay and not self.words else what

    @property
    def traceable(self) -> str:
        """As custody names it: code, what it is and its marks; no free words, which might name a person."""
        of = f" of bay {self.bay}" if self.bay else ""
        return ", ".join(one for one in (f"{self.code} ({self.what}{of})", self.marks) if one)

    @property
    def whereabouts(self) -> str:
        """Where it is, in words: `here, shelf B4`, `sent to the laboratory`, `used up`."""
        if self.where is Where.SENT:
            return f"sent to {self.place}"
        return f"{self.where}, {self.place}" if self.place else str(self.where)


def code_of(case: int, number: int) -> str:
    """`0007-01`; both numbers grow beyond their digits when they must."""
    return f"{case:04}-{number:02}"


def label_text(item: Item) -> str:
    """What the code on an item's label says: `mendbay:case:0007-01`."""
    return f"mendbay:case:{item.code}"


def parse_code(text: str) -> tuple[int, int]:
    """The case and the number within it that a code names, typed or scanned.

    Raises:
        UsageError: it is none.
    """
    found = _CODE.fullmatch(text.strip().casefold())
    case, number = (int(found[1]), int(found[2])) if found else (0, 0)
    if not 0 < case <= LARGEST_CASE or not 0 < number <= ITEMS_LIMIT:
        raise UsageError(f"{text[:60]!r} is not the code of an item.", "Write it as on its label: 0007-01.")
    return case, number


def number_named(case: int, text: str) -> int:
    """The number of an item of a case, named by its code or by the number alone.

    Raises:
        UsageError: it is neither, or the code of another case.
    """
    if _ALONE.fullmatch(text.strip()):
        return int(text)
    of, number = parse_code(text)
    if of != case:
        raise UsageError(
            f"{code_of(of, number)} is an item of case {of}, not of {case}.", "Look at its label."
        )
    return number


def moved(item: Item, where: Where, place: str = "") -> Item:
    """The item somewhere else, without a hand-over.

    Raises:
        UsageError: it cannot get there from where it is, or the place is missing or makes no sense there.
    """
    if where not in MOVES[item.where]:
        raise UsageError(
            f"{item.code} is {item.whereabouts}; it cannot become: {where}.", _instead(item, where)
        )
    return replace(item, where=where, place=place.strip())


def _instead(item: Item, where: Where) -> str:
    if where is Where.HERE and item.where in (Where.CUSTOMER, Where.SENT):
        return f"mendbay case receive {item.case} {item.code} takes it back in."
    if item.where is Where.HERE:
        return f"mendbay case release {item.case} {item.code} --to customer, lab or courier hands it over."
    return "If what was noted is wrong, give the reason with --mistake."


def item_record(item: Item) -> dict[str, Any]:
    """The item as plain values, as a note keeps it."""
    return asdict(item)


def read_item(record: object) -> Item:
    """The item that `item_record` wrote.

    Raises:
        ValueError: it is none.
    """
    if not isinstance(record, dict) or set(record) != set(Item.__dataclass_fields__):
        raise ValueError("not the record of an item")
    texts = ("words", "bay", "marks", "condition", "place")
    if type(record["case"]) is not int or type(record["number"]) is not int:
        raise ValueError("an item's numbers are not numbers")
    if not all(isinstance(record[one], str) for one in texts):
        raise ValueError("an item's texts are not texts")
    words = {one: record[one] for one in texts}
    try:
        return Item(
            record["case"],
            record["number"],
            What(record["what"]),
            where=Where(record["where"]),
            owner=Owner(record["owner"]),
            **words,
        )
    except UsageError as trouble:
        raise ValueError(trouble.what) from trouble
