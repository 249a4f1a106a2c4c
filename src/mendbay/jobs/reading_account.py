"""How far a reading is: what is told of it now and then, at a cost that stays a small part of it."""

from __future__ import annotations

from collections import deque

from mendbay.core.clock import Clock
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.jobs.events import Phase, ReadingProgress, Why
from mendbay.jobs.picking import Picker
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.time_left import TimeLeft
from mendbay.jobs.worth import worth_of

PROGRESS_SECONDS = 0.2
PROGRESS_REST = 50
"""So many times what an account of how far a reading is took passes until the next one is due: with millions
of ranges it takes seconds, and in a pair the other drive may wait for it (own choice)."""
LEFT_SECONDS = 2.0
"""How old the accounts of what the other half of a mirror gave, and of the tries that are left, may be, for
showing how far a reading is."""
NO_RETRIES = (0, 0)
STEADINESS = 0.8
"""How much of the usual time of a try is kept when another one took a different time (own choice)."""


class ReadingAccount:
    """How far the reading of one drive into its image is, how fast, and how long it may still take.

    Attributes:
        phase: what the reading is doing.
        aim: what it is to read, in bytes.
        is_due: whether it is time for the next account, by when the last read was answered.

    Args:
        assumed: the limit of tries, and how long a refusal takes until one came.
    """

    def __init__(self, bay: str, store: ImageStore, clock: Clock, assumed: Assumptions) -> None:
        self._bay = bay
        self._store = store
        self._clock = clock
        self._most_tries = assumed.most_tries
        self.phase = Phase.REST
        self.aim = self._wanted = SpanSet()
        self.is_due, self._due_at = True, 0.0
        self._rate = _Rate()
        self._time_left = TimeLeft(assumed.refusal_seconds)
        self._refused_reads = self._hung_reads = 0
        self._head = 0
        self._elsewhere, self._elsewhere_at = SpanSet(), -LEFT_SECONDS
        self._retries, self._retries_at = NO_RETRIES, -LEFT_SECONDS
        self._alone_seconds, self._answered_at = 0.0, clock.steady_seconds()

    # ------------------------------------------------------------------ what happens

    def begin(self, phase: Phase, aim: SpanSet, wanted: SpanSet) -> None:
        """Something else is read from now on.

        Args:
            wanted: what of the aim is wanted first.
        """
        self.phase, self.aim, self._wanted = phase, aim, wanted
        now = self._clock.steady_seconds()
        self._time_left.begin(now)
        if phase is not Phase.FETCH:
            self._rate.restart(now)

    def answered(self, attempt: Attempt, now: float) -> None:
        """Takes in what came of a read, and when by the steady clock: to look there twice for every read
        would be felt."""
        given = attempt.outcome is Outcome.GIVEN
        self.is_due = now >= self._due_at
        if attempt.span.length <= self._store.identity.sector_bytes:
            took = now - self._answered_at
            before = self._alone_seconds or took
            self._alone_seconds = STEADINESS * before + (1 - STEADINESS) * took
            self._time_left.tried(took)
        self._answered_at = now
        self._head = attempt.span.stop
        given_bytes = attempt.span.length if given else 0
        self._rate.add(given_bytes)
        self._time_left.answered(now, given_bytes)
        if not given:
            is_hung = attempt.outcome is Outcome.HUNG
            self._hung_reads += is_hung
            self._refused_reads += not is_hung

    def fell(self, attempt: Attempt) -> None:
        """The drive vanished over a read."""
        self._head = attempt.span.stop
        self._hung_reads += 1

    def rested(self, seconds: float) -> None:
        """The drive rested so long, which counts for nothing."""
        self._rate.skip(seconds)
        self._time_left.skip(seconds)
        self._answered_at += seconds

    def was_away(self) -> None:
        """Somebody was waited for: that is no part of how long the next try takes."""
        self._answered_at = self._clock.steady_seconds()

    # ------------------------------------------------------------------ what is told

    def why(self, picker: Picker, span: Span) -> Why | None:
        """Why a range is asked for that was handed out and not answered yet; None where no plan tells."""
        expected = picker.why(span, self._head)
        if expected is None:
            return None
        return Why(
            span,
            worth_of(expected, self.phase),
            expected.weight,
            expected.chance,
            expected.seconds,
            expected.loss_seconds,
            expected.tries,
            expected.is_doubted,
        )

    def make(
        self,
        picker: Picker,
        waived: SpanSet,
        span: Span,
        why: Why | None = None,
        celsius: float | None = None,
    ) -> ReadingProgress:
        """The account as it stands; the next is due after a time that depends on what this one took.

        Args:
            waived: what is left for good.
            span: what is being asked for.
        """
        now = self._clock.steady_seconds()
        found = self._account(picker, waived, span, now, why, celsius)
        took = self._clock.steady_seconds() - now
        self._due_at = now + max(PROGRESS_SECONDS, took + PROGRESS_REST * took)
        self.is_due = False
        return found

    def _account(
        self,
        picker: Picker,
        waived: SpanSet,
        span: Span,
        now: float,
        why: Why | None,
        celsius: float | None,
    ) -> ReadingProgress:
        coverage = self._store.coverage()
        if now - self._elsewhere_at >= LEFT_SECONDS:
            self._elsewhere, self._elsewhere_at = picker.left(), now
        aim = self.aim - self._elsewhere - waived
        aim_bytes = aim.total_bytes
        done = (coverage.read & aim).total_bytes
        refused = (coverage.refused & aim).total_bytes
        wanted = self._wanted & aim if self._wanted else self._wanted
        rate = self._rate.bytes_per_second(now)
        left = aim_bytes - done - refused
        sectors, tries = self._retries_of(aim, now) if refused else NO_RETRIES
        seconds = tries * self._alone_seconds if left <= 0 else left / rate if rate > 0 else None
        low, high = self._time_left.bounds(left, sectors, tries, seconds) or (None, None)
        return ReadingProgress(
            bay=self._bay,
            phase=self.phase,
            now=span,
            read_bytes=done,
            refused_bytes=refused,
            aim_bytes=aim_bytes,
            bytes_per_second=rate,
            seconds_left=seconds,
            retrying_sectors=sectors if left <= 0 else 0,
            tries_left=tries if left <= 0 else 0,
            is_shared=picker.is_shared,
            elsewhere_bytes=(self.aim & self._elsewhere).total_bytes,
            why=why,
            celsius=celsius,
            wanted_bytes=wanted.total_bytes,
            wanted_read_bytes=(coverage.read & wanted).total_bytes if wanted else 0,
            refused_reads=self._refused_reads,
            hung_reads=self._hung_reads,
            seconds_left_low=low,
            seconds_left_high=high,
        )

    def _retries_of(self, aim: SpanSet, now: float) -> tuple[int, int]:
        """How many refused sectors are asked for again, and the most tries that are left for them."""
        if self.phase is Phase.FETCH:
            return NO_RETRIES
        if now - self._retries_at >= LEFT_SECONDS:
            here = self._store.coverage_here()
            left = self._most_tries - here.refused_tries[aim.holds(here.refused_starts)]
            left = left[left > 0]
            self._retries, self._retries_at = (int(left.size), int(left.sum())), now
        return self._retries


class _Rate:
    """Bytes per second over about the last ten seconds."""

    def __init__(self) -> None:
        self._marks: deque[tuple[float, int]] = deque()
        self._total = 0

    def restart(self, now: float) -> None:
        self._marks = deque([(now, 0)])
        self._total = 0

    def skip(self, seconds: float) -> None:
        self._marks = deque((at + seconds, total) for at, total in self._marks)

    def add(self, given_bytes: int) -> None:
        self._total += given_bytes

    def bytes_per_second(self, now: float) -> float:
        self._marks.append((now, self._total))
        while len(self._marks) > 2 and now - self._marks[0][0] > 10:
            self._marks.popleft()
        (then, before), (last, total) = self._marks[0], self._marks[-1]
        return (total - before) / (last - then) if last > then else 0.0
