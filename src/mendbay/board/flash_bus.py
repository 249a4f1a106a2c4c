"""A serial-flash chip on a clip: the bus to it, which supply it may have, and what it is.

Commands: JEDEC JESD216 and the common 25-series set (Linux kernel, include/linux/mtd/spi-nor.h).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from mendbay.board.flash_id import (
    HIGH_VOLTS,
    ID_BYTES,
    LOWEST_VOLTS,
    ChipFacts,
    FlashId,
    Supply,
    chip_facts,
)
from mendbay.board.sfdp import HEADER_BYTES, MOST_BYTES, headers_end, tables_end
from mendbay.core.errors import ProgrammerError

READ_ID = 0x9F
READ_SFDP = 0x5A
WAKE = 0xAB

ID_READS = 5

CAUTIONS = (
    "Take all power off the board: unplug the drive, and leave nothing connected but the clip.",
    "Set the clip the right way round: its marked wire on pin 1, beside the dot on the chip.",
    "Never feed the whole board through the clip; if its lamp lights or the supply drops, take the clip off.",
    "If the chip does not answer, the board holds its lines: isolate it, or lift the chip and read it alone.",
    "Begin with the lowest supply: 3.3 V can destroy a 1.8 V chip, 1.8 V harms none.",
)
"""What to do before the clip goes on. Common practice, no source."""


class FlashBus(Protocol):
    """A chip on a clip: one exchange is one frame of the chip-select line, mode 0, highest bit first."""

    @property
    def name(self) -> str:
        """The adapter, as a record names it."""
        ...

    @property
    def volts(self) -> float | None:
        """The supply the chip has; None as long as nobody has said."""
        ...

    @property
    def clock_hz(self) -> float: ...

    def set_supply(self, volts: float) -> None:
        """The chip now has this supply: an adapter that can sets it, for another a person has just set it."""
        ...

    def close(self) -> None:
        """Lets go of the adapter; the supply is no longer confirmed. Closing again does nothing."""
        ...

    def exchange(self, out: bytes, read_count: int) -> bytes:
        """Sends `out`, then reads exactly `read_count` bytes, in one frame of at most 65 280 bytes each way.

        Raises:
            ProgrammerError: the adapter does not answer.
        """
        ...


class WhySupply(StrEnum):
    """Why a supply is asked for."""

    LOWEST_FIRST = "lowest first"
    ID_SAYS_SO = "the id is of a 3 V part"
    MARKING_SAYS_SO = "a person read from its marking that it is a 3 V part"
    NO_ANSWER = "no answer at the lowest"


@dataclass(frozen=True, slots=True)
class SupplyQuestion:
    """What a person must confirm before the chip gets a supply: the sentence, and what to heed first."""

    volts: float
    why: WhySupply
    sentence: str
    cautions: tuple[str, ...] = CAUTIONS


_SAY_SO = "say so: the same command with"
_BOTH_CHECKED = "--supply-checked 1.8 --supply-checked 3.3"
_SAY_HIGH = f"Set and check 3.3 V, then {_SAY_SO} {_BOTH_CHECKED}"
_UNCONFIRMED = {
    WhySupply.LOWEST_FIRST: (
        "nothing was sent to it",
        f"Set and check 1.8 V, then {_SAY_SO} --supply-checked 1.8",
    ),
    WhySupply.ID_SAYS_SO: ("at 1.8 V it was asked for its id alone", _SAY_HIGH),
    WhySupply.MARKING_SAYS_SO: ("at 1.8 V it was asked for its id alone", _SAY_HIGH),
    WhySupply.NO_ANSWER: (
        "at 1.8 V it was asked for its id alone and gave no steady answer",
        "Check the clip; if marking and data sheet say that it is a 3 V part, set and check 3.3 V, then "
        f"{_SAY_SO} --marked-3v {_BOTH_CHECKED}",
    ),
}
"""Where a supply was not confirmed: what was sent to the chip before, and the next step."""


def choose_voltage(
    bus: FlashBus, confirm: Callable[[SupplyQuestion], bool], marking: Supply = Supply.UNKNOWN
) -> ChipFacts:
    """Finds the supply of a chip, lowest first, and says what the chip is.

    1.8 V is asked for first. 3.3 V is asked for only if the chip's id is then that of a 3 V part; or is of no
    listed line and the marking is that of one; or if the chip does not answer and a person says that it is
    one.

    Args:
        confirm: gets each question, and returns True once the person has done and checked it.
        marking: what the person read from the chip's marking and its data sheet, if anything.

    Raises:
        ProgrammerError: a question was not confirmed, the chip does not answer or answers unsteadily, or
            its id at the higher supply is another.
    """
    _ask(bus, confirm, LOWEST_VOLTS, WhySupply.LOWEST_FIRST, "Set the adapter to 1.8 V, then set the clip.")
    answers = _id_answers(bus, ID_READS)  # an adapter that fails is no chip that is silent
    try:
        first = _one_id(answers)
    except ProgrammerError:
        said = (
            "The chip does not answer steadily at 1.8 V. Is it a 3 V part by its marking and data sheet? "
            "Only then set the adapter to 3.3 V."
        )
        _ask(bus, confirm, HIGH_VOLTS, WhySupply.NO_ANSWER, said)
        facts = identify(bus)
        if facts.supply is Supply.LOW:
            raise ProgrammerError(
                f"The chip answers as {facts.name}, a 1.8 V part, and has 3.3 V",
                "Take its supply off at once, and begin again with 1.8 V",
            ) from None
        return facts
    if first.supply is Supply.HIGH:
        said = f"The chip is {first.text}, a 3 V part by its id. Set the adapter to 3.3 V."
        _ask(bus, confirm, HIGH_VOLTS, WhySupply.ID_SAYS_SO, said)
    elif first.supply is Supply.UNKNOWN and marking is Supply.HIGH:
        said = f"The chip is {first.text}, a 3 V part by its marking. Set the adapter to 3.3 V."
        _ask(bus, confirm, HIGH_VOLTS, WhySupply.MARKING_SAYS_SO, said)
    facts = identify(bus)
    if facts.id != first:
        raise ProgrammerError(
            f"The chip answered as {first.text} and now as {facts.id.text}",
            "Check the clip and its wires, then begin again with 1.8 V",
        )
    return facts


def identify(bus: FlashBus) -> ChipFacts:
    """What the chip on the clip is, from its id and its own table, the table read twice and the id again.

    Raises:
        ProgrammerError: no chip answers, or not every time the same.
    """
    chip = read_id(bus)
    raw = read_sfdp(bus)
    if read_sfdp(bus) != raw:
        raise unsteady("Two reads of its parameter table differ")
    again = read_id(bus, 2)  # or a chip that has gone meanwhile would pass for one without a table
    if again != chip:
        raise unsteady(f"The chip answered as {chip.text} and now as {again.text}")
    return chip_facts(chip, raw)


def read_id(bus: FlashBus, times: int = ID_READS) -> FlashId:
    """The id of the chip, read several times.

    Raises:
        ProgrammerError: nothing but FF or nothing but 00 came, also after waking the chip; or the answers
            differ.
    """
    return _one_id(_id_answers(bus, times))


def read_sfdp(bus: FlashBus) -> bytes:
    """The chip's own table from its signature to the end of its last part; empty if it has none."""
    first = _sfdp_part(bus, 0, HEADER_BYTES)
    end = headers_end(first)
    if not end:
        return b""
    start = _sfdp_part(bus, 0, end)
    return _sfdp_part(bus, 0, min(tables_end(start), MOST_BYTES))


def _ask(
    bus: FlashBus, confirm: Callable[[SupplyQuestion], bool], volts: float, why: WhySupply, sentence: str
) -> None:
    if not confirm(SupplyQuestion(volts, why, sentence)):
        sent, step = _UNCONFIRMED[why]
        raise ProgrammerError(f"Nobody has confirmed that the chip may have {volts:g} V; {sent}", step)
    bus.set_supply(volts)


def _id_answers(bus: FlashBus, times: int) -> list[bytes]:
    answers = [bus.exchange(bytes([READ_ID]), ID_BYTES)]
    if _is_nothing(answers[0]):
        bus.exchange(bytes([WAKE]), 0)  # a chip left in deep power-down answers nothing else
        answers = [bus.exchange(bytes([READ_ID]), ID_BYTES)]
    return answers + [bus.exchange(bytes([READ_ID]), ID_BYTES) for _ in range(times - 1)]


def _one_id(answers: list[bytes]) -> FlashId:
    if all(_is_nothing(one) for one in answers):
        level = "high" if answers[0][0] else "low"
        raise ProgrammerError(
            f"No chip answers: the data line stays {level}",
            "Check the supply, which way round the clip sits, and whether the board holds the chip's lines",
        )
    ids = [FlashId.parse(one) for one in answers]
    if any(one != ids[0] for one in ids):
        several = ", ".join(sorted({one.text for one in ids}))
        raise unsteady(f"Its id is not the same every time: {several}")
    return ids[0]


def _is_nothing(answer: bytes) -> bool:
    return answer[:3] in (b"\xff\xff\xff", b"\x00\x00\x00")


def _sfdp_part(bus: FlashBus, offset: int, count: int) -> bytes:
    return bus.exchange(bytes([READ_SFDP]) + offset.to_bytes(3, "big") + b"\0", count)


def unsteady(what: str) -> ProgrammerError:
    """The trouble with a clip that does not hold: what was seen."""
    return ProgrammerError(
        what, "Press the clip on anew and shorten its wires or lower the clock, then begin again"
    )
