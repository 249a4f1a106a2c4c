"""A map of a ROM: how evenly filled each block is, where blocks repeat, and how much is filler.

Entropy is Shannon's, of the bytes of one block: 0 for filler, near 8 for what is compressed or
enciphered, between for code (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from hashlib import blake2b
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from mendbay.board.rom_dump import Bytes, Int64s

FEWEST_BYTES = 256
"""Smallest block: below, entropy says more about the size of the block than about its bytes."""
MOST_BLOCKS = 256
FILLERS = (0xFF, 0x00)


class Grain(StrEnum):
    """What a block looks like; filler and near-filler by share, the rest by entropy."""

    ERASED = "erased (FF)"
    ZERO = "zeros (00)"
    SPARSE = "mostly filler"
    PLAIN = "tables or text"
    CODE = "code or mixed data"
    DENSE = "compressed or enciphered"


@dataclass(frozen=True, slots=True)
class Stretch:
    """Neighbouring blocks of one grain: bytes `start` to `stop` (exclusive), entropy of the whole in bits."""

    start: int
    stop: int
    grain: Grain
    entropy: float
    repeats: int | None
    """Where the same bytes already stood, if all blocks of the stretch repeat others at one distance."""


@dataclass(frozen=True)
class RomMap:
    """The map; all arrays have shape (blocks,).

    Args:
        size: bytes of the dump.
        block: bytes of a block; the last may be shorter.
        entropy: bits per byte.
        filled: share of bytes that are FF or 00, 0 to 1.
        first: index of the first block with the same bytes; its own if there is none earlier, or if it
            is filler alone.
        grains: index into `tuple(Grain)`.
    """

    size: int
    block: int
    entropy: npt.NDArray[np.float64]
    filled: npt.NDArray[np.float64]
    first: Int64s
    grains: Int64s
    stretches: tuple[Stretch, ...]

    @property
    def filler_share(self) -> float:
        """Share of the whole dump that is FF or 00."""
        lengths = np.minimum(self.block, self.size - np.arange(self.filled.size) * self.block)
        return float((self.filled * lengths).sum() / self.size)

    @property
    def repeated_blocks(self) -> int:
        """Blocks, filler aside, whose bytes stand earlier already."""
        return int((self.first != np.arange(self.first.size)).sum())


def map_rom(data: bytes, block: int | None = None) -> RomMap:
    """The map of a dump.

    Args:
        data: at least one byte.
        block: bytes of a block, at least 16; None for 256 or more, such that there are at most 256 blocks.

    Raises:
        ValueError: no data, or a block below 16 bytes.
    """
    if not data or (block is not None and block < 16):
        raise ValueError("a map needs data, and blocks of at least 16 bytes")
    if block is None:
        block = FEWEST_BYTES
        while -(-len(data) // block) > MOST_BLOCKS:
            block *= 2
    array = np.frombuffer(data, np.uint8)
    counts = _counts(array, block)
    totals = counts.sum(1, keepdims=True)
    shares = counts / totals
    entropy = -(shares * np.log2(np.where(shares > 0, shares, 1))).sum(1) + 0.0
    filled = shares[:, list(FILLERS)].sum(1)
    grains = _grains(shares, entropy, filled, block)
    first = _first(data, block, grains)
    stretches = _stretches(array, block, grains, first)
    return RomMap(array.size, block, entropy, filled, first, grains, stretches)


def _counts(array: Bytes, block: int) -> Int64s:
    """Histogram of each block, shape (blocks, 256)."""
    blocks = -(-array.size // block)
    counts = np.zeros((blocks, 256), np.int64)
    step = max(1, (1 << 22) // block)
    for begin in range(0, blocks, step):
        part = array[begin * block : (begin + step) * block]
        key = np.arange(part.size) // block * 256 + part
        rows = -(-part.size // block)
        counts[begin : begin + rows] = np.bincount(key, minlength=rows * 256).reshape(rows, 256)
    return counts


def _random_entropy(block: int) -> float:
    """Mean entropy of a block of random bytes: 8 less the bias of a small sample (Miller, from memory)."""
    return 8 - 255 / (2 * math.log(2) * block)


def _grains(
    shares: npt.NDArray[np.float64],
    entropy: npt.NDArray[np.float64],
    filled: npt.NDArray[np.float64],
    block: int,
) -> Int64s:
    order = list(Grain)
    choices = (
        (shares[:, 0xFF] == 1, Grain.ERASED),
        (shares[:, 0x00] == 1, Grain.ZERO),
        (filled >= 0.9, Grain.SPARSE),
        (entropy < 5.0, Grain.PLAIN),
        (entropy < _random_entropy(block) - 0.25, Grain.CODE),
    )
    return np.select(
        [here for here, _ in choices], [order.index(one) for _, one in choices], order.index(Grain.DENSE)
    ).astype(np.int64)


def _first(data: bytes, block: int, grains: Int64s) -> Int64s:
    seen: dict[bytes, int] = {}
    view = memoryview(data)
    filler = {list(Grain).index(Grain.ERASED), list(Grain).index(Grain.ZERO)}
    first = np.arange(grains.size)
    for at, grain in enumerate(grains.tolist()):
        if grain not in filler:
            digest = blake2b(view[at * block : (at + 1) * block], digest_size=16).digest()
            first[at] = seen.setdefault(digest, at)
    return first


def _stretches(array: Bytes, block: int, grains: Int64s, first: Int64s) -> tuple[Stretch, ...]:
    index = np.arange(grains.size)
    distance = index - first
    breaks = np.flatnonzero((np.diff(grains) != 0) | (np.diff(distance) != 0)) + 1
    edges = [0, *breaks.tolist(), grains.size]
    found = []
    for begin, end in pairwise(edges):
        start, stop = begin * block, min(end * block, array.size)
        counts = np.bincount(array[start:stop], minlength=256)
        shares = counts[counts > 0] / (stop - start)
        bits = float(-(shares * np.log2(shares)).sum()) + 0.0
        repeats = int(first[begin]) * block if distance[begin] else None
        found.append(Stretch(start, stop, tuple(Grain)[int(grains[begin])], bits, repeats))
    return tuple(found)


def map_words(rom: RomMap) -> tuple[str, ...]:
    """The map in sentences: one a stretch, then the totals."""
    lines = []
    for one in rom.stretches:
        again = "" if one.repeats is None else f"; the same bytes as from {one.repeats:06X}h"
        lines.append(
            f"{one.start:06X}h to {one.stop - 1:06X}h: {one.grain.value}, "
            f"{one.entropy:.2f} bits a byte{again}"
        )
    repeated = rom.repeated_blocks
    lines.append(
        f"In all {rom.filler_share:.0%} filler; {repeated} of {rom.first.size} blocks of {rom.block} bytes "
        f"{'repeats' if repeated == 1 else 'repeat'} earlier ones"
    )
    return tuple(lines)
