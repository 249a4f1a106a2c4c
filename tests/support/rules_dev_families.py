"""Made-up ROM families with known checks, for developing and testing the learner of rules.

A family is a list of blocks laid out in a chip; `Hidden` says what the learner should find. Everything is
drawn from one seed.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from mendbay.board.rules.algorithm import Algorithm, Kind, Order, lanes
from mendbay.board.rules.rule import FILL, Hole

CRC32 = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=0xFFFFFFFF, final=0xFFFFFFFF, reflected=True)
CRC32_FORWARD = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=0xFFFFFFFF)
CRC16 = Algorithm(Kind.CRC, 16, polynomial=0x1021, initial=0xFFFF)
CRC16_ARC = Algorithm(Kind.CRC, 16, polynomial=0x8005, reflected=True)
SUM16 = Algorithm(Kind.SUM, 16, negated=True)
SUM32 = Algorithm(Kind.SUM, 32, 4)
XOR32 = Algorithm(Kind.XOR, 32, 4)
SUM8 = Algorithm(Kind.SUM, 8, negated=True)
FLETCHER16 = Algorithm(Kind.FLETCHER, 16, modulus=255)
ADLER = Algorithm(Kind.FLETCHER, 32, initial=1, modulus=65521)
UNLISTED32 = Algorithm(Kind.CRC, 32, polynomial=0x5D7A9E13, initial=0xFFFFFFFF)
UNLISTED16 = Algorithm(Kind.CRC, 16, polynomial=0x9A2F, initial=0xFFFF)
ODD_START = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=0x1234ABCD, final=0x00C0FFEE)


@dataclass(frozen=True)
class Hidden:
    """A check that was put in."""

    algorithm: Algorithm
    start: int
    end: int
    place: int
    order: Order
    hole: Hole = Hole.NONE

    @property
    def covers(self) -> tuple[tuple[int, int], ...]:
        """Ranges it protects, stored value included."""
        size = self.algorithm.width // 8
        return ((self.start, self.end), (self.place, self.place + size))


@dataclass
class Family:
    """Dumps of drives of one family, and the checks in them."""

    name: str
    dumps: list[bytes]
    hidden: list[Hidden] = field(default_factory=list)


@dataclass
class _Block:
    start: int
    content: bytes
    per_drive: tuple[int, int] | None


def code_like(random_source: random.Random, size: int) -> bytes:
    """Bytes with the uneven histogram of code and tables: some words repeat, some runs are zeros."""
    numbers = np.random.default_rng(random_source.getrandbits(64))
    words = numbers.integers(0, 1 << 32, 64, dtype=np.uint64).astype("<u4")
    body = numbers.choice(words, size // 4 + 1).view(np.uint8)[:size].copy()
    fresh = numbers.random(size) < 0.45
    body[fresh] = numbers.integers(0, 256, int(fresh.sum()), dtype=np.uint8)
    for _ in range(max(1, size // 900)):
        begin = random_source.randrange(size)
        body[begin : begin + random_source.randrange(2, 24)] = random_source.choice((0, 0, 0xFF))
    return body.tobytes()


def put(image: bytearray, hidden: Hidden) -> None:
    """Computes the check of the image as it stands and stores it."""
    size = hidden.algorithm.width // 8
    region = bytearray(image[hidden.start : hidden.end])
    inside = hidden.place - hidden.start
    if hidden.hole in FILL:
        region[inside : inside + size] = bytes([FILL[hidden.hole]]) * size
    elif hidden.hole is Hole.LEFT_OUT:
        del region[inside : inside + size]
    value = hidden.algorithm.value(bytes(region))
    for i, shift in enumerate(lanes(hidden.algorithm.width, hidden.order)):
        image[hidden.place + i] = value >> shift & 0xFF


Placing = Callable[[random.Random, int, int, Algorithm], Hidden]


def make(
    name: str,
    seed: int,
    algorithm: Algorithm,
    *,
    drives: int = 6,
    size: int = 1 << 16,
    blocks: int = 8,
    where: str = "after",
    directory: bool = False,
    tight: bool = False,
    order: Order = Order.LITTLE,
    swap: int = 1,
    skip: int = 0,
    drive_blocks: int = 2,
) -> Family:
    """A family by its traits.

    Args:
        where: `after`, `before`, `head` (field at 4, region from `skip`), `hole` (field at 8, zeroed),
            `table` (a distant array), `column` (of the directory's rows).
        directory: whether rows (start, length) lie at 0x40.
        tight: no filler between blocks.
        swap: the finished dump has its bytes swapped in groups of so many.
        drive_blocks: of the blocks, how many hold per-drive bytes.
    """
    draw = random.Random(f"{name}/{seed}")
    width = algorithm.width // 8
    base = bytearray(b"\xff" * size)
    base[0:64] = code_like(draw, 64)
    at, hidden, spans = 0x400, [], []
    room = (size - 0x800) // blocks
    for number in range(blocks):
        length = draw.randrange(room // 5, room * 3 // 4) & ~3
        spans.append((at, length))
        base[at : at + length] = code_like(draw, length)
        place, start, end, hole = at + length, at, at + length, Hole.NONE
        total = length + width
        if where == "before":
            place, start, end = at, at + width, at + length
            total = length
        elif where == "head":
            place, start, end, total = at + 4, at + skip, at + length, length
        elif where == "hole":
            place, end, hole, total = at + 8, at + length, Hole.ZEROS, length
        elif where == "table":
            place, total = size - 0x200 + number * 4, length
        elif where == "column":
            place, total = 0x40 + number * 16 + 8, length
        if where == "after" and skip:
            start = at + skip
        hidden.append(Hidden(algorithm, start, end, place, order, hole))
        at += total
        at += -at % 4
        if not tight:
            at += -at % 256 + draw.choice((0, 0, 256))
    if directory:
        for number, (start, length) in enumerate(spans):
            row = (
                start.to_bytes(4, "little")
                + length.to_bytes(4, "little")
                + b"\0\0\0\0"
                + bytes([number, 1, 0, 0])
            )
            base[0x40 + 16 * number : 0x50 + 16 * number] = row
    chosen = draw.sample(range(blocks), drive_blocks)
    dumps = []
    for _ in range(drives):
        image = bytearray(base)
        for number in chosen:
            start, length = spans[number]
            begin = start + 64 + length // 5
            stretch = max(32, length // 4)
            image[begin : begin + stretch] = draw.randbytes(stretch)
        for one in hidden:
            put(image, one)
        data = np.frombuffer(bytes(image), np.uint8)
        if swap > 1:
            data = data.reshape(-1, swap)[:, ::-1].reshape(-1)
        dumps.append(data.tobytes())
    return Family(name, dumps, hidden)


def families(seed: int = 1) -> list[Family]:
    """One family of each kind."""
    big = Order.BIG
    return [
        make("crc32 after", seed, CRC32),
        make("crc16 after", seed, CRC16, order=big),
        make("crc16 after directory", seed, CRC16_ARC, directory=True),
        make("sum16 after directory", seed, SUM16, directory=True),
        make("sum32 after", seed, SUM32),
        make("xor32 before", seed, XOR32, where="before"),
        make("sum8 directory", seed, SUM8, directory=True),
        make("fletcher16 directory", seed, FLETCHER16, directory=True, order=big),
        make("adler before", seed, ADLER, where="before"),
        make("crc32 head", seed, CRC32_FORWARD, where="head", skip=16),
        make("crc16 head", seed, CRC16, where="head", skip=12),
        make("crc32 hole", seed, CRC32, where="hole"),
        make("crc16 hole directory", seed, CRC16, where="hole", directory=True),
        make("crc32 table", seed, CRC32, where="table"),
        make("crc32 table directory", seed, CRC32, where="table", directory=True),
        make("crc32 column", seed, CRC32, where="column", directory=True),
        make("crc32 tight", seed, CRC32, tight=True),
        make("crc16 tight", seed, CRC16, tight=True),
        make("crc32 tight head", seed, CRC32, tight=True, where="head", skip=8),
        make("unlisted32 after", seed, UNLISTED32),
        make("unlisted16 directory", seed, UNLISTED16, directory=True),
        make("odd start directory", seed, ODD_START, directory=True),
        make("odd start", seed, ODD_START),
        make("swapped crc32", seed, CRC32, swap=2),
        make("swapped crc16 directory", seed, CRC16, swap=2, directory=True),
        make("skip crc32", seed, CRC32, skip=16),
        make("crc32 tight table", seed, CRC32, tight=True, where="table"),
    ]


def overlap(found: tuple[tuple[int, int], ...], wanted: tuple[tuple[int, int], ...]) -> float:
    """Share of the bytes of both that are in both."""
    one = {byte for start, end in found for byte in range(start, end)}
    two = {byte for start, end in wanted for byte in range(start, end)}
    return len(one & two) / len(one | two)
