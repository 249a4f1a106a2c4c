"""What choosing reads and keeping the books costs on a healthy drive, with little and with very much to know.

For 10 thousand and 10 million ranges left to read, of the planner alone and of a whole `DriveReading`, in one
run: seconds to begin, microseconds of processor time a read, that time as a share of a healthy read of up to
1 MiB and 2 MiB at 150 MB/s, how often a reading told how far it is, and the memory in use. The aim: at most
2 % of a healthy read, and 10 million ranges slower by at most 10 %.

The drive of a reading is invented and takes no processor time. Its bytes are neither hashed nor written:
that costs the same however much is known. Times are processor time of this process, so other work on the
machine counts little; the drive's own time is added to the clock by which a reading decides when to tell.

usage: ./run bench planner_cost [READS] [RANGES ...]
"""

from __future__ import annotations

import resource
import sys
import time
import tracemalloc
from collections import deque
from typing import cast

import numpy as np

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Coverage
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.planner import Planner
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import Event, ReadingProgress
from mendbay.jobs.ports import ImageStore, Run
from mendbay.outlets.fresh_spans import FreshSpans
from mendbay.outlets.image_view import ImageView

SECTOR = 512
BYTES_PER_SECOND = 150e6
COMMAND_SECONDS = 0.002
LONG = 2048
"""Sectors of a range to read: 1 MiB; between two of them a sector is read already."""
MANY_DRIVE = 4_000_000_000
NOTHING = memoryview(b"")
HEADER = "largest   ranges what    begin s  us/read KiB/read    share  told  kept peak MiB"


def fragmented(ranges: int) -> Coverage:
    """A drive of 2 TB with so many unread ranges: of 1 MiB at the start, shorter ones over the rest."""
    length = min(LONG, MANY_DRIVE // ranges - 1)
    starts = np.arange(ranges, dtype=np.int64) * (MANY_DRIVE // ranges) * SECTOR
    read = SpanSet.from_bounds(starts + length * SECTOR, starts + (MANY_DRIVE // ranges) * SECTOR)
    return Coverage(MANY_DRIVE * SECTOR, SECTOR, read)


def drive_seconds(span: Span) -> float:
    """How long a healthy drive takes to give a range."""
    return COMMAND_SECONDS + span.length / BYTES_PER_SECOND


class DriveClock(SystemClock):
    """The processor time used here, and the time that the drive took."""

    def __init__(self) -> None:
        self.drive_seconds = 0.0

    def steady_seconds(self) -> float:
        return time.process_time() + self.drive_seconds


class HealthyDrive:
    """Gives whatever it is asked for."""

    depth = 4

    def __init__(self, identity: Identity, clock: DriveClock, largest: int) -> None:
        self.identity = identity
        self.largest_read_bytes = largest
        self.given = self.given_bytes = 0
        self.began_at = self.ended_at = 0.0
        self._clock = clock
        self._queue: deque[Span] = deque()

    @property
    def queued(self) -> int:
        return len(self._queue)

    def ask(self, span: Span) -> None:
        self.began_at = self.began_at or time.process_time()
        self._queue.append(span)

    def answer(self) -> Attempt:
        span = self._queue.popleft()
        self.given += 1
        self.given_bytes += span.length
        self._clock.drive_seconds += drive_seconds(span)
        self.ended_at = time.process_time()
        return Attempt(span, Outcome.GIVEN, NOTHING, drive_seconds(span))


class Books(ImageView):
    """What an image knows of its drive, without its bytes and without a log."""

    def __init__(self, identity: Identity, known: Coverage) -> None:
        self._identity = identity
        self._given, self._waived = known.read, known.waived
        self._refusals = []
        self._fresh = FreshSpans()
        self._coverage = None
        self._run = 0

    def runs(self) -> tuple[Run, ...]:
        return ()

    def keep(self, span: Span, data: memoryview, seconds: float, celsius: float | None = None) -> None:
        known = self._given.clip(span) | self._fresh.within(span)
        assert not known, f"{span} was asked for twice"
        self._fresh.add(span)
        self._coverage = None

    def commit(self) -> None: ...

    def commit_soon(self) -> None: ...


def row(
    largest: int, ranges: int, what: str, begin: float, each: float, size: float, told: str, kept: str
) -> str:
    share = each / (COMMAND_SECONDS + size / BYTES_PER_SECOND)
    return (
        f"{largest >> 20:3} MiB {ranges:8} {what:7} {begin:7.2f} {1e6 * each:8.0f} {size / 1024:8.0f}"
        f" {100 * share:6.2f} % {told:>5} {kept:>5} {resident_mib():8.0f}"
    )


def of_planner(largest: int, ranges: int, reads: int) -> str:
    """The cost of the planner: to choose and to learn."""
    coverage = fragmented(ranges)
    tracemalloc.start() if ranges <= 10_000 else None
    started = time.process_time()
    planner = Planner(coverage, assumed=Assumptions(largest_read_bytes=largest))
    begin = time.process_time() - started
    kept = f"{tracemalloc.get_traced_memory()[0] / 2**20:.0f}" if tracemalloc.is_tracing() else "-"
    tracemalloc.stop()
    spent, asked = 0.0, 0
    for _ in range(reads):
        started = time.process_time()
        span = planner.choose()
        assert span is not None
        spent += time.process_time() - started
        asked += span.length
        attempt = Attempt(span, Outcome.GIVEN, NOTHING, drive_seconds(span))
        started = time.process_time()
        planner.learn(attempt)
        spent += time.process_time() - started
    return row(largest, ranges, "planner", begin, spent / reads, asked / reads, "-", kept)


def of_reading(largest: int, ranges: int, reads: int) -> str:
    """The cost of a reading, from the first read asked for to the last answer."""
    known, clock = fragmented(ranges), DriveClock()
    identity = Identity("invented drive", "drive", known.size_bytes, SECTOR)
    drive, store = HealthyDrive(identity, clock, largest), cast(ImageStore, Books(identity, known))
    told: list[Event] = []
    started = time.process_time()
    assumed = Assumptions(largest_read_bytes=largest)
    reading = DriveReading("1", drive, store, clock, told.append, assumed)  # type: ignore[arg-type]
    reading.run(pause=lambda: drive.given >= reads)
    begin, spent = drive.began_at - started, drive.ended_at - drive.began_at
    accounts = sum(isinstance(one, ReadingProgress) for one in told) - 1  # the last is told after all reads
    each, size = spent / drive.given, drive.given_bytes / drive.given
    return row(largest, ranges, "reading", begin, each, size, str(accounts), "-")


def resident_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    reads = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    counts = [int(one) for one in sys.argv[2:]] or [10_000, 10_000_000]
    print(HEADER)
    for largest in (1 << 20, 2 << 20):
        for ranges in counts:
            for measured in (of_planner, of_reading):
                print(measured(largest, ranges, min(reads, ranges)), flush=True)
    print("Kept: MiB of the planner. Peak is that of the whole process, the coverage itself included.")
    print("Told: how often the reading told meanwhile how far it is.")


if __name__ == "__main__":
    main()
