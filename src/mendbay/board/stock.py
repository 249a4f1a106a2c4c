"""The shop's donor stock: what an item is, where it lies, and what has become of it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.description import BoardDescription
from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line

NOTES_LIMIT = 10_000
"""Characters of notes on one item."""
PHOTOS_LIMIT = 100
"""Pictures named on one item."""
LARGEST_NUMBER = 2**53 - 1
"""Item numbers stay exact in JSON and JavaScript."""

_NOT_IN_NOTES = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
_CURRENCY = re.compile(r"[A-Z]{3}")
_LABEL = re.compile(r"mendbay:stock:([0-9]{6,16})")


class Kind(StrEnum):
    """What lies on the shelf."""

    BOARD = "board"
    DRIVE = "donor drive"
    """A whole drive, whose board and heads can both be taken."""


class Condition(StrEnum):
    """In what condition an item is, as far as the shop knows."""

    TESTED_GOOD = "tested good"
    UNTESTED = "untested"
    REPAIRED = "repaired"
    ROM_MISSING = "ROM missing"
    """The chip with the unique board data has been taken off."""
    DAMAGED = "damaged"


class StockState(StrEnum):
    """Whether an item can be taken."""

    FREE = "free"
    RESERVED = "reserved"
    USED = "used"
    REMOVED = "removed"
    """Thrown away, sold or sent back: it is not there any more, and its record stays."""


@dataclass(frozen=True, slots=True)
class StockItem:
    """One board or donor drive of the shop.

    Args:
        number: the ledger's number of it, 1 and up; 0 until the ledger has given one.
        kind: a board alone, or a whole drive.
        description: its identifiers.
        own_id: the mark the shop had given it before, by which a list read again finds it; empty if none.
        location: shelf, drawer or box.
        condition: as far as known.
        cost_minor: what it cost, in the smallest unit of its currency (cents); None if unknown.
        currency: ISO 4217 code of the cost; empty only without a cost.
        state: free, reserved, used or removed.
        case: number of the case it is reserved for or was used in; 0 while free or removed.
        photos: names of pictures of it, without folders.
        notes: anything else, over several lines if need be.

    Raises:
        UsageError: a text that cannot be kept, a number out of range, a cost without currency or the
            reverse, a state that does not fit the case, or a picture name that is a path.
    """

    number: int
    kind: Kind
    description: BoardDescription
    own_id: str = ""
    location: str = ""
    condition: Condition = Condition.UNTESTED
    cost_minor: int | None = None
    currency: str = ""
    state: StockState = StockState.FREE
    case: int = 0
    photos: tuple[str, ...] = ()
    notes: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.number <= LARGEST_NUMBER:
            raise UsageError(f"{self.number} cannot be an item's number.", "Use the number on its label.")
        require_line(self.own_id, "own id")
        require_line(self.location, "location")
        _require_cost(self.cost_minor, self.currency)
        _require_state(self.state, self.case)
        _require_photos(self.photos)
        _require_notes(self.notes)

    @property
    def name(self) -> str:
        """What a person knows it by: its board's number and revision, else its model; empty if unknown."""
        of = self.description
        return " ".join(one for one in (of.board_number, of.revision) if one) or of.model

    @property
    def full_name(self) -> str:
        """Board number, revision and model, as records name it; its kind if none is known."""
        of = self.description
        return " ".join(one for one in (of.board_number, of.revision, of.model) if one) or str(self.kind)


def _require_cost(minor: int | None, currency: str) -> None:
    if minor is None:
        if currency:
            raise UsageError(
                f"A currency ({currency[:8]!r}) is given without a cost.", "Give both, or neither."
            )
        return
    if not 0 <= minor < 2**53:
        raise UsageError(f"{minor} is not a cost.", "Give the cost in the currency's smallest unit.")
    if not _CURRENCY.fullmatch(currency):
        raise UsageError(
            f"{currency[:8]!r} is not a currency.", "Give its three-letter ISO 4217 code, such as EUR."
        )


def _require_state(state: StockState, case: int) -> None:
    if state in (StockState.FREE, StockState.REMOVED):
        if case:
            raise UsageError(f"A {state} item is tied to case {case}.", "Reserve it, or leave the case out.")
    elif not 0 < case < 2**31:
        raise UsageError(f"An item is {state} without a case.", "Name the case it is for.")


def _require_photos(photos: tuple[str, ...]) -> None:
    if len(photos) > PHOTOS_LIMIT:
        raise UsageError(f"{len(photos)} pictures are too many.", f"Name at most {PHOTOS_LIMIT}.")
    for name in photos:
        require_line(name, "picture's name")
        if not name.strip() or name in (".", "..") or "/" in name or "\\" in name:
            raise UsageError(
                f"{name[:40]!r} is not the name of a picture.", "Give its file name without folders."
            )


def _require_notes(notes: str) -> None:
    if len(notes) > NOTES_LIMIT:
        raise UsageError(f"Notes of {len(notes)} characters are too long.", f"Use at most {NOTES_LIMIT}.")
    bad = _NOT_IN_NOTES.search(notes)
    if bad:
        raise UsageError(
            f"The notes hold the character U+{ord(bad[0]):04X}, which cannot be kept.", "Leave it out."
        )


def label_text(number: int) -> str:
    """What the code on an item's label says: `mendbay:stock:000123`.

    Raises:
        UsageError: the item has no number yet.
    """
    if not 0 < number <= LARGEST_NUMBER:
        raise UsageError("An item without a number cannot have a label.", "Store it first.")
    return f"mendbay:stock:{number:06d}"


def number_in_label(text: str) -> int | None:
    """The item number in a code read off a label, or None if it is no label of the stock."""
    found = _LABEL.fullmatch(text.strip())
    number = int(found[1]) if found else 0
    return number if 0 < number <= LARGEST_NUMBER else None
