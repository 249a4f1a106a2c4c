"""The two drives of a mirror read as one task, each in a thread of its own.

`imaging.shared_task` decides; here it is kept to one thread at a time, the sample is compared, and what comes
of that is kept for whoever tells it.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.alike import Alike
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.layout import Want
from mendbay.imaging.shared_task import Both, SharedTask
from mendbay.imaging.values import WEIGHT_SAMPLE
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.ports import ImageStore

WAIT_SECONDS = 0.1


@dataclass(frozen=True, slots=True)
class Member:
    """One of the two drives: its bay, its reading and image, and the hazard of a powered second."""

    bay: str
    reading: DriveReading
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
    """

    def __init__(self, members: tuple[Member, Member], alike: Alike, sample: SpanSet, tell: Tell) -> None:
        self.bays = (members[0].bay, members[1].bay)
        self.alike = alike
        self._members = members
        self._tell = tell
        self._lock = threading.RLock()
        self._changed = threading.Condition(self._lock)
        self._compared_bytes = 0
        self._differ_at: tuple[int, int] | None = None
        self._task = SharedTask(
            (members[0].reading.planner, members[1].reading.planner),
            (members[0].per_second, members[1].per_second),
            alike,
            sample,
            WEIGHT_SAMPLE,
        )
        for side, member in enumerate(members):
            member.reading.picker = Seat(self, side)
        self._compare_kept(sample)

    def _compare_kept(self, sample: SpanSet) -> None:
        """Compares what both images hold of the sample already."""
        first, second = (one.store.coverage().read for one in self._members)
        both = sample & first & self.alike.across(1, second)
        for span in both:
            for start in range(span.start, span.stop, 4 << 20):
                here = Span(start, min(span.stop, start + (4 << 20)))
                for there in self.alike.across(0, SpanSet([here])):
                    twin = Both((here, there))
                    self._judge(twin, self._members[0].store.take(here), self._members[1].store.take(there))

    # ------------------------------------------------------------------ for the one who runs it

    def begin(
        self, wants: tuple[Sequence[Want], Sequence[Want]], rest_weight: float, gone: Sequence[str] = ()
    ) -> None:
        """Says what the sectors of each drive are worth, and the bays that are not read any more; no reads
        may be under way."""
        with self._changed:
            self._task.begin(wants, rest_weight, (self.bays[0] in gone, self.bays[1] in gone))
            self._changed.notify_all()

    def leave(self, bay: str) -> None:
        """The drive of this bay reads no more; the other gets what is left."""
        with self._changed:
            self._task.leave(self.bays.index(bay))
            self._changed.notify_all()

    @property
    def compared(self) -> Compared:
        """What came of comparing both halves so far."""
        return Compared(self._compared_bytes, self._differ_at)

    def left(self, bay: str) -> SpanSet:
        """What was not read of this bay's drive because the other half gave it."""
        with self._lock:
            return self._task.left_to_other(self.bays.index(bay))

    # ------------------------------------------------------------------ for the seats

    def choose(self, side: int) -> Span | None:
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
            self._judge(twin, bytes(attempt.data[span.start : span.stop]), other)

    def waits(self, side: int) -> bool:
        """Whether something may still come for a drive that has nothing now; waits a moment for it."""
        with self._changed:
            if self._task.has_nothing_for(side):
                return False
            self._changed.wait(WAIT_SECONDS)
            return True

    def _judge(self, twin: Both, one: bytes, other: bytes) -> None:
        self._compared_bytes += len(one)
        if one == other or self._differ_at is not None:
            return
        at = next(index for index, pair in enumerate(zip(one, other, strict=True)) if pair[0] != pair[1])
        with self._changed:
            self._differ_at = (twin.spans[0].start + at, twin.spans[1].start + at)
            self._task.read_whole()
            self._changed.notify_all()
        self._tell(Said(f"{differing_words(self.bays, self._differ_at)} Both are read whole from now on."))


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

    def left(self) -> SpanSet:
        return self._task.left(self._task.bays[self._side])


def differing_words(bays: tuple[str, str], differ_at: tuple[int, int]) -> str:
    """That two halves differ, and what that can mean."""
    where = " and ".join(
        f"byte {count_text(at)} of bay {bay}" for at, bay in zip(differ_at, bays, strict=True)
    )
    return (
        f"The halves of the mirror differ: {where} should be the same and are not. One of them may hold an "
        "older state."
    )
