"""What a set of dumps shows before any check is known: revisions, per-drive bytes, filler, natural edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_BLOCK = 64
_FOREIGN_SHARE = 0.35
"""Share of the blocks that are not filler above which two dumps are of two revisions (design value)."""
_SPLIT_SHARE, _SPLIT_BLOCKS = 0.01, 16
"""From how many blocks on the same division of the dumps speaks for revisions (design values)."""
SHORTEST_RUN = 4
LONG_RUN = 16
FILLERS = (0xFF, 0x00)


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of one filler byte, arrays of shape (runs,): bytes start to end (exclusive)."""

    starts: Int64s
    ends: Int64s

    @property
    def lengths(self) -> Int64s:
        """Bytes of each."""
        return self.ends - self.starts


def spans_of(flags: Flags) -> tuple[Int64s, Int64s]:
    """Starts and ends (exclusive) of the runs of true values."""
    padded = np.zeros(flags.size + 2, np.int8)
    padded[1:-1] = flags
    steps = np.diff(padded)
    return np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)


def filler_runs(data: Bytes, shortest: int = SHORTEST_RUN) -> Runs:
    """Runs of FF or of 00 of at least `shortest` bytes, in rising order."""
    starts, ends = [], []
    for value in FILLERS:
        begin, end = spans_of(data == value)
        long = end - begin >= shortest
        starts.append(begin[long])
        ends.append(end[long])
    begin, end = np.concatenate(starts), np.concatenate(ends)
    order = np.argsort(begin, kind="stable")
    return Runs(begin[order], end[order])


def varying(dumps: Sequence[Bytes]) -> Flags:
    """Which bytes are not the same in all dumps, shape (size,)."""
    found = np.zeros(dumps[0].size, np.bool_)
    for other in dumps[1:]:
        found |= other != dumps[0]
    return found


def clusters(flags: Flags, gap: int) -> tuple[Int64s, Int64s]:
    """Runs of true values, those nearer than `gap` bytes joined."""
    starts, ends = spans_of(flags)
    if starts.size < 2:
        return starts, ends
    apart = starts[1:] - ends[:-1] >= gap
    return starts[np.concatenate([[True], apart])], ends[np.concatenate([apart, [True]])]


def revisions(dumps: Sequence[Bytes]) -> tuple[tuple[int, ...], ...]:
    """The dumps by code revision: groups of their indexes, the largest first, then by first index.

    Two dumps of one revision differ in per-drive bytes only. Two signs tell revisions apart: most blocks
    of two dumps differ; or, among three and more, many blocks divide the dumps in the same way into sets
    that agree inside, which per-drive bytes do not.
    """
    groups: list[list[int]] = []
    for index, dump in enumerate(dumps):
        for group in groups:
            if not _foreign(dumps[group[0]], dump):
                group.append(index)
                break
        else:
            groups.append([index])
    split = [part for group in groups for part in _split(dumps, group)]
    return tuple(sorted((tuple(part) for part in split), key=lambda part: (-len(part), part)))


def _rows(dump: Bytes) -> Bytes:
    return dump[: dump.size - dump.size % _BLOCK].reshape(-1, _BLOCK)


def _filled(dump: Bytes) -> Flags:
    rows = _rows(dump)
    filled: Flags = ~((rows == rows[:, :1]).all(axis=1))
    return filled


def _foreign(left: Bytes, right: Bytes) -> bool:
    if left.size != right.size:
        return True
    filled = _filled(left) & _filled(right)  # what only one drive holds, as a longer list, is no other code
    differs = (_rows(left) != _rows(right)).any(axis=1)
    return bool((differs & filled).sum() > _FOREIGN_SHARE * max(1, int(filled.sum())))


def _split(dumps: Sequence[Bytes], group: list[int]) -> list[list[int]]:
    """Divides a group by the divisions that many blocks share."""
    if len(group) < 3:
        return [group]
    filled = np.ones(_rows(dumps[group[0]]).shape[0], np.bool_)
    labels = np.zeros((len(group), filled.size), np.int64)
    for place, index in enumerate(group):
        filled &= _filled(dumps[index])
        labels[place] = place
        for earlier in range(place):
            same = (_rows(dumps[index]) == _rows(dumps[group[earlier]])).all(axis=1)
            labels[place] = np.where(same & (labels[place] == place), labels[earlier], labels[place])
    classes = (labels == np.arange(len(group))[:, None]).sum(axis=0)
    telling = (classes > 1) & (classes < len(group)) & filled
    kinds, counts = np.unique(labels[:, telling], axis=1, return_counts=True)
    least = max(_SPLIT_BLOCKS, _SPLIT_SHARE * int(filled.sum()))
    keys = [tuple(column) for column in kinds[:, counts >= least].T.tolist()]
    parts: dict[tuple[int, ...], list[int]] = {}
    for place, index in enumerate(group):
        parts.setdefault(tuple(key[place] for key in keys), []).append(index)
    return list(parts.values())


@dataclass(frozen=True)
class Edges:
    """Where regions naturally begin and end, each with its price: minus log2 of how likely a true region
    is to use it.

    Arrays of shape (edges,), `ends` rising and their prices beside them only roughly meant: the price of
    an end also grows with how many ends lie between it and the start (see `natural_regions`).
    """

    starts: Int64s
    start_prices: npt.NDArray[np.float64]
    strong_ends: Int64s
    weak_ends: Int64s


def edges(data: Bytes, vary: Flags, most: int = 128) -> Edges:
    """Natural edges of the dump: both ends of filler, of per-drive bytes, and multiples of 4 KiB."""
    size = data.size
    runs = filler_runs(data)
    long = np.argsort(-runs.lengths, kind="stable")[: 4 * most]
    strong = long[runs.lengths[long] >= LONG_RUN][:most]
    weak = np.setdiff1d(long, strong)[: 2 * most]
    first, last = clusters(vary, 8)
    widest = np.argsort(first - last, kind="stable")[: 2 * most]
    first, last = first[widest], last[widest]
    pages = np.arange(0, size, 4096)[:256]
    strong_starts = [np.array([0]), runs.ends[strong], *_down(runs.ends[strong], runs.starts[strong])]
    weak_starts = [runs.ends[weak], first, pages, *(first - first % step for step in (16, 256))]
    strong_ends = [np.array([size]), runs.starts[strong]]
    weak_ends = [runs.starts[weak], last, pages, *(last + -last % step for step in (4, 16, 256))]
    one = _unique(strong_starts, size - 1)
    two = np.setdiff1d(_unique(weak_starts, size - 1), one)[: 4 * most]
    prices = np.concatenate(
        [
            np.full(one.size, np.log2(max(1, one.size)) + 0.6),
            np.full(two.size, np.log2(max(1, two.size)) + 1.6),
        ]
    )
    ends = _unique(strong_ends, size)
    return Edges(np.concatenate([one, two]), prices, ends, np.setdiff1d(_unique(weak_ends, size), ends))


def _down(ends: Int64s, starts: Int64s) -> list[Int64s]:
    """Ends of filler rounded down to a round place inside it: a block may itself begin with filler."""
    found = []
    for step in (16, 256, 4096):
        rounded = ends - ends % step
        found.append(rounded[(rounded > starts) & (rounded < ends)])
    return found


def _unique(parts: Sequence[Int64s], most: int) -> Int64s:
    joined = np.unique(np.concatenate(parts).astype(np.int64))
    return joined[(joined >= 0) & (joined <= most)]


STRONG_AHEAD, WEAK_AHEAD = 10, 8
SMALLEST_REGION = 16


def natural_regions(found: Edges) -> tuple[Int64s, Int64s, npt.NDArray[np.float64]]:
    """Pairs of natural start and end with their price in bits, arrays of shape (regions,).

    From each start the next ends are tried, the price growing with their rank; the end of the dump is
    always among them.
    """
    starts, ends, prices = [], [], []
    for among, ahead, extra in (
        (found.strong_ends, STRONG_AHEAD, 0.5),
        (found.weak_ends, WEAK_AHEAD, 1.8),
    ):
        if not among.size:
            continue
        next_end = np.searchsorted(among, found.starts + SMALLEST_REGION)
        for rank in range(ahead):
            place = next_end + rank
            kept = place < among.size
            starts.append(found.starts[kept])
            ends.append(among[place[kept]])
            prices.append(found.start_prices[kept] + extra + rank_price(rank))
    size = int(found.strong_ends[-1])
    starts.append(found.starts)
    ends.append(np.full(found.starts.size, size))
    whole = np.where(found.starts == 0, 3.0, found.start_prices + 4.0)
    prices.append(whole)
    return _cheapest(np.concatenate(starts), np.concatenate(ends), np.concatenate(prices))


def rank_price(rank: int) -> float:
    """Bits for being the `rank`-th (from 0) of a list of unknown length: 1, 2.6, 3.6 and so on."""
    return float(np.log2((rank + 1.0) * (rank + 2.0)))


def _cheapest(
    starts: Int64s, ends: Int64s, prices: npt.NDArray[np.float64]
) -> tuple[Int64s, Int64s, npt.NDArray[np.float64]]:
    order = np.lexsort((prices, ends, starts))
    starts, ends, prices = starts[order], ends[order], prices[order]
    first = np.ones(starts.size, np.bool_)
    first[1:] = (np.diff(starts) != 0) | (np.diff(ends) != 0)
    first &= ends - starts >= SMALLEST_REGION
    return starts[first], ends[first], prices[first]
