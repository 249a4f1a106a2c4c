"""The reading loop against a scripted drive in memory."""

from __future__ import annotations

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Condition, Coverage
from mendbay.core.errors import DriveDied, DriveVanished, Interrupted
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.image_source import ImageSource
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Event, Phase, ReadingProgress, silent
from mendbay.jobs.picking import Alone
from mendbay.jobs.reading_account import PROGRESS_REST
from support.clocks_by_hand import Time
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 20_000


def reading(drive: ScriptedDrive, store: MemoryStore, **options: object) -> DriveReading:
    return DriveReading("1", drive, store, SystemClock(), silent, **options)  # type: ignore[arg-type]


def test_what_was_given_is_kept_and_what_was_not_is_known() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={11, 12, 5000}, weak={300: 1, 301: 2})
    store = MemoryStore(drive.identity)
    assert reading(drive, store).run() is Ending.DONE
    coverage = store.coverage()
    assert coverage.refused == SpanSet(Span(s * 512, (s + 1) * 512) for s in (11, 12, 5000))
    assert coverage.total_bytes(Condition.UNREAD) == 0
    for span in coverage.read:
        assert store.data[span.start : span.stop] == drive.data[span.start : span.stop]


def test_a_hang_is_survived_and_its_neighbours_are_read() -> None:
    drive = ScriptedDrive(numbered(SECTORS), hang={700})
    store = MemoryStore(drive.identity)
    assert reading(drive, store).run() is Ending.DONE
    assert store.coverage().refused == SpanSet([Span(700 * 512, 701 * 512)])


def test_a_vanished_drive_is_power_cycled_and_reading_goes_on_without_loss() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_after=4)
    store = MemoryStore(drive.identity)
    cycled: list[str] = []

    def cycle(bay: str) -> bool:
        cycled.append(bay)
        drive.power_cycle()
        return True

    assert reading(drive, store, power_cycle=cycle).run() is Ending.DONE
    assert cycled == ["1"]
    assert bytes(store.data) == drive.data


def test_a_vanished_drive_that_nobody_can_cycle_ends_the_run_with_all_kept() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_after=4)
    store = MemoryStore(drive.identity)
    with pytest.raises(DriveVanished) as caught:
        reading(drive, store).run()
    assert "bay 1" in caught.value.what
    kept = store.coverage().read
    assert kept
    drive.power_cycle()
    assert reading(drive, store).run() is Ending.DONE
    assert bytes(store.data) == drive.data


def test_who_stops_while_a_drive_comes_back_is_not_told_that_it_is_gone() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_after=4)
    store = MemoryStore(drive.identity)
    asked: list[str] = []

    def cycle(bay: str) -> bool:
        asked.append(bay)
        drive.power_cycle()
        return False  # stopped before it was known whether the drive is up

    with pytest.raises(Interrupted, match="Stopped while the drive in bay 1 did not answer"):
        reading(drive, store, power_cycle=cycle, stop=lambda: bool(asked)).run()
    assert asked == ["1"]
    assert store.coverage().read
    assert reading(drive, store).run() is Ending.DONE
    assert bytes(store.data) == drive.data


def test_who_stops_before_a_drive_vanishes_is_not_asked_to_bring_it_back() -> None:
    """A read that was under way when it was stopped may be the one that throws the drive off the bus."""
    drive = ScriptedDrive(numbered(SECTORS), vanish_after=4)
    store = MemoryStore(drive.identity)
    asked: list[str] = []

    def cycle(bay: str) -> bool:
        asked.append(bay)
        return False

    with pytest.raises(Interrupted):
        reading(drive, store, power_cycle=cycle, stop=lambda: drive.gone).run()
    assert asked == []


def test_a_dead_drive_is_recognised_by_asking_for_what_it_gave_before() -> None:
    drive = ScriptedDrive(numbered(SECTORS))
    store = MemoryStore(drive.identity)
    one = reading(drive, store)
    one.fetch(SpanSet([Span(0, 512 * 100)]))
    drive.dead, before = True, len(drive.log)
    with pytest.raises(DriveDied):
        one.run()
    assert store.coverage().read == SpanSet([Span(0, 512 * 100)])
    assert len(drive.log) - before <= 40, "every refusal is wear"


def test_one_place_that_grew_bad_is_not_taken_for_death() -> None:
    drive = ScriptedDrive(numbered(3000), bad=set(range(1000, 1400)))
    store = MemoryStore(drive.identity)
    one = reading(drive, store, assumed=Assumptions(most_tries=1))
    one.fetch(SpanSet([Span(2000 * 512, 2001 * 512)]))
    one.fetch(SpanSet([Span(0, 512)]))
    drive.bad |= {0}
    assert one.run() is Ending.DONE
    assert store.coverage().read.total_bytes == (3000 - 400) * 512, "what it gave once is kept"


def test_a_large_dead_area_is_not_taken_for_death() -> None:
    drive = ScriptedDrive(numbered(3000), bad=set(range(1000, 1300)))
    store = MemoryStore(drive.identity)
    assert reading(drive, store, assumed=Assumptions(most_tries=1)).run() is Ending.DONE
    assert store.coverage().refused == SpanSet([Span(1000 * 512, 1300 * 512)])


def test_stopping_keeps_everything_and_a_second_run_asks_only_for_the_rest() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={9000})
    store = MemoryStore(drive.identity)
    asked = iter(range(1000))
    assert reading(drive, store, stop=lambda: next(asked) >= 5).run() is Ending.STOPPED
    kept = store.coverage().read
    before = len(drive.log)
    assert reading(drive, store).run() is Ending.DONE
    for span, _ in drive.log[before:]:
        assert not kept.overlaps(span)


def test_time_allowed_is_kept_to() -> None:
    drive = ScriptedDrive(numbered(SECTORS))
    store = MemoryStore(drive.identity)
    assert reading(drive, store).run(seconds=0) is Ending.TIME_UP


def test_fetch_can_be_stopped() -> None:
    drive = ScriptedDrive(numbered(SECTORS))
    store = MemoryStore(drive.identity)
    with pytest.raises(Interrupted):
        reading(drive, store, stop=lambda: True).fetch(SpanSet([Span(0, len(drive.data))]))


def test_only_the_wanted_is_read_when_the_rest_is_left() -> None:
    drive = ScriptedDrive(numbered(SECTORS))
    store = MemoryStore(drive.identity)
    wanted = SpanSet([Span(5120, 51200)])
    assert reading(drive, store).run([wanted], rest=False) is Ending.DONE
    assert store.coverage().read == wanted


def test_the_image_reads_through_to_the_drive_once() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={100})
    store = MemoryStore(drive.identity)
    source = ImageSource(store, "1", reading(drive, store).fetch)
    span = Span(99 * 512 + 10, 102 * 512)
    first = source.read(span)
    assert [gap.span for gap in first.gaps] == [Span(100 * 512, 101 * 512)]
    asked = len(drive.log)
    assert source.read(span) == first
    assert len(drive.log) == asked, "neither what was given nor what was refused is asked for again"


def test_reads_are_queued_ahead_only_while_all_is_calm() -> None:
    depths: list[int] = []

    class Watching(ScriptedDrive):
        def answer(self) -> object:  # type: ignore[override]
            depths.append(self.queued)
            return super().answer()

    drive = Watching(numbered(SECTORS), bad={10_000}, largest_read_bytes=64 << 10)
    reading(drive, MemoryStore(drive.identity)).run()
    first_refusal = next(i for i, (_, outcome) in enumerate(drive.log) if outcome == "refused")
    assert max(depths[:first_refusal]) == 3
    assert set(depths[first_refusal + 1 : first_refusal + 60]) == {1}


def test_progress_counts_towards_the_aim() -> None:
    events: list[Event] = []
    drive = ScriptedDrive(numbered(SECTORS), bad={5})
    store = MemoryStore(drive.identity)
    DriveReading("2", drive, store, SystemClock(), events.append).run()
    last = events[-1]
    assert isinstance(last, ReadingProgress)
    assert last.read_bytes + last.refused_bytes == last.aim_bytes == len(drive.data)
    assert last.refused_bytes == 512
    assert last.bay == "2"
    assert last.phase is Phase.WHOLE, "where nothing goes first there is no rest"
    DriveReading("2", drive, store, SystemClock(), events.append).run([SpanSet([Span(0, 512)])])
    assert isinstance(events[-1], ReadingProgress)
    assert events[-1].phase is Phase.REST


def test_a_sector_that_throws_the_drive_off_the_bus_is_left_and_the_rest_is_read() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_at={7000})
    store = MemoryStore(drive.identity)
    cycles: list[str] = []

    def cycle(bay: str) -> bool:
        cycles.append(bay)
        drive.power_cycle()
        return len(cycles) < 50

    assert reading(drive, store, power_cycle=cycle).run() is Ending.DONE
    assert store.coverage().refused == SpanSet([Span(7000 * 512, 7001 * 512)])
    assert store.coverage().read.total_bytes == (SECTORS - 1) * 512


def test_without_power_cycles_every_run_gets_further_past_such_a_sector() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_at={7000})
    store = MemoryStore(drive.identity)
    kept = []
    for _ in range(3):
        with pytest.raises(DriveVanished):
            reading(drive, store).run()
        drive.power_cycle()
        kept.append(store.coverage().read.total_bytes)
    assert kept[0] < kept[1]
    assert kept[-1] > 0.9 * SECTORS * 512


def test_going_on_with_the_last_bad_places_is_not_taken_for_death() -> None:
    bad = set(range(1000, 1400))
    drive = ScriptedDrive(numbered(3000), bad=bad)
    store = MemoryStore(drive.identity)
    assert reading(drive, store, assumed=Assumptions(most_tries=1)).run() is Ending.DONE
    again = ScriptedDrive(numbered(3000), bad=bad)
    assert reading(again, store, assumed=Assumptions(most_tries=2)).run() is Ending.DONE


def test_a_drive_that_never_gives_anything_is_given_up_on() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad=set(range(SECTORS)))
    with pytest.raises(DriveDied, match="never gave any"):
        reading(drive, MemoryStore(drive.identity)).run()
    assert len(drive.log) < 120


def test_a_second_run_knows_where_the_first_one_hung() -> None:
    drive = ScriptedDrive(numbered(SECTORS), hang={5_000})
    store = MemoryStore(drive.identity)
    most = 1
    one = reading(drive, store, stop=lambda: len(drive.log) >= most)
    place = SpanSet([Span(4_900 * 512, 5_100 * 512)])
    assert one.run([place], rest=False) is Ending.STOPPED
    assert [(span, outcome) for span, outcome in drive.log] == [(next(iter(place)), Outcome.HUNG)]
    most = 10**9
    assert one.run([place]) is Ending.DONE
    there = place.widen(2_048 * 512)
    elsewhere = [not there.overlaps(span) for span, _ in drive.log[1:]]
    asked_there = next(at for at, (span, _) in enumerate(drive.log[1:]) if place.overlaps(span))
    assert not any(elsewhere[asked_there:]), "all that is not beside it comes first, also in the next run"
    assert store.coverage().refused == SpanSet([Span(5_000 * 512, 5_001 * 512)])


def test_once_everything_was_asked_for_the_tries_that_are_left_are_told() -> None:
    clock = Time()
    drive = TimedDrive(clock, 2.0, bad={11, 12, 5000})
    store = MemoryStore(drive.identity)
    told: list[ReadingProgress] = []

    def tell(event: Event) -> None:
        if isinstance(event, ReadingProgress):
            told.append(event)

    assert DriveReading("1", drive, store, clock, tell).run() is Ending.DONE
    retrying = [one for one in told if one.tries_left]
    assert retrying
    assert all(one.read_bytes + one.refused_bytes == one.aim_bytes for one in retrying)
    assert retrying[0].retrying_sectors <= 3
    assert retrying[0].tries_left > retrying[-1].tries_left > 0
    assert all(one.seconds_left for one in retrying), "never nothing while something is to be done"
    assert told[-1].tries_left == 0
    assert not told[-1].seconds_left


class TimedDrive(ScriptedDrive):
    """Every answer takes so many seconds."""

    def __init__(self, clock: Time, seconds: float, bad: set[int], largest_read_bytes: int = 1 << 20) -> None:
        super().__init__(numbered(SECTORS), bad, largest_read_bytes=largest_read_bytes)
        self._clock, self._seconds = clock, seconds

    def answer(self) -> Attempt:
        self._clock.wait(self._seconds)
        return super().answer()


@pytest.mark.parametrize(
    ("coverage_seconds", "left_seconds"), [(1.0, 0.0), (0.0, 1.0), (0.003, 0.0), (0.0, 0.0)]
)
def test_telling_how_far_a_reading_is_takes_a_small_part_of_it_however_long_each_account_takes(
    coverage_seconds: float, left_seconds: float
) -> None:
    clock = Time()
    drive = TimedDrive(clock, 0.05, set(), largest_read_bytes=4096)
    spent: list[float] = []

    def take(seconds: float) -> None:
        clock.wait(seconds)
        spent.append(seconds)

    class Store(MemoryStore):
        def coverage(self) -> Coverage:
            take(coverage_seconds)
            return super().coverage()

    class Picker(Alone):
        def left(self) -> SpanSet:
            take(left_seconds)
            return super().left()

    store, told = Store(drive.identity), list[Event]()
    reading = DriveReading("1", drive, store, clock, told.append)  # type: ignore[arg-type]
    reading.picker = Picker(reading.planner)
    spent.clear()
    begun = clock.seconds
    assert reading.run() is Ending.DONE
    account = coverage_seconds + left_seconds
    assert sum(spent) <= (clock.seconds - begun) / PROGRESS_REST + 2 * account, "but for the first and last"
    assert len(told) > (2 if account >= 1 else 500), "and still it is told, often where that costs little"


def test_what_befell_the_drive_is_kept_for_the_story() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_after=4)
    store = MemoryStore(drive.identity)
    turns: list[str] = []

    def cycle(bay: str) -> bool:
        turns.append(bay)
        if len(turns) == 2:
            drive.power_cycle()
        return True

    one = reading(drive, store, power_cycle=cycle)
    assert one.run() is Ending.DONE
    assert [found.text for found in one.happenings] == [
        "The drive in bay 1 no longer answered.",
        "The power of the drive in bay 1 was cut and restored.",
        "The drive in bay 1 still did not answer.",
        "The power of the drive in bay 1 was cut and restored.",
        "The drive in bay 1 was back; reading went on.",
    ]
    assert [found.is_power for found in one.happenings] == [False, True, False, True, False]
