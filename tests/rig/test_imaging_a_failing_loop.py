"""The whole engine on a real block device that refuses, hangs and drops off the bus."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.inlets.failing_loop import FailingLoop
from mendbay.inlets.reader import ReaderProcess
from mendbay.inlets.unsteady_description import UnsteadyDescription, Weak
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import silent
from mendbay.jobs.same_drive import SAMPLES, TELLING_PLACES
from mendbay.outlets.image_file import ImageFile
from support.benches import needs_failing_loop

pytestmark = [pytest.mark.root, needs_failing_loop]

SECTORS = 40_000
REFUSED = ((1000, 1), (5000, 3), (15_000, 1), (SECTORS - 1, 1))
WEAK = (Weak(3000, 2), Weak(25_000, 1, 3))
HANG = ((30_000, 1),)
TRIES = Assumptions().most_tries


def spans(*ranges: tuple[int, int]) -> SpanSet:
    return SpanSet(Span.at(first * 512, count * 512) for first, count in ranges)


@dataclass
class Hands:
    """The person at the bench: pulls the cable before one of the reads, and cycles the power when asked."""

    loop: FailingLoop
    pull_before_read: int = 0
    reads: int = 0
    power_cycles: list[str] = field(default_factory=list)

    def stop(self) -> bool:
        self.reads += 1
        if self.reads == self.pull_before_read:
            self.loop.unplug()
        return False

    def cycle_power(self, bay: str) -> bool:
        self.power_cycles.append(bay)
        self.loop.power_cycle()
        return len(self.power_cycles) < 10  # a drive that stays away ends the test


@pytest.fixture
def original(tmp_path: Path) -> bytes:
    content = os.urandom(SECTORS * 512)
    (tmp_path / "drive.img").write_bytes(content)
    return content


def description(folder: Path, **changes: object) -> UnsteadyDescription:
    return UnsteadyDescription(folder / "drive.img", refused=REFUSED, weak=WEAK, hang=HANG, **changes)  # type: ignore[arg-type]


def check(image: ImageFile, original: bytes, lost: SpanSet) -> None:
    """Nothing but what was refused is missing, and the coverage says exactly that, to the sector."""
    everything = Span(0, len(original))
    expected = bytearray(original)
    for span in lost:
        expected[span.start : span.stop] = bytes(span.length)
    assert image.path.read_bytes() == bytes(expected)
    coverage = image.coverage()
    assert coverage.refused == lost
    assert coverage.read == SpanSet([everything]) - lost
    assert not coverage.unread
    assert not coverage.waived
    asked = {coverage.tries_at(at) for span in lost for at in range(span.start, span.stop, 512)}
    assert min(asked) >= TRIES, "every lost sector was tried as often as it may be"


def test_a_drive_that_does_it_all_is_read_but_for_what_it_never_gives(
    tmp_path: Path, original: bytes
) -> None:
    path = tmp_path / "bay-1.img"
    with (
        FailingLoop(description(tmp_path)) as loop,
        ReaderProcess(loop.path, patience_seconds=1.0) as reader,
    ):
        hands = Hands(loop, pull_before_read=5)
        image = ImageFile.create(path, reader.identity)
        image.begin_run("failing loop", str(loop.path))
        reading = DriveReading(
            "1", reader, image, SystemClock(), silent, power_cycle=hands.cycle_power, stop=hands.stop
        )
        assert reading.run() is Ending.DONE
        assert hands.power_cycles == ["1"]
        assert Counter(turn for _, _, turn in loop.log())["hangs"] >= TRIES
        image.close()
    image = ImageFile.reopen(path, writable=False)
    check(image, original, spans(*REFUSED, *HANG))
    image.close()


def test_hung_reads_above_the_limit_end_with_the_power_and_nothing_given_is_read_twice(
    tmp_path: Path, original: bytes
) -> None:
    """Reads are kept so short that the kernel splits none: what is logged is what was asked for."""
    assumed = Assumptions(largest_read_bytes=256 << 10)
    with (
        FailingLoop(description(tmp_path, vanish_after_reads=7, vanish_times=1)) as loop,
        ReaderProcess(loop.path, patience_seconds=0.5, abandoned_limit=2) as reader,
    ):
        hands = Hands(loop)
        image = ImageFile.create(tmp_path / "bay-1.img", reader.identity)
        image.begin_run("failing loop", str(loop.path))
        loop.log()  # what the kernel itself looked at when the device appeared
        reading = DriveReading(
            "1", reader, image, SystemClock(), silent, assumed, hands.cycle_power, hands.stop
        )
        assert reading.run() is Ending.DONE
        log = loop.log()
        check(image, original, spans(*REFUSED, *HANG))
        image.close()
    turns = Counter(turn for _, _, turn in log)
    # it drops off once by itself, and after every second hung read
    assert len(hands.power_cycles) == turns["vanishes"] + turns["hangs"] // 2
    assert turns["vanishes"] == 1
    given = [(first, count) for first, count, turn in log if turn == "gives"]
    # but for the few sectors by which a drive without a serial number shows that it is the same
    again = sum(count for _, count in given) - (SECTORS - spans(*REFUSED, *HANG).total_bytes // 512)
    assert 0 < again <= len(hands.power_cycles) * (SAMPLES + len(TELLING_PLACES) + 1)
    longer = [(first, count) for first, count in given if count > 1]
    assert spans(*longer).total_bytes == sum(count for _, count in longer) * 512
