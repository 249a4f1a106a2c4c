"""A drive that warms up while it is read: warned of, paused, stopped; asked sparingly, never under load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from mendbay.core.coverage import Condition
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.ata_answer import Answer, How, Passed, answer_of
from mendbay.imaging.ata_command import Question
from mendbay.imaging.temperature import ASK_SOONEST_SECONDS, USUAL, HeatLimits
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Event, Said, silent
from mendbay.jobs.heat_guard import LONGEST_PAUSE_SECONDS, DriveThermometer, HeatGuard
from mendbay.jobs.read_drive import DriveAt, read_drive
from support.ata_pages import identity_page, limits_page, sct_page, smart_page
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 20_000


@dataclass
class Time:
    """A clock that is put forward by hand."""

    seconds: float = 1000.0

    def now(self) -> datetime:
        return datetime(2026, 11, 28, tzinfo=UTC)

    def steady_seconds(self) -> float:
        return self.seconds

    def wait(self, seconds: float) -> None:
        self.seconds += seconds


@dataclass
class Degrees:
    """A thermometer that shows one value after the other, the last for ever."""

    values: list[int | None]
    why_silent: str = ""
    limits: HeatLimits = USUAL
    asked_at: list[float] = field(default_factory=list)
    clock: Time = field(default_factory=Time)
    closed: bool = False

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

    return HeatGuard("1", degrees, degrees.clock, tell, stop, degrees.clock.wait), degrees, said


def test_a_cool_drive_is_asked_at_once_and_then_rarely() -> None:
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
    assert degrees.clock.seconds >= 1000 + 3 * ASK_SOONEST_SECONDS
    assert "pauses until it is at 50" in said[0]
    assert "has cooled to 50" in said[1]


def test_too_hot_ends_it_for_good() -> None:
    watch, degrees, said = guard(60, 30)
    assert not watch.may_go_on()
    assert "Cut its power" in said[-1]
    assert watch.is_due()
    assert not watch.may_go_on()
    assert len(degrees.asked_at) == 1


def test_it_ends_where_a_pause_does_not_cool_or_makes_it_worse() -> None:
    watch, degrees, _ = guard(56)
    assert not watch.may_go_on()
    assert degrees.clock.seconds - 1000 >= LONGEST_PAUSE_SECONDS
    assert not guard(56, 58, 61)[0].may_go_on()
    assert not guard(56, None)[0].may_go_on()


def test_a_pause_can_be_stopped_by_hand() -> None:
    watch, degrees, _ = guard(56, stop=lambda: True)
    assert watch.may_go_on()  # the reading itself sees that it is stopped
    assert degrees.clock.seconds == 1000


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

    def keep(self, span: Span, data: memoryview, seconds: float) -> None:
        super().keep(span, data, seconds)
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


def test_a_watch_that_is_always_content_changes_nothing() -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad={11, 5000}, weak={300: 1})
    store = CountingStore(drive.identity)
    watch = Watch(drive, store, good_for=10**9)
    reading = DriveReading("1", drive, store, Time(), silent, heat=watch)  # type: ignore[arg-type]
    assert reading.run() is Ending.DONE
    assert watch.looked > 3
    assert store.coverage().total_bytes(Condition.UNREAD) == 0


class HotDrives(BenchDrives):
    """Image files behind which a drive of 61 degrees tells of itself."""

    def line(self, where: str) -> Line:  # type: ignore[override]
        return Line({Question.IDENTIFY: identity_page(words={206: 1}), Question.SCT_STATUS: sct_page(61)})


def test_a_hot_drive_of_a_case_is_left_alone_and_the_story_says_so(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(2000))
    said: list[Event] = []
    hot = replace(bench, drives=HotDrives(), tell=said.append)
    result = read_drive(hot, 1, DriveAt("1", str(tmp_path / "drive.img")))
    assert result.ending is Ending.TOO_HOT
    assert (result.read_bytes, result.unread_bytes) == (0, 2000 * 512)
    assert any(isinstance(one, Said) and "was at 61 °C" in one.text for one in said)
    assert any("got too hot" in one.text for one in bench.ledger.events(1))
    cooled = read_drive(bench, 1, DriveAt("1", str(tmp_path / "drive.img")))
    assert cooled.is_complete


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
