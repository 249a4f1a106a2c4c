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
    pairs = data[:-1].astype(np.int32) << 8 | data[1:]
    edged = np.zeros(pairs.size + 2, np.int8)
    edged[1:-1] = _LINKED[pairs]
    edges = np.flatnonzero(np.diff(edged))
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


def smooth_places(data: Bytes, width: int, order: str) -> tuple[npt.NDArray[np.bool_], Floats]:
    """Which words belong to a smooth table, and the bits it takes to say each from the one before; both of
    shape (words - 1,)."""
    words = data[: data.size // width * width].view(np.dtype(f"{order}u{width}")).astype(np.int64)
    step = np.abs(np.diff(words))
    cost = np.log2(1.0 + step)
    small = (step <= SMALL_STEP) & (step > 0)
    edged = np.concatenate((np.zeros(1, np.int8), small.astype(np.int8), np.zeros(1, np.int8)))
    edges = np.flatnonzero(np.diff(edged))
    long_ones = edges[1::2] - edges[::2] >= SMOOTH_RUN
    marks = np.zeros(step.size + 1, np.int8)
    marks[edges[::2][long_ones]] += 1
    marks[edges[1::2][long_ones]] -= 1
    return np.cumsum(marks[:-1]) > 0, cost


def smooth_words(data: Bytes) -> int:
    """How many words of smooth tables there are, at the best place, width and byte order."""
    return max(
        int(smooth_places(data[first:], width, order)[0].sum())
        for width in (2, 4)
        for first in range(width)
        for order in "<>"
    )


def smooth_gain(before: Bytes, after: Bytes) -> tuple[float, int]:
    """By how many bits the smooth tables of `after` are cheaper to say than the same places of `before`, and
    how many words that is; negative if `before` has the smoother ones.

    Both arrays have one size. Of each the better byte order counts.
    """
    best, words = 0.0, 0
    for width in (2, 4):
        seen = {
            (name, order): smooth_places(one, width, order)
            for name, one in (("before", before), ("after", after))
            for order in "<>"
        }
        places = np.logical_or.reduce([smooth for smooth, _ in seen.values()])
        count = int(places.sum())
        if count < 2 * SMOOTH_RUN:
            continue
        cost = {
            name: min(float(seen[name, order][1][places].sum()) for order in "<>")
            for name in ("before", "after")
        }
        gain = cost["before"] - cost["after"]
        if abs(gain) > abs(best):
            best, words = gain, count
    return best, words
