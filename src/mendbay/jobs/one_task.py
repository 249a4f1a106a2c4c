"""The two drives of a mirror read as one task, each in a thread of its own.

`imaging.shared_task` decides; here it is kept to one thread at a time, the sample is compared, and what comes
of that is kept for whoever tells it. Of the other drive's image a thread only takes bytes: all else of it is
for the thread that reads that drive (`ports.ImageStore`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.ahead import Ahead
from mendbay.imaging.alike import Alike
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.planner import Planner
from mendbay.imaging.scoring import Expected
from mendbay.imaging.shared_task import Both, SharedTask
from mendbay.imaging.values import WEIGHT_SAMPLE, Want
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.other_half import in_doubt
from mendbay.jobs.picking import Picker
from mendbay.jobs.ports import ImageStore, never

WAIT_SECONDS = 0.1
MOST_KEPT_BYTES = 1 << 30
"""About so much of what both images hold is compared before reading goes on."""
_PIECE_BYTES = 4 << 20


class Seated(Protocol):
    """The reading of one of the two drives, or what stands for it where only its image is at hand."""

    @property
    def planner(self) -> Planner: ...

    picker: Picker


@dataclass(frozen=True, slots=True)
class Member:
    """One of the two drives: its bay, its reading and image, and the hazard of a powered second."""

    bay: str
    reading: Seated
    store: ImageStore
    per_second: float


@dataclass(frozen=True, slots=True)
class Compared:
    """What came of comparing what both halves gave: bytes compared, and where they first differ, on each
    drive in the order of `OneTask.bays`; None if they do not."""

    compared_bytes: int
    differ_at: tuple[int, int] | None


class OneTask:
    """Two drives under way that hold `alike` the same.

    Args:
        members: side 0 and side 1.
        sample: ranges of side 0 that both are asked for.
        stop: whether to leave off comparing what both images hold already.
        kept: the bay of which only the image is there, empty if both drives are. No thread reads that drive:
            the other one's looks into its image.
        unit_bytes: what both readings are planned by; it divides every border of `alike`.
    """

    def __init__(
        self,
        members: tuple[Member, Member],
        alike: Alike,
        sample: SpanSet,
        tell: Tell,
        stop: Callable[[], bool] = never,
        kept: str = "",
        unit_bytes: int = 1,
    ) -> None:
        self.bays = (members[0].bay, members[1].bay)
        self.alike = alike
        self._members = members
        self._tell = tell
        self._lock = threading.RLock()
        self._changed = threading.Condition(self._lock)
        self._stop = stop
        self._kept = self.bays.index(kept) if kept else None
        self._in_doubt = (in_doubt(members[0].store), in_doubt(members[1].store))
        self._compared_bytes = 0
        self._differ_at: tuple[int, int] | None = None
        self._suspected: list[list[tuple[int, int]]] = [[], []]
        self._task = SharedTask(
            (members[0].reading.planner, members[1].reading.planner),
            (members[0].per_second, members[1].per_second),
            alike,
            sample,
            WEIGHT_SAMPLE,
            self._in_doubt,
            unit_bytes,
        )
        for side, member in enumerate(members):
            member.reading.picker = Seat(self, side)
        self._compare_kept(sample)

    def _compare_kept(self, sample: SpanSet) -> None:
        """Compares what both images hold of the sample already, up to the first difference. The drives wait
        for it under power, so of a large sample only pieces are compared, evenly chosen: most of it was when
        it was read."""
        first, second = (one.store.coverage().read for one in self._members)
        both = (sample & first & self.alike.across(1, second)).total_bytes
        every = -(-both // MOST_KEPT_BYTES)
        for number, here in enumerate(_pieces(sample & first & self.alike.across(1, second))):
            if self._differ_at is not None or self._stop():
                return
            if number % max(1, every):
                continue
            for there in self.alike.across(0, SpanSet([here])):
                twin = Both((here, there))
                kept = [one.store.take(span) for one, span in zip(self._members, twin.spans, strict=True)]
                self._judge(0, twin, kept[0], kept[1])
                self._suspected[1] = [at for at in self._suspected[1] if not self._is_rotten(0, at[0])]
                self._settle_suspicions(1)

    # ------------------------------------------------------------------ for the one who runs it

    def begin(
        self, wants: tuple[Sequence[Want], Sequence[Want]], rest_weight: float, gone: Sequence[str] = ()
    ) -> None:
        """Says what the sectors of each drive are worth, and the bays that are not read any more; no reads
        may be under way."""
        with self._changed:
            away = [side == self._kept or bay in gone for side, bay in enumerate(self.bays)]
            self._task.begin(wants, rest_weight, (away[0], away[1]))
            self._changed.notify_all()

    def risk(self, per_second: tuple[float, float]) -> None:
        """Takes other hazards of a powered second for the two drives; no reads may be under way, and `begin`
        follows."""
        with self._lock:
            self._task.risk(per_second)

    def leave(self, bay: str) -> None:
        """The drive of this bay reads no more; the other gets what is left."""
        with self._changed:
            self._task.leave(self.bays.index(bay))
            self._changed.notify_all()

    @property
    def is_whole(self) -> bool:
        """Whether each is read as if the other were not there, since they differ."""
        return self._task.is_whole

    def conclude(self) -> Compared:
        """Looks into every difference that is only suspected so far, tells of it, and says what came of
        comparing both halves. Only while neither drive is being read, since it looks into both images.

        Raises:
            NoRoom, DestinationError: an image cannot be made durable, or read.
        """
        for side in (0, 1):
            self._settle_suspicions(side)
        return Compared(self._compared_bytes, self._differ_at)

    def left(self, bay: str) -> SpanSet:
        """What was not read of this bay's drive because the other half gave it."""
        with self._lock:
            return self._task.left_to_other(self.bays.index(bay))

    # ------------------------------------------------------------------ for the seats

    def choose(self, side: int) -> Span | None:
        for one in (side,) if self._kept is None else (0, 1):
            if self._suspected[one]:
                self._settle_suspicions(one)
        with self._lock:
            return self._task.choose(side)

    def choose_within(self, side: int, spans: SpanSet) -> Span | None:
        with self._lock:
            return self._task.choose_within(side, spans)

    def give_back(self, side: int, span: Span) -> None:
        with self._changed:
            self._task.give_back(side, span)
            self._changed.notify_all()

    def learn(self, side: int, attempt: Attempt) -> None:
        """Takes in what came of a read, and compares what of it the other drive gave too."""
        with self._changed:
            pairs = self._task.learn(side, attempt)
            self._changed.notify_all()
        if attempt.outcome is not Outcome.GIVEN:
            return
        for twin in pairs:
            span = twin.spans[side].shift(-attempt.span.start)
            other = self._members[1 - side].store.take(twin.spans[1 - side])
            self._judge(side, twin, bytes(attempt.data[span.start : span.stop]), other)

    def ahead(self, side: int, seconds: float) -> Ahead:
        """What so many seconds of reading this drive are expected to bring."""
        with self._lock:
            return self._members[side].reading.planner.ahead(seconds)

    def why(self, side: int, span: Span, head: int) -> Expected | None:
        """What is expected of a range that was handed out to this drive."""
        with self._lock:
            return self._members[side].reading.planner.why(span, head)

    def waits(self, side: int) -> bool:
        """Whether something may still come for a drive that has nothing now; waits a moment for it."""
        with self._changed:
            if self._task.has_nothing_for(side):
                return False
            self._changed.wait(WAIT_SECONDS)
            return True

    def _judge(self, side: int, twin: Both, given: bytes, kept: bytes) -> None:
        """Compares what the drive of one side gave just now with what the other image holds, but for what
        something speaks against already. Whether that image still holds what its drive gave is for the
        thread of the other side to say, whose image it is: before, no half is accused."""
        doubted = [self._in_doubt[one].clip(span).shift(-span.start) for one, span in enumerate(twin.spans)]
        compared = (doubted[0] | doubted[1]).complement(Span(0, len(given)))
        apart = [one for one in compared if given[one.start : one.stop] != kept[one.start : one.stop]]
        with self._changed:
            self._compared_bytes += compared.total_bytes
            for one in apart:
                pairs = enumerate(zip(given[one.start :], kept[one.start :], strict=True), one.start)
                at = next(index for index, (mine, theirs) in pairs if mine != theirs)
                spans = (twin.spans[0].shift(at).start, twin.spans[1].shift(at).start)
                self._suspected[1 - side].append(spans)
            self._changed.notify_all()

    def _settle_suspicions(self, side: int) -> None:
        """Tells of the places where this image and the other drive differ, or that this image has changed
        since it was read. Only in the thread of this side."""
        with self._changed:
            suspected, self._suspected[side] = self._suspected[side], []
            if self._differ_at is not None:
                return
        for places in suspected:
            if self._is_rotten(side, places[side]):
                continue
            with self._changed:
                if self._differ_at is not None:
                    return
                self._differ_at = places
                self._task.read_whole()
                self._changed.notify_all()
            self._tell(Said(f"{differing_words(self.bays, places)} Both are read whole from now on."))
            return

    def _is_rotten(self, side: int, at: int) -> bool:
        store = self._members[side].store
        for claim in store.claims_in(Span.at(at, 1)):
            if claim.is_held_by(store.take(claim.span)) is False:
                self._tell(
                    Said(
                        f"The image of bay {self.bays[side]} no longer holds at byte {count_text(at)} what "
                        "the drive gave there, so it says nothing of the halves. See mendbay drive verify."
                    )
                )
                return True
        return False


class Seat:
    """One drive's place in the task; a `Picker`."""

    def __init__(self, task: OneTask, side: int) -> None:
        self._task = task
        self._side = side

    def begin(self, wants: Sequence[Want], rest_weight: float) -> None:
        """What is wanted is said to the task, for both drives at once."""

    def choose(self) -> Span | None:
        return self._task.choose(self._side)

    def choose_within(self, spans: SpanSet) -> Span | None:
        return self._task.choose_within(self._side, spans)

    def learn(self, attempt: Attempt) -> None:
        self._task.learn(self._side, attempt)

    def give_back(self, span: Span) -> None:
        self._task.give_back(self._side, span)

    def waits(self) -> bool:
        return self._task.waits(self._side)

    @property
    def is_shared(self) -> bool:
        return not self._task.is_whole

    def left(self) -> SpanSet:
        return self._task.left(self._task.bays[self._side])

    def ahead(self, seconds: float) -> Ahead:
        return self._task.ahead(self._side, seconds)

    def why(self, span: Span, head: int) -> Expected | None:
        return self._task.why(self._side, span, head)


def _pieces(spans: SpanSet) -> Iterator[Span]:
    for span in spans:
        for start in range(span.start, span.stop, _PIECE_BYTES):
            yield Span(start, min(span.stop, start + _PIECE_BYTES))


def differing_words(bays: tuple[str, str], differ_at: tuple[int, int]) -> str:
    """That two halves differ, and what that can mean."""
    where = " and ".join(
        f"byte {count_text(at)} of bay {bay}" for at, bay in zip(differ_at, bays, strict=True)
    )
    return (
        f"The halves of the mirror differ: {where} should be the same and are not. One of them may hold an "
        "older state."
    )
