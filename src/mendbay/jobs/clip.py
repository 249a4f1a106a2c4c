"""The clip that a person has set on a chip at the bench."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from mendbay.board.flash_bus import FlashBus, SupplyQuestion, WhySupply, choose_voltage
from mendbay.board.flash_id import ChipFacts, Supply
from mendbay.jobs.board_ports import Programmers


def said_before(volts: Sequence[float], marked_3v: bool) -> Callable[[SupplyQuestion], bool]:
    """Answers questions about a supply with what a person said before they came up.

    Args:
        volts: the supplies that were set and checked.
        marked_3v: whether marking and data sheet were read and say that it is a 3 V part; without it a chip
            that gave no answer gets no higher supply.
    """

    def confirm(question: SupplyQuestion) -> bool:
        if question.why is WhySupply.NO_ANSWER and not marked_3v:
            return False
        return any(abs(one - question.volts) < ALIKE_VOLTS for one in volts)

    return confirm


ALIKE_VOLTS = 0.05
"""Supplies closer than this are the same."""


@dataclass(frozen=True, slots=True)
class Clip:
    """The clip a person has set on a chip.

    Args:
        programmers: the adapters at the bench.
        name: the adapter whose clip it is.
        confirm: asks the person before the chip gets a supply.
        marking: the supply the person read from the chip's marking and data sheet, if any.
    """

    programmers: Programmers
    name: str
    confirm: Callable[[SupplyQuestion], bool]
    marking: Supply = Supply.UNKNOWN

    @property
    def is_simulated(self) -> bool:
        """Whether the chip is one to practise on."""
        return self.programmers.is_simulated(self.name)

    @contextmanager
    def identified(self) -> Iterator[tuple[FlashBus, ChipFacts]]:
        """The chip, its supply set, and what it says it is.

        Raises:
            ProgrammerError: no adapter, no chip, a question not confirmed, or an id that is not steady.
            UsageError: the adapter's name is not understood.
        """
        with self.programmers.open(self.name) as bus:
            yield bus, choose_voltage(bus, self.confirm, self.marking)
