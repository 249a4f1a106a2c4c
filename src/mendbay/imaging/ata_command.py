"""The questions that may be put to a drive about itself, and how they travel through a SCSI layer.

Nothing else can be asked: `Question` is the closed list of all commands, each with its registers fixed, and
none of them writes, sets, starts or locks anything. Sources: ACS-3 (T13/2161-D rev 5) for the commands,
whose numbers are those of the kernel's include/linux/ata.h and hdreg.h; SAT clause 12 for the blocks, as the
kernel's drivers/ata/libata-scsi.c takes them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum

from mendbay.imaging.ata_page import PAGE_BYTES

_BY_BLOCKS_FROM_DEVICE = 0x0E
"""T_DIR from the device, BYT_BLOK, the length in the count register."""
_CHECK_CONDITION = 0x20
"""CK_COND: hand back the registers, also when all is well."""
_LBA_DEVICE = 0x40


class Protocol(IntEnum):
    """How the answer comes. Blocks with any other protocol are never made."""

    NON_DATA = 3
    """In the registers."""
    PIO_IN = 4
    """As data."""


@dataclass(frozen=True, slots=True)
class Registers:
    """The registers of one command; `is_extended` where each is twice as wide."""

    command: int
    protocol: Protocol
    features: int = 0
    count: int = 0
    lba: int = 0
    device: int = 0
    is_extended: bool = False


_SMART_LBA = 0xC24F00
"""The key that makes B0h a SMART command: 4Fh in the middle, C2h above."""


def _smart(feature: int, log: int = 0) -> Registers:
    return Registers(0xB0, Protocol.PIO_IN, feature, 1, _SMART_LBA | log)


class Question(Enum):
    """Every command that may be sent."""

    IDENTIFY = Registers(0xEC, Protocol.PIO_IN, 0, 1)
    """Who the drive is and what it can do."""
    HEALTH = _smart(0xD0)
    """SMART READ DATA: the counters."""
    THRESHOLDS = _smart(0xD1)
    """SMART READ THRESHOLDS: where a counter means failing."""
    VERDICT = Registers(0xB0, Protocol.NON_DATA, 0xDA, 0, _SMART_LBA)
    """SMART RETURN STATUS: whether the drive calls itself failing."""
    ERROR_LOG = _smart(0xD5, 0x01)
    """SMART READ LOG 01h: the last errors."""
    SELF_TEST_LOG = _smart(0xD5, 0x06)
    """SMART READ LOG 06h: the last self-tests."""
    SCT_STATUS = _smart(0xD5, 0xE0)
    """SMART READ LOG E0h: the temperature among others. Reading the log starts nothing."""
    TEMPERATURE_STATISTICS = Registers(0x2F, Protocol.PIO_IN, 0, 1, 0x0504, 0, True)
    """READ LOG EXT of log 04h, page 05h: temperatures and their limits (ACS-3, A.5; from memory)."""
    NATIVE_MAX = Registers(0xF8, Protocol.NON_DATA, device=_LBA_DEVICE)
    """READ NATIVE MAX ADDRESS: the last sector with nothing hidden, 28 bits."""
    NATIVE_MAX_EXT = Registers(0x27, Protocol.NON_DATA, device=_LBA_DEVICE, is_extended=True)
    """READ NATIVE MAX ADDRESS EXT: the same, 48 bits."""

    @property
    def answer_bytes(self) -> int:
        """How much data the answer has."""
        return PAGE_BYTES if self.value.protocol is Protocol.PIO_IN else 0


def block_16(question: Question) -> bytes:
    """The question as ATA PASS-THROUGH (16)."""
    asked = question.value
    features, count, lba = (
        number.to_bytes(size, "little")
        for number, size in ((asked.features, 2), (asked.count, 2), (asked.lba, 6))
    )
    return bytes(
        (
            *(0x85, asked.protocol << 1 | asked.is_extended, _flags(asked)),
            *(features[1], features[0], count[1], count[0]),
            *(lba[3], lba[0], lba[4], lba[1], lba[5], lba[2]),
            *(asked.device, asked.command, 0),
        )
    )


def block_12(question: Question) -> bytes | None:
    """The question as ATA PASS-THROUGH (12), for adapters that know only that; None where it does not fit.

    A1h means something else, and harmful, to a burner of discs: send it to direct-access devices only.
    """
    asked = question.value
    if asked.is_extended:
        return None
    lba = asked.lba.to_bytes(3, "little")
    return bytes(
        (
            *(0xA1, asked.protocol << 1, _flags(asked)),
            *(asked.features, asked.count, *lba, asked.device, asked.command, 0, 0),
        )
    )


def _flags(asked: Registers) -> int:
    return _CHECK_CONDITION if asked.protocol is Protocol.NON_DATA else _BY_BLOCKS_FROM_DEVICE
