"""A reading that a person watches: rests, a cut of power that is asked for, and what is told on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from mendbay.core.errors import DriveVanished, Interrupted, SourceChanged
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.hazard import HAZARDS, Condition
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Event, Phase, ReadingProgress, Resting, Said, Worth, silent
from support.clocks_by_hand import Time
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 8_000
SIZE = SECTORS * 512


class Clocked(ScriptedDrive):
    """A drive whose reads take the time that it says they take."""

    def __init__(self, clock: Time, sectors: int, **damage: object) -> None:
        super().__init__(numbered(sectors), largest_read_bytes=1 << 14, **damage)  # type: ignore[arg-type]
        self._clock = clock

    def answer(self) -> Attempt:
        found = super().answer()
        self._clock.wait(found.seconds)
        return found


class Watched:
    """A drive being read, and the hand of the person who watches it: `rest_at` the read before which a rest
    begins, `rest_looks` how often it is looked until it ends."""

    def __init__(
        self, rest_at: int = -1, rest_looks: int = 5, sectors: int = SECTORS, **damage: object
    ) -> None:
        self.clock = Time()
        self.drive = Clocked(self.clock, sectors, **damage)
        self.store = MemoryStore(self.drive.identity)
        self.told: list[Event] = []
        self.rest_at = rest_at
        self.looks_left = rest_looks
        self.resting = False
        self.asked_at: list[int] = []

    def hold(self) -> bool:
        if not self.resting or len(self.drive.log) < self.rest_at:
            return 0 <= self.rest_at <= len(self.drive.log) and self.looks_left > 0
        self.looks_left -= 1
        return self.looks_left > 0

    def wait(self, seconds: float) -> None:
        self.asked_at.append(len(self.drive.log))
        assert self.drive.queued == 0, "nothing is under way"
        self.clock.wait(seconds)

    def tell(self, event: Event) -> None:
        self.told.append(event)
        if isinstance(event, Resting):
            self.resting = event.is_resting

    def reading(self, **options: object) -> DriveReading:
        given = {"hold": self.hold, "wait": self.wait} | options
        return DriveReading("1", self.drive, self.store, self.clock, self.tell, **given)  # type: ignore[arg-type]

    @property
    def accounts(self) -> list[ReadingProgress]:
        return [one for one in self.told if isinstance(one, ReadingProgress)]


# ---------------------------------------------------------------------- rests


def test_nothing_is_asked_while_a_drive_rests_and_all_is_durable() -> None:
    one = Watched(rest_at=100, bad={7000})  # when reads are queued ahead
    committed: list[int] = []
    kept = one.store.commit

    def commit() -> None:
        kept()
        committed.append(len(one.drive.log))

    one.store.commit = commit  # type: ignore[method-assign]
    assert one.reading().run() is Ending.DONE
    assert len(one.asked_at) >= 3
    assert len(set(one.asked_at)) == 1, "not one read meanwhile"
    assert one.asked_at[0] in committed, "a whole commit, after the last answer"
    rests = [event for event in one.told if isinstance(event, Resting)]
    assert rests == [Resting("1", is_resting=True), Resting("1", is_resting=False)]
    assert one.store.coverage().refused == SpanSet([Span(7000 * 512, 7001 * 512)])


@pytest.mark.parametrize(
    "damage", [{"bad": {2600, 2601}}, {"weak": {40: 1}, "hang": {1900}}], ids=["bad", "weak and hanging"]
)
def test_whenever_a_drive_rests_the_image_is_the_same(damage: dict[str, object]) -> None:
    plain = Watched(sectors=2700, **damage)
    assert plain.reading().run() is Ending.DONE
    reads = len(plain.drive.log)
    for at in range(reads):
        one = Watched(rest_at=at, rest_looks=2, sectors=2700, **damage)
        assert one.reading().run() is Ending.DONE
        assert one.store.data == plain.store.data, at
        assert one.store.coverage().refused == plain.store.coverage().refused


def test_a_drive_also_rests_while_ranges_are_fetched() -> None:
    one = Watched(rest_at=2)
    one.reading().fetch(SpanSet([Span(0, 20 << 16)]).clip(Span(0, SIZE)))
    assert len(set(one.asked_at)) == 1
    assert one.store.given.total_bytes == min(20 << 16, SIZE)


@pytest.mark.parametrize("fetching", [False, True])
def test_who_stops_a_drive_at_rest_is_not_kept_waiting(fetching: bool) -> None:
    one = Watched(rest_at=3, rest_looks=10**9)
    reading = one.reading(stop=lambda: len(one.asked_at) >= 4)
    if fetching:
        with pytest.raises(Interrupted):
            reading.fetch(SpanSet([Span(0, SIZE)]))
    else:
        assert reading.run() is Ending.STOPPED
    assert len(one.drive.log) == one.asked_at[0]


def test_who_wants_something_else_first_ends_a_rest() -> None:
    one = Watched(rest_at=3, rest_looks=10**9)
    assert one.reading().run(pause=lambda: len(one.asked_at) >= 4) is Ending.PAUSED


def test_a_rest_is_no_time_of_reading() -> None:
    looks = 50_000
    one, plain = Watched(rest_at=30, rest_looks=looks), Watched()
    plain.reading().run()
    longest = plain.clock.seconds - 1000 + 60
    reading = one.reading()
    assert reading.run(seconds=longest) is Ending.DONE, "the rest took far longer"
    assert reading.rested_seconds == pytest.approx(0.2 * looks, rel=0.01)
    rates = [event.bytes_per_second for event in one.accounts if event.read_bytes > 1 << 18]
    assert min(rates) > 1e6, "nor does it lower the rate"
    ends = [event.seconds_left_high for event in one.accounts if event.seconds_left_high is not None]
    assert all(end < 600 for end in ends)


class Cool:
    """A heat watch that is always due."""

    fell_silent = False
    celsius = 41

    def __init__(self, one: Watched) -> None:
        self._one = one
        self.asked_while_resting: list[bool] = []

    def is_due(self) -> bool:
        return True

    def may_go_on(self) -> bool:
        self.asked_while_resting.append(self._one.resting)
        return True

    def begin_anew(self) -> None: ...

    def close(self) -> None: ...


def test_a_drive_at_rest_is_not_asked_how_warm_it_is_but_before_it_is_read_on() -> None:
    one = Watched(rest_at=3)
    heat = Cool(one)
    assert one.reading(heat=heat).run() is Ending.DONE
    assert heat.asked_while_resting
    assert not any(heat.asked_while_resting)
    after = one.told.index(Resting("1", is_resting=False))
    assert {event.celsius for event in one.told[after:] if isinstance(event, ReadingProgress)} == {41}


def test_a_drive_that_clicks_by_now_is_not_asked_how_warm_it_is() -> None:
    one = Watched()
    heat = Cool(one)
    reading = one.reading(heat=heat)
    reading.assume(Condition.CLICKS)
    assert not reading.watches_heat
    assert reading.run() is Ending.DONE
    assert not heat.asked_while_resting
    reading.assume(Condition.REFUSES)
    assert reading.watches_heat


# ---------------------------------------------------------------------- power


def once(at: int, drive: ScriptedDrive) -> Callable[[str], bool]:
    """A person who asks for a cut of power after so many reads."""
    left = [True]

    def asked(bay: str) -> bool:
        wants = left[0] and len(drive.log) >= at
        if wants:
            left.clear()
            left.append(False)
        return wants

    return asked


def test_a_person_has_the_power_of_a_drive_cut_that_is_there() -> None:
    one = Watched(bad={700})
    at: list[int] = []

    def cycle(bay: str) -> bool:
        at.append(len(one.drive.log))
        assert one.drive.queued == 0
        return True

    reading = one.reading(power_cycle=cycle, power_asked=once(4, one.drive))
    assert reading.run() is Ending.DONE
    assert len(at) == 1, "once for each time it is asked for"
    assert [found.is_power for found in reading.happenings] == [True, False]
    assert reading.happenings[0].was_asked
    assert one.store.coverage().refused == SpanSet([Span(700 * 512, 701 * 512)])
    assert not any("no longer answers" in event.text for event in one.told if isinstance(event, Said))


def test_who_declines_after_all_has_the_drive_read_on_as_if_it_never_left() -> None:
    one = Watched()
    reading = one.reading(power_cycle=lambda bay: False, power_asked=once(4, one.drive))
    assert reading.run() is Ending.DONE
    assert bytes(one.store.data) == one.drive.data
    assert reading.happenings == []


def test_a_drive_that_does_not_come_back_from_that_is_gone() -> None:
    one = Watched()
    turns: list[str] = []

    def cycle(bay: str) -> bool:
        turns.append(bay)
        one.drive.gone = True
        return len(turns) < 2

    with pytest.raises(DriveVanished):
        one.reading(power_cycle=cycle, power_asked=once(4, one.drive)).run()


def test_another_drive_that_comes_back_from_that_is_refused() -> None:
    one = Watched(serial="")

    def cycle(bay: str) -> bool:
        one.drive.data = bytes(len(one.drive.data))
        return True

    before = one.store
    with pytest.raises(SourceChanged):
        one.reading(power_cycle=cycle, power_asked=once(4, one.drive)).run()
    for span in before.given:
        assert before.data[span.start : span.stop] == numbered(SECTORS)[span.start : span.stop]


def test_a_drive_that_vanishes_as_its_power_is_to_be_cut_has_it_cut_once() -> None:
    one = Watched(vanish_after=99)
    turns: list[str] = []

    def cycle(bay: str) -> bool:
        turns.append(bay)
        one.drive.power_cycle()
        return True

    reading = one.reading(power_cycle=cycle, power_asked=once(98, one.drive))
    assert reading.run() is Ending.DONE
    assert turns == ["1"]
    assert bytes(one.store.data) == one.drive.data


# ---------------------------------------------------------------------- what is told


def test_why_a_range_is_asked_for_is_told_before_the_answer() -> None:
    one = Watched(bad={5000, 5001}, weak={6000: 2})
    wanted = SpanSet([Span(5_900 * 512, 6_100 * 512)])
    seen: list[int] = []

    def tell(event: Event) -> None:
        one.told.append(event)
        if isinstance(event, ReadingProgress) and event.why is not None:
            seen.append(len(one.drive.log))
            assert event.now == event.why.span
            assert all(span != event.now or outcome is not Outcome.GIVEN for span, outcome in one.drive.log)

    one.tell = tell  # type: ignore[method-assign]
    assert one.reading().run([wanted]) is Ending.DONE
    told = [event.why for event in one.accounts if event.why is not None]
    assert {Worth.WANTED, Worth.REST, Worth.AGAIN} <= {why.worth for why in told}
    assert all(0 < why.chance <= 1 and why.seconds > 0 for why in told)
    wear = HAZARDS[Condition.REFUSES].refusal_wear_seconds
    assert all(why.loss_seconds == pytest.approx(3.0 + wear, rel=0.2) for why in told)
    assert all((why.tries > 0) == (why.worth is Worth.AGAIN) for why in told)
    last = one.accounts[-1]
    assert last.why is None
    assert (last.wanted_bytes, last.wanted_read_bytes) == (200 * 512, 200 * 512)
    assert last.refused_reads == sum(outcome is Outcome.REFUSED for _, outcome in one.drive.log)
    assert last.hung_reads == 0


def test_hung_reads_are_counted_apart() -> None:
    one = Watched(hang={5000})
    assert one.reading().run() is Ending.DONE
    assert one.accounts[-1].hung_reads == sum(outcome is Outcome.HUNG for _, outcome in one.drive.log) > 0
    assert one.accounts[-1].refused_reads == 0


def test_what_is_fetched_is_called_descriptions() -> None:
    one = Watched()
    one.reading().fetch(SpanSet([Span(0, 1 << 16)]))
    [told] = [event for event in one.accounts if event.why is not None][:1]
    assert told.phase is Phase.FETCH
    assert told.why is not None
    assert told.why.worth is Worth.DESCRIPTIONS


def test_the_bounds_hold_what_is_told_as_left() -> None:
    one = Watched(bad=set(range(2000, 2040)))
    assert one.reading().run() is Ending.DONE
    bounded = [event for event in one.accounts if event.seconds_left_low is not None]
    assert bounded
    for event in bounded:
        assert event.seconds_left is not None
        assert event.seconds_left_high is not None
        assert event.seconds_left_low is not None
        assert event.seconds_left_low <= event.seconds_left <= event.seconds_left_high


def test_nobody_who_watches_changes_a_reading() -> None:
    one = Watched(bad={5000})
    DriveReading("1", one.drive, one.store, one.clock, silent).run()
    other = Watched(bad={5000})
    other.reading().run()
    assert one.drive.log == other.drive.log


def test_what_was_fetched_is_told_as_fetched() -> None:
    one = Watched()
    one.reading().fetch(SpanSet([Span(0, 48 * 512)]))
    last = one.accounts[-1]
    assert (last.read_bytes, last.aim_bytes) == (48 * 512, 48 * 512)
    assert last.now.length == 0, "nothing is asked for any more"
