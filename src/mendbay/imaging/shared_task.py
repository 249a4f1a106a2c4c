"""Two drives that hold the same, read as one task: which of them reads what next.

Every range goes to the drive likelier to give it per unit of harm: the planners' score (chance over time with
the wear of refusals in it) divided by the hazard of a second. Between equals each begins with a half of its
own, and when one is through it takes half of what is left of the other's. What one drive reads is taken off
the other's list; what one was refused comes to the other, before the first asks again. A drive more than
`SPARED` times as much at risk is not asked for anything but the sample and what the other was refused in
reads of up to `SPARED_READ_BYTES`.

The sample is read from both, and whoever keeps the bytes compares them. Where they differ one of the halves
may be older: then `read_whole` has both read as if they were strangers.

Pure: given the same outcomes in the same order it makes the same choices. Both planners belong to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.core.span import Span, SpanSet, union
from mendbay.imaging.alike import Alike, lower_half
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.planner import Offer, Planner
from mendbay.imaging.values import Want

SPARED = 5.0
"""So many times the hazard of the other drive, and a drive is spared what the other gives."""
SPARED_READ_BYTES = 64 << 10
"""A longer read that the other drive was refused is first tried by it in smaller ones (own choice): most of
its sectors are good, and each one read is wear."""
PREFERRED = 1.5
"""So much better must a range stand with the other drive to be left to it: the scores are estimates, and a
drive that waits costs time."""
AWAY = 0.9
"""What a sector of the other's half is worth beside one of its own half."""
SOON = 1.5
"""What a sector that the other was refused is worth beside one that nobody tried."""
LEAST_SPLIT_BYTES = 16 << 20
"""Less than this is not split anew: the drives then simply take turns."""
_MOST_PASSED = 256
_NOTHING = SpanSet()


@dataclass(frozen=True, slots=True)
class Both:
    """A range that both drives have given: where it lies on side 0 and on side 1."""

    spans: tuple[Span, Span]


class SharedTask:
    """The decisions of one task; the sides are numbered 0 and 1.

    `begin` says what is wanted; then each side calls `choose`, reads, and tells `learn` or `give_back`. A
    side with nothing to read now may get something later, as long as `is_done` says no.

    Args:
        planners: one for each drive.
        per_second: the hazard of a powered second of each drive, above 0.
        alike: what they hold alike.
        sample: ranges of side 0 to be read from both.
        sample_weight: what a sector of it is worth once the other drive gave it.
        in_doubt: what each drive gave that something speaks against: it takes nothing off the other.
        unit_bytes: what both planners read whole; it divides every border of `alike`.
    """

    def __init__(
        self,
        planners: tuple[Planner, Planner],
        per_second: tuple[float, float],
        alike: Alike,
        sample: SpanSet,
        sample_weight: float,
        in_doubt: tuple[SpanSet, SpanSet] = (_NOTHING, _NOTHING),
        unit_bytes: int = 1,
    ) -> None:
        self.is_whole = False
        self._planners = planners
        self._per_second = per_second
        self._alike = alike
        shared = sample & alike.spans(0)
        self._sample = (shared, alike.across(0, shared))
        self._sample_weight = sample_weight
        self._in_doubt = in_doubt
        self._unit = unit_bytes
        self._wants: tuple[Sequence[Want], Sequence[Want]] = ((), ())
        self._rest_weight = 0.0
        self._gone = [False, False]
        self._idle = [False, False]
        self._out = [0, 0]
        self._home = [SpanSet(), SpanSet()]
        self._open_bytes = self._split_bytes = 0

    # ------------------------------------------------------------------ what is wanted

    def begin(
        self,
        wants: tuple[Sequence[Want], Sequence[Want]],
        rest_weight: float,
        gone: tuple[bool, bool] = (False, False),
    ) -> None:
        """Says, or changes, what the sectors of each drive are worth (as `Planner.reweigh`), and which of
        them reads no more."""
        self._wants, self._rest_weight = wants, rest_weight
        self._gone = list(gone)
        self._lay_out()

    def risk(self, per_second: tuple[float, float]) -> None:
        """Takes other hazards of a powered second, above 0, for the two drives; `begin` shares out what is
        left by them."""
        self._per_second = per_second

    def read_whole(self) -> None:
        """From now on each drive is read as if the other were not there."""
        self.is_whole = True
        self._lay_out()

    def leave(self, side: int) -> None:
        """This drive reads no more: the other gets all that is left."""
        self._gone[side] = True
        self._lay_out()

    def _lay_out(self) -> None:
        self._idle = [False, False]
        if self.is_whole:
            for side in (0, 1):
                self._planners[side].reweigh(self._wants[side], self._rest_weight)
            return
        given = [self._given(side) for side in (0, 1)]
        refused = [self._planners[side].refused(self._most_handed(1 - side)) for side in (0, 1)]
        theirs = [self._alike.across(1 - side, given[1 - side]) for side in (0, 1)]
        asked = [self._alike.across(1 - side, refused[1 - side]) - theirs[side] for side in (0, 1)]
        open_here = self._alike.spans(0) - given[0] - theirs[0]
        self._split(open_here)
        for side in (0, 1):
            twice = self._sample[side] & theirs[side] - refused[side]
            away = self._alike.spans(side) - self._home[side] - asked[side]
            left = (theirs[side] - twice) | self._alike.across(1 - side, self._planners[1 - side].under_way())
            if self._is_spared(side):
                left = (self._alike.spans(side) - asked[side] - twice) | left
            wants = [
                part
                for want in (*self._wants[side], Want(self._whole(side), self._rest_weight))
                for part in _parted(want, twice, asked[side], away)
            ]
            wants.append(Want(twice, self._sample_weight))
            self._planners[side].reweigh([one for one in wants if one.spans], 0.0, left.narrow(self._unit))

    def _given(self, side: int) -> SpanSet:
        """What this drive gave and nothing speaks against."""
        return self._planners[side].given() - self._in_doubt[side]

    def _whole(self, side: int) -> SpanSet:
        return SpanSet([Span(0, self._planners[side].size_bytes)])

    def _split(self, open_here: SpanSet) -> None:
        """Gives each drive a half of what is open (side 0: its first), class by class."""
        homes: list[SpanSet] = []
        if not self._rest_weight:
            open_here = open_here & union([want.spans for want in self._wants[0]])
        left = open_here
        for want in sorted(self._wants[0], key=lambda one: -one.weight):
            homes.append(lower_half(want.spans & left))
            left = left - want.spans
        homes.append(lower_half(left))
        first = union(homes)
        self._home = [first, self._alike.across(0, open_here - first)]
        self._open_bytes = self._split_bytes = open_here.total_bytes

    def _is_spared(self, side: int) -> bool:
        if self._gone[1 - side]:
            return False
        return self._per_second[side] > SPARED * self._per_second[1 - side]

    def _most_handed(self, side: int) -> int | None:
        """How long a read may be that comes to this drive because the other was refused it; None for any."""
        return SPARED_READ_BYTES if self._is_spared(side) else None

    # ------------------------------------------------------------------ choosing

    def choose(self, side: int) -> Span | None:
        """What this drive reads next; None if there is nothing for it now."""
        planner = self._planners[side]
        for _ in range(_MOST_PASSED):
            offer = planner.offer()
            if offer is None:
                break
            there = self._across(side, offer.span)
            if there and not self.is_whole and not self._gone[1 - side]:
                if self._is_time_to_split(side, offer):
                    self._lay_out()
                    continue
                if self._is_better_there(side, offer, there):
                    planner.withdraw(self._passed(side, offer))
                    continue
            return self._taken(side, planner.take(offer))
        self._idle[side] = offer is None
        return None

    def choose_within(self, side: int, spans: SpanSet) -> Span | None:
        """As `Planner.choose_within`; what the other drive gave is not asked for."""
        span = self._planners[side].choose_within(spans)
        return None if span is None else self._taken(side, span)

    def _taken(self, side: int, span: Span) -> Span:
        self._out[side] += 1
        if not self.is_whole:
            self._planners[1 - side].withdraw(self._across(side, span))
        return span

    def _across(self, side: int, span: Span) -> SpanSet:
        return self._alike.across(side, SpanSet([span]))

    def _is_time_to_split(self, side: int, offer: Offer) -> bool:
        """Whether a drive that is through with its own half would begin in the other's."""
        if self._open_bytes > self._split_bytes // 2 or self._open_bytes < LEAST_SPLIT_BYTES:
            return False
        return not offer.suspicion and not self._home[side].overlaps(offer.span)

    def _is_better_there(self, side: int, offer: Offer, there: SpanSet) -> bool:
        """Whether the other drive, which still has this range before it, is the one to ask."""
        promise = self._planners[1 - side].promise(there)
        if promise is None:
            return False
        efficiency, suspicion = promise
        if offer.suspicion != suspicion:
            return offer.suspicion > suspicion  # whom it was refused asks again only after the other
        mine = offer.efficiency / self._per_second[side]
        return efficiency / self._per_second[1 - side] > PREFERRED * mine

    def _passed(self, side: int, offer: Offer) -> SpanSet:
        """What is left to the other drive of the range offered, or of all that one refusal left open there:
        only what that still has before it."""
        span = self._planners[side].place_of(offer) if offer.suspicion else offer.span
        there = self._planners[1 - side].open_within(self._across(side, span))
        return self._alike.across(1 - side, there) & SpanSet([span])

    # ------------------------------------------------------------------ what came of it

    def learn(self, side: int, attempt: Attempt) -> list[Both]:
        """Takes in what came of a read.

        Returns:
            What of the sample both have given now, to be compared; only after a read that was given.
        """
        self._out[side] -= 1
        self._idle[side] = False
        mine, other = self._planners[side], self._planners[1 - side]
        mine.learn(attempt)
        there = self._across(side, attempt.span)
        if self.is_whole or not there:
            return []
        given = union([other.given_within(one) for one in there]) - self._in_doubt[1 - side]
        if attempt.outcome is not Outcome.GIVEN:
            mine.withdraw(self._alike.across(1 - side, given))
            most = self._most_handed(1 - side)
            if most is None or attempt.span.length <= most:
                other.put_back(there - given, SOON)
                self._idle[1 - side] = False
            return []
        self._open_bytes -= (there - given).total_bytes
        return self._sampled(side, attempt.span)

    def _sampled(self, side: int, span: Span) -> list[Both]:
        """What of a range given by one drive is sample: the pairs to compare, if the other gave it too; what
        that has not given is now asked from it, once."""
        other = self._planners[1 - side]
        pairs: list[Both] = []
        for twin in self._alike.across(side, self._sample[side].clip(span)):
            given = other.given_within(twin)
            for one in given:
                for here in self._alike.across(1 - side, SpanSet([one])):
                    pairs.append(Both((here, one) if side == 0 else (one, here)))
            other.put_back(SpanSet([twin]) - given - other.refused_within(twin), weight=self._sample_weight)
            self._idle[1 - side] = False
        return pairs

    def give_back(self, side: int, span: Span) -> None:
        """Takes back a range that was handed out but never tried."""
        self._out[side] -= 1
        self._idle[side] = False
        self._planners[side].give_back(span)
        if not self.is_whole and not self._is_spared(1 - side):
            self._planners[1 - side].put_back(self._across(side, span))
            self._idle[1 - side] = False

    @property
    def is_done(self) -> bool:
        """Whether nothing is left for either drive that reads."""
        return all(self._gone[side] or (self._idle[side] and not self._out[side]) for side in (0, 1))

    def has_nothing_for(self, side: int) -> bool:
        """Whether this drive will get nothing more, whatever comes of the other's reads."""
        if self.is_whole or self._gone[1 - side]:
            return self._idle[side] and not self._out[side]
        return self.is_done

    def left_to_other(self, side: int) -> SpanSet:
        """What was not read here because the other drive gave it."""
        if self.is_whole:
            return SpanSet()
        return self._alike.across(1 - side, self._given(1 - side)) - self._planners[side].given()


def _parted(want: Want, twice: SpanSet, asked: SpanSet, away: SpanSet) -> list[Want]:
    """One class of values as one drive of two sees it."""
    spans = want.spans - twice
    own = spans - asked - away
    return [
        Want(spans & asked, want.weight * SOON),
        Want(own, want.weight),
        Want(spans & away, want.weight * AWAY),
    ]
