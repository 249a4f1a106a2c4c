"""What comes back when a command ended otherwise than well: sense data, and the registers inside it.

Sources: SPC-4, 4.5 (both formats; descriptor INFORMATION from memory); SAT for the registers; the kernel's
drivers/ata/libata-scsi.c for how it fills them in and what it makes of status and error.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

_SENSE_MOST = 252
_ATA_DESCRIPTOR = 0x09
_ATA_LENGTH = 0x0C
_INFORMATION_DESCRIPTOR = 0x00
_INFORMATION_LENGTH = 0x0A
_DESCRIPTORS_AT = 8
_SHIFTED_BYTES = 20
"""How many bytes of sense there must be for the shifted registers to be whole."""

BUSY, READY, FAULT, ERROR = 0x80, 0x40, 0x20, 0x01
"""Bits of the status register (ACS-3, 6.2)."""
CRC, UNCORRECTABLE, ID_NOT_FOUND, ABORTED, NO_TRACK_ZERO, NO_MARK = 0x80, 0x40, 0x10, 0x04, 0x02, 0x01
"""Bits of the error register (ACS-3, 6.3; the last two as the kernel knows them from older standards)."""


class Trouble(StrEnum):
    """What kind of trouble an answer tells of."""

    NONE = ""
    MEDIA = "media"
    """The place could not be read."""
    LINK = "link"
    """The transfer was spoilt between drive and host: cable, contacts, adapter."""
    ADDRESS = "address"
    """The drive knows no such place: beyond its end, or it cannot translate addresses."""
    DRIVE_FAULT = "drive fault"
    """The drive calls itself broken."""
    NOT_READY = "not ready"
    ATTENTION = "unit attention"
    """It was reset or its power was cut since it was last asked: ask again."""
    HUNG = "no answer"
    NOT_KNOWN = "not known to the drive"
    """The drive ended the command: it does not know it."""
    NOT_PASSED = "not passed on"
    """The adapter refuses the block itself."""
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class ResultRegisters:
    """The registers as the drive left them.

    Args:
        lba: 48 bits; the low 24 of it where the format holds no more.
        lba_is_whole: whether those are all.
    """

    error: int
    status: int
    device: int
    count: int
    lba: int
    is_extended: bool
    lba_is_whole: bool = True


@dataclass(frozen=True, slots=True)
class Sense:
    """Sense data: key, additional code and its qualifier, the address it names, and the registers.

    Args:
        is_deferred: whether it tells of an earlier command.
        information: the address in it, None if it names none.
        registers: None if it holds none.
        is_shifted: whether the registers stood where older kernels put them.
    """

    key: int
    code: int
    qualifier: int
    is_deferred: bool = False
    information: int | None = None
    registers: ResultRegisters | None = None
    is_shifted: bool = False


def parse_sense(raw: bytes, *, passed_through: bool = True) -> Sense | None:
    """Sense data of either format; None if it is of neither, or too short to say a thing.

    Args:
        passed_through: whether an ATA command was passed through: then the fixed format may hold registers
            where it else has an address.
    """
    raw = raw[:_SENSE_MOST]
    response = raw[0] & 0x7F if raw else 0
    if response in (0x72, 0x73) and len(raw) >= 4:
        return _descriptor_format(raw, response == 0x73)
    if response in (0x70, 0x71) and len(raw) >= 14:
        return _fixed_format(raw, response == 0x71, passed_through)
    return None


def _descriptor_format(raw: bytes, is_deferred: bool) -> Sense:
    information: int | None = None
    registers: ResultRegisters | None = None
    end = min(len(raw), _DESCRIPTORS_AT + (raw[7] if len(raw) > 7 else 0))
    at = _DESCRIPTORS_AT
    while at + 2 <= end:
        kind, length = raw[at], raw[at + 1]
        body = raw[at : min(at + 2 + length, end)]
        if kind == _ATA_DESCRIPTOR and length == _ATA_LENGTH and len(body) == 14:
            registers = _registers_of(body)
        elif kind == _INFORMATION_DESCRIPTOR and length == _INFORMATION_LENGTH and len(body) == 12:
            information = int.from_bytes(body[4:12], "big") if body[2] & 0x80 else None
        at += 2 + length
    return Sense(raw[1] & 0x0F, raw[2], raw[3], is_deferred, information, registers)


def _registers_of(body: bytes) -> ResultRegisters:
    """The registers in a descriptor of type 09h; the upper halves count only where it says so."""
    is_extended = bool(body[2] & 1)
    low = body[7] | body[9] << 8 | body[11] << 16
    high = body[6] | body[8] << 8 | body[10] << 16
    return ResultRegisters(
        error=body[3],
        status=body[13],
        device=body[12],
        count=body[5] | (body[4] << 8 if is_extended else 0),
        lba=low | (high << 24 if is_extended else 0),
        is_extended=is_extended,
    )


def _fixed_format(raw: bytes, is_deferred: bool, passed_through: bool) -> Sense:
    key, code, qualifier = raw[2] & 0x0F, raw[12], raw[13]
    registers, is_shifted = _fixed_registers(raw) if passed_through else (None, False)
    information = None
    if registers is None and raw[0] & 0x80:
        information = int.from_bytes(raw[3:7], "big")
    return Sense(key, code, qualifier, is_deferred, information, registers, is_shifted)


def _fixed_registers(raw: bytes) -> tuple[ResultRegisters | None, bool]:
    """The registers in the fixed format, from whichever of the two places holds a status.

    A drive that ended a command says it is ready, so its status has that bit: byte 4 by the standard. Kernels
    before 6.11 count the places from byte 8 (mended by commit 38dab832c3f4): error, status, device and count
    in bytes 8 to 11, flags in 16, address in 17 to 19, and nothing in bytes 3 to 6.
    """
    if raw[4] & READY:
        return _fixed_places(raw[3:7], raw[8:12]), False
    if not any(raw[3:7]) and raw[9] & READY and len(raw) >= _SHIFTED_BYTES:
        return _fixed_places(raw[8:12], raw[16:20]), True
    return None, False


def _fixed_places(ended: bytes, address: bytes) -> ResultRegisters:
    """The registers from error, status, device and count, and from flags and address."""
    flags = address[0]
    is_extended = bool(flags & 0x80)
    return ResultRegisters(
        error=ended[0],
        status=ended[1],
        device=ended[2],
        count=ended[3],
        lba=int.from_bytes(address[1:4], "little"),
        is_extended=is_extended,
        lba_is_whole=not (is_extended and flags & 0x20),
    )


def trouble_of(sense: Sense) -> Trouble:
    """What kind of trouble it is, by its codes, and by the registers where those say nothing."""
    if sense.key in (0x0, 0x1):
        return Trouble.NONE
    if (sense.key, sense.code) == (0x5, 0x21):
        return Trouble.ADDRESS
    if sense.code == 0x47:
        return Trouble.LINK
    by_key = {
        0x2: Trouble.NOT_READY,
        0x3: Trouble.MEDIA,
        0x4: Trouble.DRIVE_FAULT,
        0x5: Trouble.NOT_PASSED,
        0x6: Trouble.ATTENTION,
    }
    if sense.key in by_key:
        return by_key[sense.key]
    return Trouble.OTHER if sense.registers is None else trouble_of_registers(sense.registers)


def trouble_of_registers(ended: ResultRegisters) -> Trouble:
    """What kind of trouble status and error tell of; their bits mean what the kernel makes of them
    (`ata_to_sense_error`)."""
    if ended.status & BUSY:
        return Trouble.HUNG
    error = ended.error if ended.status & ERROR else 0
    for bits, trouble in (
        (CRC | ABORTED, Trouble.LINK),
        (UNCORRECTABLE, Trouble.MEDIA),
        (ID_NOT_FOUND, Trouble.ADDRESS),
        (NO_TRACK_ZERO, Trouble.DRIVE_FAULT),
        (NO_MARK, Trouble.MEDIA),
    ):
        if error & bits == bits:
            return trouble
    if ended.status & FAULT:
        return Trouble.DRIVE_FAULT
    if error & ABORTED:
        return Trouble.NOT_KNOWN
    return Trouble.OTHER if ended.status & ERROR else Trouble.NONE
