"""A serial-flash chip that exists only in memory or in a file, with its faults: for practice and for tests.

It speaks the commands of a 25-series chip, one chip-select frame at a time, and behaves like one where that
matters: programming only clears bits and wraps inside the page, a command while it is busy is not heard, and
power lost in the middle of a command leaves a mixture of old and new. Every chance is drawn from `seed`, so
that the same description behaves the same again.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from mendbay.board.flash_bus import READ_ID, READ_SFDP, WAKE
from mendbay.board.serial_flash import (
    BUSY,
    ENTER_FOUR_BYTE,
    EXIT_FOUR_BYTE,
    FAST_READ,
    PROGRAM_PAGE,
    PROGRAM_PAGE_FOUR,
    READ,
    READ_FOUR,
    READ_STATUS,
    WRITE_DISABLE,
    WRITE_ENABLE,
    WRITE_ENABLED,
)
from mendbay.board.sfdp import EraseType
from mendbay.core.errors import ProgrammerError, UsageError

SLEEP = 0xB9
ERASE_CHIP = (0xC7, 0x60)
LARGEST_CHIP = 256 << 20
MOST_BYTES_A_FRAME = 0xFF00
NOTHING_ANSWERS = 0xFF
"""What is read when no chip drives the line: it is pulled up."""
UNSETTLED_FLIPS = 1 / 64
"""How often a byte of a command that was cut off reads with one bit wrong. An assumption, no source."""


@dataclass(frozen=True, slots=True)
class FlashFaults:
    """What is wrong with chip or clip.

    Args:
        noise: chance that a byte read has one bit wrong.
        loose: chance that a frame is not heard at all.
        stuck: `high` or `low` if the chip's data line is held; else empty.
        power_lost_at: the frame, counted from 1, in which the chip loses its power until `power_on`; 0 never.
        endurance: how often a block can be erased before bits stay 0; 0 without end.
    """

    noise: float = 0.0
    loose: float = 0.0
    stuck: str = ""
    power_lost_at: int = 0
    endurance: int = 0


@dataclass(frozen=True, slots=True)
class FlashDescription:
    """A simulated chip.

    Args:
        id: what it answers to Read ID.
        size_bytes: of its memory; a multiple of its largest erase unit.
        supply: the lowest and highest volts it answers at.
        page_bytes: of a page.
        erase: its erase units, smallest first.
        sfdp: its own table; None makes one that fits the rest, empty bytes mean it has none.
        protection: the block protection bits of its status register; any set protects everything.
        program_polls: for how many frames it is busy after programming; `erase_polls` after erasing.
        asleep: whether it begins in deep power-down.
        seed: of every chance.
    """

    id: bytes
    size_bytes: int
    supply: tuple[float, float] = (2.7, 3.6)
    page_bytes: int = 256
    erase: tuple[EraseType, ...] = (
        EraseType(4 << 10, 0x20, 0x21),
        EraseType(32 << 10, 0x52, 0x5C),
        EraseType(64 << 10, 0xD8, 0xDC),
    )
    sfdp: bytes | None = None
    protection: int = 0
    program_polls: int = 2
    erase_polls: int = 5
    asleep: bool = False
    seed: int = 1
    faults: FlashFaults = field(default_factory=FlashFaults)


class SimulatedChip:
    """The chip itself.

    Args:
        description: what it is; `faults` may be replaced while it works.
        content: its memory at the start; erased if None.
        keep: called with offset and bytes whenever memory has changed.

    Raises:
        UsageError: the content is not as long as the chip, or the sizes do not fit each other.
    """

    def __init__(
        self,
        description: FlashDescription,
        content: bytes | None = None,
        keep: Callable[[int, bytes], None] = lambda _offset, _data: None,
    ) -> None:
        check_description(description, content)
        self.description = description
        self.faults = description.faults
        self.memory = np.full(description.size_bytes, 0xFF, np.uint8)
        if content is not None:
            self.memory[:] = np.frombuffer(content, np.uint8)
        self.frames = 0
        self.volts: float | None = None
        self.powered = True
        self.changes = 0
        """How many programs and erases it has begun."""
        self._keep = keep
        self._table = make_sfdp(description) if description.sfdp is None else description.sfdp
        self._unsettled = np.zeros(description.size_bytes, np.bool_)
        self._wear = np.zeros(description.size_bytes // description.erase[0].size_bytes, np.int64)
        self._chance = np.random.default_rng(description.seed)
        self._reset(asleep=description.asleep)

    @property
    def content(self) -> bytes:
        """The memory as it is, without the clip in between."""
        return self.memory.tobytes()

    def power_on(self) -> None:
        """Gives the chip its power back; what it was doing is not gone on with."""
        self.powered = True
        self._reset(asleep=False)

    def power_off(self) -> None:
        """Takes its power; a command that is under way stays half done."""
        if self._pending is not None:
            self._leave_half_done(*self._pending)
        self.powered = False
        self._reset(asleep=False)

    def frame(self, out: bytes, read_count: int) -> bytes:
        """One chip-select frame: what the chip takes in, then `read_count` bytes as the adapter gets them."""
        self.frames += 1
        loses = self.frames == self.faults.power_lost_at
        low, high = self.description.supply
        supplied = self.powered and self.volts is not None and low <= self.volts <= high
        heard = supplied and not (self.faults.loose and self._chance.random() < self.faults.loose)
        answer = self._obey(out, read_count) if heard and out else b""
        if loses:
            self.power_off()
            answer = b""
        return self._through_the_clip(answer.ljust(read_count, bytes([NOTHING_ANSWERS])))

    def _reset(self, *, asleep: bool) -> None:
        self._asleep = asleep
        self._write_enabled = False
        self._four_byte = False
        self._busy_frames = 0
        self._pending: tuple[slice, np.ndarray[Any, np.dtype[np.uint8]]] | None = None

    def _obey(self, out: bytes, read_count: int) -> bytes:
        command, rest = out[0], out[1:]
        if self._busy_frames:
            status = self._status() if command == READ_STATUS else NOTHING_ANSWERS
            self._busy_frames -= 1
            if not self._busy_frames:
                self._finish()
            return bytes([status]) * read_count
        if self._asleep:
            self._asleep = command != WAKE
            return b""
        if command in (READ_ID, READ_SFDP, READ_STATUS, READ, FAST_READ, READ_FOUR):
            return self._answer(command, rest, read_count)
        if not read_count:  # a command that changes something ends with its last byte
            self._change(command, rest)
        return b""

    def _answer(self, command: int, rest: bytes, count: int) -> bytes:
        if command == READ_STATUS:
            return bytes([self._status()]) * count
        if command == READ_ID:
            return (self.description.id * (count // len(self.description.id) + 1))[:count]
        if command == READ_SFDP:
            offset = int.from_bytes(rest[:3], "big")
            return self._table[offset : offset + count] if len(rest) == 4 else b""
        width = 4 if command == READ_FOUR or self._four_byte else 3
        dummy = 1 if command == FAST_READ else 0
        early = len(rest) - width - dummy  # bytes of the answer that went by while the adapter still sent
        if early < 0:
            return b""
        return self._read(int.from_bytes(rest[:width], "big") + early, count)

    def _change(self, command: int, rest: bytes) -> None:
        if command in (WRITE_ENABLE, WRITE_DISABLE):
            self._write_enabled = command == WRITE_ENABLE
        elif command in (ENTER_FOUR_BYTE, EXIT_FOUR_BYTE):
            self._four_byte = command == ENTER_FOUR_BYTE
        elif command == SLEEP:
            self._asleep = True
        elif self._write_enabled:
            place = self._place(command, rest)
            if place is not None:
                self._write_enabled = self.description.protection == 0
                if self._write_enabled:
                    self._begin(*place)
                self._write_enabled = self._busy_frames > 0

    def _place(self, command: int, rest: bytes) -> tuple[slice, bytes] | None:
        """The memory a writing command is about and the data it brings (none: it erases)."""
        if command in ERASE_CHIP:
            return (slice(0, len(self.memory)), b"") if not rest else None
        four = command == PROGRAM_PAGE_FOUR or any(
            one.four_byte_opcode == command for one in self.description.erase
        )
        width = 4 if four or self._four_byte else 3
        if len(rest) < width:
            return None
        offset, data = int.from_bytes(rest[:width], "big") % len(self.memory), rest[width:]
        if command in (PROGRAM_PAGE, PROGRAM_PAGE_FOUR):
            page = self.description.page_bytes
            start = offset - offset % page
            return (slice(start, start + page), self._wrapped(data, offset - start)) if data else None
        for unit in self.description.erase:
            if command in (unit.opcode, unit.four_byte_opcode) and not data:
                start = offset - offset % unit.size_bytes
                return slice(start, start + unit.size_bytes), b""
        return None

    def _wrapped(self, data: bytes, at: int) -> bytes:
        """One page of data: behind its end it goes on at its start, and the last bytes sent win."""
        page = bytearray(b"\xff" * self.description.page_bytes)
        for number, byte in enumerate(data):
            page[(at + number) % len(page)] = byte
        return bytes(page)

    def _begin(self, place: slice, data: bytes) -> None:
        self.changes += 1
        if data:
            after = self.memory[place] & np.frombuffer(data, np.uint8)
            self._busy_frames = self.description.program_polls
        else:
            after = self._erased(place)
            self._busy_frames = self.description.erase_polls
            self._unsettled[place] = False
        self._pending = (place, after)
        if not self._busy_frames:
            self._finish()

    def _erased(self, place: slice) -> np.ndarray[Any, np.dtype[np.uint8]]:
        unit = self.description.erase[0].size_bytes
        blocks = slice(place.start // unit, -(-place.stop // unit))
        self._wear[blocks] += 1
        after = np.full(place.stop - place.start, 0xFF, np.uint8)
        for block in (
            np.flatnonzero(self._wear[blocks] > self.faults.endurance) if self.faults.endurance else ()
        ):
            after[int(block) * unit + int(self._chance.integers(unit))] &= 0xFE
        return after

    def _finish(self) -> None:
        if self._pending is not None:
            place, after = self._pending
            self._store(place, after)
        self._pending = None
        self._write_enabled = False

    def _leave_half_done(self, place: slice, after: np.ndarray[Any, np.dtype[np.uint8]]) -> None:
        """Every bit that was to change has or has not, and what stands there is not settled."""
        before = self.memory[place]
        some = self._chance.integers(0, 256, len(after), np.uint8)
        some[self._chance.random(len(after)) < 0.25] = 0  # and a quarter of the bytes not at all
        self._store(place, before ^ ((before ^ after) & some))
        self._unsettled[place] = True

    def _store(self, place: slice, after: np.ndarray[Any, np.dtype[np.uint8]]) -> None:
        self.memory[place] = after
        self._keep(place.start, after.tobytes())

    def _status(self) -> int:
        busy = BUSY if self._busy_frames else 0
        return busy | (WRITE_ENABLED if self._write_enabled else 0) | self.description.protection << 2

    def _read(self, offset: int, count: int) -> bytes:
        places = np.arange(offset, offset + count) % len(self.memory)
        data = self.memory[places]
        if not self._unsettled[places].any():
            return data.tobytes()
        weak = self._unsettled[places] & (self._chance.random(count) < UNSETTLED_FLIPS)
        return self._flipped(data, weak).tobytes()

    def _through_the_clip(self, answer: bytes) -> bytes:
        if self.faults.stuck:
            return bytes([0xFF if self.faults.stuck == "high" else 0x00]) * len(answer)
        if not self.faults.noise or not answer:
            return answer
        data = np.frombuffer(answer, np.uint8)
        return self._flipped(data, self._chance.random(len(data)) < self.faults.noise).tobytes()

    def _flipped(
        self, data: np.ndarray[Any, np.dtype[np.uint8]], where: np.ndarray[Any, np.dtype[np.bool_]]
    ) -> np.ndarray[Any, np.dtype[np.uint8]]:
        if not where.any():
            return data
        bits = np.uint8(1) << self._chance.integers(0, 8, len(data), np.uint8)
        return np.where(where, data ^ bits, data).astype(np.uint8)


class SimulatedBus:
    """A `FlashBus` with a simulated chip on its clip."""

    def __init__(self, chip: SimulatedChip, name: str = "simulated", clock_hz: float = 10e6) -> None:
        self.chip = chip
        self.name = name
        self.clock_hz = clock_hz
        self.volts: float | None = None

    def set_supply(self, volts: float) -> None:
        self.volts = volts
        self.chip.volts = volts

    def close(self) -> None:
        """Takes the chip off the clip: its supply is gone."""
        self.volts = None
        self.chip.volts = None

    def exchange(self, out: bytes, read_count: int) -> bytes:
        if len(out) > MOST_BYTES_A_FRAME or not 0 <= read_count <= MOST_BYTES_A_FRAME:
            raise ProgrammerError(
                f"A frame of {len(out)} bytes out and {read_count} in is more than an adapter takes",
                "Report this: Mendbay must ask in smaller parts",
            )
        self.chip.volts = self.volts
        return self.chip.frame(bytes(out), read_count)


def make_sfdp(description: FlashDescription) -> bytes:
    """A table of revision 1.6 that fits a chip: the basic table with 16 dwords, and the four-byte
    instructions where the chip is larger than 16 MiB."""
    four = description.size_bytes > 1 << 24
    units = [(one.size_bytes.bit_length() - 1, one.opcode) for one in description.erase[:4]]
    packed = bytes(part for unit in units for part in unit).ljust(8, b"\0")
    small = next((one.opcode for one in description.erase if one.size_bytes == 4096), None)
    words = [0xFFFFFFFF] * 16
    words[0] = 0xFFF80000 & ~(3 << 17) | (1 << 17 if four else 0) | (small or 0xFF) << 8 | (1 if small else 3)
    words[1] = 8 * description.size_bytes - 1
    words[7], words[8] = struct.unpack("<2I", packed)
    words[10] = (description.page_bytes.bit_length() - 1) << 4
    words[14] = 0
    words[15] = 1 << 24 if four else 0
    head = struct.pack("<4sBBBB", b"SFDP", 6, 1, 1 if four else 0, 0xFF)
    at = 8 * (3 if four else 2)
    headers = struct.pack("<BBBBHBB", 0x00, 6, 1, 16, at, 0, 0xFF)
    tables = struct.pack("<16I", *words)
    if four:
        headers += struct.pack("<BBBBHBB", 0x84, 0, 1, 2, at + 64, 0, 0xFF)
        listed = sum(
            1 << (9 + number) for number, one in enumerate(description.erase[:4]) if one.four_byte_opcode
        )
        codes = bytes(one.four_byte_opcode or 0xFF for one in description.erase[:4]).ljust(4, b"\xff")
        tables += struct.pack("<I", 1 | 1 << 6 | listed) + codes
    return head + headers + tables


def check_description(description: FlashDescription, content: bytes | None) -> None:
    sizes = [one.size_bytes for one in description.erase]
    numbers = [description.page_bytes, *sizes]
    good = (
        0 < description.size_bytes <= LARGEST_CHIP
        and len(description.id) >= 3
        and bool(sizes)
        and all(one > 0 and one & (one - 1) == 0 for one in numbers)
        and description.size_bytes % max(description.page_bytes, min(sizes, default=1)) == 0
        and 0 <= description.protection <= 15
        and description.faults.stuck in ("", "high", "low")
    )
    if not good or (content is not None and len(content) != description.size_bytes):
        raise UsageError(
            "The simulated chip's sizes, id or faults do not fit each other",
            "Give a memory of whole blocks, sizes that are powers of two, and at least three bytes of id",
        )
