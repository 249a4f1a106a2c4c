"""The refused ranges that no smaller refusal explains yet, and the places at which the drive hung."""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort

from mendbay.imaging.pieces import Doubt, Piece


class Doubts:
    """The refused ranges, by place, in sectors.

    Attributes:
        ranges: where they start and stop, sorted.
    """

    def __init__(self) -> None:
        self.ranges: list[tuple[int, int]] = []
        self._at: dict[tuple[int, int], Doubt] = {}
        self._hung: list[tuple[int, int]] = []

    def add(self, doubt: Doubt) -> None:
        """Notes a refused range."""
        insort(self.ranges, (doubt.start, doubt.stop))
        self._at[doubt.start, doubt.stop] = doubt

    def drop(self, doubt: Doubt) -> None:
        """Forgets a refused range, if it is there: it is explained."""
        key = (doubt.start, doubt.stop)
        if self._at.get(key) is doubt:
            del self._at[key]
            del self.ranges[bisect_left(self.ranges, key)]

    def hung(self, start: int, stop: int) -> None:
        """Notes a range at which the drive hung."""
        insort(self._hung, (start, stop))

    def near(self, low: int, high: int) -> list[tuple[int, int]]:
        """The refused ranges that overlap `low` to `high`."""
        return _near(self.ranges, low, high)

    def cut(self, piece: Piece) -> list[Piece]:
        """The piece split where refused ranges begin and end, each part with its doubt."""
        if piece.tries or not (self.ranges or self._hung):
            return [piece]
        low, high = piece.start, piece.stop
        borders = {low, high}
        near = [*self.near(low, high), *_near(self._hung, low, high)]
        for start, stop in near:
            borders.update(at for at in (start, stop) if low < at < high)
        ordered = sorted(borders)
        parts = [piece.part(ordered[at], ordered[at + 1]) for at in range(len(ordered) - 1)]
        for part in parts:
            part.doubt = next((self._at[one] for one in near if one in self._at and _covers(one, part)), None)
            part.hung = any(_covers(one, part) for one in near if one not in self._at or one in self._hung)
        return parts


def smallest(ranges: list[tuple[int, int, int]]) -> list[Doubt]:
    """The refused ranges that hold no other one, in order of place: a smaller refusal replaces a larger."""
    kept: list[Doubt] = []
    for start, stop, left in sorted(set(ranges), key=lambda one: (one[0], -one[1])):
        while kept and kept[-1].start <= start and stop <= kept[-1].stop:
            kept.pop()
        if not kept or stop > kept[-1].stop:
            kept.append(Doubt(start, stop, left))
    return kept


def _near(ranges: list[tuple[int, int]], low: int, high: int) -> list[tuple[int, int]]:
    """The ranges of a sorted list that overlap `low` to `high`; looks back over a few that begin before."""
    first = max(0, bisect_right(ranges, (low, low)) - 8)
    return [
        one for one in ranges[first : bisect_left(ranges, (high, high))] if one[0] < high and one[1] > low
    ]


def _covers(one: tuple[int, int], part: Piece) -> bool:
    return one[0] <= part.start and part.stop <= one[1]
