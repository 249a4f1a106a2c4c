"""Running totals of a dump, from which the sum, exclusive-or or Fletcher value of any region follows at once.

Words may begin at any byte: the totals are kept for each of the places a word can begin modulo its size, so
that a region costs two look-ups.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Kind, words_of

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
Flags = npt.NDArray[np.bool_]


class Totals:
    """Running totals of one dump for one kind of word and check.

    Args:
        data: the dump.
        algorithm: a sum, exclusive-or or Fletcher check; `negated` and `final` do not matter here.
    """

    def __init__(self, data: Bytes, algorithm: Algorithm) -> None:
        self._algorithm = algorithm
        self._word = algorithm.word
        self._room = data.size // self._word + 3
        rows = [self._row(data[phase:]) for phase in range(self._word)]
        self._sums = np.stack([row[0] for row in rows])
        self._weighted = np.stack([row[1] for row in rows]) if algorithm.kind is Kind.FLETCHER else None

    def _row(self, data: Bytes) -> tuple[Int64s, Int64s]:
        """Totals before each word, padded by one so that every phase has the same length."""
        words = words_of(data, self._word, self._algorithm.word_order)
        room = np.zeros(self._room, np.int64)
        if self._algorithm.kind is Kind.XOR:
            room[1 : words.size + 1] = np.bitwise_xor.accumulate(words.astype(np.int64))
            return room, room
        values = words.astype(np.int64)
        room[1 : words.size + 1] = np.cumsum(values)
        weighted = np.zeros(0, np.int64)
        if self._algorithm.kind is Kind.FLETCHER:
            weighted = np.zeros(self._room, np.int64)
            weighted[1 : words.size + 1] = np.cumsum(values * np.arange(words.size))
        return room, weighted

    def fits(self, starts: Int64s, ends: Int64s) -> Flags:
        """Which regions hold whole words only."""
        fitting: Flags = (ends - starts) % self._word == 0
        return fitting

    def values(self, starts: Int64s, ends: Int64s) -> UInt32s:
        """The checks of the regions, without `negated` and `final`, shape as given. Regions that do not fit
        get a value that means nothing."""
        algorithm = self._algorithm
        phase, first = starts % self._word, starts // self._word
        count = (ends - starts) // self._word
        last = first + count
        if algorithm.kind is Kind.XOR:
            found = self._sums[phase, last] ^ self._sums[phase, first]
            return found.astype(np.uint32)
        total = self._sums[phase, last] - self._sums[phase, first]
        if algorithm.kind is Kind.ONES:
            return np.where(total, (total - 1) % 0xFFFF + 1, 0).astype(np.uint32)
        if self._weighted is None:
            return (total & algorithm.mask).astype(np.uint32)
        modulus, half = algorithm.modulus, algorithm.width // 2
        weighted = self._weighted[phase, last] - self._weighted[phase, first]
        upper = (last * total - weighted + count * algorithm.initial) % modulus
        lower = (total + algorithm.initial) % modulus
        high, low = (upper, lower) if algorithm.upper_first else (lower, upper)
        return ((high << half) | low).astype(np.uint32)
