"""What the read planner costs on a healthy drive, with little and with very much in the coverage.

For 10 thousand and 10 million ranges left to read, in one run: seconds to begin, microseconds of processor
time a read (to choose and to learn), that time as a share of a healthy read of up to 1 MiB and 2 MiB at
150 MB/s, and the memory in use. The aim: at most 2 % of a healthy read, and 10 million ranges slower by at
most 10 %.

usage: ./run bench planner_cost [READS] [RANGES ...]
"""

from __future__ import annotations

import resource
import sys
import time
import tracemalloc

import numpy as np

from mendbay.core.coverage import Coverage
from mendbay.core.span import SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.planner import Planner

SECTOR = 512
BYTES_PER_SECOND = 150e6
LONG = 2048
"""Sectors of a range to read: 1 MiB; between two of them a sector is read already."""
MANY_DRIVE = 4_000_000_000
NOTHING = memoryview(b"")


def fragmented(ranges: int) -> Coverage:
    """A drive of 2 TB with so many unread ranges: of 1 MiB at the start, shorter ones over the rest."""
    length = min(LONG, MANY_DRIVE // ranges - 1)
    starts = np.arange(ranges, dtype=np.int64) * (MANY_DRIVE // ranges) * SECTOR
    read = SpanSet.from_bounds(starts + length * SECTOR, starts + (MANY_DRIVE // ranges) * SECTOR)
    return Coverage(MANY_DRIVE * SECTOR, SECTOR, read)


def timed_reads(planner: Planner, reads: int) -> tuple[float, float]:
    """Processor seconds a read, mean over all, and mean bytes a read."""
    spent, asked = 0.0, 0
    for _ in range(reads):
        started = time.process_time()
        span = planner.choose()
        assert span is not None
        spent += time.process_time() - started
        asked += span.length
        attempt = Attempt(span, Outcome.GIVEN, NOTHING, 0.002 + span.length / BYTES_PER_SECOND)
        started = time.process_time()
        planner.learn(attempt)
        spent += time.process_time() - started
    return spent / reads, asked / reads


def resident_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    reads = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    counts = [int(one) for one in sys.argv[2:]] or [10_000, 10_000_000]
    print("largest read     ranges   begin s   us a read   KiB a read   share of it   kept MiB   peak MiB")
    for largest in (1 << 20, 2 << 20):
        for ranges in counts:
            coverage = fragmented(ranges)
            tracemalloc.start() if ranges <= 10_000 else None
            started = time.process_time()
            planner = Planner(coverage, assumed=Assumptions(largest_read_bytes=largest))
            begin = time.process_time() - started
            kept = (
                f"{tracemalloc.get_traced_memory()[0] / 2**20:8.0f}"
                if tracemalloc.is_tracing()
                else "       -"
            )
            tracemalloc.stop()
            each, size = timed_reads(planner, min(reads, ranges))
            share = each / (0.002 + size / BYTES_PER_SECOND)
            print(
                f"{largest >> 20:8} MiB {ranges:12} {begin:9.2f} {1e6 * each:11.0f} {size / 1024:12.0f}"
                f" {100 * share:11.2f} % {kept} {resident_mib():10.0f}",
                flush=True,
            )
            del planner, coverage
    print("Peak is that of the whole process, the coverage itself included.")


if __name__ == "__main__":
    main()
