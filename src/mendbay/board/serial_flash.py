"""Driver of an identified 25-series serial-flash chip over any bus that can exchange a chip-select frame.

Reading needs nothing but the chip. Erasing and programming need a `WritePermit`, and go only
to the blocks of its verified plan, with the very bytes it holds, and never to what could be the patient's.
Commands: JEDEC JESD216 and the common 25-series set (Linux kernel, include/linux/mtd/spi-nor.h).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from mendbay.board.flash_bus import FlashBus, read_id, unsteady
from mendbay.board.flash_id import Addressing, ChipFacts, size_text
from mendbay.board.sfdp import EnterFourByte
from mendbay.board.transfer_check import VerifiedPlan
from mendbay.board.transfer_permit import WritePermit, require_permit
from mendbay.board.transfer_plan import BLANK, as_array
from mendbay.core.clock import Clock, SystemClock
from mendbay.core.errors import ProgrammerError, TransferRefused, UsageError

READ_STATUS = 0x05
WRITE_ENABLE = 0x06
WRITE_DISABLE = 0x04
READ = 0x03
FAST_READ = 0x0B
READ_FOUR = 0x13
PROGRAM_PAGE = 0x02
PROGRAM_PAGE_FOUR = 0x12
ENTER_FOUR_BYTE = 0xB7
EXIT_FOUR_BYTE = 0xE9

BUSY = 1 << 0
WRITE_ENABLED = 1 << 1
NO_ANSWER = 0xFF
"""What a status reads when no chip answers."""
PROTECTION = 0b0011_1100
"""Block protection bits. Bit 6 is not among them: at several makers it enables four data lines."""

FRAME_BYTES = 16384
"""How much is read in one frame: below the longest transfer of any adapter."""
PLAIN_READ_HZ = 20_000_000
"""Up to this clock every part answers the plain read (M25P, the slowest; from memory)."""
MANY_BYTES, MANY_SHARE = 16, 32
"""So many bytes and so large a part of a place are more than noise on a clip that still gives an id."""
DIFFERENCE_LOOKS = 3
PROGRAM_SECONDS = 1.0
ERASE_SECONDS = 10.0
"""Limits, several times the longest a part may take for a page (5 ms) and for 64 KiB (2 s); from memory."""


@dataclass(frozen=True, slots=True)
class ReadProgress:
    """How far reading a whole chip is: `read_number` of `reads`, from 1, and bytes within it."""

    read_number: int
    reads: int
    done_bytes: int
    total_bytes: int


class SerialFlash:
    """One identified chip on a bus.

    Args:
        facts: what the chip is.
        size_bytes: its size where neither id nor table says it, as the person found it.
        clock: for the limits of waiting.

    Raises:
        UsageError: the size is not known.
    """

    def __init__(
        self, bus: FlashBus, facts: ChipFacts, *, size_bytes: int | None = None, clock: Clock | None = None
    ) -> None:
        known = size_bytes or facts.largest_size_bytes
        if known is None or known < 1:
            raise UsageError(
                f"Neither the id {facts.id.text} nor a table says how large the chip is",
                "Give its size, as its marking or data sheet says",
            )
        self.bus = bus
        self.facts = facts
        self.size_bytes = known
        self._clock = clock or SystemClock()
        self._mode_entered = False

    def read(self, offset: int, count: int) -> bytes:
        """`count` bytes from `offset` on.

        Raises:
            ProgrammerError: the adapter does not answer, or the chip stays in a mode of another's.
            ValueError: not all of it lies on the chip.
        """
        if offset < 0 or count < 0 or offset + count > self.size_bytes:
            raise ValueError(f"{count} bytes at {offset} are not all on a chip of {self.size_bytes}")
        self._enter_mode()
        parts = []
        while count:
            part = min(count, FRAME_BYTES)
            parts.append(self._read_frame(offset, part))
            offset, count = offset + part, count - part
        return b"".join(parts)

    def read_whole(
        self, times: int = 2, progress: Callable[[ReadProgress], None] = lambda _: None
    ) -> tuple[bytes, ...]:
        """The whole chip, several times, with a fresh look at its id before each and after the last.

        The reads are given as they came: whether they agree is for the caller to judge.

        Raises:
            ProgrammerError: the chip no longer answers, or as another.
        """
        reads = []
        for number in range(1, times + 1):
            self.check_same()
            parts = []
            for offset in range(0, self.size_bytes, FRAME_BYTES):
                count = min(FRAME_BYTES, self.size_bytes - offset)
                parts.append(self.read(offset, count))
                progress(ReadProgress(number, times, offset + count, self.size_bytes))
            reads.append(b"".join(parts))
        self.check_same()
        return tuple(reads)

    def check_same(self) -> None:
        """Asks the chip for its id again.

        Raises:
            ProgrammerError: it does not answer, or as another chip.
        """
        now = read_id(self.bus, 2)
        if now != self.facts.id:
            raise unsteady(f"The chip answered as {self.facts.id.text} and now as {now.text}")

    def status(self) -> int:
        """The status register."""
        return self.bus.exchange(bytes([READ_STATUS]), 1)[0]

    def check_unprotected(self) -> None:
        """Looks at the block protection bits.

        Raises:
            TransferRefused: some are set.
            ProgrammerError: no chip answers.
        """
        status = self.status()
        if status == NO_ANSWER:
            self.check_same()
        _refuse_protected(status)

    def erase(self, permit: WritePermit, offset: int, size_bytes: int) -> None:
        """Erases one block of a verified plan and waits until it is done.

        Raises:
            TransferRefused: there is no permit for this bus, the plan does not hold this block for this chip,
                or the chip may be the patient's.
            ProgrammerError: the chip does not take the command or does not end in time.
        """
        plan = self._plan_of(permit)
        if not plan.allows_block(offset, size_bytes):
            raise _not_held(offset)
        unit = plan.unit(size_bytes)
        four = self.facts.addressing is Addressing.FOUR_INSTRUCTIONS
        opcode = unit.four_byte_opcode if four else unit.opcode
        if opcode is None:
            raise _not_held(offset)
        self.check_same()
        self._check_not_patient(permit, offset, self.read(offset, size_bytes))
        self._enable_write()
        self.bus.exchange(bytes([opcode]) + self._address(offset), 0)
        self._wait(ERASE_SECONDS)

    def program(self, permit: WritePermit, offset: int, data: bytes) -> None:
        """Programs bytes of a verified plan within one blank page and waits until it is done.

        Raises:
            TransferRefused: there is no permit for this bus, the plan does not hold these bytes there for
                this chip, what stands there is not blank, or the chip may be the patient's.
            ProgrammerError: the chip does not take the command or does not end in time.
        """
        plan = self._plan_of(permit)
        if not plan.allows_page(offset, data):
            raise _not_held(offset)
        present = self.read(offset, len(data))
        if present.count(BLANK) != len(present):
            raise TransferRefused(
                f"The page at {offset:X}h is not blank, and nothing is programmed over what stands there",
                "Check the clip, then start the same plan again with the same journal",
            )
        self._check_not_patient(permit, offset, present)
        self._enable_write()
        four = self.facts.addressing is Addressing.FOUR_INSTRUCTIONS
        opcode = PROGRAM_PAGE_FOUR if four else PROGRAM_PAGE
        self.bus.exchange(bytes([opcode]) + self._address(offset) + data, 0)
        self._wait(PROGRAM_SECONDS)

    def leave(self) -> None:
        """Puts the addressing of the chip back as it was found."""
        if self._mode_entered:
            self.bus.exchange(bytes([EXIT_FOUR_BYTE]), 0)
            self._mode_entered = False

    def _plan_of(self, permit: object) -> VerifiedPlan:
        plan = require_permit(permit, self.bus).plan
        if plan.target.id != self.facts.id or len(plan.image) != self.size_bytes:
            raise _not_held(0)
        return plan

    def _check_not_patient(self, permit: WritePermit, offset: int, present: bytes) -> None:
        """Sees that the chip has not been swapped for the patient's since it was looked at: the place to be
        changed must differ from the patient's, or else one of the places that did must still."""
        if self._differs_from_patient(permit, offset, present):
            return
        if not any(self._differs_from_patient(permit, at, self.read(at, 1)) for at in permit.witnesses):
            raise TransferRefused(
                "The chip on the clip holds the patient's data and may be the patient's own",
                "Nothing more was written; put the chip to be written on the clip",
            )

    def _differs_from_patient(self, permit: WritePermit, offset: int, present: bytes) -> bool:
        """Whether a place surely differs: in far more bytes than noise makes, or in one that reads the same
        wrong value again and again."""
        held = as_array(permit.plan.patient[offset : offset + len(present)])
        read = as_array(present)[: len(held)]
        wrong = read != held
        if np.count_nonzero(wrong) >= MANY_BYTES + len(held) // MANY_SHARE:
            return True
        for _ in range(DIFFERENCE_LOOKS - 1):
            if not wrong.any():
                return False
            wrong &= as_array(self.read(offset, len(held))) == read
        return bool(wrong.any())

    def _read_frame(self, offset: int, count: int) -> bytes:
        if self.facts.addressing is Addressing.FOUR_INSTRUCTIONS:
            command, dummy = READ_FOUR, b""
        elif self.bus.clock_hz > PLAIN_READ_HZ:
            command, dummy = FAST_READ, b"\0"
        else:
            command, dummy = READ, b""
        return self.bus.exchange(bytes([command]) + self._address(offset) + dummy, count)

    def _address(self, offset: int) -> bytes:
        return offset.to_bytes(3 if self.facts.addressing is Addressing.THREE else 4, "big")

    def _enter_mode(self) -> None:
        """Enters four-byte addressing where the chip knows it only as a mode, and proves that it took: a chip
        that did not would give every byte from one place on."""
        if self._mode_entered or self.facts.addressing is not Addressing.FOUR_MODE:
            return
        probe = min(1024, self.size_bytes)
        before = self.bus.exchange(bytes([READ, 0, 0, 0]), probe)
        ways = self.facts.sfdp.enter_four_byte
        enable_first = EnterFourByte.COMMAND_AFTER_WRITE_ENABLE in ways and EnterFourByte.COMMAND not in ways
        if enable_first:
            self.bus.exchange(bytes([WRITE_ENABLE]), 0)
        self.bus.exchange(bytes([ENTER_FOUR_BYTE]), 0)
        if enable_first:
            self.bus.exchange(bytes([WRITE_DISABLE]), 0)
        self._mode_entered = True
        if self.bus.exchange(bytes([READ, 0, 0, 0, 0]), probe) != before:
            self.leave()
            raise ProgrammerError(
                f"The chip, {size_text(self.size_bytes)}, does not take addresses of four bytes",
                "Take its supply off for a moment and try again; only its first 16 MiB are certain",
            )

    def _enable_write(self) -> None:
        self.bus.exchange(bytes([WRITE_ENABLE]), 0)
        status = self.status()
        if not status & WRITE_ENABLED or status & BUSY:  # no answer at all reads as busy
            raise ProgrammerError(
                f"The chip does not let itself be written: its status is {status:02X}h after write enable",
                "Check the clip and its wires, and that the write-protect pin is not held low",
            )
        _refuse_protected(status)

    def _wait(self, limit_seconds: float) -> None:
        """Until the chip is no longer busy. A status of FF is no answer: then the id tells whether it is
        there."""
        until = self._clock.steady_seconds() + limit_seconds
        while (status := self.status()) & BUSY:
            if status == NO_ANSWER:
                self.check_same()
            if self._clock.steady_seconds() > until:
                raise ProgrammerError(
                    f"The chip was still busy after {limit_seconds:g} s", "Check its supply, then start again"
                )


def _refuse_protected(status: int) -> None:
    protected = status & PROTECTION
    if protected:
        raise TransferRefused(
            f"The chip is write-protected: the block protection bits of its status register are "
            f"{protected >> 2:04b}",
            "Nothing was written. Mendbay does not lift protection: use a chip that is not protected",
        )


def _not_held(offset: int) -> TransferRefused:
    return TransferRefused(
        f"The verified plan does not hold what was to be written at {offset:X}h of this chip",
        "Nothing was written; draw the plan up again",
    )
