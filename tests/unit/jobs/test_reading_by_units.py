"""A drive that is asked for sectors of 512 bytes and made of physical ones of 4096."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Condition, Coverage
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Outcome
from mendbay.imaging.image_source import ImageSource
from mendbay.imaging.units import BELIEVED_AFTER
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import silent
from mendbay.jobs.imaging_record import imaging_record
from mendbay.jobs.picking import Alone
from mendbay.jobs.ports import ImageStore, never
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.outlets.image_file import ImageFile
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

BLOCKS = 4_000
CONTENT = numbered(BLOCKS * 8)
APART = list(range(5, 3_500, 173))
"""Blocks that are bad, each by itself."""
TRIES = Assumptions().most_tries


def drive_with(bad: set[int], weak: dict[int, int] | None = None, physical: int = 4096) -> ScriptedDrive:
    made = ScriptedDrive(CONTENT, bad, weak, physical_bytes=physical, largest_read_bytes=256 << 10)
    made.depth = 1
    return made


def whole(blocks: list[int]) -> set[int]:
    """The sectors of blocks."""
    return {8 * block + one for block in blocks for one in range(8)}


def sectors(numbers: set[int]) -> SpanSet:
    return SpanSet(Span.at(one * 512, 512) for one in numbers)


def read(
    drive: ScriptedDrive,
    store: ImageStore | MemoryStore,
    *,
    stop: Callable[[], bool] = never,
    unit_bytes: int = 4096,
    tries: int = TRIES,
) -> tuple[Ending, Counter[int]]:
    """Reads the drive; why it ended, and how many reads of each length it refused."""
    begun = len(drive.log)
    assumed = Assumptions(most_tries=tries)
    reading = DriveReading("1", drive, store, SystemClock(), silent, assumed, stop=stop)  # type: ignore[arg-type]
    if unit_bytes != reading.unit_bytes:
        reading.plan_by(unit_bytes)
    ending = reading.run()
    return ending, Counter(span.length for span, outcome in drive.log[begun:] if outcome is not Outcome.GIVEN)


def sound(coverage: Coverage, lost: set[int]) -> bool:
    """Whether nothing is missing but these sectors, each refused."""
    return coverage.refused == sectors(lost) and not coverage.unread


def test_a_physical_sector_that_fails_is_refused_as_one() -> None:
    by_sectors, by_units = MemoryStore(drive_with(set()).identity), MemoryStore(drive_with(set()).identity)
    _, before = read(drive_with(whole(APART)), by_sectors, unit_bytes=512)
    ending, refused = read(drive_with(whole(APART)), by_units)
    assert ending is Ending.DONE
    assert sound(by_units.coverage(), whole(APART))
    assert by_units.coverage() != by_sectors.coverage(), "the tries are fewer"
    assert before.total() > 24 * len(APART)
    assert refused.total() < before.total() / 4
    assert refused[4096] <= (TRIES + 1) * len(APART)
    assert refused[512] == BELIEVED_AFTER, "no piece is asked for once it is clear that none comes"
    for span in by_units.coverage().read:
        assert by_units.data[span.start : span.stop] == CONTENT[span.start : span.stop]


def test_sectors_smaller_than_the_drive_says_are_not_lost_with_their_neighbours() -> None:
    bad = {8 * block + block % 8 for block in APART}
    store = MemoryStore(drive_with(set()).identity)
    ending, refused = read(drive_with(bad), store)
    assert ending is Ending.DONE
    assert sound(store.coverage(), bad)
    assert refused[512] == len(bad), "each once"


def test_physical_sectors_that_begin_elsewhere_are_not_lost_with_their_neighbours() -> None:
    bad = {one - 3 for one in whole(APART)}
    store = MemoryStore(drive_with(set()).identity)
    assert read(drive_with(bad), store)[0] is Ending.DONE
    assert sound(store.coverage(), bad)


def test_what_is_due_in_pieces_is_worked_out_once_however_many_there_are() -> None:
    class Counting(MemoryStore):
        worked_out = 0

        def refused_here(self) -> Int64s:
            self.worked_out += 1
            return super().refused_here()

    found: list[int] = []
    for count in (2, 40):
        bad = {8 * block + block % 8 for block in range(5, 5 + 50 * count, 50)}
        store = Counting(drive_with(set()).identity)
        _, refused = read(drive_with(bad), store)
        assert sound(store.coverage(), bad)
        assert refused[512] == len(bad) == count
        found.append(store.worked_out)
    assert found == [1, 1]


def test_pieces_left_to_the_other_half_are_asked_for_once_the_halves_are_found_to_differ() -> None:
    class Sharing(Alone):
        """The other half gave block 500, until a piece of block 10 was asked for: then they differ."""

        @property
        def is_shared(self) -> bool:
            return not any(span.length == 512 for span, _ in drive.log)

        def left(self) -> SpanSet:
            return SpanSet([Span.at(500 * 4096, 4096)]) if self.is_shared else SpanSet()

    drive = drive_with({83, 4000})
    store = MemoryStore(drive.identity)
    reading = DriveReading("1", drive, store, SystemClock(), silent)
    reading.picker = Sharing(reading.planner)
    assert reading.run() is Ending.DONE
    assert sound(store.coverage(), {83, 4000})


def test_with_a_single_try_pieces_are_asked_for_all_the_same() -> None:
    store = MemoryStore(drive_with(set()).identity)
    _, refused = read(drive_with({83, 4000}), store, tries=1)
    assert sound(store.coverage(), {83, 4000})
    assert refused[4096] <= 2 * 2
    assert refused[512] == 2


def test_pieces_come_when_all_else_was_tried_and_a_stop_among_them_loses_none() -> None:
    drive = drive_with({83, 4000, 9000})
    store = MemoryStore(drive.identity)

    def among_pieces() -> bool:
        return any(span.length == 512 and span.start >= 4000 // 8 * 4096 + 1024 for span, _ in drive.log)

    assert read(drive, store, stop=among_pieces)[0] is Ending.STOPPED
    pieces = [at for at, (span, _) in enumerate(drive.log) if span.length == 512]
    assert pieces == list(range(pieces[0], len(drive.log)))
    assert len(pieces) == 8 + 3
    assert read(drive, store)[0] is Ending.DONE
    assert sound(store.coverage(), {83, 4000, 9000})
    asked = [span for span, _ in drive.log if span.length == 512]
    assert len(asked) == len(set(asked)) == 24


def test_a_piece_that_throws_the_drive_off_the_bus_is_not_asked_for_again() -> None:
    drive = drive_with({80})
    store = MemoryStore(drive.identity)
    reading = DriveReading("1", drive, store, SystemClock(), silent, power_cycle=cycle_of(drive))
    reading.run()
    assert sound(store.coverage(), {80})
    drive = drive_with({80})
    store = MemoryStore(drive.identity)
    answer = drive._outcome

    def falling(span: Span) -> Outcome:
        if span.length == 512 and 83 * 512 in span:
            drive.gone = True
        return answer(span)

    drive._outcome = falling  # type: ignore[method-assign]
    reading = DriveReading("1", drive, store, SystemClock(), silent, power_cycle=cycle_of(drive))
    assert reading.run() is Ending.DONE
    assert sound(store.coverage(), {80, 83})


def cycle_of(drive: ScriptedDrive) -> Callable[[str], bool]:
    def cycle(bay: str) -> bool:
        drive.power_cycle()
        return True

    return cycle


def test_a_file_system_looked_at_through_the_drive_asks_for_a_failed_physical_sector_once() -> None:
    drive = drive_with(whole([10]))
    store = MemoryStore(drive.identity)
    reading = DriveReading("1", drive, store, SystemClock(), silent)
    source = ImageSource(store, "1", reading.fetch)
    for at in range(80, 88):
        assert not source.read(Span.at(at * 512, 512)).is_complete
    assert [span for span, _ in drive.log] == [Span.at(10 * 4096, 4096)]
    assert source.read(Span.at(88 * 512, 512)).is_complete
    assert drive.log[-1] == (Span.at(11 * 4096, 4096), Outcome.GIVEN), "what comes along is kept"


def test_an_image_begun_by_sectors_is_gone_on_with(tmp_path: Path) -> None:
    bad = whole(APART) | {8 * 40 + 3}
    drive = drive_with(bad, weak={8 * 700 + 1: 2})
    image = ImageFile.create(tmp_path / "bay-1.img", drive.identity)
    image.begin_run("Dock", "drive")
    read(drive, image, stop=lambda: len(drive.log) > 900, unit_bytes=512)
    image.close()
    image = ImageFile.reopen(tmp_path / "bay-1.img")
    before = image.coverage()
    assert before.unread, "it was not through"
    parts = before.read.widen(4096) - before.read
    assert parts, "and had read parts of physical sectors"
    image.begin_run("Dock", "drive")
    assert read(drive, image)[0] is Ending.DONE
    assert sound(image.coverage(), bad)
    assert image.differences() == ()
    for span in image.coverage().read:
        assert image.take(span) == CONTENT[span.start : span.stop]
    image.close()
    image = ImageFile.reopen(tmp_path / "bay-1.img", writable=False)
    assert sound(image.coverage(), bad), "the record says the same when it is read again"
    image.close()


def test_through_another_adapter_pieces_are_a_new_chance(tmp_path: Path) -> None:
    drive = drive_with({80, 83})
    image = ImageFile.create(tmp_path / "bay-1.img", drive.identity)
    image.begin_run("Dock", "drive")
    read(drive, image)
    assert sound(image.coverage(), {80, 83})
    drive.bad = {80}
    begun = len(drive.log)
    image.begin_run("Dock", "drive")
    read(drive, image)
    assert len(drive.log) == begun, "it had its tries"
    image.begin_run("Port", "drive")
    _, refused = read(drive, image)
    assert sound(image.coverage(), {80})
    assert refused == {4096: TRIES, 512: 1}
    image.close()


@pytest.fixture
def simulated(tmp_path: Path) -> Path:
    (tmp_path / "drive.img").write_bytes(CONTENT)
    plan = tmp_path / "drive.toml"
    ranges = ", ".join(f"[{8 * block}, 8]" for block in APART)
    plan.write_text(
        f'image = "drive.img"\nserial = "S1"\nphysical_bytes = 4096\nrefused = [[9001, 1], {ranges}]\n'
    )
    return plan


def test_the_record_stays_in_sectors(bench: Bench, simulated: Path) -> None:
    result = read_drive(bench, 1, DriveAt("1", f"unsteady:{simulated}", "Dock"))
    assert (result.identity.sector_bytes, result.identity.physical_bytes) == (512, 4096)
    assert result.refused_bytes == 512 * (len(whole(APART)) + 1)
    assert result.unread_bytes == 0
    record = imaging_record(bench, 1, "1")
    assert record.coverage.sector_bytes == 512
    assert [one.span for one in record.lacking] == list(sectors(whole(APART) | {9001}))
    assert {one.condition for one in record.lacking} == {Condition.REFUSED}
    assert all(one.tries >= TRIES for one in record.lacking)
    (another,) = result.worth_trying
    assert another.sectors == len(whole(APART)) + 1
