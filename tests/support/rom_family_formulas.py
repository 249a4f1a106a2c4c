"""The arithmetic of self-checks: sums, exclusive-ors, Fletcher, Adler, CRCs and keyed tags.

Each formula turns bytes into one number. The long way round is kept beside every quick one: `Crc.bytewise` is
the definition, `Crc.value` must equal it.

CRC parameters as in the published catalogues of CRC algorithms, written down from memory; Fletcher: RFC 1146;
Adler-32: RFC 1950; ones' complement sum: RFC 1071; CRC-24: RFC 9580.
"""

from __future__ import annotations

import binascii
import hashlib
import hmac
import zlib
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.uint32]
ORDER_SIGN = {"little": "<", "big": ">"}
BYTEWISE_LIMIT = 8192
"""Up to here one byte after the other is quicker than the parallel way."""


class Formula(Protocol):
    """What a self-check computes.

    `words` says it for a person, `parameters` names every choice in it, `published` is False if a number in
    it stands in no list anybody could look up, `secret` is True if the dumps cannot give the formula away.
    """

    @property
    def width(self) -> int: ...
    @property
    def words(self) -> str: ...
    @property
    def parameters(self) -> dict[str, int | str | bool]: ...
    @property
    def published(self) -> bool: ...
    @property
    def secret(self) -> bool: ...
    def value(self, data: bytes) -> int | None:
        """The number over `data`, below 256 to the power of `width`; None if it has none."""


class _Open:
    """A formula of common knowledge; an unusual start value may still stand in no list."""

    width: int
    start: int = 0

    @property
    def published(self) -> bool:
        return self.start in (0, (1 << 8 * self.width) - 1)

    @property
    def secret(self) -> bool:
        return False


@dataclass(frozen=True)
class Sum(_Open):
    """Words added up, cut to `width` bytes.

    `finish` is `plain`, `negated` (with it the total is `start`'s negative, usually zero) or `inverted`.
    The data must be whole words of `word` bytes in `order`.
    """

    width: int
    word: int = 1
    order: str = "little"
    start: int = 0
    finish: str = "plain"

    @property
    def words(self) -> str:
        unit = "bytes" if self.word == 1 else f"{8 * self.word}-bit {self.order}-endian words"
        return f"{8 * self.width}-bit sum of {unit}, {self.finish}, start {self.start:X}h"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"word": self.word, "order": self.order, "start": self.start, "finish": self.finish}

    def value(self, data: bytes) -> int:
        total = self.start + int(_whole_words(data, self.word, self.order).sum(dtype=np.uint64))
        if self.finish == "negated":
            total = -total
        elif self.finish == "inverted":
            total = ~total
        return int(total) & ((1 << 8 * self.width) - 1)


@dataclass(frozen=True)
class Xor(_Open):
    """All words of `width` bytes exclusive-ored together and with `start`."""

    width: int
    order: str = "little"
    start: int = 0

    @property
    def words(self) -> str:
        return f"{8 * self.width}-bit exclusive-or, {self.order}-endian words, start {self.start:X}h"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"word": self.width, "order": self.order, "start": self.start}

    def value(self, data: bytes) -> int:
        return self.start ^ int(np.bitwise_xor.reduce(_whole_words(data, self.width, self.order), initial=0))


@dataclass(frozen=True)
class OnesComplement(_Open):
    """16-bit sum with end-around carry, inverted (RFC 1071); `order` is that of the words."""

    order: str = "big"
    width: int = 2

    @property
    def words(self) -> str:
        return f"16-bit ones' complement sum of {self.order}-endian words, inverted"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"word": 2, "order": self.order, "carry": "end-around", "finish": "inverted"}

    def value(self, data: bytes) -> int:
        total = int(_whole_words(data, 2, self.order).sum(dtype=np.uint64))
        while total >> 16:
            total = (total & 0xFFFF) + (total >> 16)
        return total ^ 0xFFFF


@dataclass(frozen=True)
class Fletcher(_Open):
    """Fletcher's two sums: 16 bits over bytes modulo 255, or 32 bits over 16-bit words modulo 65535.

    Both start at 0; starting at all ones is the same in the modulus.
    """

    width: int
    order: str = "little"

    @property
    def words(self) -> str:
        unit = "bytes modulo 255" if self.width == 2 else f"16-bit {self.order}-endian words modulo 65535"
        return f"Fletcher-{8 * self.width} of {unit}, second sum in the upper half"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"word": self.width // 2, "order": self.order, "modulus": (1 << 4 * self.width) - 1}

    def value(self, data: bytes) -> int:
        half = 4 * self.width
        words = _whole_words(data, self.width // 2, self.order).astype(np.uint64)
        weights = np.arange(len(words), 0, -1, dtype=np.uint64)  # the k-th word is in all later partial sums
        modulus = (1 << half) - 1
        return (int((words * weights).sum()) % modulus) << half | int(words.sum()) % modulus


@dataclass(frozen=True)
class Adler(_Open):
    """Adler-32 (RFC 1950)."""

    width: int = 4

    @property
    def words(self) -> str:
        return "Adler-32"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"modulus": 65521, "start": 1}

    def value(self, data: bytes) -> int:
        return zlib.adler32(data)


@dataclass(frozen=True)
class Crc:
    """A cyclic redundancy check of 8, 16, 24 or 32 `bits`.

    `poly` is written with its highest power left out and the highest bit first, also if `reflected` (bytes
    are taken in, and the remainder given out, lowest bit first). `init` is the register at the start as the
    value that would come out of no data at all, were there no `xorout`.
    """

    bits: int
    poly: int
    init: int = 0
    reflected: bool = False
    xorout: int = 0
    listed: bool = True

    @property
    def width(self) -> int:
        return self.bits // 8

    @property
    def words(self) -> str:
        return (
            f"CRC-{self.bits}, polynomial {self.poly:0{2 * self.width}X}h"
            f"{' reflected' if self.reflected else ''}, start {self.init:X}h, exclusive-or {self.xorout:X}h"
        )

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"poly": self.poly, "init": self.init, "reflected": self.reflected, "xorout": self.xorout}

    @property
    def published(self) -> bool:
        return self.listed

    @property
    def secret(self) -> bool:
        return False

    def bytewise(self, data: bytes) -> int:
        """The definition, one byte after the other."""
        table, mask, register = _step_table(self), (1 << self.bits) - 1, self.init
        if self.reflected:
            for byte in data:
                register = register >> 8 ^ table[(register ^ byte) & 0xFF]
        else:
            top = self.bits - 8
            for byte in data:
                register = (register << 8 & mask) ^ table[register >> top ^ byte]
        return register ^ self.xorout

    def value(self, data: bytes) -> int:
        if self.bits == 32 and self.poly == 0x04C11DB7 and self.reflected:
            return zlib.crc32(data, self.init ^ 0xFFFFFFFF) ^ 0xFFFFFFFF ^ self.xorout
        if self.bits == 16 and self.poly == 0x1021 and not self.reflected:
            return binascii.crc_hqx(data, self.init) ^ self.xorout
        if len(data) < BYTEWISE_LIMIT:
            return self.bytewise(data)
        return self._in_lanes(data) ^ self.xorout

    def _in_lanes(self, data: bytes) -> int:
        """The same by cutting the data into lanes of equal length, all taken forward at once.

        A register of zero stays zero over zeros, so the front may be filled up; a start value acts as if it
        were exclusive-ored into the first bytes; and the register being linear in what went in, two
        neighbouring lanes join by carrying the first over as many zeros as the second is long.
        """
        lane_bytes = 64 if len(data) < 1 << 17 else 256
        lanes = 1 << (-(-len(data) // lane_bytes) - 1).bit_length()
        block = np.zeros(lanes * lane_bytes, dtype=np.uint8)
        own = block[len(block) - len(data) :]
        own[:] = np.frombuffer(data, dtype=np.uint8)
        first = self.init.to_bytes(self.width, "little" if self.reflected else "big")
        own[: self.width] ^= np.frombuffer(first, dtype=np.uint8)
        registers = np.zeros(lanes, dtype=np.uint32)
        table = np.array(_step_table(self), dtype=np.uint32)
        for column in np.ascontiguousarray(block.reshape(lanes, lane_bytes).T):
            registers = self._step(registers, column, table)
        operator = _zeros_operator(self, lane_bytes)
        while len(registers) > 1:
            registers = _apply(operator, registers[0::2]) ^ registers[1::2]
            operator = _apply(operator, operator)
        return int(registers[0])

    def _step(self, registers: Numbers, column: npt.NDArray[np.uint8], table: Numbers) -> Numbers:
        if self.reflected:
            index = (registers & np.uint32(0xFF)) ^ column
            kept: Numbers = registers >> np.uint32(8)
        else:
            index = registers >> np.uint32(self.bits - 8) ^ column
            kept = registers << np.uint32(8) & np.uint32((1 << self.bits) - 1)
        kept ^= table[index]
        return kept


@dataclass(frozen=True)
class Keyed:
    """A tag that needs a key which is in no dump: HMAC with SHA-256 (RFC 2104), cut to `width` bytes."""

    key: bytes
    width: int = 8

    @property
    def words(self) -> str:
        return f"first {self.width} bytes of a keyed hash; the key is not in the chip"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {"key": self.key.hex()}

    @property
    def published(self) -> bool:
        return False

    @property
    def secret(self) -> bool:
        return True

    def value(self, data: bytes) -> int:
        return int.from_bytes(hmac.new(self.key, data, hashlib.sha256).digest()[: self.width], "big")


@dataclass(frozen=True)
class Salted:
    """`plain` over the data followed by a salt of the single drive that is fused elsewhere.

    The salt is a hash of a family secret and the covered bytes [`salt_from`, `salt_to`) (a serial number), so
    no two drives share it and none can be worked out from dumps.
    """

    plain: Crc
    secret_bytes: bytes
    salt_from: int
    salt_to: int

    @property
    def width(self) -> int:
        return self.plain.width

    @property
    def words(self) -> str:
        return f"{self.plain.words}, over the data and a salt of the single drive that is not in the chip"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {**self.plain.parameters, "secret": self.secret_bytes.hex()}

    @property
    def published(self) -> bool:
        return False

    @property
    def secret(self) -> bool:
        return True

    def value(self, data: bytes) -> int:
        salt = hashlib.sha256(self.secret_bytes + data[self.salt_from : self.salt_to]).digest()
        return self.plain.value(data + salt)


@dataclass(frozen=True)
class Unpacked:
    """`plain` over what the data unpacks to (RFC 1951); None for data that does not unpack.

    Counted as secret: nothing that looks at the bytes as they lie in the chip can find it.
    """

    plain: Crc

    @property
    def width(self) -> int:
        return self.plain.width

    @property
    def words(self) -> str:
        return f"{self.plain.words}, over the unpacked content"

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return {**self.plain.parameters, "unpacked": True}

    @property
    def published(self) -> bool:
        return True

    @property
    def secret(self) -> bool:
        return True

    def value(self, data: bytes) -> int | None:
        try:
            return self.plain.value(zlib.decompress(data, -15))
        except zlib.error:
            return None


def _whole_words(data: bytes, word: int, order: str) -> npt.NDArray[np.unsignedinteger]:
    if len(data) % word:
        raise ValueError(f"{len(data)} bytes are not whole words of {word}")
    return np.frombuffer(data, dtype=f"{ORDER_SIGN[order]}u{word}")


@lru_cache(maxsize=256)
def _step_table(crc: Crc) -> tuple[int, ...]:
    mask = (1 << crc.bits) - 1
    poly = int(f"{crc.poly:0{crc.bits}b}"[::-1], 2) if crc.reflected else crc.poly
    table = []
    for byte in range(256):
        register = byte if crc.reflected else byte << crc.bits - 8
        for _ in range(8):
            if crc.reflected:
                register = register >> 1 ^ (poly if register & 1 else 0)
            else:
                register = (register << 1 & mask) ^ (poly if register >> crc.bits - 1 else 0)
        table.append(register)
    return tuple(table)


@lru_cache(maxsize=256)
def _zeros_operator(crc: Crc, length: int) -> Numbers:
    """What becomes of each single bit of the register over `length` (a power of two) zero bytes."""
    bits = np.left_shift(np.uint32(1), np.arange(crc.bits, dtype=np.uint32))
    table = np.array(_step_table(crc), dtype=np.uint32)
    operator = crc._step(bits, np.zeros(crc.bits, dtype=np.uint8), table)
    for _ in range(length.bit_length() - 1):
        operator = _apply(operator, operator)
    return operator


def _apply(operator: Numbers, registers: Numbers) -> Numbers:
    result = np.zeros_like(registers)
    for bit, image in enumerate(operator):
        result ^= (registers >> np.uint32(bit) & np.uint32(1)) * image
    return result


ONES16, ONES32 = 0xFFFF, 0xFFFFFFFF

CRC8S = (
    Crc(8, 0x07),
    Crc(8, 0x07, xorout=0x55),
    Crc(8, 0x07, init=0xFF, reflected=True),
    Crc(8, 0x31, reflected=True),
    Crc(8, 0x1D, init=0xFF, xorout=0xFF),
    Crc(8, 0x9B, init=0xFF),
    Crc(8, 0x9B, reflected=True),
)
CRC16S = (
    Crc(16, 0x1021),
    Crc(16, 0x1021, init=ONES16),
    Crc(16, 0x1021, init=ONES16, xorout=ONES16),
    Crc(16, 0x1021, init=0x1D0F),
    Crc(16, 0x1021, reflected=True),
    Crc(16, 0x1021, init=ONES16, reflected=True, xorout=ONES16),
    Crc(16, 0x8005),
    Crc(16, 0x8005, reflected=True),
    Crc(16, 0x8005, init=ONES16, reflected=True),
    Crc(16, 0x8005, init=ONES16, reflected=True, xorout=ONES16),
    Crc(16, 0x3D65, reflected=True, xorout=ONES16),
    Crc(16, 0x8BB7),
)
CRC32S = (
    Crc(32, 0x04C11DB7, init=ONES32, reflected=True, xorout=ONES32),
    Crc(32, 0x04C11DB7, init=ONES32, reflected=True),
    Crc(32, 0x04C11DB7, reflected=True),  # common practice, no source: a plain table loop that starts at zero
    Crc(32, 0x04C11DB7, init=ONES32, xorout=ONES32),
    Crc(32, 0x04C11DB7, init=ONES32),
    Crc(32, 0x04C11DB7, xorout=ONES32),
    Crc(32, 0x1EDC6F41, init=ONES32, reflected=True, xorout=ONES32),
    Crc(32, 0x741B8CD7, init=ONES32, reflected=True),
    Crc(32, 0x814141AB),
    Crc(32, 0xA833982B, init=ONES32, reflected=True, xorout=ONES32),
)
CRC24 = Crc(24, 0x864CFB, init=0xB704CE)
PLAIN_CRC32 = CRC32S[0]
