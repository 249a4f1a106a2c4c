"""Several reads of one chip voted bit by bit, and how far the result can be trusted.

What the reads disagree about is also the measure of their error rate. The bits are put in strata of 256
bytes, data line and voted value, so that bursts, a weak line and a lean to ones or zeros each count where
they are. Within a stratum errors of different reads are taken to fall independently: the expected number of
places where so many reads err together that they outvote the rest is then the elementary symmetric
polynomial of their error rates times the bits of the stratum. With the counted errors put in for the rates
it is unbiased, whatever the rates of the strata are.

An error that is the same in every read cannot be seen by voting.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from mendbay.board.rom_dump import Bytes, Int64s

CELL = 256
"""Bytes of a stratum: a page of nearly all serial-flash chips."""
STEP = 1 << 20
MOST_LISTED = 1 << 20
"""Disagreeing bits listed one by one; beyond that only counts."""
MOST_READS = 16
NARROW_ROOM = 0.1
"""Expected bits decided by one vote up to which a number of reads is advised."""
SURE = 0.9999
"""Probability of being exact from which a voted dump is called restored."""
LANES = 8


@dataclass(frozen=True, slots=True)
class ByteRun:
    """Neighbouring places of a list: bytes `start` to `stop` (exclusive) hold `bits` listed bits."""

    start: int
    stop: int
    bits: int


@dataclass(frozen=True)
class BitList:
    """Bits about which the reads disagree, by rising place. `listed_all` is False if there were more than
    `MOST_LISTED`.

    Args:
        offsets: byte of each, shape (count,).
        lanes: bit in the byte, 0 = least significant, shape (count,).
        ones: how many reads gave a one there, shape (count,).
        reads: how many reads voted.
    """

    offsets: Int64s
    lanes: Bytes
    ones: Bytes
    reads: int
    listed_all: bool

    def __len__(self) -> int:
        return int(self.offsets.size)

    def narrow(self) -> BitList:
        """Those decided by one vote, or not at all."""
        lead = np.abs(2 * self.ones.astype(np.int16) - self.reads)
        return self._only(lead <= 1)

    def tied(self) -> BitList:
        """Those with as many ones as zeros."""
        return self._only(2 * self.ones.astype(np.int16) == self.reads)

    def runs(self, gap: int = 64) -> tuple[ByteRun, ...]:
        """The places put together wherever less than `gap` bytes lie between two."""
        if not len(self):
            return ()
        breaks = np.flatnonzero(np.diff(self.offsets) > gap) + 1
        edges = np.concatenate(([0], breaks, [len(self)]))
        return tuple(
            ByteRun(int(self.offsets[a]), int(self.offsets[b - 1]) + 1, int(b - a))
            for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        )

    def _only(self, these: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> BitList:
        return BitList(self.offsets[these], self.lanes[these], self.ones[these], self.reads, self.listed_all)


@dataclass(frozen=True)
class Vote:
    """The voted dump and its trustworthiness.

    Args:
        data: the voted bytes; an undecided bit is as the first read has it.
        reads: how many voted.
        disagreeing: bits not the same in all reads.
        undecided: of these, the ones with as many votes for one as for zero.
        narrow: bits decided by one vote. With three reads that is every decided one.
        unstable: bits on which so many reads err together that the cells themselves must read unsteadily.
        bits: the disagreeing bits.
        rise, fall: estimated share of zero bits read as one, and of one bits read as zero, in one read. With
            two reads the same figure for both: half the disagreements cannot be told from the other half.
        by_read: errors put down to each read, shape (reads,); all zero with two reads.
        expected_wrong: expected number of wrong bits in `data`, if errors of different reads are independent
            within a stratum; undecided and unstable ones count half.
        per_cell: disagreeing bits in each 256 bytes, shape (ceil(size / 256),).
    """

    data: bytes
    reads: int
    disagreeing: int
    undecided: int
    narrow: int
    unstable: int
    bits: BitList
    rise: float
    fall: float
    by_read: Int64s
    expected_wrong: float
    per_cell: Int64s = field(repr=False)

    @property
    def exact_probability(self) -> float:
        """That every bit is right, if no error is the same in all reads; 0 if a bit is undecided."""
        return 0.0 if self.undecided else math.exp(-self.expected_wrong)

    @property
    def restored(self) -> bool:
        """Whether the dump can be taken for exact as far as voting can tell: see `SURE`.

        A bit decided by one vote is not enough: a cell that reads unsteadily can be wrong in two reads of
        three, and looks like noise there. So three reads restore nothing that they dispute; five can.
        """
        return self.reads >= 2 and self.exact_probability >= SURE and not self.unstable and not self.narrow

    def reads_needed(self) -> int | None:
        """The odd number of reads after which no bit should be decided by one vote, at the same error rates
        everywhere; None if that takes more than `MOST_READS`."""
        size = 8 * len(self.data)
        rate = max(self.rise, self.fall)
        for reads in range(5, MOST_READS + 1, 2):
            if size * _tail(reads, rate, reads // 2) <= NARROW_ROOM:
                return reads
        return None


def _tail(reads: int, rate: float, least: int) -> float:
    """Chance that at least so many of the reads err in one bit."""
    return sum(
        math.comb(reads, wrong) * rate**wrong * (1 - rate) ** (reads - wrong)
        for wrong in range(least, reads + 1)
    )


@dataclass
class _Tally:
    """What is gathered from one step of the reads to the next."""

    reads: int
    disagreeing: int = 0
    undecided: int = 0
    listed: int = 0
    expected: float = 0.0
    pairs_seen: int = 0
    pairs_expected: float = 0.0
    narrow: int = 0
    ones: int = 0


def vote(reads: Sequence[bytes]) -> Vote:
    """The reads voted bit by bit.

    Args:
        reads: 1 to 16 reads of equal length, not empty.

    Raises:
        ValueError: another number of reads, or lengths that differ.
    """
    if not 1 <= len(reads) <= MOST_READS:
        raise ValueError(f"1 to {MOST_READS} reads can vote, not {len(reads)}")
    if len({len(one) for one in reads}) != 1 or not reads[0]:
        raise ValueError("the reads must have one length, and bytes")
    arrays = [np.frombuffer(one, np.uint8) for one in reads]
    size, count = arrays[0].size, len(arrays)
    voted = arrays[0].copy()
    per_cell = np.zeros(-(-size // CELL), np.int64)
    errors = np.zeros((count, 2), np.int64)
    tally = _Tally(count)
    listed: list[tuple[Int64s, Bytes, Bytes]] = []
    for start in range(0, size, STEP):
        _vote_step(
            [one[start : start + STEP] for one in arrays], start, voted, per_cell, errors, tally, listed
        )
    offsets, lanes, ones = (
        (np.concatenate([one[at] for one in listed]) for at in range(3))
        if listed
        else (np.zeros(0, np.int64), np.zeros(0, np.uint8), np.zeros(0, np.uint8))
    )
    unstable = _unstable(tally)
    rise, fall = _rates(tally, errors, 8 * size)
    return Vote(
        voted.tobytes(),
        count,
        tally.disagreeing,
        tally.undecided,
        tally.narrow,
        unstable,
        BitList(offsets, lanes, ones, count, tally.disagreeing <= tally.listed),
        rise,
        fall,
        errors.sum(1),
        tally.expected + tally.undecided / 2 + (tally.narrow / 2 if unstable else 0.0),
        per_cell,
    )


def _vote_step(
    parts: Sequence[Bytes],
    start: int,
    voted: Bytes,
    per_cell: Int64s,
    errors: Int64s,
    tally: _Tally,
    listed: list[tuple[Int64s, Bytes, Bytes]],
) -> None:
    """Votes one step and adds to all the tallies; `start` is a multiple of `CELL`."""
    size, count = parts[0].size, len(parts)
    differs = np.zeros(size, bool)
    for one in parts[1:]:
        differs |= one != parts[0]
    at = np.flatnonzero(differs)
    tally.ones += int(np.bitwise_count(parts[0]).sum())
    if not at.size:
        return
    columns = np.stack([one[at] for one in parts])
    bits = np.unpackbits(columns, axis=1, bitorder="little").reshape(count, -1)
    ones = bits.sum(0, dtype=np.uint8)
    decided = np.where(2 * ones.astype(np.int16) == count, bits[0], 2 * ones.astype(np.int16) > count)
    voted[start + at] = np.packbits(decided.astype(np.uint8), bitorder="little")
    open_bits = np.flatnonzero((ones != 0) & (ones != count))
    offsets, lanes = start + at[open_bits // LANES], (open_bits % LANES).astype(np.uint8)
    votes = ones[open_bits]
    tally.disagreeing += int(open_bits.size)
    room = MOST_LISTED - tally.listed
    if room > 0:
        listed.append((offsets[:room], lanes[:room], votes[:room]))
        tally.listed += min(room, int(open_bits.size))
    per_cell += np.bincount(offsets // CELL, minlength=per_cell.size)
    minority = np.minimum(votes, count - votes).astype(np.int64)
    tally.undecided += int((2 * minority == count).sum())
    tally.narrow += int((count - 2 * minority == 1).sum())
    if count < 3:
        return
    value = decided[open_bits].astype(np.int64)
    wrong = bits[:, open_bits] != decided[open_bits]
    wrong[:, 2 * minority == count] = False
    for held in (0, 1):
        errors[:, held] += wrong[:, value == held].sum(1)
    strata = ((offsets - start) // CELL * LANES + lanes) * 2 + value
    _weigh(wrong, minority, strata, _population(voted[start : start + size]), tally)


def _population(voted: Bytes) -> Int64s:
    """How many bits each stratum (cell, lane, value) has; shape (cells * 16,)."""
    cells = -(-voted.size // CELL)
    padded = np.zeros(cells * CELL, np.uint8)
    padded[: voted.size] = voted
    ones = np.stack(
        [((padded >> lane) & 1).reshape(cells, CELL).sum(1, dtype=np.int64) for lane in range(LANES)], axis=1
    )
    sizes = np.full(cells, CELL, np.int64)
    sizes[-1] = voted.size - (cells - 1) * CELL
    return np.stack([sizes[:, None] - ones, ones], axis=2).ravel()


def _weigh(
    wrong: np.ndarray[tuple[int, int], np.dtype[np.bool_]],
    minority: Int64s,
    strata: Int64s,
    population: Int64s,
    tally: _Tally,
) -> None:
    """Adds the expected number of places where the wrong reads outvoted the others, and of those where just
    two reads err together, to be held against what was seen."""
    used, place = np.unique(strata, return_inverse=True)
    room = np.maximum(population[used], 1).astype(np.float64)
    count = wrong.shape[0]
    rates = np.stack([np.bincount(place[row], minlength=used.size) for row in wrong]) / room
    outvoted = _together(np.minimum(rates, 0.5), count // 2 + 1)
    tally.expected += float((outvoted * room).sum())
    if count >= 4:
        tally.pairs_expected += float((_together(rates, 2) * room).sum())
        tally.pairs_seen += int((minority >= 2).sum())


def _together(
    rates: np.ndarray[tuple[int, int], np.dtype[np.float64]], how_many: int
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Chance that `how_many` reads err in the same bit: the elementary symmetric polynomial of that degree
    of each column of `rates`."""
    sums = np.zeros((how_many + 1, rates.shape[1]))
    sums[0] = 1.0
    for row in rates:
        for degree in range(how_many, 0, -1):
            sums[degree] += sums[degree - 1] * row
    chance: np.ndarray[tuple[int], np.dtype[np.float64]] = sums[how_many]
    return chance


def _unstable(tally: _Tally) -> int:
    """Bits on which two or more reads err together beyond what independent errors would do. Below four
    reads that cannot be told."""
    if tally.reads < 4:
        return 0
    limit = 1.3 * tally.pairs_expected + 5 * math.sqrt(tally.pairs_expected) + 2
    return tally.pairs_seen if tally.pairs_seen > limit else 0


def _rates(tally: _Tally, errors: Int64s, bits: int) -> tuple[float, float]:
    if tally.reads < 2 or not tally.disagreeing:
        return 0.0, 0.0
    if tally.reads == 2:
        return (tally.disagreeing / (2 * bits),) * 2
    risen, fallen = errors.sum(0).tolist()
    zeros, ones = bits - tally.ones, tally.ones
    return risen / max(1, tally.reads * zeros), fallen / max(1, tally.reads * ones)
