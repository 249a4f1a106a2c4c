"""Two failing drives of a mirror read as one task, against each read whole: what it asks of them.

Drives in memory with damage by chance (clusters and single sectors, other places on each); a read costs 2 ms
and 150 MB/s, a refusal 3 s. For each pair, in one run: refusals suffered, reads asked, seconds the drives
worked (both together), and seconds until all was read (the two work at the same time), each as one task
divided by each whole. Below 1 one task is the better.

usage: ./run bench one_task [PAIRS] [MIB]
"""

from __future__ import annotations

import random
import sys
from dataclasses import dataclass
from statistics import median

from mendbay.core.coverage import Coverage
from mendbay.core.span import SameBytes, Span, SpanSet
from mendbay.imaging.alike import Alike, sample
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.hazard import HAZARDS, Condition
from mendbay.imaging.planner import Planner
from mendbay.imaging.shared_task import SharedTask
from mendbay.imaging.values import WEIGHT_REST, WEIGHT_SAMPLE

SECTOR = 512
COMMAND_SECONDS, REFUSAL_SECONDS, BYTES_PER_SECOND = 0.002, 3.0, 150e6
NOTHING = memoryview(b"")
PER_SECOND = HAZARDS[Condition.REFUSES].per_hour / 3600


@dataclass
class Cost:
    """What one way of reading cost: of both drives together, and the longer of their times."""

    refusals: int = 0
    reads: int = 0
    seconds: float = 0.0
    until: float = 0.0


class Drive:
    """Bad sectors, and what reading it has cost."""

    def __init__(self, bad: list[int], sectors: int) -> None:
        self.bad = SpanSet(Span.at(one * SECTOR, SECTOR) for one in bad)
        self.planner = Planner(Coverage(sectors * SECTOR, SECTOR))
        self.reads = self.refusals = 0
        self.seconds = 0.0

    def read(self, span: Span) -> Attempt:
        self.reads += 1
        if self.bad.overlaps(span):
            self.refusals += 1
            self.seconds += REFUSAL_SECONDS
            return Attempt(span, Outcome.REFUSED, NOTHING, REFUSAL_SECONDS, "EIO")
        took = COMMAND_SECONDS + span.length / BYTES_PER_SECOND
        self.seconds += took
        return Attempt(span, Outcome.GIVEN, NOTHING, took)


def damage(chance: random.Random, sectors: int) -> list[int]:
    """A few scratches of 8 to 400 sectors with half of their sectors bad, and some single ones."""
    bad = {chance.randrange(sectors) for _ in range(6)}
    for _ in range(3):
        start = chance.randrange(sectors - 400)
        bad |= {start + at for at in range(chance.randrange(8, 400)) if chance.random() < 0.5}
    return sorted(bad)


def cost(drives: tuple[Drive, Drive]) -> Cost:
    return Cost(
        sum(one.refusals for one in drives),
        sum(one.reads for one in drives),
        sum(one.seconds for one in drives),
        max(one.seconds for one in drives),
    )


def whole(drives: tuple[Drive, Drive]) -> Cost:
    for one in drives:
        while (span := one.planner.choose()) is not None:
            one.planner.learn(one.read(span))
    return cost(drives)


def together(drives: tuple[Drive, Drive], sectors: int) -> Cost:
    size = sectors * SECTOR
    task = SharedTask(
        (drives[0].planner, drives[1].planner),
        (PER_SECOND, PER_SECOND),
        Alike((SameBytes((0, 0), size),)),
        sample(SpanSet([Span(0, size)]), 1),
        WEIGHT_SAMPLE,
    )
    task.begin(((), ()), WEIGHT_REST)
    while not task.is_done:
        order = (0, 1) if drives[0].seconds <= drives[1].seconds else (1, 0)
        for side in order:
            span = task.choose(side)
            if span is not None:
                task.learn(side, drives[side].read(span))
                break
    return cost(drives)


def main(pairs: int, mib: int) -> None:
    sectors = mib * 2048
    print(
        f"{pairs} pairs of {mib} MiB, most tries {Assumptions().most_tries}; one task divided by each whole"
    )
    ratios: list[tuple[float, float, float, float]] = []
    for seed in range(pairs):
        chance = random.Random(seed)
        first, second = damage(chance, sectors), damage(chance, sectors)

        def made(one: list[int] = first, other: list[int] = second) -> tuple[Drive, Drive]:
            return Drive(one, sectors), Drive(other, sectors)

        apart, joint = whole(made()), together(made(), sectors)
        ratios.append(
            (
                joint.refusals / apart.refusals,
                joint.reads / apart.reads,
                joint.seconds / apart.seconds,
                joint.until / apart.until,
            )
        )
        print(
            f"  pair {seed}: refusals {joint.refusals} of {apart.refusals}, "
            f"reads {joint.reads} of {apart.reads}"
        )
    for name, column in zip(
        ("refusals", "reads", "drive seconds", "until done"), zip(*ratios, strict=True), strict=True
    ):
        print(f"{name:>14}: median {median(column):.3f}, least {min(column):.3f}, most {max(column):.3f}")


if __name__ == "__main__":
    words = [int(one) for one in sys.argv[1:]]
    main(*(words + [4, 64][len(words) :]))
