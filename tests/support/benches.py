"""One damaged drive behind every kind of reader, for tests that hold for all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt
from mendbay.inlets.failing_loop import FailingLoop, available
from mendbay.inlets.reader import ReaderProcess
from mendbay.inlets.unsteady import UnsteadyDrive
from mendbay.inlets.unsteady_description import UnsteadyDescription, Weak
from mendbay.jobs.ports import DriveReader
from support.scripted_drive import numbered

SECTORS = 40_000
REFUSED = 1000
WEAK = 3000
HANG = 20_000

needs_failing_loop = pytest.mark.skipif(
    bool(available()), reason=f"NOT CHECKED on a real failing block device: {available()}"
)


@dataclass
class Bench:
    """A reader, what its drive holds, and the hands of the person at the bench.

    `tried` gives the (first, sectors) pairs that reached the drive since it was last called.
    """

    reader: DriveReader
    content: bytes
    sector_bytes: int
    unplug: Callable[[], None] | None = None
    power_cycle: Callable[[], None] | None = None
    tried: Callable[[], list[tuple[int, int]]] | None = None
    asked: list[Span] = field(default_factory=list)

    def span(self, first: int, count: int = 1) -> Span:
        return Span.at(first * self.sector_bytes, count * self.sector_bytes)

    def read(self, first: int, count: int = 1) -> Attempt:
        self.reader.ask(self.span(first, count))
        return self.reader.answer()

    def holds(self, attempt: Attempt) -> bool:
        return bytes(attempt.data) == self.content[attempt.span.start : attempt.span.stop]


def description_of(folder: Path, sector_bytes: int = 512, **changes: object) -> UnsteadyDescription:
    """A drive of numbered sectors with one refused, one weak and one hanging sector."""
    image = folder / "drive.img"
    if not image.exists():
        image.write_bytes(numbered(SECTORS * 512 // sector_bytes, sector_bytes))
    scale = sector_bytes // 512
    values: dict[str, object] = {
        "image": image,
        "sector_bytes": sector_bytes,
        "refused": ((REFUSED // scale, 1),),
        "weak": (Weak(WEAK // scale, 2),),
        "hang": ((HANG // scale, 1),),
        "patience_seconds": 0.6,
    }
    return UnsteadyDescription(**(values | changes))  # type: ignore[arg-type]


@contextmanager
def file_bench(folder: Path) -> Iterator[Bench]:
    image = description_of(folder).image
    with ReaderProcess(image) as reader:
        yield Bench(reader, image.read_bytes(), 512)


@contextmanager
def simulated_bench(folder: Path, **changes: object) -> Iterator[Bench]:
    description = description_of(folder, **changes)  # type: ignore[arg-type]
    with UnsteadyDrive(description) as drive:
        met: list[tuple[int, int]] = []
        meet = drive.plan.meet

        def noting(first: int, count: int) -> object:
            met.append((first, count))
            return meet(first, count)

        drive.plan.meet = noting  # type: ignore[method-assign, assignment]

        def tried() -> list[tuple[int, int]]:
            found = met.copy()
            met.clear()
            return found

        yield Bench(
            drive,
            description.image.read_bytes(),
            description.sector_bytes,
            drive.plan.unplug,
            drive.power_cycle,
            tried,
        )


@contextmanager
def loop_bench(folder: Path, patience_seconds: float = 1.5, **changes: object) -> Iterator[Bench]:
    description = description_of(folder, **changes)  # type: ignore[arg-type]
    with (
        FailingLoop(description) as loop,
        ReaderProcess(loop.path, patience_seconds=patience_seconds) as reader,
    ):
        loop.log()  # what the kernel itself looked at when the device appeared
        yield Bench(
            reader,
            description.image.read_bytes(),
            description.sector_bytes,
            loop.unplug,
            loop.power_cycle,
            lambda: [(first, count) for first, count, _ in loop.log()],
        )
