"""A drive that warms up while it is read: warned of, paused, stopped; asked sparingly, never under load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.coverage import Condition
from mendbay.core.errors import Interrupted, SourceError
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.ata_answer import Answer, How, Passed, answer_of
from mendbay.imaging.ata_command import Question
from mendbay.imaging.attempt import Attempt
from mendbay.imaging.hazard import Condition as DriveCondition
from mendbay.imaging.temperature import ASK_SOONEST_SECONDS, USUAL, HeatLimits
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Event, Said, silent
from mendbay.jobs.heat_guard import (
    FRESH_SECONDS,
    LONGEST_PAUSE_SECONDS,
    SECOND_LOOK_SECONDS,
    DriveThermometer,
    HeatGuard,
)
from mendbay.jobs.read_drive import DriveAt, read_drive
from support.ata_pages import identity_page, limits_page, sct_page, smart_page
from support.clocks_by_hand import Quick, Time
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 20_000


@dataclass
class Degrees:
    """A thermometer that shows one value after the other, the last for ever."""

    values: list[int | None]
    why_silent: str = ""
    limits: HeatLimits = USUAL
    asked_at: list[float] = field(default_factory=list)
    clock: Time = field(default_factory=Time)
    closed: bool = False
    begun_anew: int = 0

    def begin_anew(self) -> None:
        self.begun_anew += 1
        self.why_silent = ""

    def celsius(self) -> int | None:
        self.asked_at.append(self.clock.seconds)
        return self.values.pop(0) if len(self.values) > 1 else self.values[0]

    def close(self) -> None:
        self.closed = True


def guard(
    *values: int | None, stop: Callable[[], bool] = lambda: False, **changes: str
) -> tuple[HeatGuard, Degrees, list[str]]:
    degrees, said = Degrees(list(values), **changes), []  # type: ignore[arg-type]

    def tell(event: Event) -> None:
        assert isinstance(event, Said)
        said.append(event.text)

    made = HeatGuard("1", degrees, degrees.clock, tell, stop, degrees.clock.wait)
    degrees.clock.seconds += ASK_SOONEST_SECONDS
    return made, degrees, said


def test_nothing_is_asked_before_the_drive_was_read_for_a_while() -> None:
    degrees = Degrees([35])
    watch = HeatGuard("1", degrees, degrees.clock, silent, lambda: False, degrees.clock.wait)
    assert not watch.is_due()
    degrees.clock.seconds += ASK_SOONEST_SECONDS - 1
    assert not watch.is_due()
    assert degrees.asked_at == []
    degrees.clock.seconds += 1
    assert watch.is_due()


def test_a_cool_drive_is_asked_rarely() -> None:
    watch, degrees, said = guard(35)
    assert watch.is_due()
    assert watch.may_go_on()
    for _ in range(3600):
        degrees.clock.seconds += 1
        if watch.is_due():
            assert watch.may_go_on()
    gaps = [b - a for a, b in zip(degrees.asked_at, degrees.asked_at[1:], strict=False)]
    assert min(gaps) >= ASK_SOONEST_SECONDS
    assert len(degrees.asked_at) <= 14
    assert said == []


def test_a_warm_drive_is_warned_of_once() -> None:
    watch, degrees, said = guard(51, 52, 51)
    for _ in range(3):
        assert watch.may_go_on()
        degrees.clock.seconds += ASK_SOONEST_SECONDS
    assert said == ["The drive in bay 1 is at 51 °C. Put a fan on it."]


def test_a_hot_drive_waits_until_it_has_cooled_well_below() -> None:
    watch, degrees, said = guard(56, 54, 51, 50)
    assert watch.may_go_on()
    assert len(degrees.asked_at) == 4
    assert degrees.clock.seconds >= 1000 + 4 * ASK_SOONEST_SECONDS
    assert "pauses until it is at 50" in said[0]
    assert "has cooled to 50" in said[1]


def test_too_hot_ends_it_for_good() -> None:
    watch, degrees, said = guard(60, 60, 30)
    assert not watch.may_go_on()
    assert "Cut its power" in said[-1]
    assert watch.is_due()
    assert not watch.may_go_on()
    assert len(degrees.asked_at) == 2


def test_one_reading_alone_ends_nothing() -> None:
    watch, degrees, said = guard(90, 31)
    assert watch.may_go_on()
    assert degrees.asked_at[1] - degrees.asked_at[0] >= SECOND_LOOK_SECONDS
    assert said == []
    watch, degrees, said = guard(56, 90, 50)
    assert watch.may_go_on()
    assert "has cooled to 50" in said[1]
    watch, degrees, said = guard(90, None, 48)
    assert watch.may_go_on()
    assert "Reading pauses" in said[0], "where the second says nothing, it is left to cool"


def test_it_ends_where_a_pause_does_not_cool_or_makes_it_worse() -> None:
    watch, degrees, _ = guard(56)
    assert not watch.may_go_on()
    assert degrees.clock.seconds - 1000 >= ASK_SOONEST_SECONDS + LONGEST_PAUSE_SECONDS
    assert not guard(56, 58, 61)[0].may_go_on()


def test_a_hot_drive_that_falls_silent_is_not_called_too_hot() -> None:
    watch, _, said = guard(56, None)
    assert not watch.may_go_on()
    assert watch.fell_silent
    assert len(said) == 2
    assert "was at 56 °C and no longer tells how warm it is. Reading ends here" in said[1]
    assert not guard(60)[0].fell_silent


def test_a_drive_that_stays_hot_is_told_as_such_once() -> None:
    watch, _, said = guard(56)
    assert not watch.may_go_on()
    assert not watch.fell_silent
    assert [one for one in said if "Reading ends" in one] == said[1:]
    assert "is still at 56 °C after 30\u2009min" in said[1]


def test_a_watch_that_ends_says_so_once() -> None:
    watch, degrees, said = guard(40, None)
    for _ in range(5000):
        degrees.clock.seconds += 1
        if watch.is_due():
            assert watch.may_go_on()
    assert said == [
        "The drive in bay 1 no longer tells how warm it is: its answers hold no temperature. Feel it now and "
        "then, keep a fan on it."
    ]


def test_a_reading_is_told_while_it_is_fresh() -> None:
    watch, degrees, _ = guard(35, 41, None)
    assert watch.celsius is None
    assert watch.may_go_on()
    assert watch.celsius == 35
    degrees.clock.seconds += FRESH_SECONDS
    assert watch.celsius == 35
    degrees.clock.seconds += 1
    assert watch.celsius is None
    assert watch.may_go_on()
    assert watch.celsius == 41
    degrees.clock.seconds += ASK_SOONEST_SECONDS
    assert watch.may_go_on()
    assert watch.celsius is None, "it no longer knows"
    degrees.values = [42]
    assert watch.may_go_on()
    watch.begin_anew()
    assert watch.celsius is None, "a drive that was gone may have cooled"


def test_a_hang_while_it_is_watched_is_said() -> None:
    watch, degrees, said = guard(40, None)
    assert watch.may_go_on()
    degrees.why_silent = "no answer in time"
    degrees.clock.seconds += 1000
    assert watch.may_go_on()
    assert said[0].startswith("The drive in bay 1 no longer tells how warm it is: no answer in time.")
    assert not watch.is_due()


def test_a_drive_that_was_gone_is_asked_anew() -> None:
    watch, degrees, _ = guard(None, why_silent="no answer in time")
    degrees.clock.seconds += 1000
    assert watch.may_go_on()
    assert not watch.is_due()
    degrees.values = [44]
    watch.begin_anew()
    assert not watch.is_due(), "it is read first"
    degrees.clock.seconds += ASK_SOONEST_SECONDS
    assert watch.is_due()
    assert watch.may_go_on()
    assert degrees.asked_at[-1] == degrees.clock.seconds
    assert watch.is_due() is False


def test_a_pause_can_be_stopped_by_hand() -> None:
    watch, degrees, _ = guard(56, stop=lambda: True)
    assert watch.may_go_on()  # the reading itself sees that it is stopped
    assert degrees.clock.seconds == 1000 + ASK_SOONEST_SECONDS


def test_a_drive_that_never_tells_is_let_be_and_that_is_said() -> None:
    watch, degrees, said = guard(None, why_silent="nothing is passed on")
    assert watch.may_go_on()
    degrees.clock.seconds += 1e6
    assert not watch.is_due()
    assert said[0].startswith("The drive in bay 1 does not tell how warm it is: nothing is passed on.")


# ---------------------------------------------------------------------- in the reading


@dataclass
class Watch:
    """Due before every step; says no after some."""

    drive: ScriptedDrive
    store: MemoryStore
    good_for: int
    looked: int = 0
    fell_silent: bool = False
    begun_anew: int = 0
    celsius: int | None = None

    def begin_anew(self) -> None:
        self.begun_anew += 1

    def is_due(self) -> bool:
        return True

    def may_go_on(self) -> bool:
        assert self.drive.queued == 0
        assert self.store.dirty is False
        self.looked += 1
        return self.looked <= self.good_for

    def close(self) -> None:
        """Nothing is open."""


class CountingStore(MemoryStore):
    """Knows whether all it was given is durable."""

    dirty = False

    def __init__(self, identity: Identity) -> None:
        super().__init__(identity)
        self.warmth: list[float | None] = []

    def note(self, attempt: Attempt) -> None:
        super().note(attempt)
        self.warmth.append(attempt.celsius)

    def keep(self, span: Span, data: memoryview, seconds: float, celsius: float | None = None) -> None:
        super().keep(span, data, seconds, celsius)
        self.warmth.append(celsius)
        self.dirty = True

    def commit(self) -> None:
        super().commit()
        self.dirty = False


def test_reading_ends_durably_and_goes_on_later_without_loss() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={11})
    store = CountingStore(drive.identity)
    watch = Watch(drive, store, good_for=2)
    reading = DriveReading("1", drive, store, Time(), silent, heat=watch)  # type: ignore[arg-type]
    assert reading.run() is Ending.TOO_HOT
    assert not store.dirty
    left = store.coverage().total_bytes(Condition.UNREAD)
    assert 0 < left < SECTORS * 512
    before = len(drive.log)
    reading.fetch(SpanSet([Span(0, 512 * SECTORS)]))
    assert len(drive.log) == before, "a drive that got too hot is left alone"
    assert DriveReading("1", drive, store, Time(), silent).run() is Ending.DONE
    assert store.coverage().refused == SpanSet([Span(11 * 512, 12 * 512)])
    for span in store.coverage().read:
        assert store.data[span.start : span.stop] == drive.data[span.start : span.stop]


@dataclass
class Sudden(Watch):
    """Due once the drive has answered so many reads, and says no then; `asked_after` is when it was asked."""

    asked_after: list[int] = field(default_factory=list)

    def is_due(self) -> bool:
        return len(self.drive.log) >= self.good_for

    def may_go_on(self) -> bool:
        self.asked_after.append(len(self.drive.log))
        return False


def test_heat_in_the_middle_of_a_fetch_is_acted_on_within_the_reads_under_way() -> None:
    for good_for in (1, 2, 5, 7):
        drive = ScriptedDrive(numbered(SECTORS), bad={11, 700}, largest_read_bytes=64 << 10)
        watch = Sudden(drive, MemoryStore(drive.identity), good_for)  # type: ignore[arg-type]
        reading = DriveReading("1", drive, watch.store, Time(), silent, heat=watch)  # type: ignore[arg-type]
        reading.fetch(SpanSet([Span(0, 512 * SECTORS)]))
        assert watch.asked_after[0] - good_for < drive.depth, "what was queued comes in first"
        assert len(drive.log) == watch.asked_after[0], "and nothing after it"
        assert reading.left_alone is Ending.TOO_HOT
        reading.fetch(SpanSet([Span(0, 512 * SECTORS)]))
        assert reading.run() is Ending.TOO_HOT
        assert len(drive.log) == watch.asked_after[0]
        assert len(watch.asked_after) == 1, "it is not asked again"


def test_a_stop_in_a_pause_of_a_fetch_costs_no_read_more() -> None:
    drive = ScriptedDrive(numbered(SECTORS), largest_read_bytes=64 << 10)
    stopped: list[bool] = []

    class Pausing(Watch):
        def may_go_on(self) -> bool:
            stopped.append(True)
            return True

    store = CountingStore(drive.identity)
    watch = Pausing(drive, store, good_for=0)
    reading = DriveReading(
        "1",
        drive,
        store,
        Time(),
        silent,
        stop=lambda: bool(stopped),
        heat=watch,  # type: ignore[arg-type]
    )
    with pytest.raises(Interrupted):
        reading.fetch(SpanSet([Span(0, 512 * SECTORS)]))
    assert drive.log == []


def test_a_watch_that_is_always_content_changes_nothing() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={11, 5000}, weak={300: 1})
    store = CountingStore(drive.identity)
    watch = Watch(drive, store, good_for=10**9)
    reading = DriveReading("1", drive, store, Time(), silent, heat=watch)  # type: ignore[arg-type]
    assert reading.run() is Ending.DONE
    assert watch.looked > 3
    assert store.coverage().total_bytes(Condition.UNREAD) == 0


def test_the_watch_is_told_that_a_drive_is_back_and_why_it_ended_is_told_apart() -> None:
    drive = ScriptedDrive(numbered(SECTORS), vanish_after=3)
    store = CountingStore(drive.identity)
    watch = Watch(drive, store, good_for=20, fell_silent=True)

    def power_cycle(bay: str) -> bool:
        drive.gone = False
        return True

    reading = DriveReading("1", drive, store, Time(), silent, None, power_cycle, heat=watch)  # type: ignore[arg-type]
    assert reading.run() in (Ending.HEAT_UNKNOWN, Ending.DONE)
    assert watch.begun_anew == 1
    watch.looked = 10**6
    assert DriveReading("1", drive, store, Time(), silent, heat=watch).run() is Ending.HEAT_UNKNOWN  # type: ignore[arg-type]


def test_what_is_given_and_refused_is_noted_with_the_temperature_told_lately() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={11})
    store = CountingStore(drive.identity)
    watch = Watch(drive, store, good_for=10**9, celsius=47)
    DriveReading("1", drive, store, Time(), silent, heat=watch).run()  # type: ignore[arg-type]
    assert len(store.warmth) == len(drive.log)
    assert set(store.warmth) == {47.0}
    unknown = CountingStore(drive.identity)
    watch = Watch(drive, unknown, good_for=10**9)
    DriveReading("1", drive, unknown, Time(), silent, heat=watch).run()  # type: ignore[arg-type]
    assert set(unknown.warmth) == {None}


class Partition(BenchDrives):
    """Image files of which the bench says that they are partitions of a drive that nobody knows."""

    def drive_behind(self, where: str) -> str:
        raise SourceError(f"{where} is a partition", "Name the drive itself")


def test_a_drive_that_is_not_watched_is_told(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(2000))
    said: list[Event] = []
    apart = replace(bench, drives=Partition(), tell=said.append)
    assert read_drive(apart, 1, DriveAt("1", str(tmp_path / "drive.img"))).is_complete
    words = [one.text for one in said if isinstance(one, Said) and "not watched" in one.text]
    assert len(words) == 1
    assert words[0].endswith("drive.img is a partition.")


class OnAHotDrive(BenchDrives):
    """Image files of which the bench says that they are partitions of a drive of 61 degrees."""

    def drive_behind(self, where: str) -> str:
        return f"the drive of {where}"

    def line(self, where: str) -> Line:  # type: ignore[override]
        assert where.startswith("the drive of "), "a partition says nothing of itself"
        return Line({Question.IDENTIFY: identity_page(words={206: 1}), Question.SCT_STATUS: sct_page(61)})


def test_a_partition_is_watched_through_the_drive_it_lies_on(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(200_000))
    apart = replace(bench, drives=OnAHotDrive(), clock=Quick())
    assert read_drive(apart, 1, DriveAt("1", str(tmp_path / "drive.img"))).ending is Ending.TOO_HOT


@dataclass
class HotDrives(BenchDrives):
    """Image files behind which a drive of 61 degrees tells of itself."""

    lines: list[Line] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def line(self, where: str) -> Line:  # type: ignore[override]
        pages = {Question.IDENTIFY: identity_page(words={206: 1}), Question.SCT_STATUS: sct_page(61)}
        self.lines.append(Line(pages))
        return self.lines[-1]


def test_a_hot_drive_of_a_case_is_left_alone_and_the_story_says_so(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(200_000))
    said: list[Event] = []
    hot = replace(bench, drives=HotDrives(), tell=said.append, clock=Quick())
    result = read_drive(hot, 1, DriveAt("1", str(tmp_path / "drive.img")))
    assert result.ending is Ending.TOO_HOT
    assert 0 < result.read_bytes < 200_000 * 512, "it was read before it was asked"
    assert any(isinstance(one, Said) and "was at 61 °C" in one.text for one in said)
    assert any("got too hot" in one.text for one in bench.ledger.events(1))
    cooled = read_drive(bench, 1, DriveAt("1", str(tmp_path / "drive.img")))
    assert cooled.is_complete


@pytest.mark.parametrize("quietly", [{"ask": False}, {"condition": DriveCondition.CLICKS}])
def test_a_drive_can_be_read_without_a_question_to_it(
    bench: Bench, tmp_path: Path, quietly: dict[str, Any]
) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(200_000))
    said: list[Event] = []
    drives = HotDrives()
    hot = replace(bench, drives=drives, tell=said.append, clock=Quick())
    assert read_drive(hot, 1, DriveAt("1", str(tmp_path / "drive.img"), **quietly)).is_complete
    assert [one.asked for one in drives.lines] == [[]]
    words = [one.text for one in said if isinstance(one, Said) and "not watched" in one.text]
    assert len(words) == 1


# ---------------------------------------------------------------------- the thermometer


@dataclass
class Line:
    pages: dict[Question, bytes]
    how: dict[Question, Passed] = field(default_factory=dict)
    asked: list[Question] = field(default_factory=list)
    is_present: bool = True

    def ask(self, question: Question) -> Answer:
        self.asked.append(question)
        if question in self.pages:
            return answer_of(question, Passed(data=self.pages[question]))
        return answer_of(question, self.how.get(question, Passed(error=25)))

    def close(self) -> None:
        """Nothing is open."""


def test_one_page_a_time_after_the_first() -> None:
    line = Line(
        {
            Question.IDENTIFY: identity_page(words={206: 1}),
            Question.TEMPERATURE_STATISTICS: limits_page(70),
            Question.SCT_STATUS: sct_page(44),
        }
    )
    thermometer = DriveThermometer(line)
    assert thermometer.celsius() == 44
    assert thermometer.limits.stop == 70
    assert thermometer.celsius() == 44
    assert line.asked[3:] == [Question.SCT_STATUS]


def test_without_sct_the_counters_tell() -> None:
    line = Line({Question.IDENTIFY: identity_page(), Question.HEALTH: smart_page({194: 0x310010_0027})})
    thermometer = DriveThermometer(line)
    assert (thermometer.celsius(), thermometer.limits) == (39, USUAL)


def test_what_passes_nothing_or_hangs_is_not_asked_again() -> None:
    silent_line = Line({})
    thermometer = DriveThermometer(silent_line)
    assert thermometer.celsius() is None
    assert "passes no ATA commands" in thermometer.why_silent
    assert thermometer.celsius() is None
    assert silent_line.asked == [Question.IDENTIFY]
    hanging = Line({Question.IDENTIFY: identity_page(words={206: 1})}, {Question.SCT_STATUS: Passed(host=3)})
    thermometer = DriveThermometer(hanging)
    assert thermometer.celsius() is None
    assert thermometer.why_silent == "no answer in time"


def test_how_a_line_says_that_a_page_is_refused_is_no_reason_to_give_up() -> None:
    line = Line({Question.IDENTIFY: identity_page(), Question.HEALTH: smart_page({5: 1})})
    thermometer = DriveThermometer(line)
    assert thermometer.celsius() is None
    assert thermometer.why_silent == ""
    assert answer_of(Question.HEALTH, Passed(error=5)).how is How.REFUSED


def told(*values: int) -> list[int | None]:
    """What a thermometer makes of a drive whose SCT status shows these values one after the other."""
    line = Line({Question.IDENTIFY: identity_page(words={206: 1})})
    thermometer = DriveThermometer(line)
    found = []
    for value in values:
        line.pages[Question.SCT_STATUS] = sct_page(value)
        found.append(thermometer.celsius())
    return found


def test_what_cannot_be_true_is_not_believed() -> None:
    assert told(127, 101, -41, -128, 100, -40) == [None, None, None, None, 100, -40]


def test_a_drive_that_says_nothing_but_0_does_not_measure() -> None:
    assert told(0, 0, 0) == [None, None, None]
    assert told(0, 2, 0) == [None, 2, 0]


def test_a_thermometer_begun_anew_has_a_new_line_and_asks_who_it_is_again() -> None:
    hanging = Line({Question.IDENTIFY: identity_page(words={206: 1})}, {Question.SCT_STATUS: Passed(host=3)})
    fresh = Line({Question.IDENTIFY: identity_page(words={206: 1}), Question.SCT_STATUS: sct_page(33)})
    thermometer = DriveThermometer(hanging, lambda: fresh)
    assert thermometer.celsius() is None
    thermometer.begin_anew()
    assert thermometer.celsius() == 33
    assert fresh.asked[0] is Question.IDENTIFY

    def gone() -> Line:
        raise SourceError("it does not exist", "look for it")

    lost = DriveThermometer(fresh, gone)
    lost.begin_anew()
    assert (lost.celsius(), lost.why_silent) == (None, "it does not exist")
