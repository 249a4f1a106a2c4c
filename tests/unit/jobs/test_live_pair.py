"""Drives read together while a person watches: rests, cuts of power, and what is said of a drive."""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from mendbay.core.errors import Interrupted, LedgerError
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.hazard import Condition
from mendbay.inlets.unsteady import UnsteadyDrive
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_condition import CONDITION, ConditionsSaid, say_condition
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.events import Event, ReadingProgress, Resting, Said
from mendbay.jobs.read_drive import read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.outlets.scenario.small import SmallBase
from mendbay.wiring import open_bench
from support.pair_shop import Shop, data_area, shop


@dataclass
class Live:
    """A shop whose drives take some seconds, what was told, and what each drive gave, by its name."""

    shop: Shop
    told: list[Event] = field(default_factory=list)
    given: dict[str, list[Span]] = field(default_factory=lambda: defaultdict(list))
    asked: int = 0

    @property
    def bench(self) -> Bench:
        return replace(self.shop.bench, tell=self.told.append)

    def said(self, words: str) -> bool:
        return any(words in event.text for event in self.told if isinstance(event, Said))

    def resting(self) -> set[str]:
        """The bays that rest by what was told last."""
        last = {event.bay: event.is_resting for event in self.told if isinstance(event, Resting)}
        return {bay for bay, rests in last.items() if rests}


@pytest.fixture
def live(tmp_path: Path, base: SmallBase, monkeypatch: pytest.MonkeyPatch) -> Iterator[Live]:
    monkeypatch.setattr("mendbay.jobs.read_pair.LOOK_SECONDS", 0.05)
    monkeypatch.setattr("mendbay.jobs.drive_condition.LOOK_SECONDS", 0.05)
    with shop(tmp_path, base) as one:
        for drive in one.box.drives:
            drive.write_text("real_time = true\nseconds_per_sector = 1e-4\n" + drive.read_text())
        found = Live(one)
        answer, ask = UnsteadyDrive.answer, UnsteadyDrive.ask

        def answered(drive: UnsteadyDrive) -> Attempt:
            attempt = answer(drive)
            if attempt.outcome is Outcome.GIVEN:
                found.given[drive.identity.name].append(attempt.span)
            return attempt

        def asked(drive: UnsteadyDrive, span: Span) -> None:
            found.asked += 1
            ask(drive, span)

        monkeypatch.setattr(UnsteadyDrive, "answer", answered)
        monkeypatch.setattr(UnsteadyDrive, "ask", asked)
        yield found


@contextmanager
def meanwhile(do: Callable[[], None]) -> Iterator[None]:
    """Does something in another thread; what fails there fails here."""
    failed: list[BaseException] = []

    def run() -> None:
        try:
            do()
        except BaseException as trouble:
            failed.append(trouble)

    other = threading.Thread(target=run)
    other.start()
    yield
    other.join()
    for trouble in failed:
        raise trouble


def until(is_so: Callable[[], bool]) -> None:
    end = time.monotonic() + 30
    while not is_so():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)


def test_both_drives_of_a_task_rest_with_all_durable(tmp_path: Path, live: Live) -> None:
    hold = threading.Event()

    def rest_a_while() -> None:
        try:
            until(lambda: live.said("reading the rest"))
            hold.set()
            until(lambda: live.resting() == {"1", "2"})
            asked = live.asked
            with open_bench(tmp_path / "home") as other, replace(live.shop, bench=other).images() as stores:
                for store, drive in zip(stores, live.shop.box.images, strict=True):
                    given = SpanSet(live.given[str(drive)])
                    assert given
                    assert store.coverage().read == given, "all that was given is durable"
            time.sleep(0.5)
            assert live.asked == asked, "nothing is asked for"
        finally:
            hold.clear()

    with meanwhile(rest_a_while):
        result = read_pair(replace(live.bench, hold=hold.is_set), 1, live.shop.drives())
    assert result.missing_bytes == 0
    assert all(read.ending is Ending.DONE for read in result.drives)
    assert live.resting() == set()


def test_a_task_at_rest_can_be_stopped(live: Live) -> None:
    stopped = threading.Event()

    def stop() -> None:
        until(lambda: live.resting() == {"1", "2"})
        stopped.set()

    bench = replace(live.bench, hold=lambda: live.said("reading the rest"), stop=stopped.is_set)
    with meanwhile(stop), pytest.raises(Interrupted):
        read_pair(bench, 1, live.shop.drives())


def test_a_rest_takes_nothing_off_the_time_allowed(live: Live) -> None:
    hold, begun = threading.Event(), time.monotonic()

    def rest_a_while() -> None:
        try:
            until(lambda: live.said("reading the rest"))
            hold.set()
            until(lambda: live.resting() == {"1", "2"})
            time.sleep(1.5)
        finally:
            hold.clear()

    with meanwhile(rest_a_while):
        result = read_pair(replace(live.bench, hold=hold.is_set), 1, live.shop.drives(), seconds=1.0)
    assert {read.ending for read in result.drives} <= {Ending.TIME_UP, Ending.DONE}
    assert time.monotonic() - begun > 2.0 or all(read.ending is Ending.DONE for read in result.drives)


def test_a_person_has_the_power_of_one_drive_of_two_cut(live: Live) -> None:
    left, turns = ["2"], list[str]()

    def asked(bay: str) -> bool:
        if not live.said("reading the rest") or bay not in left:
            return False
        left.remove(bay)
        return True

    def cycle(bay: str) -> bool:
        turns.append(bay)
        return True

    bench = replace(live.bench, power_asked=asked, power_cycle=cycle)
    result = read_pair(bench, 1, live.shop.drives())
    assert turns == ["2"]
    assert result.missing_bytes == 0
    [cut] = [entry for entry in live.shop.bench.ledger.custody(1) if "power cut" in entry.what]
    assert cut.item == "drive of bay 2"
    assert cut.what.endswith("as a person at the bench asked")


def test_a_drive_that_begins_to_click_is_spared_from_then_on(tmp_path: Path, live: Live) -> None:
    def say() -> None:
        until(lambda: live.said("reading the rest"))
        with open_bench(tmp_path / "home") as other:
            assert say_condition(other, 1, "1", Condition.CLICKS)
            assert not say_condition(other, 1, "1", Condition.CLICKS), "it was said before"

    drives = live.shop.drives(bay_1=Condition.REFUSES, bay_2=Condition.REFUSES)
    with meanwhile(say):
        result = read_pair(live.bench, 1, drives)
    said = [event.text if isinstance(event, Said) else "" for event in live.told]
    words = "From now on the drive in bay 1 is read as one that clicks, as was said."
    assert said.count(words) == 1
    at = said.index(words)
    assert any("Bay 1 is spared" in text for text in said[at:])
    reads = [event for event in live.told[:at] if isinstance(event, ReadingProgress) and event.bay == "1"]
    data = data_area(live.shop.box)
    first, second = live.shop.read_of()
    assert (first & data).total_bytes - reads[-1].read_bytes < 0.1 * data.total_bytes
    assert (second & data).total_bytes > 0.6 * data.total_bytes
    assert result.missing_bytes == 0
    with live.shop.images() as stores:
        assert [len(store.runs()) for store in stores] == [1, 1], "nothing was begun anew"
    assert not any("wishes" in text for text in said)


def test_a_drive_read_by_itself_goes_on_by_what_is_said_of_it(tmp_path: Path, live: Live) -> None:
    def say() -> None:
        until(lambda: any(isinstance(event, ReadingProgress) for event in live.told))
        with open_bench(tmp_path / "home") as other:
            say_condition(other, 1, "1", Condition.HEALTHY)

    with meanwhile(say):
        result = read_drive(live.bench, 1, live.shop.drives(bay_1=Condition.REFUSES)[0])
    assert result.ending is Ending.DONE
    assert result.is_complete
    assert live.said("From now on the drive in bay 1 is read as a healthy one, as was said.")
    found = [one.facts[CONDITION] for one in live.shop.bench.ledger.events(1) if CONDITION in one.facts]
    assert found == ["refuses", "healthy"]


def test_a_ledger_that_cannot_tell_what_is_said_is_told_of_once(live: Live) -> None:
    watched = ConditionsSaid(live.bench, 1, {"1": None})
    assert not watched.changed()

    class Locked:
        def events(self, number: int) -> object:
            raise LedgerError("The ledger is locked.", "Wait.")

    watched._bench = replace(live.bench, ledger=Locked())  # type: ignore[arg-type]
    assert not watched.changed()
    assert not watched.changed()
    assert sum("locked" in event.text for event in live.told if isinstance(event, Said)) == 1
    watched._bench = live.bench
    say_condition(live.bench, 1, "1", Condition.REFUSES)
    assert watched.changed()
    assert watched.take() == {"1": Condition.REFUSES}
    assert not watched.changed()
