"""Items that pass from one hand to another: what may pass, and the record of it.

Hands are named by their role (customer, laboratory, courier, shop). A person's name stands in the record, for
the paper to sign, and nowhere else.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from mendbay.case.items import Item, Owner, Where, item_record, read_item
from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line, require_moment, require_text

MOST_ITEMS = 30
"""Items of one hand-over: with all their marks they fit into one entry of custody."""

GONE = (Where.USED, Where.DESTROYED)
"""Where nothing comes back from."""

_SHA256 = re.compile(r"[0-9a-f]{64}")


class Direction(StrEnum):
    """Which way items pass, seen from the shop."""

    RECEIVED = "received"
    RELEASED = "released"


class Role(StrEnum):
    """The other hand."""

    CUSTOMER = "customer"
    LAB = "lab"
    COURIER = "courier"

    @property
    def words(self) -> str:
        return "laboratory" if self is Role.LAB else str(self)


@dataclass(frozen=True, slots=True)
class Signed:
    """A scan or photo of the signed paper: where the case's folder keeps it, and its digest."""

    path: str
    sha256: str
    size_bytes: int
    at: str


@dataclass(frozen=True, slots=True)
class HandOver:
    """One hand-over.

    Args:
        number: within the case, from 1.
        items: as they were after it; the condition is the one signed for.
        role: the other hand.
        person: who took or brought them, for the paper; empty if not said.
        words: what was agreed, for the paper.
        who: the person of the shop.
        head: the head of the custody log with the entry of this hand-over, as receipts print it.
        signed: what was kept of the signed paper; empty until it is.
        customer: as they were called then, for the paper; empty where that was not kept.
        called_off: why it counts as never made; empty if it stands.
    """

    case: int
    number: int
    direction: Direction
    role: Role
    items: tuple[Item, ...]
    at: str
    who: str
    person: str = ""
    words: str = ""
    head: str = ""
    signed: tuple[Signed, ...] = ()
    customer: str = ""
    called_off: str = ""

    def __post_init__(self) -> None:
        require_moment(self.at)
        require_line(self.person, "name")
        require_text(self.words)
        if not self.items:
            raise UsageError("Nothing is handed over.", "Name the items by their codes.")
        if len(self.items) > MOST_ITEMS:
            raise UsageError(
                f"{len(self.items)} items are too many for one hand-over.",
                f"Hand over up to {MOST_ITEMS} at once.",
            )

    @property
    def between(self) -> str:
        """From whom to whom, as roles: `from the shop to the customer`."""
        if self.direction is Direction.RECEIVED:
            return f"from the {self.role.words} to the shop"
        return f"from the shop to the {self.role.words}"

    @property
    def custody_words(self) -> tuple[str, str]:
        """What custody says was done, and to which things."""
        side = "from" if self.direction is Direction.RECEIVED else "to"
        things = "; ".join(one.traceable for one in self.items)
        return f"{self.direction} {side} the {self.role.words}, hand-over {self.number}", things


def papers_of(earlier: Iterable[HandOver]) -> dict[int, int]:
    """The last hand-over of each item, by the item's number; those that were called off made no paper."""
    return {one.number: over.number for over in earlier if not over.called_off for one in over.items}


def can_come_in(item: Item, papered: Container[int]) -> bool:
    """Whether an item can be received: it is away, or it is the customer's, here since take-in and not on any
    paper yet.

    Args:
        papered: numbers of the items that a hand-over was of (`papers_of`).
    """
    if item.where is Where.HERE:
        return item.owner is Owner.CUSTOMER and item.number not in papered
    return item.where not in GONE


def can_leave(item: Item) -> bool:
    """Whether an item can be released: it is here."""
    return item.where is Where.HERE


def received(items: Sequence[Item], earlier: Iterable[HandOver], place: str = "") -> tuple[Item, ...]:
    """The items once they are in the shop. What is here since take-in can be received once, so that there is
    a paper of it.

    Raises:
        UsageError: one cannot come in: it is here already, used up, destroyed or the shop's own.
    """
    papered = papers_of(earlier)
    _require_different(items)
    for item in items:
        if item.where is Where.HERE and not can_come_in(item, papered):
            since = f" since hand-over {papered[item.number]}" if item.number in papered else ""
            raise UsageError(
                f"{item.code} is here already{since}.", f"mendbay case items {item.case} tells where all are."
            )
        _require_exists(item)
    return tuple(
        replace(item, where=Where.HERE, place=place or (item.place if item.where is Where.HERE else ""))
        for item in items
    )


def released(items: Sequence[Item], role: Role) -> tuple[Item, ...]:
    """The items once they left the shop.

    Raises:
        UsageError: one cannot leave: it is not here.
    """
    _require_different(items)
    for item in items:
        _require_exists(item)
        if not can_leave(item):
            raise UsageError(
                f"{item.code} cannot be handed over: it is {item.whereabouts}.",
                f"mendbay case receive {item.case} {item.code} takes it back in first, once it is here.",
            )
    where = Where.CUSTOMER if role is Role.CUSTOMER else Where.SENT
    place = "" if where is Where.CUSTOMER else f"the {role.words}"
    return tuple(replace(item, where=where, place=place) for item in items)


def _require_exists(item: Item) -> None:
    if item.where in GONE:
        raise UsageError(
            f"{item.code} cannot be handed over: it is {item.where}.",
            f"If that is a mistake: mendbay case item-move {item.case} {item.code} here --mistake REASON.",
        )


def _require_different(items: Sequence[Item]) -> None:
    numbers = [one.number for one in items]
    twice = next((one for one in items if numbers.count(one.number) > 1), None)
    if twice is not None:
        raise UsageError(f"{twice.code} is named twice.", "Name each item once.")


def hand_over_record(one: HandOver) -> dict[str, Any]:
    """The hand-over as plain values, as a note keeps it."""
    return {
        "number": one.number,
        "direction": str(one.direction),
        "role": str(one.role),
        "items": [item_record(item) for item in one.items],
        "at": one.at,
        "who": one.who,
        "person": one.person,
        "words": one.words,
        "customer": one.customer,
        "head": one.head,
        "signed": [
            {"path": each.path, "sha256": each.sha256, "size_bytes": each.size_bytes, "at": each.at}
            for each in one.signed
        ],
        **({"called_off": one.called_off} if one.called_off else {}),
    }


def read_hand_over(case: int, record: object) -> HandOver:
    """The hand-over that `hand_over_record` wrote.

    Raises:
        ValueError: it is none.
    """
    later = {"customer", "called_off"}  # the first hand-overs were recorded without
    names = {*HandOver.__dataclass_fields__} - {"case"} - later
    if not isinstance(record, dict) or set(record) - later != names:
        raise ValueError("not the record of a hand-over")
    customer, called_off = record.get("customer", ""), record.get("called_off", "")
    if type(record["number"]) is not int:
        raise ValueError("a hand-over's number is no number")
    texts = (*(record[one] for one in ("at", "who", "person", "words", "head")), customer, called_off)
    if not all(isinstance(one, str) for one in texts):
        raise ValueError("a hand-over's texts are not texts")
    if not isinstance(record["items"], list) or not isinstance(record["signed"], list):
        raise ValueError("a hand-over's lists are not lists")
    try:
        return HandOver(
            case,
            record["number"],
            Direction(record["direction"]),
            Role(record["role"]),
            tuple(read_item(one) for one in record["items"]),
            record["at"],
            record["who"],
            record["person"],
            record["words"],
            record["head"],
            tuple(_read_signed(one) for one in record["signed"]),
            customer,
            called_off,
        )
    except UsageError as trouble:
        raise ValueError(trouble.what) from trouble


def _read_signed(record: object) -> Signed:
    if not isinstance(record, dict) or set(record) != set(Signed.__dataclass_fields__):
        raise ValueError("not the record of a signed paper")
    path, digest, size, at = (record[one] for one in ("path", "sha256", "size_bytes", "at"))
    sound = isinstance(path, str) and isinstance(at, str) and isinstance(digest, str) and type(size) is int
    if not sound or not _SHA256.fullmatch(digest):
        raise ValueError("not the record of a signed paper")
    return Signed(path, digest, size, at)
