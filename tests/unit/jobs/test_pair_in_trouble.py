"""Drives of a case read together while one of them, or its image, gives trouble."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from mendbay.core.errors import DriveVanished, LedgerError, MendbayError, NoRoom, SourceChanged
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import Event, Said
from mendbay.jobs.pair_values import PairValues, Wishes
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import _for_threads, read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import SmallBase, make_small_scenario
from mendbay.wiring import open_bench
from support.boxes import small_base
from support.promise import PATIENT


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    return small_base(tmp_path_factory.mktemp("base"))


@pytest.fixture
def box(tmp_path: Path, base: SmallBase) -> Scenario:
    """A mirror in step on two drives that give everything."""
    made = make_small_scenario(tmp_path / "box", 1, base=base)
    for bay, drive in enumerate(made.drives):
        drive.unlink()
        write_drive(drive, made.images[bay], Faults(SpanSet()), seed=bay, serial=f"S{bay}")
    return made


def on(box: Scenario) -> list[DriveAt]:
    return [DriveAt(bay, f"unsteady:{drive}") for bay, drive in zip("12", box.drives, strict=True)]


def unread_data(bench: Bench, box: Scenario, bay: str) -> SpanSet:
    """What the halves hold alike and the image of this bay has not."""
    store = bench.images.reopen(bench.ledger.case(1), bay, writable=False)
    try:
        whole = SpanSet([Span(0, box.geometry.volume_bytes)])
        return box.geometry.on_drive(0, whole) - store.coverage().read
    finally:
        store.close()


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
        assert not unread_data(bench, box, "2")


@pytest.mark.parametrize("trouble", [SourceChanged, NoRoom])
def test_trouble_of_one_half_is_told_after_the_other_is_read_and_both_are_noted(
    tmp_path: Path, box: Scenario, monkeypatch: pytest.MonkeyPatch, trouble: type[MendbayError]
) -> None:
    with open_bench(tmp_path / "home", assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        breaks(monkeypatch, "run", "1", trouble("Bay 1 is in trouble.", "Look at it."))
        with pytest.raises(trouble, match="Bay 1 is in trouble"):
            read_pair(bench, 1, on(box))
        assert not unread_data(bench, box, "2")
        story = [event.text for event in bench.ledger.events(1) if event.kind == "imaging"]
        first, second = [text for text in story if text.startswith("Drive of bay")]
        assert "; broken off. Bay 1 is in trouble." in first
        assert "recommended" not in first
        assert "; everything was tried." in second
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
