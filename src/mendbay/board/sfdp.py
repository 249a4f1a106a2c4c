"""The table a serial-flash chip carries about itself: Serial Flash Discoverable Parameters (SFDP).

Sources: JEDEC JESD216, revisions A to D, as encoded by the Linux kernel, drivers/mtd/spi-nor/sfdp.c and .h.
`docs/formats/sfdp.md` lists every field read here. Many parts carry a wrong or damaged table, so nothing is
raised: what cannot be right is a fault in words and the value stays unknown.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import StrEnum

SIGNATURE = b"SFDP"
HEADER_BYTES = 8
MOST_BYTES = 8192
"""More of a table than this is not read; the longest seen ends below 1 KiB."""
MOST_HEADERS = 64
BASIC_TABLE = 0xFF00
SECTOR_MAP = 0xFF81
FOUR_BYTE_INSTRUCTIONS = 0xFF84

_LARGEST_EXPONENT = 35
"""Largest power of two taken for a size in bits: 4 GiB. All addresses here have at most four bytes."""
_UNREVISED_PAGE = 256
"""Page size where the table is of the first revision and does not say (common to all parts of that time)."""
_FOUR_BYTE_BASICS = 1 << 0 | 1 << 6
"""Table FF84h, dword 1: reading by 13h and programming by 12h (kernel, sfdp.c, sfdp_parse_4bait)."""
_OPCODE_ABSENT = (0x00, 0xFF)


class AddressBytes(StrEnum):
    """How many bytes an address has."""

    THREE = "3"
    EITHER = "3 or 4"
    FOUR = "4"


class EnterFourByte(StrEnum):
    """A way to reach addresses of four bytes (dword 16 of the basic table)."""

    COMMAND = "B7h"
    COMMAND_AFTER_WRITE_ENABLE = "06h, then B7h"
    OWN_INSTRUCTIONS = "instructions of their own"
    ALWAYS = "always"


@dataclass(frozen=True, slots=True)
class TableHeader:
    """One parameter header: which table, its revision, its length in dwords and where it lies."""

    table: int
    major: int
    minor: int
    dwords: int
    pointer: int

    @property
    def end(self) -> int:
        return self.pointer + 4 * self.dwords


@dataclass(frozen=True, slots=True, order=True)
class EraseType:
    """One unit that can be erased: its bytes, and its opcode with a three-byte address.

    `four_byte_opcode` is the one for four-byte addresses if the chip lists it, else None.
    """

    size_bytes: int
    opcode: int
    four_byte_opcode: int | None = None


@dataclass(frozen=True, slots=True)
class Sfdp:
    """What a table says. `present` is False if there is no table at all; then everything else is empty.

    Unknown values are None. `page_stated` says whether the page size is the table's own word. `faults`
    are sentences about what cannot be right; a table with one describes the chip only as far as it goes.
    """

    present: bool
    revision: tuple[int, int] | None = None
    headers: tuple[TableHeader, ...] = ()
    size_bytes: int | None = None
    erase_types: tuple[EraseType, ...] = ()
    page_bytes: int | None = None
    page_stated: bool = False
    address_bytes: AddressBytes | None = None
    quad_enable: int | None = None
    enter_four_byte: frozenset[EnterFourByte] = frozenset()
    four_byte_instructions: bool = False
    faults: tuple[str, ...] = ()

    @property
    def basic(self) -> TableHeader | None:
        """The header of the basic table that was read, if any."""
        found = [one for one in self.headers if one.table == BASIC_TABLE]
        return found[0] if found else None

    @property
    def has_sector_map(self) -> bool:
        """Whether the chip has regions with erase units of their own, so that none is good everywhere."""
        return any(one.table == SECTOR_MAP for one in self.headers)


def headers_end(first: bytes) -> int:
    """How many bytes hold all headers, from the first eight; 0 if they begin no table."""
    if len(first) < HEADER_BYTES or first[:4] != SIGNATURE:
        return 0
    return HEADER_BYTES * (1 + min(first[6] + 1, MOST_HEADERS))


def tables_end(start: bytes) -> int:
    """How many bytes hold all tables, from the bytes up to `headers_end`; at most `MOST_BYTES`."""
    if len(start) < HEADER_BYTES or start[:4] != SIGNATURE:
        return 0
    found, _ = _headers(start)
    return min(max([len(start), *(one.end for one in found)]), MOST_BYTES)


def parse_sfdp(raw: bytes) -> Sfdp:
    """Reads a table from its bytes, from the signature on. Never raises for what the bytes are."""
    raw = raw[:MOST_BYTES]
    if len(raw) < HEADER_BYTES or raw[:4] != SIGNATURE:
        return Sfdp(present=False)
    headers, faults = _headers(raw)
    revision = (raw[5], raw[4])
    if revision[0] != 1:
        faults.append(f"it is of major revision {revision[0]}, and only 1 is known")
    basic = _basic_header(headers, faults)
    words = _dwords(raw, basic, faults) if basic else ()
    if not words:
        return Sfdp(True, revision, tuple(headers), faults=tuple(faults))
    four = [one for one in headers if one.table == FOUR_BYTE_INSTRUCTIONS]
    four_words = _dwords(raw, four[-1], faults) if four else ()
    page, stated = _page(words)
    size = _size(words, faults)
    return Sfdp(
        present=True,
        revision=revision,
        headers=tuple(headers),
        size_bytes=size,
        erase_types=_erase_types(words, four_words, size, faults),
        page_bytes=page,
        page_stated=stated,
        address_bytes=_address_bytes(words, faults),
        quad_enable=words[14] >> 20 & 7 if len(words) >= 15 else None,
        enter_four_byte=_enter_four_byte(words),
        four_byte_instructions=len(four_words) >= 2
        and four_words[0] & _FOUR_BYTE_BASICS == _FOUR_BYTE_BASICS,
        faults=tuple(faults),
    )


def _headers(raw: bytes) -> tuple[list[TableHeader], list[str]]:
    """The headers that are there. Only as many as are counted: what follows them may be a left-over."""
    counted = raw[6] + 1
    found, faults = [], []
    for number in range(1, min(counted, MOST_HEADERS) + 1):
        part = raw[number * HEADER_BYTES : (number + 1) * HEADER_BYTES]
        if len(part) < HEADER_BYTES:
            faults.append(f"it counts {counted} headers, and header {number} is not there")
            break
        low, minor, major, dwords, pointer_low, pointer_high, high = struct.unpack("<BBBBHBB", part)
        pointer = pointer_high << 16 | pointer_low
        found.append(TableHeader(high << 8 | low, major, minor, dwords, pointer))
    if counted > MOST_HEADERS:
        faults.append(f"it counts {counted} headers; the first {MOST_HEADERS} were read")
    return found, faults


def _basic_header(headers: list[TableHeader], faults: list[str]) -> TableHeader | None:
    """The basic table's header. Later revisions of it may follow, but the standard puts one first."""
    if not headers:
        return None
    if headers[0].table != BASIC_TABLE:
        faults.append(f"its first table is {headers[0].table:04X}h, where the basic table FF00h must be")
        return None
    if headers[0].dwords < 9:
        faults.append(f"its basic table has {headers[0].dwords} dwords, and 9 are the fewest")
        return None
    return headers[0]


def _dwords(raw: bytes, header: TableHeader, faults: list[str]) -> tuple[int, ...]:
    part = raw[header.pointer : header.end]
    if len(part) < 4 * header.dwords:
        faults.append(f"its table {header.table:04X}h ends at byte {header.end}, and {len(raw)} were read")
        return ()
    if header.pointer % 4:
        faults.append(f"its table {header.table:04X}h begins at {header.pointer:X}h, not at a multiple of 4")
    if header.dwords and part == b"\xff" * len(part):
        faults.append(f"its table {header.table:04X}h is blank")
        return ()
    return struct.unpack(f"<{header.dwords}I", part)


def _size(words: tuple[int, ...], faults: list[str]) -> int | None:
    """Dword 2: with bit 31 clear the number of bits less one, else the power of two of bits."""
    density = words[1]
    if density >> 31:
        exponent = density & 0x7FFF_FFFF
        if 3 <= exponent <= _LARGEST_EXPONENT:
            return 1 << (exponent - 3)
        faults.append(f"its size is 2 to the power of {exponent} bits, which cannot be")
        return None
    bits = density + 1
    if bits % 8:
        faults.append(f"its size is {bits} bits, which are no whole bytes")
        return None
    return bits // 8


def _erase_types(
    words: tuple[int, ...], four_words: tuple[int, ...], size: int | None, faults: list[str]
) -> tuple[EraseType, ...]:
    """Dwords 8 and 9: four times a size as a power of two and an opcode; smallest first.

    Table FF84h: bits 9 to 12 of its first dword say which of the four have an opcode for four-byte
    addresses, its second dword holds them.
    """
    found: dict[int, EraseType] = {}
    packed = struct.pack("<2I", words[7], words[8])
    for number in range(4):
        exponent, opcode = packed[2 * number], packed[2 * number + 1]
        if exponent == 0:
            continue
        if exponent > _LARGEST_EXPONENT or (size is not None and 1 << exponent > size):
            faults.append(
                f"its erase type {number + 1} is 2 to the power of {exponent} bytes: more than it has"
            )
        elif opcode in _OPCODE_ABSENT:
            faults.append(f"its erase type {number + 1} has no opcode")
        elif 1 << exponent in found:
            faults.append(f"it lists two opcodes for erasing {1 << exponent} bytes")
        else:
            found[1 << exponent] = EraseType(1 << exponent, opcode, _four_byte_opcode(four_words, number))
    _add_4k(words, found, faults)
    return tuple(sorted(found.values()))


def _four_byte_opcode(words: tuple[int, ...], number: int) -> int | None:
    if len(words) < 2 or not words[0] >> (9 + number) & 1:
        return None
    opcode = words[1] >> (8 * number) & 0xFF
    return None if opcode in _OPCODE_ABSENT else opcode


def _add_4k(words: tuple[int, ...], found: dict[int, EraseType], faults: list[str]) -> None:
    """Dword 1 names erasing by 4 KiB once more: bits 1:0 are 01, bits 15:8 the opcode."""
    opcode = words[0] >> 8 & 0xFF
    if words[0] & 3 != 1 or opcode in _OPCODE_ABSENT:
        return
    listed = found.get(4096)
    if listed is None:
        found[4096] = EraseType(4096, opcode)
    elif listed.opcode != opcode:
        faults.append(
            f"it erases 4096 bytes by {listed.opcode:02X}h in one place and {opcode:02X}h in another"
        )


def _page(words: tuple[int, ...]) -> tuple[int, bool]:
    """Dword 11, bits 7:4: the page as a power of two. It came with revision A of the standard."""
    if len(words) < 11:
        return _UNREVISED_PAGE, False
    return 1 << (words[10] >> 4 & 0xF), True


def _address_bytes(words: tuple[int, ...], faults: list[str]) -> AddressBytes | None:
    """Dword 1, bits 18:17."""
    code = words[0] >> 17 & 3
    if code == 3:
        faults.append("its number of address bytes is the reserved code 3")
        return None
    return (AddressBytes.THREE, AddressBytes.EITHER, AddressBytes.FOUR)[code]


def _enter_four_byte(words: tuple[int, ...]) -> frozenset[EnterFourByte]:
    """Dword 16, bits 24, 25, 29 and 30 (kernel, sfdp.h, BFPT_DWORD16_EN4B; from memory)."""
    if len(words) < 16:
        return frozenset()
    ways = {
        24: EnterFourByte.COMMAND,
        25: EnterFourByte.COMMAND_AFTER_WRITE_ENABLE,
        29: EnterFourByte.OWN_INSTRUCTIONS,
        30: EnterFourByte.ALWAYS,
    }
    return frozenset(way for bit, way in ways.items() if words[15] >> bit & 1)
