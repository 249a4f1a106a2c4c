"""Which range of a drive to read next: one rule, value x chance over cost.

    score = V * P / (E[t] + wear * (1 - P))

V is the summed weight of the sectors in the read, P the chance that the drive gives all of them, E[t]
the expected time with the seek and, on refusal, the drive's own time-out; `wear` turns a refusal into
seconds of the drive's life. Under a constant hazard this index order is optimal for independent reads
(the classical index argument for discounted jobs; Gittins, "Bandit Processes and Dynamic Allocation
Indices", J. R. Statist. Soc. B 41, 1979, cited from memory). That healthy runs come first, that reading
jumps away from damage and comes back to it from both sides, and that single sectors come last are
consequences, not phases.

The planner is pure: given the same outcomes it makes the same choices.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.odds import Evidence

WEIGHT_WANTED = 100_000.0
"""So much more than the rest that even one wanted sector goes before a long healthy run."""
WEIGHT_REST = 1.0

_JUMPS = (2_048, 32_768, 524_288)
"""How far into a piece, in sectors, reading may start anew to get away from damage at its edge."""
_HANG_PENALTY = 1e-3
_SEEK_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Want:
    """Ranges of the drive worth more than the rest: `weight` for each of their sectors."""

    spans: SpanSet
    weight: float


@dataclass(slots=True)
class _Doubt:
    """A refused range: at least one of its `open_sectors` is bad."""

    start: int
    stop: int
    open_sectors: int


@dataclass(slots=True)
class _Piece:
    """Adjoining sectors to be read, alike in weight, doubt and number of tries."""

    start: int
    stop: int
    weight: float
    doubt: _Doubt | None = None
    tries: int = 0
    hung: bool = False
    version: int = 0


@dataclass(frozen=True, slots=True)
class _Choice:
    score: float
    start: int
    stop: int


class Planner:
    """Chooses reads and learns from their outcomes.

    `choose` hands out a range and forgets it until `learn` or `give_back` is told what came of it, so
    several reads can be under way. Every unread sector is chosen until it is read or has been refused
    alone `assumed.most_tries` times.

    Args:
        coverage: what is read, refused and waived so far.
        refused_reads: (start, stop, seconds) in bytes of every refused read so far, oldest first.
        wants: what matters more; where wants overlap the heavier weight counts.
        rest_weight: for everything else; 0 leaves it out.
        assumed: the priors and limits.
    """

    def __init__(
        self,
        coverage: Coverage,
        refused_reads: Iterable[tuple[int, int, float]] = (),
        wants: Sequence[Want] = (),
        rest_weight: float = WEIGHT_REST,
        assumed: Assumptions | None = None,
    ) -> None:
        self.assumed = assumed or Assumptions()
        self._sector = coverage.sector_bytes
        self._size = coverage.size_bytes
        self.evidence = Evidence(self._sector, -(-self._size // self._sector), self.assumed)
        self._starts: list[int] = []
        self._pieces: dict[int, _Piece] = {}
        self._heap: list[tuple[float, int, int]] = []
        self._out: dict[int, _Piece] = {}
        self._version = 0
        self._head = 0
        self._remember(coverage, refused_reads)
        self._lay_out(coverage, wants, rest_weight)

    # ------------------------------------------------------------------ the state at the start

    def _remember(self, coverage: Coverage, refused_reads: Iterable[tuple[int, int, float]]) -> None:
        """Takes up the evidence of earlier runs."""
        if coverage.read:
            self.evidence.known(coverage.read)
        decided = coverage.decided
        open_ranges: list[tuple[int, int, int]] = []
        for start, stop, seconds in refused_reads:
            first, last = start // self._sector, -(-stop // self._sector)
            if last - first == 1:
                if start not in coverage.read:
                    self.evidence.refused(first, last, seconds)
                continue
            span = Span(start, stop)
            left = span.length - decided.clip(span).total_bytes
            if left and not coverage.refused.overlaps(span):  # otherwise explained, or all given
                open_ranges.append((first, last, left // self._sector))
        self._doubts = _smallest(open_ranges)
        for doubt in self._doubts:
            self.evidence.refused(doubt.start, doubt.stop, self.evidence.refusal_seconds)

    def _lay_out(self, coverage: Coverage, wants: Sequence[Want], rest_weight: float) -> None:
        """Cuts what is not read into pieces of one weight each."""
        left = coverage.unread
        retry = coverage.refused
        for want in [
            *sorted(wants, key=lambda one: -one.weight),
            Want(SpanSet([Span(0, self._size)]), rest_weight),
        ]:
            spans = want.spans.widen(self._sector)
            if want.weight > 0:
                for span in left & spans:
                    self._lay_piece(span, want.weight)
                for span in retry & spans:
                    for at in range(span.start, span.stop, self._sector):
                        tries = coverage.tries_at(at)
                        if tries < self.assumed.most_tries:
                            first = at // self._sector
                            self._add(_Piece(first, first + 1, want.weight, tries=tries))
            left, retry = left - spans, retry - spans

    def _lay_piece(self, span: Span, weight: float) -> None:
        start, stop = span.start // self._sector, -(-span.stop // self._sector)
        at = max(0, bisect_right(self._doubts, start, key=lambda one: one.start) - 1)
        for index in range(at, len(self._doubts)):  # a slice would step through all doubts before it
            doubt = self._doubts[index]
            if doubt.start >= stop:
                break
            if doubt.stop <= start:
                continue
            if start < doubt.start:
                self._add(_Piece(start, doubt.start, weight))
            self._add(_Piece(max(start, doubt.start), min(stop, doubt.stop), weight, doubt))
            start = min(stop, doubt.stop)
        if start < stop:
            self._add(_Piece(start, stop, weight))

    # ------------------------------------------------------------------ choosing

    def choose(self) -> Span | None:
        """The best read now, as a byte range on sector borders; None when nothing is left to try."""
        top = self._best_piece()
        if top is None:
            return None
        piece, choice = top
        return self._take(piece, choice)

    def choose_within(self, spans: SpanSet) -> Span | None:
        """The best read among the unread sectors of `spans` that were never refused alone; None when
        all of them are decided. The read lies inside `spans`, widened to whole sectors."""
        best: tuple[_Piece, _Choice] | None = None
        for span in spans:
            low, high = span.start // self._sector, -(-span.stop // self._sector)
            for piece in self._overlapping(low, high):
                if piece.tries:
                    continue
                part = _Piece(max(piece.start, low), min(piece.stop, high), 1.0, piece.doubt, hung=piece.hung)
                choice = self._score(part)
                if best is None or choice.score > best[1].score:
                    best = piece, choice
        return None if best is None else self._take(*best)

    def want(self, spans: SpanSet, weight: float) -> None:
        """Raises the weight of the given ranges, while running; lower than before has no effect."""
        for span in spans.widen(self._sector):
            low, high = span.start // self._sector, -(-span.stop // self._sector)
            for piece in list(self._overlapping(low, high)):
                if piece.weight >= weight:
                    continue
                self._remove(piece)
                start, stop = max(piece.start, low), min(piece.stop, high)
                for first, last, value in (
                    (piece.start, start, piece.weight),
                    (start, stop, weight),
                    (stop, piece.stop, piece.weight),
                ):
                    if first < last:
                        self._add(_Piece(first, last, value, piece.doubt, piece.tries, piece.hung))

    def _best_piece(self) -> tuple[_Piece, _Choice] | None:
        while self._heap:
            negative, start, version = heapq.heappop(self._heap)
            piece = self._pieces.get(start)
            if piece is None or piece.version != version:
                continue
            choice = self._score(piece)
            if choice.score >= -negative or not self._heap or choice.score >= -self._heap[0][0]:
                return piece, choice
            heapq.heappush(self._heap, (-choice.score, start, version))
        return None

    def _take(self, piece: _Piece, choice: _Choice) -> Span:
        self._remove(piece)
        taken = _Piece(choice.start, choice.stop, piece.weight, piece.doubt, piece.tries, piece.hung)
        for first, last in ((piece.start, choice.start), (choice.stop, piece.stop)):
            if first < last:
                self._add(_Piece(first, last, piece.weight, piece.doubt, piece.tries, piece.hung))
        self._out[choice.start] = taken
        self._head = choice.stop
        return Span(choice.start * self._sector, min(choice.stop * self._sector, self._size))

    def _score(self, piece: _Piece) -> _Choice:
        """The best read in a piece and its score."""
        if piece.tries:
            chance = self.evidence.retry_chance(piece.tries)
            return _Choice(self._value(piece, 1, chance, piece.start), piece.start, piece.stop)
        best: _Choice | None = None
        for start, backwards in self._places(piece):
            choice = self._at(piece, start, backwards)
            if best is None or choice.score > best.score * (1 + 1e-9):
                best = choice
        assert best is not None
        return best

    def _places(self, piece: _Piece) -> list[tuple[int, bool]]:
        """Where a read of the piece could begin: at its start, backwards from its end, or further in."""
        places = [(piece.start, False)]
        length = piece.stop - piece.start
        if length == 1 or not self._damage_near(piece):
            return places
        places.append((piece.stop, True))
        if piece.doubt is None:
            places += [(piece.start + jump, False) for jump in _JUMPS if jump < length // 2]
        return places

    def _damage_near(self, piece: _Piece) -> bool:
        return piece.doubt is not None or self.evidence.damage_between(
            piece.start - _JUMPS[0], piece.start + _JUMPS[0]
        )

    def _at(self, piece: _Piece, place: int, backwards: bool) -> _Choice:
        edge = place - 1 if backwards else place
        density = self.evidence.density(edge, self._tried_between)
        room = piece.stop - place if not backwards else place - piece.start
        largest = max(1, self.assumed.largest_read_bytes // self._sector)
        doubtful = piece.doubt.open_sectors if piece.doubt else 0
        if piece.doubt:
            sectors = min(self.evidence.sectors_after_refusal(doubtful), self.evidence.best_sectors(density))
        else:
            sectors = self.evidence.best_sectors(density)
        sectors = min(sectors, room, largest)
        chance = self.evidence.chance(sectors, density, doubtful)
        start = place - sectors if backwards else place
        return _Choice(self._value(piece, sectors, chance, start), start, start + sectors)

    def _value(self, piece: _Piece, sectors: int, chance: float, start: int) -> float:
        evidence, assumed = self.evidence, self.assumed
        seek = 0.0
        if start != self._head:
            share = max(_SEEK_SHARE, min(1.0, sectors / max(1, piece.stop - start)))
            seek = assumed.seek_seconds * share
        seconds = (
            assumed.command_seconds
            + seek
            + chance * sectors * evidence.sector_seconds
            + (1 - chance) * evidence.refusal_seconds
        )
        score = piece.weight * sectors * chance / (seconds + assumed.refusal_wear_seconds * (1 - chance))
        return score * _HANG_PENALTY if piece.hung else score

    # ------------------------------------------------------------------ learning

    def learn(self, attempt: Attempt) -> None:
        """Takes in the outcome of a read that `choose` handed out.

        Raises:
            KeyError: that range is not out.
        """
        piece = self._out.pop(attempt.span.start // self._sector)
        sectors = piece.stop - piece.start
        if piece.tries:
            self.evidence.retried(piece.tries, attempt.outcome is Outcome.GIVEN)
        if attempt.outcome is Outcome.GIVEN:
            self.evidence.given(piece.start, piece.stop, attempt.seconds)
            if piece.doubt is not None:
                piece.doubt.open_sectors -= sectors
        else:
            self._learn_refusal(piece, sectors, attempt)
        self._look_again_beside(piece)

    def _learn_refusal(self, piece: _Piece, sectors: int, attempt: Attempt) -> None:
        hung = attempt.outcome is Outcome.HUNG
        self.evidence.refused(piece.start, piece.stop, attempt.seconds)
        if piece.doubt is not None:
            self._settle(piece.doubt)
        if sectors > 1:
            doubt = _Doubt(piece.start, piece.stop, sectors)
            self._add(_Piece(piece.start, piece.stop, piece.weight, doubt, hung=hung))
        elif piece.tries + 1 < self.assumed.most_tries:
            self._add(_Piece(piece.start, piece.stop, piece.weight, tries=piece.tries + 1, hung=hung))

    def give_back(self, span: Span) -> None:
        """Takes back a range that was handed out but never tried.

        Raises:
            KeyError: that range is not out.
        """
        piece = self._out.pop(span.start // self._sector)
        at = bisect_left(self._starts, piece.start)
        beside = [self._pieces[start] for start in self._starts[max(0, at - 1) : at + 1]]
        for other in beside:
            touching = other.stop == piece.start or other.start == piece.stop
            if touching and self._alike(other, piece):
                self._remove(other)
                piece.start, piece.stop = min(piece.start, other.start), max(piece.stop, other.stop)
        self._add(piece)

    @staticmethod
    def _alike(one: _Piece, other: _Piece) -> bool:
        return (
            one.weight == other.weight
            and one.doubt is other.doubt
            and one.tries == other.tries == 0
            and one.hung == other.hung
        )

    def _settle(self, doubt: _Doubt) -> None:
        """A refusal inside a refused range explains it: what else is open there is no longer doubted."""
        self.evidence.settled(doubt.start, doubt.stop)
        for piece in [one for one in self._overlapping(doubt.start, doubt.stop) if one.doubt is doubt]:
            self._remove(piece)
            self._add(_Piece(piece.start, piece.stop, piece.weight, None, piece.tries, piece.hung))
        for piece in self._out.values():
            if piece.doubt is doubt:
                piece.doubt = None

    def _look_again_beside(self, piece: _Piece) -> None:
        """A good read beside damage raises the score of its neighbours; a heap finds only falling ones."""
        at = bisect_left(self._starts, piece.start)
        for index in (at - 1, at):
            if 0 <= index < len(self._starts):
                self._push(self._pieces[self._starts[index]])

    # ------------------------------------------------------------------ pieces in order

    def _add(self, piece: _Piece) -> None:
        insort(self._starts, piece.start)
        self._pieces[piece.start] = piece
        self._push(piece)

    def _push(self, piece: _Piece) -> None:
        self._version += 1
        piece.version = self._version
        heapq.heappush(self._heap, (-self._score(piece).score, piece.start, piece.version))
        if len(self._heap) > 4 * len(self._pieces) + 1000:  # mostly pieces that are gone or scored anew
            alive = ((start, version) for _, start, version in self._heap)
            kept = {start for start, version in alive if self._is_current(start, version)}
            self._heap = [
                (-self._score(one).score, one.start, one.version)
                for one in (self._pieces[start] for start in kept)
            ]
            heapq.heapify(self._heap)

    def _is_current(self, start: int, version: int) -> bool:
        piece = self._pieces.get(start)
        return piece is not None and piece.version == version

    def _remove(self, piece: _Piece) -> None:
        del self._starts[bisect_left(self._starts, piece.start)]
        del self._pieces[piece.start]

    def _overlapping(self, low: int, high: int) -> list[_Piece]:
        first = max(0, bisect_right(self._starts, low) - 1)
        last = bisect_left(self._starts, high)
        found = (self._pieces[start] for start in self._starts[first:last])
        return [piece for piece in found if piece.stop > low]

    def _tried_between(self, low: int, high: int) -> int:
        """Sectors between two places that have been decided: given, or refused alone."""
        open_sectors = sum(
            min(piece.stop, high) - max(piece.start, low)
            for piece in self._overlapping(low, high)
            if not piece.tries
        )
        return max(0, high - low - open_sectors)


def _smallest(ranges: list[tuple[int, int, int]]) -> list[_Doubt]:
    """The refused ranges that hold no other one, in order of place: a smaller refusal replaces a larger."""
    kept: list[_Doubt] = []
    for start, stop, left in sorted(set(ranges), key=lambda one: (one[0], -one[1])):
        while kept and kept[-1].start <= start and stop <= kept[-1].stop:
            kept.pop()
        if not kept or stop > kept[-1].stop:
            kept.append(_Doubt(start, stop, left))
    return kept
