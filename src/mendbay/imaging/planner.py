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
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.adapter_odds import AdapterOdds
from mendbay.imaging.ahead import Ahead, Pace, look_ahead
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.doubts import Doubts, smallest
from mendbay.imaging.given_places import REGION
from mendbay.imaging.layout import Layout, Want
from mendbay.imaging.odds import Evidence
from mendbay.imaging.pieces import CLOSE, NEVER_SEEN, Choice, Doubt, Piece, Pieces, Region
from mendbay.imaging.prospects import Scores, prospects
from mendbay.imaging.retries import ELSEWHERE
from mendbay.imaging.scoring import Expected, Scoring

__all__ = ["WEIGHT_REST", "WEIGHT_WANTED", "Planner", "Want"]

WEIGHT_WANTED = 100_000.0
"""So much more than the rest that even one wanted sector goes before a long healthy run."""
WEIGHT_REST = 1.0

_PIECES_WITHIN = 64
_PACE_CHANGE = 0.1
"""When the pace has changed by this share, all scores are made anew, not one by one as they come up."""
_PIECES_PROMISED = 8
_NEAR = 2_048
"""Sectors beyond which one good read more tells little of a piece; a region given in part is scored anew."""
_TOLD_SHARE, _TOLD_SECTORS, _TOLD_REFUSALS = 0.01, 2_000_000, 20
"""From what share of the drive, how many sectors, or how many refusals on a look ahead rests on the drive and
not on what was assumed of it (own choice)."""
_NOTHING = SpanSet()


@dataclass(frozen=True, slots=True)
class Offer:
    """The best read of a drive as it stands, before anyone decides whether to do it.

    Attributes:
        span: in bytes.
        efficiency: chance times sectors over cost, whatever the sectors are worth.
        suspicion: as of its piece (`Piece.suspicion`).
        piece, choice: what `Planner.take` needs; no use to others.
    """

    span: Span
    efficiency: float
    suspicion: int
    piece: Piece
    choice: Choice


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
        elsewhere: the chances of sectors that only other adapters refused (0 tries in `coverage`).
    """

    def __init__(
        self,
        coverage: Coverage,
        refused_reads: Iterable[tuple[int, int, float]] = (),
        wants: Sequence[Want] = (),
        rest_weight: float = WEIGHT_REST,
        assumed: Assumptions | None = None,
        elsewhere: AdapterOdds | None = None,
    ) -> None:
        self.assumed = assumed or Assumptions()
        self._sector = coverage.sector_bytes
        self._size = coverage.size_bytes
        sectors = -(-self._size // self._sector)
        self.evidence = Evidence(self._sector, sectors, self.assumed, coverage.read)
        if elsewhere is not None:
            self.evidence.retries.elsewhere = elsewhere
        self._waived = coverage.waived
        self._tries = dict(
            zip(
                (coverage.refused_starts // self._sector).tolist(),
                coverage.refused_tries.tolist(),
                strict=True,
            )
        )
        self._doubts = Doubts()
        self._out: dict[int, Piece] = {}
        self._scoring = Scoring(self.evidence, self.assumed)
        self._remember(coverage, refused_reads)
        self._lay_out(coverage.unread, wants, rest_weight)

    # ------------------------------------------------------------------ the state at the start

    def _remember(self, coverage: Coverage, refused_reads: Iterable[tuple[int, int, float]]) -> None:
        """Takes up the evidence of earlier runs."""
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
        for doubt in smallest(open_ranges):
            self._doubts.add(doubt)
            self.evidence.refused(doubt.start, doubt.stop, self.evidence.refusal_seconds)
        self.evidence.learn_anew()

    def _lay_out(
        self, unread: SpanSet, wants: Sequence[Want], rest_weight: float, left: SpanSet = _NOTHING
    ) -> None:
        """Cuts what is not read into pieces of one weight each."""
        self._wants = sorted(wants, key=lambda one: -one.weight)
        self._rest_weight = rest_weight
        again = sorted(one for one, tries in self._tries.items() if tries < self.assumed.most_tries)
        if left:
            again = [one for one in again if one * self._sector not in left]
        tries = np.array([self._tries_as_piece(one) for one in again], dtype=np.int64)
        refused = np.array(again, dtype=np.int64)
        self._layout = Layout(self._sector, self._size, unread - left, refused, tries, wants, rest_weight)
        self._pieces = Pieces(self._layout, self._doubts.cut, self._scoring.best)
        self._stamps: dict[int, int] = {}
        self._longest = self._layout.longest()
        self._retry_regions = self._layout.retries()
        self._heap: list[tuple[float, int, int]] = []
        self._fill_heap()

    def _fill_heap(self) -> None:
        """Puts every region that was not begun into the heap, with the score of its longest row where
        nothing is known about its place; what is known nearby is found when it comes up."""
        self._pace = self.evidence.sector_seconds
        regions, weights, sectors = self._longest
        scores = self._scoring.unseen(weights, sectors)
        best = np.full(self._layout.regions, -1.0)
        np.maximum.at(best, regions, scores)
        regions, weights = self._retry_regions
        best[regions] = np.maximum(best[regions], np.maximum(weights * self._scoring.retry(), 1e-12))
        found = np.flatnonzero(best >= 0)
        begun = self._pieces.begun
        pairs = zip((-best[found]).tolist(), found.tolist(), strict=True)
        self._heap += [(negative, number, 0) for negative, number in pairs if not begun(number)]
        heapq.heapify(self._heap)

    # ------------------------------------------------------------------ values

    def reweigh(self, wants: Sequence[Want], rest_weight: float, left: SpanSet = _NOTHING) -> None:
        """Changes what the sectors are worth, while running; what was learned stays.

        Args:
            wants, rest_weight: as for a new planner.
            left: what need not be read here, as after `withdraw`; what was withdrawn before is open again.
        """
        held = [one for one in self._out.values() if one.tries]
        for piece in held:
            self._tries.pop(piece.start, None)
        self._lay_out(self._undecided(), wants, rest_weight, left)
        for piece in held:
            self._tries[piece.start] = piece.tries % ELSEWHERE
        for piece in self._out.values():
            piece.weight = self._weight_at(piece.start, wants, rest_weight)

    def _undecided(self) -> SpanSet:
        """What was never given nor refused alone, is not waived, and not under way."""
        sector = self._sector
        alone = np.array(sorted(self._tries), dtype=np.int64) * sector
        refused = SpanSet.from_bounds(alone, np.minimum(alone + sector, self._size))
        decided = self.given() | refused | self._waived | self.under_way()
        return decided.complement(Span(0, self._size))

    def _weight_at(self, at: int, wants: Sequence[Want], rest_weight: float) -> float:
        found = [one.weight for one in wants if at * self._sector in one.spans.widen(self._sector)]
        return max(found, default=rest_weight)

    # ------------------------------------------------------------------ choosing

    def choose(self) -> Span | None:
        """The best read now, as a byte range on sector borders; None when nothing is left to try."""
        found = self._best()
        return None if found is None else self._take(*found)

    def _best(self) -> tuple[Piece, Choice] | None:
        """The piece with the best read, and that read; None when nothing is left to try."""
        if abs(self.evidence.sector_seconds / self._pace - 1) > _PACE_CHANGE:
            self._score_anew()
        while self._heap:
            heap = self._heap
            here = self._here(-heap[0][0])
            if here is not None:
                return here
            _, number, stamp = heap[0]
            if stamp != self._stamps.get(number, 0):
                heapq.heappop(heap)
                continue
            top = self._pieces.region(number).best(self._scoring.best)
            if top is None or top[1].score <= 0:
                heapq.heappop(heap)
                continue
            rival = min(heap[1:3], default=None)
            if rival is None or top[1].score >= -rival[0] * CLOSE:
                return top
            self._stamps[number] = stamp + 1
            heapq.heapreplace(heap, (-top[1].score, number, stamp + 1))
        return None

    def _here(self, rival: float) -> tuple[Piece, Choice] | None:
        """The best read where the head stands, if no other is clearly better."""
        number = self._scoring.head // REGION
        if number >= self._layout.regions:
            return None
        top = self._pieces.region(number).best(self._scoring.best)
        return top if top is not None and 0 < top[1].score >= rival * CLOSE else None

    # ------------------------------------------------------------------ one of two drives that hold the same

    @property
    def size_bytes(self) -> int:
        """The size of the drive."""
        return self._size

    def offer(self) -> Offer | None:
        """The best read now, as `choose` would give it, but not handed out; None when nothing is left to try
        or what is left is worth nothing. It holds until the planner is told or asked anything else."""
        found = self._best()
        if found is None:
            return None
        piece, choice = found
        span = Span(choice.start * self._sector, min(choice.stop * self._sector, self._size))
        return Offer(span, choice.score / piece.weight, piece.suspicion, piece, choice)

    def take(self, offer: Offer) -> Span:
        """Hands out what `offer` told of last."""
        return self._take(offer.piece, offer.choice)

    def promise(self, spans: SpanSet) -> tuple[float, int] | None:
        """The best efficiency of a read inside these ranges (see `Offer`), and the least suspicion of what is
        open there; None if nothing is open. Only the first few pieces are looked at."""
        found = list(islice(self._parts_within(spans), _PIECES_PROMISED))
        if not found:
            return None
        for one in found:
            one.weight = 1.0
        return max(self._scoring.best(one).score for one in found), min(one.suspicion for one in found)

    def _parts_within(self, spans: SpanSet) -> Iterator[Piece]:
        """What of the open pieces lies in these ranges, in order."""
        for span in spans:
            low, high = span.start // self._sector, -(-span.stop // self._sector)
            for piece in self._pieces.overlapping(low, high):
                yield piece.part(max(piece.start, low), min(piece.stop, high))

    def place_of(self, offer: Offer) -> Span:
        """The piece that an offer lies in, in bytes: sectors alike in what is known of them."""
        return Span(offer.piece.start * self._sector, min(offer.piece.stop * self._sector, self._size))

    def open_within(self, spans: SpanSet) -> SpanSet:
        """What of these ranges is still to be read here and not under way, in bytes."""
        found: list[Span] = []
        for span in spans:
            low, high = span.start // self._sector, -(-span.stop // self._sector)
            for piece in self._pieces.overlapping(low, high):
                found.append(Span(max(piece.start, low) * self._sector, min(piece.stop, high) * self._sector))
        return SpanSet(found).clip(Span(0, self._size))

    def under_way(self) -> SpanSet:
        """What was handed out and not told of since, in bytes."""
        sector = self._sector
        return SpanSet(
            Span(one.start * sector, min(one.stop * sector, self._size)) for one in self._out.values()
        )

    def withdraw(self, spans: SpanSet) -> None:
        """Takes the whole sectors of these ranges off what is to be read here, for another drive gives them.
        They do not count as read; `put_back` and `reweigh` open them again."""
        for span in spans:
            low, high = -(-span.start // self._sector), span.stop // self._sector
            if span.stop >= self._size:
                high = -(-self._size // self._sector)
            if low >= high:
                continue
            for piece in list(self._pieces.overlapping(low, high)):
                region = self._pieces.remove(piece)
                for start, stop in ((piece.start, low), (high, piece.stop)):
                    if piece.start <= start < stop <= piece.stop:
                        self._pieces.add(piece.part(start, stop))
                self._push(region)

    def waive(self, spans: SpanSet) -> None:
        """Leaves these ranges for good; what is under way there counts all the same."""
        self._waived = self._waived | spans
        self.reweigh(self._wants, self._rest_weight)

    def take_up_waived(self) -> None:
        """Opens again what was waived."""
        self._waived = SpanSet()
        self.reweigh(self._wants, self._rest_weight)

    def put_back(self, spans: SpanSet, factor: float = 1.0, weight: float | None = None) -> None:
        """Opens again what of these ranges was withdrawn and is neither given nor done with here.

        Args:
            factor: how many times its usual weight it gets.
            weight: what it is worth instead of its usual weight.
        """
        for span in spans:
            low, high = span.start // self._sector, -(-span.stop // self._sector)
            for start, stop in self._shut(low, high):
                for piece in self._weighed(start, stop):
                    piece.weight = weight if weight is not None else piece.weight * factor
                    for part in self._doubts.cut(piece):
                        self._push(self._pieces.add(part))

    def _shut(self, low: int, high: int) -> list[tuple[int, int]]:
        """What between two places is not given, not under way, not open, and may be tried, cut at the borders
        of regions; a sector that was refused alone stands by itself."""
        sector = self._sector
        within = Span(low * sector, high * sector)
        waived = self._waived.clip(within)
        taken = [(one.start, one.stop) for one in self._pieces.overlapping(low, high)]
        taken += [(one.start, one.stop) for one in self._out.values()]
        taken += self.evidence.given_places.runs_between(low, high)
        taken += [(one.start // sector, -(-one.stop // sector)) for one in waived]
        tried = [one for one in range(low, high) if one in self._tries] if self._tries else []
        free = SpanSet(Span(*one) for one in taken).complement(Span(low, high))
        alone = [
            (one, one + 1) for one in tried if one in free and self._tries[one] < self.assumed.most_tries
        ]
        free = free - SpanSet(Span(one, one + 1) for one in tried)
        borders = range(low // REGION * REGION, high, REGION)
        cut = [part for start in borders for part in free.clip(Span(start, start + REGION))]
        return [(one.start, one.stop) for one in cut] + alone

    def _weighed(self, start: int, stop: int) -> Iterator[Piece]:
        """A range of sectors as pieces of one weight each, by what they are worth now."""
        sector = self._sector
        left = SpanSet([Span(start * sector, stop * sector)])
        for want in [*self._wants, Want(left, self._rest_weight)]:
            for part in want.spans.clip(Span(start * sector, stop * sector)).widen(sector) & left:
                first, last = part.start // sector, part.stop // sector
                yield Piece(first, last, want.weight, tries=self._tries_as_piece(first))
            left = left - want.spans.clip(Span(start * sector, stop * sector)).widen(sector)

    def _tries_as_piece(self, at: int) -> int:
        """How often a sector was refused alone, as its piece has it: one that only other adapters refused is
        no sector never tried."""
        return self._tries[at] or ELSEWHERE if at in self._tries else 0

    @property
    def waived(self) -> SpanSet:
        """What is left for good, in bytes."""
        return self._waived

    def given(self) -> SpanSet:
        """All that was given so far, in bytes."""
        starts, stops = self.evidence.given_places.bounds()
        return SpanSet.from_bounds(starts * self._sector, np.minimum(stops * self._sector, self._size))

    def given_within(self, span: Span) -> SpanSet:
        """What of a range was given so far, in bytes."""
        low, high = span.start // self._sector, -(-span.stop // self._sector)
        runs = self.evidence.given_places.runs_between(low, high)
        found = [Span(start * self._sector, min(stop * self._sector, self._size)) for start, stop in runs]
        return SpanSet(found).clip(span)

    def refused(self, most_bytes: int | None = None) -> SpanSet:
        """All that was refused and not given since, in bytes: single sectors, and ranges not explained.

        Args:
            most_bytes: longer ranges are left out; None for none.
        """
        sector = self._sector
        most = self._size if most_bytes is None else most_bytes
        spans = [Span(one * sector, min((one + 1) * sector, self._size)) for one in self._tries]
        spans += [
            Span(start * sector, min(stop * sector, self._size))
            for start, stop in self._doubts.ranges
            if (stop - start) * sector <= most
        ]
        return SpanSet(spans) - self.given()

    def refused_within(self, span: Span) -> SpanSet:
        """What of a range was refused and not given since, as `refused`."""
        sector = self._sector
        low, high = span.start // sector, -(-span.stop // sector)
        spans = [Span(one * sector, (one + 1) * sector) for one in range(low, high) if one in self._tries]
        spans += [Span(start * sector, stop * sector) for start, stop in self._doubts.near(low, high)]
        return SpanSet(spans).clip(span) - self.given_within(span)

    # ------------------------------------------------------------------ given ranges

    def choose_within(self, spans: SpanSet) -> Span | None:
        """The best read among the first unread sectors of `spans` that were never refused alone; None when
        all of them are decided. The read lies inside `spans`, widened to whole sectors."""
        best: tuple[Piece, Choice] | None = None
        seen = 0
        for span in spans:
            low, high = span.start // self._sector, -(-span.stop // self._sector)
            for piece in self._pieces.overlapping(low, high):
                if piece.tries not in (0, ELSEWHERE):
                    continue
                part = piece.part(max(piece.start, low), min(piece.stop, high))
                part.weight = 1.0
                choice = self._scoring.best(part)
                if best is None or choice.score > best[1].score:
                    best = piece, choice
                seen += 1
                if seen >= _PIECES_WITHIN:
                    return self._take(*best)
        return None if best is None else self._take(*best)

    def _take(self, piece: Piece, choice: Choice) -> Span:
        region = self._pieces.remove(piece)
        self._scoring.head = choice.stop
        for first, last in ((piece.start, choice.start), (choice.stop, piece.stop)):
            if first < last:  # what comes of this read decides its score
                self._pieces.add(piece.part(first, last), choice.score)
        self._out[choice.start] = piece.part(choice.start, choice.stop)
        if region.pieces:
            self._push_as(region, choice.score)
        return Span(choice.start * self._sector, min(choice.stop * self._sector, self._size))

    def _push(self, region: Region) -> None:
        """Puts a region into the heap with the score it has now."""
        top = region.best(self._scoring.best)
        if top is None:
            self._stamps[region.number] = self._stamps.get(region.number, 0) + 1
        else:
            self._push_as(region, top[1].score)

    def _push_as(self, region: Region, score: float) -> None:
        """Puts a region into the heap with a score taken for its own until it comes up."""
        stamp = self._stamps[region.number] = self._stamps.get(region.number, 0) + 1
        heapq.heappush(self._heap, (-score, region.number, stamp))
        if len(self._heap) > 2 * self._layout.regions + 1000:
            self._heap = [one for one in self._heap if self._stamps.get(one[1], 0) == one[2]]
            heapq.heapify(self._heap)

    # ------------------------------------------------------------------ what lies ahead

    def why(self, span: Span, head: int) -> Expected | None:
        """What is expected of a range that was handed out and not told of since; None for any other. Changes
        nothing.

        Args:
            head: where the read before it ended, in bytes.
        """
        piece = self._out.get(span.start // self._sector)
        return None if piece is None else self._scoring.expected(piece, head // self._sector)

    def assume(self, assumed: Assumptions) -> None:
        """Takes the wear of a refusal from these assumptions from now on; what was learned stays. What else
        is assumed counts only for a planner that is made with it."""
        self.assumed = replace(
            self.assumed,
            refusal_wear_seconds=assumed.refusal_wear_seconds,
            hazard_per_hour=assumed.hazard_per_hour,
        )
        self._scoring.assumed = self.assumed
        self.evidence.assume(self.assumed)
        self._score_anew()

    def ahead(self, seconds: float, rest_weight: float = WEIGHT_REST) -> Ahead:
        """What so many seconds of reading are expected to bring; what is weightier than `rest_weight` counts
        as wanted. Changes nothing; takes some hundredths of a second."""
        evidence, assumed = self.evidence, self.assumed
        pace = Pace(
            assumed.command_seconds,
            assumed.seek_seconds,
            evidence.sector_seconds,
            evidence.refusal_seconds,
            evidence.refusal_cost,
        )
        scores = Scores(self._scoring.fresh, self._scoring.unseen, self._scoring.retry())
        found = prospects(evidence, assumed, self._pieces, self._layout, scores)
        seen = look_ahead(found, pace, seconds, lambda weight: weight > rest_weight)
        return replace(seen, too_early=self._knows_little())

    def _knows_little(self) -> bool:
        tried, everything = self.evidence.damage.tried_sectors, -(-self._size // self._sector)
        enough = min(_TOLD_SHARE * everything, _TOLD_SECTORS)
        return tried < enough and self.evidence.refusals < _TOLD_REFUSALS

    # ------------------------------------------------------------------ learning

    def learn(self, attempt: Attempt) -> None:
        """Takes in the outcome of a read that `choose` handed out.

        Raises:
            KeyError: that range is not out.
        """
        piece = self._out.pop(attempt.span.start // self._sector)
        given = attempt.outcome is Outcome.GIVEN
        if piece.tries:
            self.evidence.retried(piece.start, piece.tries, given)
        if given:
            self._learn_given(piece, attempt.seconds)
        else:
            self._learn_refusal(piece, attempt)
        if not given and self.evidence.learn_anew():
            self._score_anew()

    def _learn_given(self, piece: Piece, seconds: float) -> None:
        self._tries.pop(piece.start, None)
        if piece.tries:
            self.evidence.given_places.add(piece.start, piece.stop)  # decided before, when it was refused
        else:
            self.evidence.given(piece.start, piece.stop, seconds)
        doubt = piece.doubt
        if doubt is not None:
            doubt.open_sectors -= piece.stop - piece.start
        self._look_again_beside(piece)

    def _learn_refusal(self, piece: Piece, attempt: Attempt) -> None:
        hung = attempt.outcome is Outcome.HUNG
        self.evidence.refused(piece.start, piece.stop, attempt.seconds)
        if hung:
            self._doubts.hung(piece.start, piece.stop)
        for other in self._pieces.nearest(piece.start, piece.stop):
            other.seen = NEVER_SEEN  # its score has fallen: the heap finds that when it comes up
        if piece.doubt is not None:
            self._settle(piece.doubt)
        if piece.stop - piece.start > 1:
            doubt = Doubt(piece.start, piece.stop, piece.stop - piece.start)
            self._doubts.add(doubt)
            back = Piece(piece.start, piece.stop, piece.weight, doubt, hung=hung)
            self._push(self._pieces.add(back))
            return
        tries = self._tries[piece.start] = piece.tries % ELSEWHERE + 1
        if tries < self.assumed.most_tries:
            again = Piece(piece.start, piece.stop, piece.weight, tries=tries, hung=hung)
            self._push(self._pieces.add(again))

    def give_back(self, span: Span) -> None:
        """Takes back a range that was handed out but never tried.

        Raises:
            KeyError: that range is not out.
        """
        piece = self._out.pop(span.start // self._sector)
        for other in self._pieces.beside(piece.start, piece.stop):
            if self._alike(other, piece):
                self._pieces.remove(other)
                piece = piece.part(min(piece.start, other.start), max(piece.stop, other.stop))
        self._push(self._pieces.add(piece))

    @staticmethod
    def _alike(one: Piece, other: Piece) -> bool:
        return (
            one.start // REGION == other.start // REGION
            and one.weight == other.weight
            and one.doubt is other.doubt
            and one.tries == other.tries == 0
            and one.hung == other.hung
        )

    def _settle(self, doubt: Doubt) -> None:
        """A refusal inside a refused range explains it: what else is open there is no longer doubted."""
        self.evidence.settled(doubt.start, doubt.stop)
        self._doubts.drop(doubt)
        for piece in list(self._pieces.overlapping(doubt.start, doubt.stop)):
            if piece.doubt is doubt:
                self._pieces.remove(piece)
                whole = piece.part(piece.start, piece.stop)
                whole.doubt = None
                self._push(self._pieces.add(whole))
        for out in self._out.values():
            if out.doubt is doubt:
                out.doubt = None

    def _look_again_beside(self, piece: Piece) -> None:
        """A good read raises the scores beside it; a heap finds only falling ones by itself."""
        for other in self._pieces.nearest(piece.start, piece.stop):
            if max(other.start - piece.stop, piece.start - other.stop) > _NEAR:
                continue
            other.seen = NEVER_SEEN
            region = self._pieces.region(other.start // REGION)
            region.push(other, self._scoring.best)
            self._push(region)

    def _score_anew(self) -> None:
        """After bands or stretches were estimated anew, scores may have risen anywhere."""
        for region in self._pieces.open_regions:
            if region.pieces:
                region.push_all(self._scoring.best)
                self._push(region)
        begun, stamps = self._pieces.begun, self._stamps
        self._heap = [one for one in self._heap if begun(one[1]) and stamps.get(one[1], 0) == one[2]]
        self._fill_heap()
