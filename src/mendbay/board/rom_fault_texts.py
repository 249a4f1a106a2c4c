"""How much readable text and how many smooth tables a piece of a dump holds, as bits of evidence.

Both vanish when data lines, bytes of words or bits are out of order, and come back when the right disorder is
undone. A byte order or line order that merely looks like code proves nothing and is not asked.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from mendbay.board.rom_dump import Bytes

Floats = npt.NDArray[np.float64]

_FOLLOWS = (
    "086766744713566762678546332"
    "805660350604878050878543240"
    "772539010670822630553700082"
    "680528007706720811648600020"
    "962569100800401610563600030"
    "962774540301557253777143630"
    "970336610800511810735700030"
    "951108045700636420673720003"
    "880009000700222700524300010"
    "354655750103779750587050404"
    "750009100104000620000800020"
    "960149130700525250172515000"
    "873359510801702740266612061"
    "786029000601462780154600030"
    "970787470503414730078540030"
    "836673740403578460866655200"
    "780238204600702860847641060"
    "610030100000314000540900000"
    "872459360704357720666543050"
    "950508215702333551178601040"
    "960328209700521740664603050"
    "555547440500878360877300000"
    "790009000800020510021000000"
    "771127008900506700753003200"
    "972727302700320370429000323"
    "911335230500345670277005021"
    "760209000800162600014000032"
)
"""Row: a character (gap, a to z), column: the next; the digit less 6 is how many bits likelier the next one
is than any of 27. Counted over the 793 507 letters and gaps of the docstrings of Python 3.11's library."""

SHORTEST_TEXT = 6
LEAST_TEXT_BITS = 10.0
MOST_TEXT_BITS = 60.0
"""No single run counts for more: one long odd stretch is not a text."""
MOST_GAPS = 0.34
"""Share of a text that may be spaces: a table of words with one fixed half has one at every second place."""
SMOOTH_RUN = 8
SMALL_STEP = 256


def _follow_tables() -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    """Bits of evidence for each byte after each byte, and whether the two can belong to one text; both of
    shape (65536,). A text is letters and spaces; a capital after a small letter begins another."""
    small = np.frombuffer(_FOLLOWS.encode(), np.uint8).reshape(27, 27).astype(np.float32) - 48 - 6
    row = np.full(256, -1)
    row[ord(" ")] = 0
    for letter in range(26):
        row[ord("a") + letter] = row[ord("A") + letter] = letter + 1
    known = row >= 0
    bits = np.zeros((256, 256), np.float32)
    bits[np.ix_(known, known)] = small[np.ix_(row[known], row[known])]
    bits[np.diag_indices(256)] = -1  # a letter is doubled now and then, in tables all the time
    linked = np.outer(known, known)
    linked[ord("a") : ord("z") + 1, ord("A") : ord("Z") + 1] = False
    return bits.ravel(), linked.ravel()


_BITS, _LINKED = _follow_tables()


def _different(letters: Bytes, owner: npt.NDArray[np.int64], runs: int) -> npt.NDArray[np.int64]:
    """How many different letters each run has, small and capital ones alike; shape (runs,)."""
    seen = np.zeros((runs, 32), bool)
    seen[owner, letters & 0x1F] = True
    counts: npt.NDArray[np.int64] = seen.sum(1)
    return counts


class Texts(NamedTuple):
    """The text in some bytes: evidence in `bits` from its `runs` different runs, and in `total` from all,
    repeated ones included. Disorder makes several different scraps of one text said often, so that
    neither figure alone compares fairly."""

    bits: float
    runs: int
    total: float


NO_TEXTS = Texts(0.0, 0, 0.0)


def text_bits(data: Bytes) -> Texts:
    """What the bytes hold as text."""
    if data.size < SHORTEST_TEXT:
        return NO_TEXTS
    pairs = data[:-1].astype(np.uint16) << 8 | data[1:]
    edged = np.zeros(pairs.size + 2, np.bool_)
    np.take(_LINKED, pairs, out=edged[1:-1])
    edges = np.flatnonzero(edged[1:] != edged[:-1])
    starts, stops = edges[::2], edges[1::2]
    long_enough = stops - starts >= SHORTEST_TEXT - 1
    starts, stops = starts[long_enough], stops[long_enough]
    if not starts.size:
        return NO_TEXTS
    lengths = stops - starts
    owner = np.repeat(np.arange(starts.size), lengths)
    before = np.cumsum(lengths) - lengths
    place = np.arange(int(lengths.sum())) - before[owner] + starts[owner]
    scores = np.bincount(owner, weights=_BITS[pairs[place]], minlength=starts.size)
    scores = np.minimum(scores, MOST_TEXT_BITS)
    gaps = np.bincount(owner, weights=data[place] == ord(" "), minlength=starts.size)
    good = (scores >= LEAST_TEXT_BITS) & (gaps <= MOST_GAPS * lengths)
    good &= _different(data[place], owner, starts.size) >= np.minimum(12, 4 + lengths // 8)
    if not good.any():
        return NO_TEXTS
    keys = np.stack(
        (lengths[good], data[starts[good]], data[stops[good] - 1], data[starts[good] + 2]), axis=1
    )
    _, chosen = np.unique(keys, axis=0, return_index=True)
    return Texts(float(scores[good][chosen].sum()), int(chosen.size), float(scores[good].sum()))


def _words(data: Bytes, width: int, order: str) -> npt.NDArray[np.integer[npt.NBitBase]]:
    """The words of the bytes, wide enough to be subtracted from each other."""
    words = data[: data.size // width * width].view(np.dtype(f"{order}u{width}"))
    return words.astype(np.int32 if width == 2 else np.int64)


def _smooth_runs(data: Bytes, width: int, order: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and last step (not included) of each run of small steps from word to word that is long enough
    for a smooth table."""
    step = np.diff(_words(data, width, order))
    edged = np.zeros(step.size + 2, np.bool_)
    edged[1:-1] = (step != 0) & (step <= SMALL_STEP) & (step >= -SMALL_STEP)
    edges = np.flatnonzero(edged[1:] != edged[:-1])
    long_ones = edges[1::2] - edges[::2] >= SMOOTH_RUN
    return edges[::2][long_ones], edges[1::2][long_ones]


def _smooth_places(data: Bytes, width: int, order: str) -> npt.NDArray[np.bool_]:
    """Which steps from word to word belong to a smooth table; shape (words - 1,)."""
    starts, stops = _smooth_runs(data, width, order)
    places = np.zeros(max(0, data.size // width - 1), np.bool_)
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        places[start:stop] = True
    return places


def _said(data: Bytes, width: int, order: str, places: npt.NDArray[np.int64]) -> float:
    """The bits it takes to say the words behind these steps, each from the one before."""
    words = _words(data, width, order)
    return float(np.log2(1.0 + np.abs(words[places + 1] - words[places])).sum())


def smooth_steps(data: Bytes, width: int, order: str) -> int:
    """How many steps from word to word belong to smooth tables."""
    starts, stops = _smooth_runs(data, width, order)
    return int((stops - starts).sum())


def smooth_words(data: Bytes) -> int:
    """How many words of smooth tables there are, at the best place, width and byte order."""
    return max(
        smooth_steps(data[first:], width, order)
        for width in (2, 4)
        for first in range(width)
        for order in "<>"
    )


class SmoothTables:
    """The smooth tables of some bytes, to compare others of the same size with.

    Args:
        data: the bytes.
    """

    def __init__(self, data: Bytes) -> None:
        self._data = data
        self._places = {width: self._in_either(data, width) for width in (2, 4)}

    @staticmethod
    def _in_either(data: Bytes, width: int) -> npt.NDArray[np.bool_]:
        return _smooth_places(data, width, "<") | _smooth_places(data, width, ">")

    def gain(self, after: Bytes) -> tuple[float, int]:
        """By how many bits the smooth tables of `after` are cheaper to say than the same places of these
        bytes, and how many words that is; negative if these have the smoother ones. Of each the better byte
        order counts."""
        best, words = 0.0, 0
        for width, own in self._places.items():
            places = np.flatnonzero(own | self._in_either(after, width))
            if places.size < 2 * SMOOTH_RUN:
                continue
            before, then = (
                min(_said(data, width, order, places) for order in "<>") for data in (self._data, after)
            )
            if abs(before - then) > abs(best):
                best, words = before - then, int(places.size)
        return best, words
