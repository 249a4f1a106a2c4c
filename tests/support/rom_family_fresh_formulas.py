"""More arithmetic of self-checks, for the fresh kinds: a wider catalogue of CRCs and other folds of bytes.

CRC parameters and their remainders of the digits 1 to 9: the published catalogues of CRC algorithms, written
down from memory. A start value of a reflected CRC stands here as `Crc.init` wants it, lowest bit first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from support.rom_family_formulas import (
    CRC8S,
    CRC16S,
    CRC24,
    CRC32S,
    ONES16,
    ONES32,
    Adler,
    Crc,
    Fletcher,
    Formula,
    OnesComplement,
    Sum,
    Xor,
)
from support.rom_family_pen import Pen

MORE_CRCS = {
    Crc(8, 0x2F, 0xFF, xorout=0xFF): 0xDF,
    Crc(8, 0x2F): 0x3E,
    Crc(8, 0xA7, reflected=True): 0x26,
    Crc(8, 0x39, reflected=True): 0x15,
    Crc(8, 0xD5): 0xBC,
    Crc(8, 0x1D): 0x37,
    Crc(8, 0x1D, 0xFF): 0xB4,
    Crc(8, 0x1D, 0xFD): 0x7E,
    Crc(8, 0x1D, 0xC7): 0x99,
    Crc(8, 0x1D, 0xFF, True): 0x97,
    Crc(8, 0x49, xorout=0xFF): 0x94,
    Crc(8, 0x31, 0xFF): 0xF7,
    Crc(8, 0x9B): 0xEA,
    Crc(16, 0x8005, ONES16): 0xAEE7,
    Crc(16, 0x8005, 0x800D): 0x9ECF,
    Crc(16, 0x8005, 0, True, ONES16): 0x44C2,
    Crc(16, 0x1021, 0, xorout=ONES16): 0xCE3C,
    Crc(16, 0x1021, ONES16, True): 0x6F91,
    Crc(16, 0x1021, 0x6363, True): 0xBF05,
    Crc(16, 0x1021, 0x554D, True): 0x63D0,
    Crc(16, 0x1021, 0x3791, True): 0x26B1,
    Crc(16, 0x3D65, xorout=ONES16): 0xC2B7,
    Crc(16, 0xC867, ONES16): 0x4C06,
    Crc(16, 0x0589): 0x007F,
    Crc(16, 0x0589, xorout=1): 0x007E,
    Crc(16, 0x6F63): 0xBDF4,
    Crc(16, 0x080B, ONES16, True): 0xA066,
    Crc(16, 0x5935): 0x5D38,
    Crc(16, 0x755B): 0x20FE,
    Crc(16, 0x1DCF, ONES16, xorout=ONES16): 0xA819,
    Crc(16, 0xA097): 0x0FB3,
    Crc(24, 0x864CFB): 0xCDE703,
    Crc(24, 0x800063): 0x23EF52,
    Crc(24, 0x800063, 0xFFFFFF, xorout=0xFFFFFF): 0x200FA5,
    Crc(24, 0x328B63, 0xFFFFFF, xorout=0xFFFFFF): 0xB4F3E6,
    Crc(24, 0x5D6DCB, 0xFEDCBA): 0x7979BD,
    Crc(24, 0x5D6DCB, 0xABCDEF): 0x1F23B8,
    Crc(24, 0x00065B, 0xAAAAAA, True): 0xC25A56,
    Crc(32, 0xF4ACFB13, ONES32, True, ONES32): 0x1697D06A,
    Crc(32, 0x8001801B, 0, True): 0x6EC2EDC4,
    Crc(32, 0x000000AF): 0xBD0BE338,
}
"""CRCs beyond those of `rom_family_formulas`, each with its remainder of 123456789."""

CATALOGUE = {
    8: (*CRC8S, *(one for one in MORE_CRCS if one.bits == 8)),
    16: (*CRC16S, *(one for one in MORE_CRCS if one.bits == 16)),
    24: (CRC24, *(one for one in MORE_CRCS if one.bits == 24)),
    32: (*CRC32S, *(one for one in MORE_CRCS if one.bits == 32)),
}
"""All of them by bits."""


class _Listed:
    """Common knowledge, with no number that is not in a published list."""

    @property
    def published(self) -> bool:
        return True

    @property
    def secret(self) -> bool:
        return False


@dataclass(frozen=True)
class WordFed(_Listed):
    """`plain` fed whole 32-bit words that the processor reads little-endian, highest byte first.

    So does a CRC unit of a microcontroller that takes a word at a time (common practice, no source). The data
    must be whole words.
    """

    plain: Crc

    @property
    def width(self) -> int:
        return self.plain.width

    @property
    def words(self) -> str:
        return f"{self.plain.words}, fed 32-bit little-endian words highest byte first"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {**self.plain.parameters, "fed": 4}

    def value(self, data: bytes) -> int:
        return self.plain.value(np.frombuffer(data, dtype="<u4").byteswap().tobytes())


@dataclass(frozen=True)
class LooseFletcher(_Listed):
    """Two sums of bytes as Fletcher's, but cut to a byte or two each and not taken modulo 255 or 65535.

    Common practice, no source. `first_above` puts the plain sum in the upper half; `start` is that of the
    plain sum.
    """

    width: int
    start: int = 0
    first_above: bool = False

    @property
    def words(self) -> str:
        above = "first" if self.first_above else "second"
        return (
            f"two {4 * self.width}-bit running sums of bytes, start {self.start}, {above} in the upper half"
        )

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"start": self.start, "modulus": 1 << 4 * self.width, "first above": self.first_above}

    def value(self, data: bytes) -> int:
        half = 4 * self.width
        values = np.frombuffer(data, dtype=np.uint8).astype(np.uint64)
        first = self.start + int(values.sum())
        weights = np.arange(len(values), 0, -1, dtype=np.uint64)
        second = self.start * len(values) + int((values * weights).sum())
        upper, lower = (first, second) if self.first_above else (second, first)
        return upper % (1 << half) << half | lower % (1 << half)


@dataclass(frozen=True)
class RotatingXor(_Listed):
    """The register goes one bit to the left, round, then the next word is exclusive-ored in.

    Common practice, no source. The data must be whole words of `width` bytes in `order`.
    """

    width: int
    order: str

    @property
    def words(self) -> str:
        return (
            f"{8 * self.width}-bit exclusive-or, rotated left by a bit before each {self.order}-endian word"
        )

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"word": self.width, "order": self.order, "rotated": 1}

    def value(self, data: bytes) -> int:
        sign, bits = "<" if self.order == "little" else ">", 8 * self.width
        words = np.frombuffer(data, dtype=f"{sign}u{self.width}").astype(np.uint64)
        turns = np.arange(len(words) - 1, -1, -1, dtype=np.uint64) % np.uint64(bits)
        turned = words << turns | words >> (np.uint64(bits) - turns)
        return int(np.bitwise_xor.reduce(turned, initial=0)) & ((1 << bits) - 1)


@dataclass(frozen=True)
class TurningSum(_Listed):
    """16 bits, turned right by one before each byte is added: the sum of an old system command."""

    width: int = 2

    @property
    def words(self) -> str:
        return "16-bit sum of bytes, rotated right by a bit before each"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"word": 1, "rotated": -1}

    def value(self, data: bytes) -> int:
        total = 0
        for byte in data:
            total = (total >> 1 | (total & 1) << 15) + byte & 0xFFFF
        return total


class _Narrow(Protocol):
    @property
    def width(self) -> int: ...
    @property
    def words(self) -> str: ...
    @property
    def parameters(self) -> dict[str, int | str | bool]: ...
    @property
    def published(self) -> bool: ...
    def value(self, data: bytes) -> int | None: ...


@dataclass(frozen=True)
class AsHex:
    """`plain` written out as hexadecimal digits, to be stored big-endian: the text that a person reads."""

    plain: _Narrow
    small: bool = False

    @property
    def width(self) -> int:
        return 2 * self.plain.width

    @property
    def words(self) -> str:
        return f"{self.plain.words}, as {'small' if self.small else 'capital'} hexadecimal digits"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {**self.plain.parameters, "text": True, "small": self.small}

    @property
    def published(self) -> bool:
        return self.plain.published

    @property
    def secret(self) -> bool:
        return False

    def value(self, data: bytes) -> int | None:
        value = self.plain.value(data)
        if value is None:
            return None
        text = f"{value:0{self.width}{'x' if self.small else 'X'}}"
        return int.from_bytes(text.encode(), "big")


def fresh_formula(pen: Pen, *names: str) -> Formula:
    """One of the named sorts of formula, with parameters of the pen's choice.

    `bytesum`, `crc`, `adler`, `fletcher16`, `loose` and `turning` take any length, `turning` slowly;
    `wordsum`, `xor`, `rotating`, `ones16`, `fletcher32` and `wordcrc` take whole 4-byte words. A number
    behind some is the width in bits.
    """
    pick, order = pen.pick, pen.order
    name = pick.choice(names)
    sort, bits = name.rstrip("0123456789"), int(name[len(name.rstrip("0123456789")) :] or 0)
    ones, finish = (1 << bits) - 1, pick.choice(["plain", "plain", "negated", "inverted"])
    if sort == "bytesum":
        return Sum(bits // 8, 1, order, pick.choice([0, 0, 0, ones]), finish)
    if sort == "wordsum":
        return Sum(bits // 8, pick.choice([2, 4][: bits // 16]), order, pick.choice([0, 0, ones]), finish)
    if sort == "xor":
        return Xor(bits // 8, order, pick.choice([0, 0, ones]))
    if sort == "crc":
        return pick.choice(CATALOGUE[bits])
    if sort == "wordcrc":
        return WordFed(pick.choice([Crc(32, 0x04C11DB7, ONES32), Crc(32, 0x04C11DB7, ONES32, True, ONES32)]))
    others: dict[str, Formula] = {
        "ones16": OnesComplement(pick.choice(["big", order])),
        "fletcher16": Fletcher(2, order),
        "fletcher32": Fletcher(4, order),
        "adler": Adler(),
        "loose16": LooseFletcher(2, pick.choice([0, 0, 1]), pick.random() < 0.5),
        "loose32": LooseFletcher(4, pick.choice([0, 0, 1]), pick.random() < 0.5),
        "rotating16": RotatingXor(2, order),
        "rotating32": RotatingXor(4, order),
        "turning16": TurningSum(),
    }
    return others[name]
