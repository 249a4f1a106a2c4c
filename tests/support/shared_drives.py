"""Two scripted drives read as one task, one read at a time, by a count of time that each drive keeps."""

from __future__ import annotations

from dataclasses import dataclass, field

from mendbay.core.coverage import Coverage
from mendbay.core.span import SameBytes, Span, SpanSet
from mendbay.imaging.alike import Alike
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.hazard import HAZARDS, Condition
from mendbay.imaging.planner import Planner
from mendbay.imaging.shared_task import Both, SharedTask
from mendbay.imaging.units import alike_in_units
from mendbay.imaging.values import Want
from support.scripted_drive import ScriptedDrive, numbered

SECTOR = 512
MOST_READS = 200_000


@dataclass
class Side:
    """One drive, what it gave, every read with its outcome, and the seconds it worked."""

    drive: ScriptedDrive
    planner: Planner
    given: SpanSet = field(default_factory=SpanSet)
    seconds: float = 0.0
    stood_idle: float = 0.0

    @property
    def log(self) -> list[tuple[Span, Outcome]]:
        return self.drive.log

    def refusals(self) -> list[Span]:
        return [span for span, outcome in self.log if outcome is not Outcome.GIVEN]

    def asked(self) -> SpanSet:
        return SpanSet(span for span, _ in self.log)


class Rig:
    """Two drives that hold the same from byte `starts[side]` on, and what is done to both. `order` tells
    every read of either: side, range, whether it was given.

    Args:
        drives: side 0 and side 1.
        length: how many bytes they share; from `starts` on.
        sample: ranges of side 0 that are read from both.
        unit_bytes: what both are planned by.
    """

    def __init__(
        self,
        drives: tuple[ScriptedDrive, ScriptedDrive],
        *,
        starts: tuple[int, int] = (0, 0),
        length: int | None = None,
        sample: SpanSet | None = None,
        in_doubt: tuple[SpanSet, SpanSet] = (SpanSet(), SpanSet()),
        conditions: tuple[Condition, Condition] = (Condition.REFUSES, Condition.REFUSES),
        assumed: Assumptions | None = None,
        unit_bytes: int = SECTOR,
    ) -> None:
        base = assumed or Assumptions(largest_read_bytes=256 << 10)
        self.sides = tuple(
            Side(
                drive, Planner(Coverage(len(drive.data), unit_bytes), assumed=Assumptions.of(condition, base))
            )
            for drive, condition in zip(drives, conditions, strict=True)
        )
        shared = len(drives[0].data) - starts[0] if length is None else length
        self.alike = alike_in_units(Alike((SameBytes(starts, shared),)), unit_bytes)
        self.sample = SpanSet() if sample is None else sample
        self.task = SharedTask(
            (self.sides[0].planner, self.sides[1].planner),
            (HAZARDS[conditions[0]].per_hour / 3600, HAZARDS[conditions[1]].per_hour / 3600),
            self.alike,
            self.sample,
            1_000.0,
            in_doubt,
            unit_bytes,
        )
        self.pairs: list[Both] = []
        self.order: list[tuple[int, Span, bool]] = []
        self.reads = 0

    def begin(self, wants: tuple[list[Want], list[Want]] = ([], []), rest_weight: float = 1.0) -> Rig:
        self.task.begin(wants, rest_weight)
        return self

    def step(self, side: int) -> bool:
        """One read of one drive; False if there was nothing for it."""
        span = self.task.choose(side)
        if span is None:
            return False
        self.reads += 1
        assert self.reads < MOST_READS, "it does not come to an end"
        one = self.sides[side]
        one.drive.ask(span)
        attempt = one.drive.answer()
        one.seconds += attempt.seconds
        self.order.append((side, span, attempt.outcome is Outcome.GIVEN))
        if attempt.outcome is Outcome.GIVEN:
            one.given = one.given | SpanSet([span])
        self.pairs += self.task.learn(
            side, Attempt(span, attempt.outcome, attempt.data, attempt.seconds, attempt.error)
        )
        return True

    def run(self, most_reads: int = MOST_READS) -> Rig:
        """Reads on, always on the drive that has worked less, until nothing is left."""
        while not self.task.is_done and self.reads < most_reads:
            first = 0 if self.sides[0].seconds <= self.sides[1].seconds else 1
            if not self.step(first) and not self.step(1 - first) and not self.task.is_done:
                raise AssertionError("both drives wait for each other")
        return self

    def shared(self, side: int) -> SpanSet:
        """What a drive gave of what both hold, in places of side 0."""
        given = self.sides[side].given & self.alike.spans(side)
        return given if side == 0 else self.alike.across(1, given)


def drive(sectors: int, bad: set[int] | None = None, **more: object) -> ScriptedDrive:
    """A drive of numbered sectors."""
    made = ScriptedDrive(numbered(sectors), bad, largest_read_bytes=256 << 10, **more)  # type: ignore[arg-type]
    made.depth = 1
    return made


def sectors(*numbers: int) -> SpanSet:
    """These sectors as a set of bytes."""
    return SpanSet(Span.at(one * SECTOR, SECTOR) for one in numbers)
