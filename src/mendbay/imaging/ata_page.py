"""What all pages a drive answers with have in common: 512 bytes, little-endian words, a checksum or none.

Sources: ACS-3 (T13/2161-D rev 5); byte order of texts and words as in the kernel's include/linux/ata.h.
"""

from __future__ import annotations

import struct
from enum import StrEnum

PAGE_BYTES = 512
_WORDS = struct.Struct("<256H")


class NotAPage(ValueError):
    """The bytes are no page of this kind: a wrong length, or nothing but filling."""


class Checksum(StrEnum):
    """What a page's own checksum says of it."""

    GOOD = "good"
    ABSENT = "absent"
    BAD = "bad"


def require_page(raw: bytes, what: str) -> None:
    """Passes 512 bytes that are not all the same.

    Raises:
        NotAPage: anything else. A page of one repeated byte is what an adapter makes up.
    """
    if len(raw) != PAGE_BYTES:
        raise NotAPage(f"{what}: {len(raw)} bytes instead of {PAGE_BYTES}")
    if raw.count(raw[0]) == PAGE_BYTES:
        raise NotAPage(f"{what}: nothing but bytes of {raw[0]:02X}h")


def words_of(raw: bytes) -> tuple[int, ...]:
    """The 256 words of a page."""
    return _WORDS.unpack(raw)


def sums_to_zero(raw: bytes) -> Checksum:
    """Whether the bytes of a SMART page add up to 0, modulo 256 (ATA8-ACS, data structure checksum)."""
    return Checksum.BAD if sum(raw) & 0xFF else Checksum.GOOD


def signed(byte: int) -> int:
    """A byte as a signed number."""
    return byte - 256 if byte > 127 else byte


LIKELY_CELSIUS = range(-40, 101)
"""Temperatures that a drive can have and still answer; others are a fault of what tells them (own choice,
wider than any maker's limits for storage and for work)."""


def celsius_of(byte: int) -> int | None:
    """A signed byte as degrees Celsius, None where no drive that answers can be that warm or cold."""
    told = signed(byte)
    return told if told in LIKELY_CELSIUS else None


def number(raw: bytes, start: int, length: int) -> int:
    """`length` bytes from `start` as an unsigned number, little-endian."""
    return int.from_bytes(raw[start : start + length], "little")
