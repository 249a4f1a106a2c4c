"""Small simulated chips, dumps and journals for the tests of the ROM transfer."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from mendbay.board.flash_bus import identify
from mendbay.board.flash_id import ChipFacts
from mendbay.board.serial_flash import SerialFlash
from mendbay.board.sfdp import EraseType
from mendbay.board.transfer import Certificate, Keep, write
from mendbay.board.transfer_check import VerifiedPlan, prepare
from mendbay.board.transfer_journal import replay
from mendbay.board.transfer_permit import WritePermit, permit_writing
from mendbay.board.transfer_plan import Evidence, Padding, Role, as_array, draw_up
from mendbay.core.errors import ProgrammerError
from mendbay.inlets.simulated_flash import FlashDescription, FlashFaults, SimulatedBus, SimulatedChip

SMALL_ID = bytes.fromhex("c2990d")
"""An id of no listed line, whose size only the chip's own table says."""
SMALL_BYTES = 8192
VOLTS = 3.3
UNIT = 4096
PAGE = 256
NOW = "2026-03-02T09:00:00Z"


def now() -> str:
    return NOW


def keep(reads: Sequence[bytes]) -> None:
    """Takes what a chip with open blocks holds; tests that ask for it have a keeper of their own."""


def small_chip(content: bytes | None = None, size: int = SMALL_BYTES, **changes: object) -> SimulatedChip:
    """A chip with erase units of 4 KiB, and of 8 KiB where they fit."""
    units = (EraseType(4096, 0x20, 0x21), EraseType(8192, 0x52, 0x5C))
    erase = tuple(one for one in units if size % one.size_bytes == 0)
    described = FlashDescription(id=SMALL_ID, size_bytes=size, erase=erase)
    return SimulatedChip(replace(described, **changes), content)  # type: ignore[arg-type]


def on_clip(chip: SimulatedChip, volts: float = VOLTS) -> SimulatedBus:
    """The chip on the clip of a simulated adapter whose supply is set."""
    bus = SimulatedBus(chip)
    bus.set_supply(volts)
    return bus


def with_faults(chip: SimulatedChip, **changes: object) -> SimulatedChip:
    chip.faults = replace(chip.faults, **changes)  # type: ignore[arg-type]
    return chip


def healthy(chip: SimulatedChip) -> SimulatedChip:
    """The chip with power and without faults."""
    chip.faults = FlashFaults()
    chip.power_on()
    return chip


def rom(seed: int, size: int = SMALL_BYTES, blank_from: int | None = None) -> bytes:
    """Content that differs from one seed to the other, with blank pages from a place on and one among it."""
    content = np.random.default_rng([88, seed]).integers(0, 256, size, np.uint8)
    content[3 * PAGE : 4 * PAGE] = 0xFF
    if blank_from is not None:
        content[blank_from:] = 0xFF
    return content.tobytes()


@dataclass
class MemoryJournal:
    """A journal in memory; `fail_at` makes the append of that number, from 1, fail."""

    kept: list[str] = field(default_factory=list)
    fail_at: int = 0

    def lines(self) -> Sequence[str]:
        return tuple(self.kept)

    def append(self, line: str) -> None:
        if len(self.kept) + 1 == self.fail_at:
            raise ProgrammerError("The journal cannot be written", "Free some room")
        self.kept.append(line)


@dataclass
class TransferBench:
    """A patient's chip, a donor's chip, and all that a transfer between them needs."""

    patient: SimulatedChip
    donor: SimulatedChip
    evidence: Evidence
    verified: VerifiedPlan
    journal: MemoryJournal = field(default_factory=MemoryJournal)

    def write(
        self,
        bus: SimulatedBus | None = None,
        role: Role = Role.DONOR,
        keep: Keep = keep,
        *,
        same_chip: bool = False,
        put_away: bool = False,
    ) -> Certificate:
        return write(
            self.verified,
            bus or on_clip(self.donor),
            self.journal,
            role=role,
            now=now,
            keep=keep,
            same_chip=same_chip,
            put_away=put_away,
        )

    def permit(self, bus: SimulatedBus, role: Role = Role.DONOR) -> WritePermit | None:
        """What the last look at the chip on a clip gives."""
        reads = [as_array(one) for one in SerialFlash(bus, self.verified.target).read_whole(2)]
        state = replay(self.journal.kept, self.verified.plan.job, self.verified.images)
        return permit_writing(self.verified, bus, role=role, volts=bus.volts, reads=reads, state=state)


def facts_of(chip: SimulatedChip) -> ChipFacts:
    return identify(on_clip(chip))


def reads_of(chip: SimulatedChip, times: int = 2) -> tuple[bytes, ...]:
    bus = on_clip(chip)
    return SerialFlash(bus, identify(bus)).read_whole(times)


def evidence_for(patient: SimulatedChip, donor: SimulatedChip, **changes: object) -> Evidence:
    found = Evidence(reads_of(patient), reads_of(donor), facts_of(donor), facts_of(patient))
    return replace(found, **changes)  # type: ignore[arg-type]


def transfer_bench(size: int = SMALL_BYTES, blank_from: int | None = None) -> TransferBench:
    """A verified transfer, ready to be written."""
    return bench_of(rom(1, size, blank_from), rom(2, size))


def bench_of(patient_content: bytes, donor_content: bytes) -> TransferBench:
    """A verified transfer between two chips of one size with these contents."""
    size = len(donor_content)
    patient = small_chip(patient_content, size)
    donor = small_chip(donor_content, size, seed=5)
    evidence = evidence_for(patient, donor)
    plan = draw_up(
        evidence,
        patient_name="patient.rom",
        backup_name="donor-before.rom",
        volts=VOLTS,
        role=Role.DONOR,
        made_at=NOW,
        padding=Padding.REFUSE,
    )
    return TransferBench(patient, donor, evidence, prepare(plan, evidence))


def checked_dump(drive: int) -> bytes:
    """8 KiB with code that all drives share and eight blocks of each drive's own that end with a CRC-32."""
    chance = np.random.default_rng(1)
    rom = bytearray(chance.integers(0, 256, 1024, np.uint8).tobytes())
    own = np.random.default_rng([2, drive])
    for _ in range(8):
        body = own.integers(0, 256, 508, np.uint8).tobytes()
        rom += body + zlib.crc32(body).to_bytes(4, "little")
    return bytes(rom).ljust(SMALL_BYTES, b"\xff")
