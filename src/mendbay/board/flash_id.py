"""What a serial-flash chip is: by its answer to Read ID (9Fh), by its own table, and where the two disagree.

The codes, the sizes and the lines of parts are in `flash_ids.toml`, each with its source. A voltage told
from an id is a hint, never proof. An id that is not listed is still an id: the chip stays readable.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

from mendbay.board.sfdp import AddressBytes, EnterFourByte, EraseType, Sfdp, parse_sfdp
from mendbay.core.errors import ProgrammerError
from mendbay.core.quantity import memory_text

CONTINUATION = 0x7F
"""JEP106: each 7Fh before a code moves one bank on."""
MOST_CONTINUATIONS = 12
ID_BYTES = MOST_CONTINUATIONS + 3
"""How many bytes of the answer to Read ID are looked at."""
THREE_BYTE_REACH = 1 << 24
"""Bytes that a three-byte address can reach."""

_PLAIN_SIZES = range(0x10, 0x1D)
_OTHER_SIZES = range(0x20, 0x23)


class Supply(StrEnum):
    """The supply a line of parts is made for, as a hint."""

    LOW = "1.8 V"
    HIGH = "3 V"
    WIDE = "wide"
    """Either."""
    UNKNOWN = ""


class Addressing(StrEnum):
    """How the bytes of a chip are addressed."""

    THREE = "three bytes"
    FOUR_INSTRUCTIONS = "four bytes, by instructions of their own"
    FOUR_MODE = "four bytes, in a mode that is entered"
    ALWAYS_FOUR = "always four bytes"


LOWEST_VOLTS = 1.8
HIGH_VOLTS = 3.3


@dataclass(frozen=True, slots=True)
class Maker:
    """One maker a code can stand for. `bank` counts from 1; `registered` is False where the code is only seen
    on the maker's parts and JEP106 gives it to another."""

    byte: int
    bank: int
    name: str
    registered: bool
    source: str


@dataclass(frozen=True, slots=True)
class Line:
    """A line of parts whose ids begin alike. `erase_types` and `page_bytes` are for chips without a table."""

    prefix: bytes
    first: int
    last: int
    name: str
    supply: Supply
    erase_types: tuple[EraseType, ...]
    page_bytes: int | None

    def has(self, chip: FlashId) -> bool:
        at = len(self.prefix)
        return (
            chip.code[:at] == self.prefix and len(chip.code) > at and self.first <= chip.code[at] <= self.last
        )


@dataclass(frozen=True, slots=True)
class FlashId:
    """The id of a chip: `code` is the answer to Read ID with its leading 7Fh bytes, cut to what counts."""

    code: bytes

    @classmethod
    def parse(cls, answer: bytes) -> FlashId:
        """The id at the start of an answer to Read ID.

        Raises:
            ProgrammerError: fewer than three bytes, or nothing but 7Fh.
        """
        run = 0
        while run < min(len(answer), MOST_CONTINUATIONS) and answer[run] == CONTINUATION:
            run += 1
        # one listed line sends a 7Fh and only two bytes more; what follows them is not part of its id
        short = any(
            len(rule) == 2 and answer.startswith(rule) and rule[0] == CONTINUATION for rule in _sizes()
        )
        wanted = 3 if short else run + 3
        if len(answer) < wanted or answer[run] == CONTINUATION:
            raise ProgrammerError(
                f"The answer to Read ID, {answer.hex(' ').upper() or 'nothing'}, is not an id",
                "Check the clip and its wires, then try again",
            )
        return cls(answer[:wanted])

    @property
    def text(self) -> str:
        """As a person compares it: `EF 40 16`."""
        return self.code.hex(" ").upper()

    @property
    def continuations(self) -> int:
        return len(self.code) - len(self.code.lstrip(bytes([CONTINUATION])))

    @property
    def maker_byte(self) -> int:
        return self.code[self.continuations]

    @property
    def makers(self) -> tuple[Maker, ...]:
        """Who the maker may be. Several, if the chip sent the byte without the 7Fh that name its bank."""
        known = tuple(one for one in _table().makers if one.byte == self.maker_byte)
        if self.continuations:
            return tuple(one for one in known if one.bank == self.continuations + 1)
        return known

    @property
    def parity_holds(self) -> bool:
        """Whether the maker's byte has the odd parity of JEP106; an id that fails this may be noise."""
        return has_odd_parity(self.maker_byte)

    @property
    def line(self) -> Line | None:
        """The listed line of parts it belongs to, or None."""
        return next((one for one in _table().lines if one.has(self)), None)

    @property
    def supply(self) -> Supply:
        """The supply its line is made for: a hint, never proof."""
        return self.line.supply if self.line else Supply.UNKNOWN

    @property
    def size_bytes(self) -> int | None:
        """Its size by the rule of the density byte and its exceptions; None if neither knows it."""
        prefix, last = self.code[-3:-1], self.code[-1]
        exceptions = _sizes().get(self.code[:2], _sizes().get(prefix))
        if exceptions is not None:
            return exceptions.get(last)
        if last in _PLAIN_SIZES:
            return 1 << last
        return 1 << (last - 6) if last in _OTHER_SIZES else None


@dataclass(frozen=True, slots=True)
class ChipFacts:
    """What is known of one chip, and what speaks against it.

    `size_bytes`, `page_bytes`, `erase_types` and `address_bytes` are what its table says, or what its line
    of parts has if it carries no table; unknown ones are None or empty. `conflicts` are sentences: with one,
    a chip may be read but not written. `doubts` are what a person should know and forbid nothing.
    """

    id: FlashId
    sfdp: Sfdp
    sfdp_sha256: str
    size_bytes: int | None
    page_bytes: int | None
    erase_types: tuple[EraseType, ...]
    address_bytes: AddressBytes | None
    supply: Supply
    conflicts: tuple[str, ...]
    doubts: tuple[str, ...]

    @property
    def largest_size_bytes(self) -> int | None:
        """The largest size that anything says it has: how far to read where two sources disagree."""
        sizes = [one for one in (self.sfdp.size_bytes, self.id.size_bytes) if one is not None]
        return max(sizes, default=None)

    @property
    def addressing(self) -> Addressing:
        """How its bytes are addressed; for an unknown size with three bytes."""
        if self.address_bytes is AddressBytes.FOUR or EnterFourByte.ALWAYS in self.sfdp.enter_four_byte:
            return Addressing.ALWAYS_FOUR
        if (self.largest_size_bytes or 0) <= THREE_BYTE_REACH:
            return Addressing.THREE
        return Addressing.FOUR_INSTRUCTIONS if self.sfdp.four_byte_instructions else Addressing.FOUR_MODE

    @property
    def erase_units(self) -> tuple[EraseType, ...]:
        """The erase types that can be used everywhere on it, smallest first; none if its regions differ."""
        if self.sfdp.has_sector_map or not self.size_bytes:
            return ()
        fits = [one for one in self.erase_types if self.size_bytes % one.size_bytes == 0]
        if self.addressing is Addressing.FOUR_INSTRUCTIONS:
            fits = [one for one in fits if one.four_byte_opcode is not None]
        return tuple(fits)

    @property
    def name(self) -> str:
        """Its id, with the line of parts if that is listed: `EF 40 16 (W25Q)`."""
        return f"{self.id.text} ({self.id.line.name})" if self.id.line else self.id.text

    def volts_fit(self, volts: float) -> bool:
        """Whether a supply is not against the hint of the id. An unknown hint forbids nothing."""
        if self.supply is Supply.LOW:
            return volts <= 2.0
        if self.supply is Supply.HIGH:
            return 2.7 <= volts <= 3.6
        return 1.65 <= volts <= 3.6


def chip_facts(chip: FlashId, sfdp_raw: bytes) -> ChipFacts:
    """What a chip is, from its id and the bytes of its own table (empty or without signature: it has none).

    Rule for the size: the size by the id and the size by the table must be the same, or nothing may be
    written.
    """
    table = parse_sfdp(sfdp_raw)
    line = chip.line
    if table.present and table.erase_types:
        erase, page, address = table.erase_types, table.page_bytes, table.address_bytes
    elif not table.present and line:
        erase, page, address = line.erase_types, line.page_bytes, None
    else:
        erase, page, address = (), table.page_bytes, table.address_bytes
    return ChipFacts(
        id=chip,
        sfdp=table,
        sfdp_sha256=sha256(sfdp_raw).hexdigest() if table.present else "",
        size_bytes=table.size_bytes if table.size_bytes is not None else chip.size_bytes,
        page_bytes=page,
        erase_types=erase,
        address_bytes=address,
        supply=chip.supply,
        conflicts=_conflicts(chip, table),
        doubts=_doubts(chip, table),
    )


def size_text(count: int | None) -> str:
    """A size of memory in the powers of two it is made in: `512 KiB`, `16 MiB`; other sizes exactly."""
    if count is None:
        return "of unknown size"
    return memory_text(count, plain=True)


def has_odd_parity(byte: int) -> bool:
    """JEP106: bit 7 makes the number of ones odd."""
    return byte.bit_count() % 2 == 1


def with_odd_parity(code: int) -> int:
    """The byte that is sent for a 7-bit code of JEP106."""
    return code if has_odd_parity(code) else code | 0x80


def registered(bank: int, code: int) -> Maker | None:
    """Who holds a 7-bit code in a bank (from 1), or None if the list here does not have it."""
    byte = with_odd_parity(code & 0x7F)
    rows = _table().makers
    return next((one for one in rows if one.registered and one.bank == bank and one.byte == byte), None)


def _conflicts(chip: FlashId, table: Sfdp) -> tuple[str, ...]:
    found = [f"Its parameter table is damaged: {fault}." for fault in table.faults]
    if table.size_bytes is not None and chip.size_bytes is not None and table.size_bytes != chip.size_bytes:
        found.append(
            f"Its id says {size_text(chip.size_bytes)}, its own table says {size_text(table.size_bytes)}."
        )
    beyond = table.size_bytes is not None and table.size_bytes > THREE_BYTE_REACH
    reachable = table.four_byte_instructions or table.enter_four_byte
    if beyond and table.address_bytes is AddressBytes.THREE and not reachable:
        found.append(
            f"Its table says {size_text(table.size_bytes)} and only addresses of three bytes, which reach "
            f"{size_text(THREE_BYTE_REACH)}."
        )
    return tuple(found)


def _doubts(chip: FlashId, table: Sfdp) -> tuple[str, ...]:
    found = []
    if not chip.parity_holds:
        found.append(f"The maker's byte {chip.maker_byte:02X}h fails its parity: it is no registered code.")
    if len(chip.makers) > 1:
        count = len(chip.makers)
        found.append(
            f"The maker's byte {chip.maker_byte:02X}h is that of {count} makers: read the marking, too."
        )
    if not table.present:
        found.append("It carries no parameter table.")
    # the standard's own tables all have a low byte of even parity, which no maker's code can have
    own = [one.table & 0xFF for one in table.headers if has_odd_parity(one.table & 0xFF)]
    strangers = sorted({code for code in own if code != chip.maker_byte})
    if strangers:
        codes = ", ".join(f"{code:02X}h" for code in strangers)
        found.append(f"Its parameter table has a part of another maker's: {codes}.")
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Table:
    makers: tuple[Maker, ...]
    lines: tuple[Line, ...]
    sizes: Mapping[bytes, Mapping[int, int]]


@cache
def _table() -> _Table:
    raw = tomllib.loads(files("mendbay.board").joinpath("flash_ids.toml").read_text("utf-8"))
    makers = tuple(
        Maker(row["byte"], row["bank"], row["name"], row.get("registered", True), row["source"])
        for row in raw["makers"]
    )
    sizes = {
        bytes.fromhex(row["prefix"]): {int(key, 16): value for key, value in row["bytes"].items()}
        for row in raw["sizes"]
    }
    return _Table(makers, tuple(_line(row) for row in raw["lines"]), sizes)


def _sizes() -> Mapping[bytes, Mapping[int, int]]:
    return _table().sizes


def _line(row: dict[str, Any]) -> Line:
    return Line(
        prefix=bytes.fromhex(row["prefix"]),
        first=row["first"],
        last=row["last"],
        name=row["name"],
        supply=Supply(row["supply"]),
        erase_types=tuple(EraseType(size, opcode) for size, opcode in row.get("erase", ())),
        page_bytes=row.get("page"),
    )
