"""Who says what of a drive is read next: its own planner, or a task that it shares with another drive."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.ahead import Ahead
from mendbay.imaging.attempt import Attempt
from mendbay.imaging.planner import Planner
from mendbay.imaging.scoring import Expected
from mendbay.imaging.values import Want


class Picker(Protocol):
    """Chooses the reads of one drive and learns from their outcomes, as `imaging.planner.Planner` does."""

    def begin(self, wants: Sequence[Want], rest_weight: float) -> None:
        """Says what the sectors are worth."""
        ...

    def choose(self) -> Span | None: ...

    def choose_within(self, spans: SpanSet) -> Span | None: ...

    def learn(self, attempt: Attempt) -> None: ...

    def give_back(self, span: Span) -> None: ...

    def waits(self) -> bool:
        """After `choose` gave nothing: whether it may later. Waits a moment before it says yes."""
        ...

    @property
    def is_shared(self) -> bool:
        """Whether another drive has a part in the same task."""
        ...

    def left(self) -> SpanSet:
        """What need not be read here, because the other half of a mirror gave it."""
        ...

    def ahead(self, seconds: float) -> Ahead:
        """What so many seconds of reading are expected to bring."""
        ...

    def why(self, span: Span, head: int) -> Expected | None:
        """What is expected of a range that was handed out, as `Planner.why`."""
        ...


class Alone:
    """A drive that is read by itself."""

    def __init__(self, planner: Planner) -> None:
        self._planner = planner
        self.choose = planner.choose
        self.choose_within = planner.choose_within
        self.learn = planner.learn
        self.give_back = planner.give_back
        self.ahead = planner.ahead
        self.why = planner.why

    def begin(self, wants: Sequence[Want], rest_weight: float) -> None:
        self._planner.reweigh(wants, rest_weight)  # keeps what the drive taught so far

    def waits(self) -> bool:
        return False

    @property
    def is_shared(self) -> bool:
        return False

    def left(self) -> SpanSet:
        return SpanSet()
