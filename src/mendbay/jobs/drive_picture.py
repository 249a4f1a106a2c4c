"""How far the drives of a case were read, for pages that look often, also while they are being read.

Opening the record of an image takes longer the longer it is. What was seen is therefore kept, and looked at
again only if something changed, and so seldom that looking stays a small part of the time; of the logs only
what is new is read then.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Generic, TypeVar

from mendbay.core.errors import MendbayError
from mendbay.core.span import SpanSet
from mendbay.files.wanted import ranges_of, select
from mendbay.handback.facts import BayFacts
from mendbay.jobs.bench import Bench
from mendbay.jobs.imaging_record import ImagingRecord, imaging_record
from mendbay.jobs.log_memory import LogMemory
from mendbay.jobs.remembered import remembered
from mendbay.jobs.volume import case_images, open_volume, sources_of

PART = 15
"""A look that took so long is not repeated within so many times that."""
RECORD_SECONDS, WANTED_SECONDS = 1.0, 20.0
"""Nor within so long."""
LASTS_SECONDS = 60.0
"""After so long it is looked again even if no image changed: the story may have."""
MOST_KEPT = 16
WALKED = 20_000
"""Entries of a file system that are walked at most to find what is wanted: a page does not wait for more."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class DriveSeen:
    """The record of a bay's image as it was when it was looked at, without what other adapters gave.

    Args:
        wanted: where on the drive the wanted files lie, as far as that was looked for.
    """

    record: ImagingRecord
    wanted: SpanSet = field(default_factory=SpanSet)

    @property
    def facts(self) -> BayFacts:
        """The same for the picture of the drive."""
        one = self.record
        model, serial = one.identity.model, one.identity.serial
        return BayFacts(one.bay, model, serial, one.coverage, wanted=self.wanted, left=one.left)


class Looks(Generic[T]):
    """Results of looking that are kept; for any number of threads.

    Args:
        least_seconds: how often it is looked at most, whatever changes.
    """

    def __init__(self, least_seconds: float) -> None:
        self._least = least_seconds
        self._lock = threading.Lock()
        self._turns: dict[Hashable, _Turn] = {}
        self._kept: dict[Hashable, _Kept[T]] = {}

    def of(self, key: Hashable, stamp: object, clock: Callable[[], float], look: Callable[[], T]) -> T:
        """What was seen under a key, looked at again where that is due. Of those who ask at once one looks;
        the others are given what was seen before, or wait for it where nothing was.

        Args:
            stamp: differs once something changed.
            clock: seconds that only rise.
        """
        kept = self._held(key)
        if kept is None or self._is_due(kept, stamp, clock()):
            with self._turn(key, waits=kept is None) as is_mine:
                kept = self._held(key) or kept  # another may have looked while this one waited
                if kept is None or (is_mine and self._is_due(kept, stamp, clock())):
                    kept = self._looked(key, stamp, clock, look)
        return kept.seen

    def _held(self, key: Hashable) -> _Kept[T] | None:
        with self._lock:
            return self._kept.get(key)

    @contextmanager
    def _turn(self, key: Hashable, *, waits: bool) -> Iterator[bool]:
        """Whether it is this thread's turn to look; nothing stays of a turn that nobody has or waits for."""
        with self._lock:
            turn = self._turns.setdefault(key, _Turn())
            turn.threads += 1
        is_mine = turn.lock.acquire(blocking=waits)
        try:
            yield is_mine
        finally:
            if is_mine:
                turn.lock.release()
            with self._lock:
                turn.threads -= 1
                if not turn.threads:
                    del self._turns[key]

    def _looked(
        self, key: Hashable, stamp: object, clock: Callable[[], float], look: Callable[[], T]
    ) -> _Kept[T]:
        began = clock()
        seen = look()
        now = clock()
        made = _Kept(stamp, seen, now, now - began)
        with self._lock:
            self._kept.pop(key, None)
            self._kept[key] = made
            while len(self._kept) > MOST_KEPT:
                self._kept.pop(next(iter(self._kept)))
        return made

    def _is_due(self, kept: _Kept[T], stamp: object, now: float) -> bool:
        age = now - kept.at
        return age >= (LASTS_SECONDS if kept.stamp == stamp else max(self._least, PART * kept.took))


@dataclass(slots=True)
class _Turn:
    """Who may look under a key, and how many threads do or wait for it."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    threads: int = 0


@dataclass(frozen=True, slots=True)
class _Kept(Generic[T]):
    stamp: object
    seen: T
    at: float
    took: float


class DrivesSeen:
    """What was seen of drives, kept between requests."""

    def __init__(self) -> None:
        self._records: Looks[ImagingRecord] = Looks(RECORD_SECONDS)
        self._wanted: Looks[Mapping[str, SpanSet]] = Looks(WANTED_SECONDS)
        self._logs = LogMemory()

    def of(self, bench: Bench, number: int, bay: str) -> DriveSeen | None:
        """The drive of a bay; None if it has no image yet.

        Raises:
            NoSuchCase, CaseForgotten: there is no such case any more.
            MendbayError: the image cannot be looked at.
        """
        case = remembered(bench, number)
        bays = tuple(one.bay for one in bench.ledger.bays(number))
        if bay not in bays or not bench.images.exists(case, bay):
            return None
        bench = replace(bench, images=bench.images.remembering(self._logs))
        clock = bench.clock.steady_seconds
        glances = tuple((one, bench.images.glance(case, one)) for one in bays)

        def look() -> ImagingRecord:
            return imaging_record(bench, number, bay, chances=False)

        record = self._records.of((number, bay), glances, clock, look)
        wanted = self._wanted.of((number, case.wanted), glances, clock, lambda: wanted_places(bench, number))
        return DriveSeen(record, wanted.get(bay, SpanSet()))


def wanted_places(bench: Bench, number: int) -> dict[str, SpanSet]:
    """By bay, where the wanted files lie on the drives; nothing where that cannot be told, or not soon."""
    case = bench.ledger.case(number)
    if not case.wanted:
        return {}
    try:
        with case_images(bench, case) as stores:
            system = open_volume(sources_of(stores)).system
            walked = (one for one in islice(system.walk(), WALKED) if one.path)
            entries = select(walked, case.wanted).entries
            return dict(system.source.needs(ranges_of(system, entries)))
    except MendbayError:
        return {}
