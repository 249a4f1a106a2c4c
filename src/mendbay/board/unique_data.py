"""The unique board data (ROM): whether it must move to a donor board, where it sits, and the odds.

A drive keeps values that were measured on that very drive in the non-volatile memory of its board, among
them those needed to read the reserved area that holds the rest (US patent 6 480 349, 2002; per head and
zone: US 6 195 218, US 6 690 523, US 5 870 237). Another board has another drive's values. Everything else
here is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.description import BoardDescription, comparison_key
from mendbay.board.swap_odds import Level
from mendbay.core.errors import UsageError
from mendbay.core.proportion import beta_quantile
from mendbay.core.quantity import chance_text
from mendbay.core.texts import require_line

PRIOR_WORKED, PRIOR_FAILED = 29.0, 0.7
"""Beta prior of a transfer whose ROM can be read: mean 97.6 %, over four fifths of its weight above 95 %.
Common practice, no source, is that over 95 % succeed, from burnt and water-damaged boards too; that this
weighs as much as some thirty outcomes of the shop is our own choice."""

NEVER_FIRMWARE = (
    "A firmware upgrade is a different thing: it replaces the program that all drives of a model share, does "
    "not bring back the values of this one drive, and can make matters worse. It is never a substitute."
)
NOT_MOVED = (
    "Without the patient's own data the drive usually spins up but is not detected, or is detected with a "
    "wrong name or size; it may also click. Do not go on trying: heads that search with another drive's "
    "values only wear."
)


class Work(StrEnum):
    """What is to be done with the patient."""

    BOARD_SWAP = "board swap"
    BOARD_REPAIR = "board repair"
    """The patient's own board is mended and stays."""
    HEAD_TRANSPLANT = "head transplant"
    """Heads come from a donor; the patient's own board stays."""


class Need(StrEnum):
    """Whether the unique board data has to be moved."""

    MUST = "must move"
    MAY = "may move"
    """It can work without, but moving is better."""
    NOT = "need not move"


class Seat(StrEnum):
    """Where the unique board data sits."""

    SEPARATE_CHIP = "separate chip"
    """Usually of 8 pins, beside the controller: it can be read, written and moved."""
    IN_CONTROLLER = "inside the controller"
    """It can only be moved with the controller, or through the drive's own commands."""
    UNKNOWN = "unknown"


class Pictures(StrEnum):
    """What the pictures of the board let one say about a separate chip."""

    NONE = "none"
    """No picture, or not both sides readable."""
    NO_CHIP_SEEN = "no chip seen"
    """Both sides readable, and no small chip with a memory marking on either."""


_KEEP_A_COPY = "Nothing is moved; read it and keep a copy all the same, if it can be read."
_HOW = {
    Seat.SEPARATE_CHIP: "Read the patient's chip several times until the reads agree, keep the dump, then "
    "write it to the donor's chip or move the chip itself.",
    Seat.IN_CONTROLLER: "It can only be moved with the controller chip itself, which is work for a rework "
    "station, or be read through the drive's own interface while the patient's board still answers. Mending "
    "the patient's board is often the shorter way.",
    Seat.UNKNOWN: "Find out first where it sits; do not power the donor board on the patient before.",
}


@dataclass(frozen=True, slots=True)
class FamilyNote:
    """What the shop knows of a model family: where the data sits and whether it must move, with the basis.

    Raises:
        UsageError: no family, no basis, or a text that cannot be kept.
    """

    family: str
    seat: Seat
    need: Need
    basis: str

    def __post_init__(self) -> None:
        require_line(self.family, "family")
        require_line(self.basis, "basis")
        if not comparison_key(self.family) or not self.basis.strip():
            raise UsageError("A note on a family lacks its name or basis.", "Say which family and how known.")


@dataclass(frozen=True, slots=True)
class TransferOutcome:
    """One transfer of the shop: whether the patient's ROM could be read at all, and whether the drive then
    worked with it (False if it could not be read)."""

    rom_read: bool
    worked: bool

    def __post_init__(self) -> None:
        if self.worked and not self.rom_read:
            raise UsageError("A transfer worked without its ROM being read.", "Record what was moved.")


@dataclass(frozen=True, slots=True)
class TransferOdds:
    """The chance that a transfer succeeds once the ROM can be read.

    `chance` is the mean of the Beta posterior, `low` and `high` its central 90 % interval; `outcomes` are
    the shop's transfers that count, `worked` of which worked; `unreadable` are those whose ROM could not
    be read, which do not count here.
    """

    chance: float
    low: float
    high: float
    outcomes: int
    worked: int
    unreadable: int

    def words(self) -> str:
        """The chance, its interval and what they rest on, in one sentence."""
        low, high = chance_text(self.low), chance_text(self.high)
        said = f"{chance_text(self.chance)} (9 in 10 between {low} and {high})"
        transfers = "transfer" if self.outcomes == 1 else "transfers"
        shop = f" and {self.outcomes} {transfers} of this shop, {self.worked} of which worked"
        text = (
            f"If the ROM can be read: {said}; rests on common practice{shop if self.outcomes else ' alone'}"
        )
        if self.unreadable:
            text += f"; {self.unreadable} more could not be read at all and are not counted"
        return f"{text}."


@dataclass(frozen=True, slots=True)
class UniqueData:
    """What to do about the unique board data.

    Args:
        need, need_reason: whether it must move, and why.
        seat, seat_reason: where it is likely to sit, and what says so.
        how: how it is moved from there.
        if_not_moved: what to expect otherwise; empty where nothing needs moving.
        never: why a firmware upgrade is not offered instead.
        odds: of a transfer; None where nothing needs moving.
        rom_level: what to rank donors with, see `match.Wanted.rom`: that it is moved wherever that helps.
    """

    need: Need
    need_reason: str
    seat: Seat
    seat_reason: str
    how: str
    if_not_moved: str
    never: str
    odds: TransferOdds | None
    rom_level: Level


def unique_data(
    patient: BoardDescription,
    work: Work,
    *,
    pictures: Pictures = Pictures.NONE,
    notes: Iterable[FamilyNote] = (),
    outcomes: Iterable[TransferOutcome] = (),
) -> UniqueData:
    """Whether the patient's unique board data must move, where it likely sits, and what to expect.

    A marking that was seen outweighs what is noted of the family, and that outweighs what pictures do not
    show. Of several notes on the patient's family the first counts.
    """
    family = comparison_key(patient.family)
    note = next((one for one in notes if family and comparison_key(one.family) == family), None)
    seat, seat_reason = _seat(patient, pictures, note)
    need, need_reason = _need(work, note)
    moves = need is not Need.NOT
    return UniqueData(
        need,
        need_reason,
        seat,
        seat_reason,
        _HOW[seat] if moves else _KEEP_A_COPY,
        NOT_MOVED if moves else "",
        NEVER_FIRMWARE,
        transfer_odds(outcomes) if moves else None,
        Level.MOVED if moves else Level.NOT_NEEDED,
    )


def _seat(patient: BoardDescription, pictures: Pictures, note: FamilyNote | None) -> tuple[Seat, str]:
    if comparison_key(patient.rom_chip):
        reason = f"The marking {patient.rom_chip} of a memory chip was seen on the board."
        if note and note.seat is Seat.IN_CONTROLLER:
            reason += f" The note on family {note.family} says otherwise ({note.basis}): look again."
        return Seat.SEPARATE_CHIP, reason
    if note and note.seat is not Seat.UNKNOWN:
        reason = f"Noted of family {note.family}: {note.basis}."
        if note.seat is Seat.SEPARATE_CHIP and pictures is Pictures.NO_CHIP_SEEN:
            reason += " The pictures show none, though: it may have been taken off. Look again."
        return note.seat, reason
    if pictures is Pictures.NO_CHIP_SEEN:
        return Seat.IN_CONTROLLER, (
            "Maybe: both sides are readable in the pictures and neither shows a separate memory chip. Make "
            "sure under a magnifier, also for an empty place where one was taken off."
        )
    return Seat.UNKNOWN, (
        "No marking of a memory chip is known, and the pictures do not show that there is none. Photograph "
        "both sides of the board and look for a chip of 8 pins beside the controller."
    )


def _need(work: Work, note: FamilyNote | None) -> tuple[Need, str]:
    if work is Work.BOARD_REPAIR:
        return Need.NOT, "The patient's own board stays, and its data with it."
    if work is Work.HEAD_TRANSPLANT:
        return (
            Need.NOT,
            "The patient keeps its own board, and its data with it. Never take the donor's board.",
        )
    if note:
        return note.need, f"Noted of family {note.family}: {note.basis}."
    return Need.MUST, (
        "It holds values measured on this very drive, which are needed to read the area that holds the rest "
        "(US patent 6 480 349). That some older families do without is only taken for true if noted."
    )


def transfer_odds(outcomes: Iterable[TransferOutcome]) -> TransferOdds:
    """The chance of a transfer whose ROM can be read: the Beta prior of common practice (`PRIOR_WORKED`,
    `PRIOR_FAILED`) with the shop's own outcomes added to it."""
    every = list(outcomes)
    counted = [one for one in every if one.rom_read]
    worked = sum(one.worked for one in counted)
    alpha, beta = PRIOR_WORKED + worked, PRIOR_FAILED + len(counted) - worked
    low, high = beta_quantile(alpha, beta, 0.05), beta_quantile(alpha, beta, 0.95)
    return TransferOdds(alpha / (alpha + beta), low, high, len(counted), worked, len(every) - len(counted))
