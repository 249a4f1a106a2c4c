"""The orders of reading that are compared. Each chooses a read, is told what came of it, and so on."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol

from imaging_yield.models import SECTOR_BYTES, SECTORS, DriveModel
from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.planner import WEIGHT_REST, WEIGHT_WANTED, Planner, Want

VALUE_WANTED = 40.0
"""What a wanted sector is worth in this benchmark, the others being worth 1. Own choice: together the wanted
twentieth is worth about twice the rest."""
CHUNK = 256
"""Sectors in a read of the two simple orders."""
SKIPS = (256, 1_024, 4_096, 16_384, 65_536)
SKIP = 4_096
_PIECE = 16
_MOST_TRIES = 3
_NOMINAL_SECONDS = 1_800.0
_RATE = SECTORS * SECTOR_BYTES / _NOMINAL_SECONDS


class Policy(Protocol):
    """What chooses the next read."""

    def choose(self) -> Span | None:
        """The next read, in bytes on sector borders; None when there is nothing left to try."""

    def learn(self, attempt: Attempt) -> None:
        """Takes in what came of the read last chosen."""


MakePlanner = Callable[[Coverage, list[Want], float, Assumptions], Policy]


def own_planner(coverage: Coverage, wants: list[Want], rest_weight: float, assumed: Assumptions) -> Policy:
    """Mendbay's planner at the start of a reading."""
    return Planner(coverage, (), wants, rest_weight, assumed)


class _Rounds:
    """Sectors refused alone, asked for again in rounds until they were tried often enough."""

    def __init__(self) -> None:
        self._now: deque[tuple[int, int]] = deque()
        self._tries: dict[int, int] = {}

    def add(self, sector: int) -> None:
        """Notes a refusal of one sector."""
        self._tries[sector] = self._tries.get(sector, 0) + 1
        if self._tries[sector] < _MOST_TRIES:
            self._now.append((sector, sector + 1))

    def take(self) -> tuple[int, int] | None:
        """The sector that has waited longest."""
        return self._now.popleft() if self._now else None


class Sequential:
    """From the first to the last sector; where a read is refused, each of its sectors alone; what was refused
    alone is asked for again at the end."""

    def __init__(self, model: DriveModel) -> None:
        self._at, self._sectors = 0, model.sectors
        self._singles: deque[int] = deque()
        self._again = _Rounds()

    def choose(self) -> Span | None:
        if self._singles:
            at = self._singles.popleft()
            return _span(at, at + 1)
        if self._at < self._sectors:
            start = self._at
            self._at = min(start + CHUNK, self._sectors)
            return _span(start, self._at)
        taken = self._again.take()
        return None if taken is None else _span(*taken)

    def learn(self, attempt: Attempt) -> None:
        if attempt.outcome is Outcome.GIVEN:
            return
        start, stop = _sectors(attempt.span)
        if stop - start == 1:
            self._again.add(start)
        else:
            self._singles.extend(range(start, stop))


class Skips:
    """What is wanted first, then the rest, leaving a fixed length after each refusal; then what was left, in
    small pieces; then what was refused of these, sector by sector.

    Args:
        skip: how many sectors to leave after a refusal.
    """

    def __init__(self, model: DriveModel, skip: int = SKIP) -> None:
        self._skip = skip
        wanted = model.wanted_spans
        rest = wanted.complement(Span(0, model.sectors * SECTOR_BYTES))
        first = [deque(_sectors(span) for span in spans) for spans in (wanted, rest)]
        self._work = [*first, deque(), deque(), deque(), deque()]
        self._again = _Rounds()
        self._stage = 0

    def choose(self) -> Span | None:
        while self._stage < len(self._work):
            work = self._work[self._stage]
            if work:
                start, stop = work.popleft()
                end = min(start + (CHUNK, _PIECE, 1)[self._stage // 2], stop)
                if end < stop:
                    work.appendleft((end, stop))
                return _span(start, end)
            self._stage += 1
        taken = self._again.take()
        return None if taken is None else _span(*taken)

    def learn(self, attempt: Attempt) -> None:
        if attempt.outcome is Outcome.GIVEN:
            return
        start, stop = _sectors(attempt.span)
        if self._stage + 2 >= len(self._work):
            self._again.add(start)
            return
        later = self._work[self._stage + 2]
        later.append((start, stop))
        if self._stage < 2:
            self._leave(stop + self._skip, later)

    def _leave(self, limit: int, later: deque[tuple[int, int]]) -> None:
        work = self._work[self._stage]
        while work and work[0][0] < limit:
            start, stop = work.popleft()
            later.append((start, min(stop, limit)))
            if stop > limit:
                work.appendleft((limit, stop))


def _span(start: int, stop: int) -> Span:
    return Span(start * SECTOR_BYTES, stop * SECTOR_BYTES)


def _sectors(span: Span) -> tuple[int, int]:
    return span.start // SECTOR_BYTES, span.stop // SECTOR_BYTES


def _ours(model: DriveModel, make: MakePlanner, weight: float) -> Policy:
    """The planner knows the usual rate and size of the scaled drives, and nothing of this one."""
    size = model.sectors * SECTOR_BYTES
    assumed = Assumptions(bytes_per_second=_RATE)
    wants = [Want(SpanSet(model.wanted_spans), weight)]
    return make(Coverage(size, SECTOR_BYTES), wants, WEIGHT_REST, assumed)


def make_policy(name: str, model: DriveModel, planner: MakePlanner | None = None) -> Policy:
    """The order of that name.

    `ours` is the planner as Mendbay uses it, `ours-told` the same told what a wanted sector is worth here.
    These drives are read some hundred times slower than real ones, in sectors a second; a refusal takes as
    long. So that one wanted sector holds out against as many refusals, its weight falls with the rate.

    Raises:
        KeyError: there is no such order.
    """
    make = planner or own_planner
    if name == "ours":
        return _ours(model, make, WEIGHT_WANTED * _RATE / Assumptions().bytes_per_second)
    if name == "ours-told":
        return _ours(model, make, VALUE_WANTED)
    if name == "sequential":
        return Sequential(model)
    if name == "skips":
        return Skips(model)
    if name in SKIP_NAMES:
        return Skips(model, SKIP_NAMES[name])
    raise KeyError(f"no policy {name}")


SKIP_NAMES = {f"skips-{skip}": skip for skip in SKIPS}
POLICIES = ("sequential", "skips", *SKIP_NAMES, "skips-best", "ours", "ours-told")
