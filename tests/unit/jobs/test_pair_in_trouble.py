"""Drives of a case read together while one of them, or its image, gives trouble."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import pytest

from mendbay.core.errors import DriveVanished, LedgerError, MendbayError, NoRoom, SourceChanged
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.ata_answer import Answer, Passed, answer_of
from mendbay.imaging.ata_command import Question
from mendbay.imaging.attempt import Attempt
from mendbay.imaging.hazard import Condition
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.inlets.unsteady import UnsteadyDrive
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Event, Said
from mendbay.jobs.pair_values import PairValues, Wishes
from mendbay.jobs.ports import DriveLine
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import PairResult, _for_threads, read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.wiring import open_bench
from support.ata_pages import identity_page, limits_page, sct_page
from support.clocks_by_hand import Quick
from support.promise import PATIENT


def on(box: Scenario) -> list[DriveAt]:
    return [DriveAt(bay, f"unsteady:{drive}") for bay, drive in zip("12", box.drives, strict=True)]


def unread_data(bench: Bench, box: Scenario) -> SpanSet:
    """What the halves hold alike and neither image has."""
    left = box.geometry.on_drive(0, SpanSet([Span(0, box.geometry.volume_bytes)]))
    for bay in "12":
        store = bench.images.reopen(bench.ledger.case(1), bay, writable=False)
        try:
            left = left - store.coverage().read
        finally:
            store.close()
    return left


def breaks(monkeypatch: pytest.MonkeyPatch, method: str, bay: str, trouble: MendbayError) -> None:
    """Has the drive of one bay fail whenever it is asked in this way."""
    sound = getattr(DriveReading, method)

    def failing(reading: DriveReading, *args: object, **named: object) -> object:
        if reading.bay == bay:
            raise trouble
        return sound(reading, *args, **named)

    monkeypatch.setattr(DriveReading, method, failing)


def test_a_drive_gone_while_the_pair_is_looked_for_leaves_the_other_to_be_read(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_bench(tmp_path / "home", assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        breaks(monkeypatch, "fetch", "1", DriveVanished("Bay 1 is gone.", "Cut its power."))
        with pytest.raises(DriveVanished, match="Bay 1 is gone"):
            read_pair(bench, 1, on(box))
        assert not unread_data(bench, box)


@pytest.mark.parametrize("trouble", [SourceChanged, NoRoom])
def test_trouble_of_one_half_is_told_after_the_other_is_read_and_both_are_noted(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch, trouble: type[MendbayError]
) -> None:
    with open_bench(tmp_path / "home", assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        breaks(monkeypatch, "run", "1", trouble("Bay 1 is in trouble.", "Look at it."))
        with pytest.raises(trouble, match="Bay 1 is in trouble"):
            read_pair(bench, 1, on(box))
        assert not unread_data(bench, box)
        story = [event.text for event in bench.ledger.events(1) if event.kind == "imaging"]
        first, second = [text for text in story if text.startswith("Drive of bay")]
        assert "; broken off. Bay 1 is in trouble." in first
        assert "recommended" not in first
        assert "; all was tried but what is left to the other half." in second
        assert not [text for text in story if text.startswith("Bay 2: ")], "it is no matter of bay 2"


def test_a_drive_being_brought_back_does_not_silence_the_other(tmp_path: Path) -> None:
    begun, may_end, said = threading.Event(), threading.Event(), threading.Event()

    def slow_cycle(bay: str) -> bool:
        begun.set()
        return may_end.wait(20)

    def tell(event: Event) -> None:
        said.set()

    with open_bench(tmp_path / "home") as plain:
        bench = _for_threads(replace(plain, tell=tell, power_cycle=slow_cycle))
        cycling = threading.Thread(target=bench.power_cycle, args=("1",))
        speaking = threading.Thread(target=bench.tell, args=(Said("Bay 2 is read on."),))
        cycling.start()
        assert begun.wait(5)
        speaking.start()
        heard = said.wait(2)
        may_end.set()
        cycling.join()
        speaking.join()
        assert heard


def test_files_are_looked_for_again_once_a_drive_has_left_over_it(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound, looked = PairValues.select, []

    def dies_in_it(values: PairValues) -> None:
        if not looked:
            breaks(monkeypatch, "fetch", "1", DriveVanished("Bay 1 is gone.", "Cut its power."))
            breaks(monkeypatch, "run", "1", DriveVanished("Bay 1 is gone.", "Cut its power."))
        sound(values)
        looked.append(values.selected_files())

    monkeypatch.setattr(PairValues, "select", dies_in_it)
    with open_bench(tmp_path / "home", assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        first, second = on(box)
        drives = [first, replace(second, condition=Condition.CLICKS)]
        with pytest.raises(DriveVanished):
            read_pair(bench, 1, drives, ["*.txt", "*.bin"], rest=False)
    assert len(looked) == 2
    assert looked[1] > 0


def test_a_ledger_that_cannot_tell_the_wishes_is_told_of_once_and_changes_nothing(tmp_path: Path) -> None:
    said: list[Event] = []
    (tmp_path / "home").mkdir()
    with open_bench(tmp_path / "home", tell=said.append) as bench:
        take_in(bench, "Quillmere Pottery")
        wishes = Wishes(bench, 1, ())
        before = wishes.now

        class Locked:
            def case(self, number: int) -> object:
                raise LedgerError("The ledger is locked.", "Wait a while.")

        object.__setattr__(wishes, "_bench", replace(bench, ledger=cast("Any", Locked())))
        assert [wishes.changed(), wishes.changed()] == [False, False]
        assert wishes.now == before
        assert said == [Said("The ledger is locked. What is wanted stays as it was.")]


# ---------------------------------------------------------------------- a drive that gets hot


@dataclass
class Telling:
    """The line to a drive made for 45 °C at most; `hot` are the bays whose drives are at 46."""

    bay: str
    hot: set[str]
    is_present: bool = True

    def ask(self, question: Question) -> Answer:
        pages = {
            Question.IDENTIFY: identity_page(words={206: 1}),
            Question.TEMPERATURE_STATISTICS: limits_page(45),
            Question.SCT_STATUS: sct_page(46 if self.bay in self.hot else 30),
        }
        return answer_of(question, Passed(data=pages[question]) if question in pages else Passed(error=25))

    def close(self) -> None:
        """Nothing is open."""


@dataclass
class Warming(BenchDrives):
    """The drives of a box, each with a line of its own; `answered` are the bays of all reads, in order."""

    box: Scenario
    hot: set[str] = field(default_factory=set)
    answered: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def line(self, where: str) -> DriveLine:
        return Telling(self.bay_of(where), self.hot)

    def open(self, where: str) -> UnsteadyDrive:
        drive = cast("UnsteadyDrive", super().open(where))
        bay, plain = self.bay_of(where), drive.answer

        def answer() -> Attempt:
            self.answered.append(bay)
            return plain()

        drive.answer = answer  # type: ignore[method-assign]
        return drive

    def bay_of(self, where: str) -> str:
        return next(
            bay for bay, drive in zip("12", self.box.drives, strict=True) if where.endswith(str(drive))
        )


@contextmanager
def warming_bench(tmp_path: Path, box: Scenario, said: list[Event] | None = None) -> Iterator[Bench]:
    with open_bench(tmp_path / "home", assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        tell = (lambda event: None) if said is None else said.append
        yield replace(bench, drives=Warming(box), clock=Quick(), tell=tell)


def looking_for_all(bench: Bench, box: Scenario) -> PairResult:
    """Looks for files through bay 1, with bay 2 spared."""
    first, second = on(box)
    drives = [first, replace(second, condition=Condition.CLICKS)]
    return read_pair(bench, 1, drives, ["*.txt", "*.bin"], rest=False)


def test_a_drive_that_gets_too_hot_while_files_are_looked_for_leaves_at_once(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    with warming_bench(tmp_path / "cool", box) as bench:
        cool = looking_for_all(bench, box)
    sound, looked, asked_when_hot, asked_instead = PairValues.select, [], [], []
    said: list[Event] = []
    with warming_bench(tmp_path / "hot", box, said) as bench:
        drives, clock = cast("Warming", bench.drives), cast("Quick", bench.clock)

        def gets_hot_in_it(values: PairValues) -> None:
            if not looked:
                drives.hot.add("1")
                clock.seconds += 1000
                asked_when_hot.append(drives.answered.count("1"))
            before = drives.answered.count("2")
            sound(values)
            asked_instead.append(drives.answered.count("2") - before)
            looked.append(values.selected_files())

        monkeypatch.setattr(PairValues, "select", gets_hot_in_it)
        result = looking_for_all(bench, box)
        assert asked_when_hot[0] > 0
        assert drives.answered.count("1") == asked_when_hot[0], "not one read more"
    assert [read.ending for read in result.drives] == [Ending.TOO_HOT, Ending.DONE]
    assert {line.entry.path for line in result.wanted} == {line.entry.path for line in cool.wanted}
    assert result.verdicts == cool.verdicts, "the drive that was spared gives it all"
    assert asked_instead[0] > 0, "it is asked in the same look"
    assert len(looked) == 2
    told = [one.text for one in said if isinstance(one, Said) and "46 °C" in one.text]
    assert len(told) == 1
    assert "was at 46 °C (to stop at 45" in told[0], "the drive's own limit"


def test_a_drive_that_gets_too_hot_before_the_files_are_known_leaves_all_to_the_other(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = PairValues.take_descriptions
    with warming_bench(tmp_path / "hot", box) as bench:
        drives, clock = cast("Warming", bench.drives), cast("Quick", bench.clock)
        asked_when_hot = []

        def gets_hot_in_it(values: PairValues) -> None:
            drives.hot.add("1")
            clock.seconds += 1000
            asked_when_hot.append(drives.answered.count("1"))
            sound(values)

        monkeypatch.setattr(PairValues, "take_descriptions", gets_hot_in_it)
        result = read_pair(bench, 1, on(box))
        assert drives.answered.count("1") == asked_when_hot[0]
        assert not unread_data(bench, box)
    assert [read.ending for read in result.drives] == [Ending.TOO_HOT, Ending.DONE]


def test_who_waits_no_longer_need_not_wait_for_hung_drives(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, broken_off = threading.Event(), list[bool]()

    class Hanging(UnsteadyDrive):
        """Hangs, once the first drive is read in a thread of its own, until it is broken off."""

        def answer(self) -> Attempt:
            if threading.current_thread() is threading.main_thread():
                return super().answer()
            asked.set()
            broken_off.append(self._broken_off.wait(60))
            return super().answer()

    monkeypatch.setattr("mendbay.inlets.unsteady.UnsteadyDrive", Hanging)

    def second_ctrl_c(*_: object) -> None:
        assert asked.wait(60)
        raise KeyboardInterrupt

    monkeypatch.setattr("mendbay.jobs.read_pair.wait", second_ctrl_c)
    with open_bench(tmp_path / "home", assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        with pytest.raises(KeyboardInterrupt):
            read_pair(bench, 1, on(box))
        assert broken_off
        assert all(broken_off)
        assert unread_data(bench, box), "it was stopped on its way"
