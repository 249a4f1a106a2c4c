"""The options of works on a chip, read strictly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from mendbay.board.flash_id import Supply
from mendbay.board.rom_vote import MOST_READS
from mendbay.board.transfer_plan import Role
from mendbay.core.errors import UsageError
from mendbay.jobs.board_ports import Programmers
from mendbay.jobs.clip import Clip, said_before
from mendbay.jobs.rom_reads import READS

LEAST_VOLTS, MOST_VOLTS = 1.0, 5.5
"""No serial flash takes less or more."""


class GivenOptions(Protocol):
    """The options of an order, each read once."""

    def text(self, name: str, *, needed: bool = False) -> str: ...

    def texts(self, name: str) -> Sequence[str]: ...

    def flag(self, name: str) -> bool: ...

    def number(self, name: str, least: float, most: float, usual: float | None = None) -> float | None: ...


@dataclass(frozen=True, slots=True)
class ClipSaid:
    """What a person said of the clip before the work began.

    Args:
        programmer: the adapter.
        volts: the supplies that were set and checked.
        marked_3v: marking and data sheet say that it is a 3 V part.
    """

    programmer: str
    volts: tuple[float, ...]
    marked_3v: bool

    def clip(self, programmers: Programmers) -> Clip:
        """The clip that answers as the person did."""
        marking = Supply.HIGH if self.marked_3v else Supply.UNKNOWN
        return Clip(programmers, self.programmer, said_before(self.volts, self.marked_3v), marking)


@dataclass(frozen=True, slots=True)
class ReadChip:
    """As `rom read` takes them."""

    bay: str
    role: Role
    times: int
    clip: ClipSaid


@dataclass(frozen=True, slots=True)
class WriteChip:
    """As `rom write` takes them, or `rom restore`.

    Args:
        plan: digest of the plan that the person saw.
        restore: the backup is put back instead.
        roles_checked, same_chip, put_away: a person's word, see `transfer_rom.carry_out`.
        although, asked: what the customer's word asks for, see there.
    """

    bay: str
    plan: str
    restore: bool
    roles_checked: bool
    same_chip: bool
    put_away: bool
    clip: ClipSaid
    although: str = ""
    asked: bool = False


def read_chip_options(given: GivenOptions) -> ReadChip:
    """
    Raises:
        UsageError: one is missing, of another kind or out of its bounds.
    """
    times = given.number("times", 2, MOST_READS, READS) or READS
    if times != int(times):
        raise UsageError(f"A chip cannot be read {times:g} times.", "Give times as a whole number.")
    return ReadChip(given.text("bay", needed=True), _role(given), int(times), _clip(given))


def write_chip_options(given: GivenOptions) -> WriteChip:
    """
    Raises:
        UsageError: one is missing, of another kind or out of its bounds.
    """
    return WriteChip(
        given.text("bay", needed=True),
        given.text("plan", needed=True),
        given.flag("restore"),
        given.flag("roles_checked"),
        given.flag("same_chip"),
        given.flag("patient_put_away"),
        _clip(given),
        given.text("although_refused"),
        given.flag("customer_asked"),
    )


def _role(given: GivenOptions) -> Role:
    word = given.text("role", needed=True)
    try:
        return Role(word)
    except ValueError:
        raise UsageError(f"'{word[:60]}' is nobody's chip.", f"Say one of {', '.join(Role)}.") from None


def _clip(given: GivenOptions) -> ClipSaid:
    volts = []
    for one in given.texts("supply_checked"):
        try:
            said = float(one)
        except ValueError:
            said = 0.0
        if not LEAST_VOLTS <= said <= MOST_VOLTS:  # not a number is refused too
            raise UsageError(
                f"{one[:20]} V is no supply of a serial flash.", f"Give {LEAST_VOLTS} to {MOST_VOLTS} V."
            )
        volts.append(said)
    return ClipSaid(given.text("programmer", needed=True), tuple(volts), given.flag("marked_3v"))
