"""The check algorithms that can be learned, each as a record of plain fields that can compute its own value.

Sums and exclusive-ors are common practice, no source. Fletcher: J. G. Fletcher, "An arithmetic checksum for
serial transmissions", IEEE Transactions on Communications 30 (1982). Adler-32: RFC 1950, section 8.2. Ones'
complement sum: RFC 1071. CRC-24: RFC 4880, section 6.1. Cyclic
redundancy checks are described by the parameters of the usual published model: width, polynomial, initial
value, reflection and final exclusive-or.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.crc import field, reversed_bits

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]

WIDTHS = (8, 16, 24, 32)


class Kind(StrEnum):
    """What the check does with its bytes."""

    SUM = "sum"
    XOR = "exclusive or"
    ONES = "ones' complement sum"
    """Words added with the carry brought round: RFC 1071."""
    FLETCHER = "Fletcher"
    CRC = "cyclic redundancy check"


class Order(StrEnum):
    """In which order the bytes of a stored value lie. The last two occur where a whole dump is swapped."""

    LITTLE = "little"
    BIG = "big"
    SWAPPED_LITTLE = "little, byte pairs swapped"
    SWAPPED_BIG = "big, byte pairs swapped"


@dataclass(frozen=True, slots=True)
class Algorithm:
    """A check by its parameters; those that a kind does not use keep their defaults.

    Args:
        kind: what is computed.
        width: bits of the value: 8, 16, 24 (cyclic checks only) or 32.
        word: bytes of one word that is added; 1 for a cyclic check.
        word_order: byte order of these words.
        polynomial: of a cyclic check, in normal notation without its highest term.
        initial: start value; for Fletcher that of the lower half, the upper starts at 0.
        final: what the value is combined with last by exclusive or.
        reflected: whether a cyclic check works least significant bit first, in input and result.
        negated: whether the sum is stored as its two's complement (before `final`).
        modulus: of each half of a Fletcher sum.
        upper_first: whether the second sum of a Fletcher pair is the upper half.
        swap: bytes are taken in groups of this many, each group reversed: 1 (as they lie), 2 or 4.
    """

    kind: Kind
    width: int
    word: int = 1
    word_order: Order = Order.LITTLE
    polynomial: int = 0
    initial: int = 0
    final: int = 0
    reflected: bool = False
    negated: bool = False
    modulus: int = 0
    upper_first: bool = True
    swap: int = 1

    @property
    def mask(self) -> int:
        """All bits of a value set."""
        return (1 << self.width) - 1

    def value(self, data: bytes | Bytes) -> int:
        """The value over the bytes. A last word or group that is not whole is filled with zeros.

        Args:
            data: the region, shape (bytes,).
        """
        taken = swapped(as_array(data), self.swap)
        if self.kind is Kind.CRC:
            division = field(self.polynomial, self.width)
            source = reversed_bits(taken) if self.reflected else taken
            start = turned(self.initial, self.width) if self.reflected else self.initial
            raw = division.value(source, start)
            return (turned(raw, self.width) if self.reflected else raw) ^ self.final
        words = words_of(taken, self.word, self.word_order)
        if self.kind is Kind.SUM:
            total = (int(words.sum(dtype=np.uint64)) + self.initial) & self.mask
            return ((-total & self.mask) if self.negated else total) ^ self.final
        if self.kind is Kind.ONES:
            return brought_round(int(words.sum(dtype=np.uint64)) + self.initial) ^ self.final
        if self.kind is Kind.XOR:
            folded = int(np.bitwise_xor.reduce(words)) if words.size else 0
            return folded ^ self.initial ^ self.final
        return self._fletcher(words)

    def _fletcher(self, words: npt.NDArray[np.uint64]) -> int:
        lower, upper = self.initial, 0
        step = 1 << 15
        for begin in range(0, words.size, step):
            part = words[begin : begin + step] % self.modulus
            count = part.size
            weights = np.arange(count, 0, -1, dtype=np.uint64)
            upper = (upper + count * lower + int((part * weights).sum())) % self.modulus
            lower = (lower + int(part.sum())) % self.modulus
        half = self.width // 2
        high, low = (upper, lower) if self.upper_first else (lower, upper)
        return ((high << half) | low) ^ self.final

    @property
    def name(self) -> str:
        """In words, with the parameters that tell it from others."""
        said = [f"{self.width}-bit {self.kind.value}"]
        if self.kind is Kind.CRC:
            digits = self.width // 4
            said.append(
                f"polynomial {self.polynomial:0{digits}X}, start {self.initial:0{digits}X}, "
                f"end {self.final:0{digits}X}" + (", reflected" if self.reflected else "")
            )
        else:
            if self.word > 1:
                said.append(f"of {8 * self.word}-bit words, {self.word_order.value} endian")
            if self.modulus:
                said.append(f"modulo {self.modulus}, start {self.initial}")
            if self.negated:
                said.append("two's complement")
            if self.final:
                said.append("inverted" if self.final == self.mask else f"end {self.final:X}")
            if self.initial and not self.modulus:
                said.append(f"start {self.initial:X}")
        if self.swap > 1:
            said.append(f"over bytes swapped in groups of {self.swap}")
        return ", ".join(said)


def brought_round(total: int) -> int:
    """A total of 16-bit words with every carry added in again at the lowest bit: RFC 1071."""
    return (total - 1) % 0xFFFF + 1 if total else 0


def as_array(data: bytes | bytearray | memoryview | Bytes) -> Bytes:
    """The bytes as an array, not copied."""
    return data if isinstance(data, np.ndarray) else np.frombuffer(data, np.uint8)


def swapped(data: Bytes, group: int) -> Bytes:
    """The bytes with every group reversed; a last group that is not whole stays as it is."""
    if group == 1:
        return data
    whole = data.size - data.size % group
    turned_part = data[:whole].reshape(-1, group)[:, ::-1].reshape(-1)
    return np.concatenate([turned_part, data[whole:]])


def words_of(data: Bytes, size: int, order: Order) -> npt.NDArray[np.uint64]:
    """The bytes as words, shape (words,); filled with zeros to a whole word."""
    short = -data.size % size
    whole = np.concatenate([data, np.zeros(short, np.uint8)]) if short else np.ascontiguousarray(data)
    kind = f"{'<' if order is Order.LITTLE else '>'}u{size}"
    return whole.view(kind).astype(np.uint64)


def turned(value: int, width: int) -> int:
    """The value with its lowest `width` bits in reverse."""
    return int(f"{value:0{width}b}"[::-1], 2)


def lanes(width: int, order: Order) -> tuple[int, ...]:
    """For each byte of a stored value, in the order they lie, by how many bits it is shifted up."""
    count = width // 8
    rising = tuple(8 * i for i in range(count))
    if order is Order.LITTLE:
        return rising
    if order is Order.BIG:
        return rising[::-1]
    base = rising if order is Order.SWAPPED_LITTLE else rising[::-1]
    return tuple(base[i ^ 1] for i in range(count)) if count > 1 else base


def stored_value(data: Bytes, place: int, width: int, order: Order) -> int:
    """The value stored at the place.

    Raises:
        IndexError: the field does not lie inside the data.
    """
    return sum(int(data[place + i]) << shift for i, shift in enumerate(lanes(width, order)))
