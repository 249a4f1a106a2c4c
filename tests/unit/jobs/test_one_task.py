"""The two drives of a box read as one task, from take-in to what is told of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from mendbay.core.money import Money
from mendbay.core.span import Span, SpanSet
from mendbay.files.verdict import Verdict
from mendbay.imaging.going_on import Stakes
from mendbay.imaging.hazard import Condition
from mendbay.imaging.image_source import ImageSource
from mendbay.imaging.planner import Planner
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Advised, Event
from mendbay.jobs.list_files import list_files
from mendbay.jobs.one_task import Member, OneTask, Seat
from mendbay.jobs.other_half import HALVES
from mendbay.jobs.pair_values import PairValues, Wishes
from mendbay.jobs.read_pair import PairResult, read_pair
from mendbay.jobs.stop_advice import SharedAdvice
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import tell as tell_answer
from mendbay.jobs.volume import open_volume
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.small import SmallBase, make_small_scenario
from mendbay.wiring import open_bench
from support.boxes import small_base
from support.memory_store import MemoryStore
from support.pair_shop import Shop, data_area, shop
from support.scripted_drive import ScriptedDrive, numbered
from support.shared_drives import Rig
from support.sources import MemorySource


def test_each_place_of_a_mirror_is_read_from_one_half(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        result = read_pair(one.bench, 1, one.drives())
        first, second = one.read_of()
        data = data_area(one.box)
        assert (first | second) & data == data
        both = (first & second & data).total_bytes
        assert result.compared is not None
        assert 0 < result.compared.compared_bytes <= both < 0.2 * data.total_bytes
        assert result.missing_bytes == 0
        for read in result.drives:
            # which half gets ahead, and how far, is up to how the machine shares itself out
            assert read.left_bytes > 0.1 * data.total_bytes
            assert read.unread_bytes == 0
            assert read.read_bytes + read.left_bytes == read.identity.size_bytes
            assert read.sha256 == ""
        assert any("read as one task" in text for text in one.said)
        assert [image.unread_bytes for image in one.bench.ledger.images(1)] == [0, 0], (
            "nothing is still to do"
        )
        listing = list_files(one.bench, 1)
        assert set(listing.verdicts) == {"whole"}
        assert not any(listing.unread.values()), "what the other half gave is not still to be asked for"


def test_both_are_read_whole_if_it_is_asked_for_and_nothing_is_lost_by_beginning_otherwise(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives())
        result = read_pair(one.bench, 1, one.drives(), both_whole=True)
        assert result.compared is None
        for read in result.drives:
            assert read.is_complete
            assert read.sha256
            assert read.left_bytes == 0


def test_a_second_session_asks_for_nothing_again(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base, refusals=6) as one:
        before = read_pair(one.bench, 1, one.drives())
        kept = one.read_of()
        again = read_pair(one.bench, 1, one.drives())
        assert again.missing_bytes == before.missing_bytes
        data, (first, second) = data_area(one.box), one.read_of()
        both = (first & second) - (kept[0] & kept[1])
        assert (both & data).total_bytes < 0.01 * data.total_bytes, "at most what of the sample is still open"
        with one.images() as stores:
            assert {run.refused_reads for store in stores for run in store.runs() if run.number == 2} == {0}


def test_stripes_and_halves_of_which_one_is_behind_are_read_whole(tmp_path: Path, base: SmallBase) -> None:
    for name, level, parted in (("stripe", Level.STRIPE, False), ("behind", Level.MIRROR, True)):
        with shop(tmp_path / name, base, level=level, parted=parted) as one:
            result = read_pair(one.bench, 1, one.drives())
            assert result.compared is None
            assert all(read.is_complete for read in result.drives)
            told = [at for at, text in enumerate(one.said) if "are not in step: each is read whole." in text]
            assert len(told) == parted
            if parted:
                assert "Bay 1 is fresher" in one.said[told[0]]
                assert any("reading the rest" in text for text in one.said[told[0] :]), "before it is read"


def test_two_failing_drives_give_together_all_that_one_of_them_gives(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base, refusals=12) as one:
        result = read_pair(one.bench, 1, one.drives())
        hit = [faults.refused for faults in one.box.faults]
        assert hit[0]
        assert hit[1]
        data = data_area(one.box)
        lost = hit[0] & hit[1] & data
        first, second = one.read_of()
        assert data - (first | second) == lost
        outside = sum((spans - data).total_bytes for spans in hit)
        assert result.missing_bytes == lost.total_bytes + outside
        with one.images() as stores:
            for bay, store in enumerate(stores):
                content = one.box.images[bay].read_bytes()
                for span in store.coverage().read:
                    assert store.take(span) == content[span.start : span.stop]


def test_what_both_bring_is_told_in_bytes_hours_and_risk(
    tmp_path: Path, base: SmallBase, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mendbay.imaging.planner._TOLD_SHARE", 0.0)  # else too little is read here for a word
    with shop(tmp_path, base, refusals=6) as one:
        result = read_pair(one.bench, 1, one.drives(bay_2=Condition.HEALTHY), seconds=0)
        assert {read.ending for read in result.drives} == {Ending.TIME_UP}
        assert result.advice is not None
        assert result.advice.lacking_bytes == result.missing_bytes > 1 << 20
        assert 0.8 * result.missing_bytes < result.advice.brings_bytes <= result.missing_bytes
        last = [read.advice.last for read in result.drives]
        assert last[0] is not None
        assert last[1] is not None
        assert result.advice.dies["1"] == pytest.approx(last[0].dies), "it is through sooner"
        assert 0 < result.advice.dies["2"] < result.advice.dies["1"]
        assert result.advice.seconds <= max(last[0].seconds, last[1].seconds)
        for own, read in zip(last, result.drives, strict=True):
            assert own is not None
            assert own.lacking_bytes == read.unread_bytes + read.refused_bytes
            assert 0 < own.brings_bytes <= own.lacking_bytes
        story = [event.text for event in one.bench.ledger.events(1)]
        assert any(text.startswith("Both drives together, recommended: go on.") for text in story)
        done = read_pair(one.bench, 1, one.drives())
        assert done.advice is None, "nothing is left to try"


def test_the_stakes_are_of_both_drives_together(
    tmp_path: Path, base: SmallBase, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mendbay.imaging.planner._TOLD_SHARE", 0.0)  # else too little is read here for a word
    stakes = Stakes(Money(100_000_000, "EUR"), Money(1_000_000, "EUR"))
    for level, each in ((Level.MIRROR, 1.0), (Level.STRIPE, 0.5)):
        with shop(tmp_path / level, base, level=level) as one:
            result = read_pair(replace(one.bench, stakes=stakes), 1, one.drives(), seconds=0)
        for read in result.drives:
            last = read.advice.last
            assert isinstance(last, SharedAdvice)
            assert last.bench is not None
            assert last.gain is not None
            assert last.bench.minor == pytest.approx(500_000 * last.seconds / 3600, abs=1)
            assert last.gain.minor == pytest.approx(100_000_000 * each * last.brings * last.lacking, rel=1e-4)
        if level is Level.STRIPE:
            assert result.advice is None, "each is read for itself"
            continue
        both = result.advice
        assert both is not None
        assert both.bench is not None
        assert both.gain is not None
        assert both.bench.minor == pytest.approx(1_000_000 * both.seconds / 3600, abs=1)
        gains = [read.advice.last.gain.minor for read in result.drives if read.advice.last.gain]  # type: ignore[union-attr]
        assert max(gains) <= both.gain.minor < 100_000_000


def test_on_the_way_both_are_told_of_along_with_each(tmp_path: Path, base: SmallBase) -> None:
    told: list[Event] = []
    with shop(tmp_path, base) as one:
        for drive in one.box.drives:  # slow by their own count of time, which costs nobody any
            drive.write_text("seconds_per_sector = 0.02\n" + drive.read_text())
        bench = replace(one.bench, tell=told.append)
        read_pair(bench, 1, one.drives())
    advised = [event for event in told if isinstance(event, Advised)]
    assert {event.bay for event in advised} == {"1", "2"}
    assert "Both drives together, recommended: go on." in advised[-1].text
    assert "neither half gave" in advised[-1].text


def test_the_drive_that_is_worse_off_is_spared(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives(bay_1=Condition.CLICKS, bay_2=Condition.REFUSES))
        first, second = one.read_of()
        data = data_area(one.box)
        assert (first & data).total_bytes < 0.2 * data.total_bytes
        assert second & data == data


def test_halves_that_differ_are_read_whole_told_of_and_not_trusted_again(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        place = one.box.geometry.on_drive(1, SpanSet(base.newest.placed[b"texts/02.txt"].blocks))
        at = next(iter(place)).start
        # the inode tables of one half alone say something else: as if it had been written to by itself
        inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[b"texts/02.txt"].inode_at]))
        for spot in (at, next(iter(inode)).start + 8):
            with one.box.images[1].open("r+b") as drive:
                drive.seek(spot)
                byte = drive.read(1)
                drive.seek(spot)
                drive.write(bytes([byte[0] ^ 1]))
        result = read_pair(one.bench, 1, one.drives())
        assert result.compared is not None
        assert result.compared.differ_at is not None
        assert all(read.is_complete for read in result.drives), "both are read whole"
        assert any("The halves of the mirror differ" in text for text in one.said)
        events = [event for event in one.bench.ledger.events(1) if event.kind == HALVES]
        assert [event.facts["differ"] for event in events] == [True]
        assert read_pair(one.bench, 1, one.drives()).compared is None
        assert any("found to differ before" in text for text in one.said)


def test_what_is_free_can_be_waived(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        result = read_pair(one.bench, 1, one.drives(), waive_unallocated=True)
        assert result.missing_bytes == 0
        assert all(read.waived_bytes > 1 << 20 for read in result.drives)
        assert set(list_files(one.bench, 1).verdicts) == {"whole"}
        data = data_area(one.box)
        first, second = one.read_of()
        assert ((first | second) & data).total_bytes < data.total_bytes - (1 << 20)
        after = read_pair(one.bench, 1, one.drives())
        first, second = one.read_of()
        assert (first | second) & data == data, "asked without it, what was waived is read too"
        assert after.missing_bytes == 0


@pytest.fixture(scope="module")
def fine_base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    """Blocks smaller than a physical sector."""
    return small_base(tmp_path_factory.mktemp("fine"), block_bytes=1024)


@pytest.mark.parametrize("physical", [(4096, 4096), (4096, 512)], ids=["both", "one"])
def test_drives_of_large_physical_sectors_are_read_as_one_task(
    tmp_path: Path, fine_base: SmallBase, physical: tuple[int, int]
) -> None:
    with shop(tmp_path, fine_base, refusals=12) as one:
        hit = [faults.refused for faults in one.box.faults]
        for bay, drive in enumerate(one.box.drives):
            drive.unlink()
            write_drive(drive, one.box.images[bay], Faults(hit[bay]), seed=bay, serial=f"S{bay}")
            drive.write_text(f"physical_bytes = {physical[bay]}\n" + drive.read_text())
        result = read_pair(one.bench, 1, one.drives(), ["*.bin"], waive_unallocated=True)
        assert result.compared is not None
        assert result.compared.differ_at is None
        read_pair(one.bench, 1, one.drives())
        data, (first, second) = data_area(one.box), one.read_of()
        assert data - (first | second) == hit[0] & hit[1] & data
        assert (first & second & data).total_bytes < 0.2 * data.total_bytes
        with one.images() as stores:
            for bay, store in enumerate(stores):
                assert not store.coverage().read & hit[bay]
                refused = {refusal.span.length % 4096 for refusal in store.refusals()}
                assert (refused <= {0, 512}) == (physical == (4096, 4096)), "units, and pieces at last"
                content = one.box.images[bay].read_bytes()
                for span in store.coverage().read:
                    assert store.take(span) == content[span.start : span.stop]
        kept = one.read_of()
        read_pair(one.bench, 1, one.drives(), both_whole=True)
        for bay, read in enumerate(one.read_of()):
            whole = SpanSet([Span(0, one.box.images[bay].stat().st_size)])
            assert not kept[bay] - read
            assert whole - read == hit[bay], "also by itself each gives all that it has"


# ---------------------------------------------------------------------- wishes that change meanwhile


@contextmanager
def slow_shop(
    tmp_path: Path, base: SmallBase, first_wish: str, seconds_per_sector: float = 2e-4
) -> Iterator[Shop]:
    """A box whose drives take some seconds over the rest."""
    with shop(tmp_path, base) as one:
        for drive in one.box.drives:
            slow = f"real_time = true\nseconds_per_sector = {seconds_per_sector}\n"
            drive.write_text(slow + drive.read_text())
        tell_answer(one.bench, 1, "wanted", first_wish)
        yield one


def test_wishes_changed_while_reading_are_read_next(tmp_path: Path, base: SmallBase) -> None:
    late = b"texts/02.txt"
    with slow_shop(tmp_path, base, "nothing-like-this") as one:
        results: list[PairResult] = []

        def other_terminal() -> None:
            while not any("reading the rest" in text for text in one.said):
                time.sleep(0.02)
            with open_bench(tmp_path / "home") as other:
                tell_answer(other, 1, "wanted", late.decode())

        changing = threading.Thread(target=other_terminal)
        changing.start()
        results.append(read_pair(one.bench, 1, one.drives()))
        changing.join()
        told = [text for text in one.said if "wishes of the case have changed" in text]
        assert told == ["The wishes of the case have changed: what is wanted now (1 file) goes first."]
        assert [line.entry.path for line in results[0].wanted] == [late]
        assert all(read.ending is Ending.DONE for read in results[0].drives)
        assert len(one.bench.ledger.custody(1)) == 3, "the drives were connected once"
        with one.images() as stores:
            assert [len(store.runs()) for store in stores] == [1, 1]


def test_descriptions_wanted_while_reading_are_read_next(tmp_path: Path, base: SmallBase) -> None:
    with slow_shop(tmp_path, base, "*.bin", 1e-3) as one:
        results: list[PairResult] = []
        begun = threading.Event()
        plain = DriveReading.run

        def run(reading: DriveReading, *args: object, **named: object) -> Ending:
            begun.set()
            return plain(reading, *args, **named)  # type: ignore[arg-type]

        def other_terminal() -> None:
            assert begun.wait(20)
            with open_bench(tmp_path / "home") as other:
                tell_answer(other, 1, "wanted", "metadata")

        changing = threading.Thread(target=other_terminal)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(DriveReading, "run", run)
            changing.start()
            results.append(read_pair(one.bench, 1, one.drives(), rest=False, both_whole=True))
        changing.join()
        told = [text for text in one.said if "wishes of the case have changed" in text]
        assert told == [
            "The wishes of the case have changed: what is wanted now (the descriptions of all files) goes "
            "first."
        ]
        with one.images() as stores:
            system = open_volume(
                {bay: ImageSource(store, bay) for bay, store in zip("12", stores, strict=True)}
            ).system
            descriptions = system.source.needs(system.metadata())
            for bay, store in zip("12", stores, strict=True):
                assert descriptions[bay].total_bytes > 100_000
                assert not descriptions[bay] - store.coverage().read
        assert results[0].wanted == ()
        assert results[0].wanted_bytes == {bay: spans.total_bytes for bay, spans in descriptions.items()}, (
            "they count as read for the sake of the wish"
        )


def test_what_is_wanted_is_told_by_what_was_found(tmp_path: Path, base: SmallBase) -> None:
    box = make_small_scenario(tmp_path / "box", 1, base=base, parted=False, refusals=0)
    drives = {
        bay: MemorySource(path.read_bytes(), bay=bay) for bay, path in zip("12", box.images, strict=True)
    }
    told = []
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Quillmere Pottery")
        volume = open_volume(drives)
        for wanted in (
            ("metadata",),
            ("metadata", "texts/02.txt"),
            ("texts/*.txt",),
            ("metadata", "no-such"),
        ):
            values = PairValues(volume, Wishes(bench, 1, wanted))
            values.select()
            told.append(values.selected_words())
    assert told == [
        "the descriptions of all files",
        "the descriptions of all files and 1 file",
        f"{sum(one.startswith(b'texts/') for one in base.newest.placed)} files",
        "the descriptions of all files and 0 files",
    ]


def test_patterns_given_with_the_command_stay(tmp_path: Path, base: SmallBase) -> None:
    with slow_shop(tmp_path, base, "*.bin") as one:

        def other_terminal() -> None:
            while not any("reading the rest" in text for text in one.said):
                time.sleep(0.02)
            with open_bench(tmp_path / "home") as other:
                tell_answer(other, 1, "wanted", "texts/02.txt")

        changing = threading.Thread(target=other_terminal)
        changing.start()
        result = read_pair(one.bench, 1, one.drives(), ["texts/03.txt"])
        changing.join()
        assert [line.entry.path for line in result.wanted] == [b"texts/03.txt"]
        assert not any("have changed" in text for text in one.said)


def damage_on(one: Shop, base: SmallBase, name: bytes) -> SpanSet:
    """Has the drive of bay 1 refuse the content of a file, and the drive of bay 2 hold another state of some
    other file's description; returns where the first lies on bay 1."""
    refused = one.box.geometry.on_drive(0, SpanSet(base.newest.placed[name].blocks))
    drive = one.box.drives[0]
    drive.unlink()
    write_drive(drive, one.box.images[0], Faults(refused.widen(512)), seed=0, serial="S0")
    inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[b"texts/02.txt"].inode_at]))
    with one.box.images[1].open("r+b") as image:
        image.seek(next(iter(inode)).start + 8)
        byte = image.read(1)
        image.seek(-1, 1)
        image.write(bytes([byte[0] ^ 1]))
    return refused


def test_what_one_half_gave_alone_is_not_proven_once_the_halves_differ(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        damage_on(one, base, b"files/14.bin")
        read_pair(one.bench, 1, one.drives())
        listing = list_files(one.bench, 1)
        verdicts = {line.entry.path: line.judgement for line in listing.lines if line.judgement is not None}
        alone = verdicts[b"files/14.bin"]
        assert alone.verdict is Verdict.UNPROVEN
        assert any("one half of a mirror whose halves differ" in reason for reason in alone.reasons)
        assert verdicts[b"files/05.bin"].verdict is Verdict.WHOLE, "what both gave alike stays proven"


def test_an_image_that_has_changed_accuses_no_half(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives(), both_whole=True)
        with one.images() as stores:
            path = stores[1].path
        inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[b"texts/02.txt"].inode_at]))
        with path.open("r+b") as image:
            image.seek(next(iter(inode)).start + 8)
            byte = image.read(1)
            image.seek(-1, 1)
            image.write(bytes([byte[0] ^ 1]))
        result = read_pair(one.bench, 1, one.drives())
        assert result.compared is not None
        assert result.compared.differ_at is None
        assert any("no longer holds at byte" in text for text in one.said)
        assert not any(event.facts["differ"] for event in one.bench.ledger.events(1) if event.kind == HALVES)


def test_the_outlook_of_a_shared_drive_is_asked_under_the_lock() -> None:
    rig = Rig((ScriptedDrive(numbered(4_096)), ScriptedDrive(numbered(4_096))))

    @dataclass
    class Reading:
        planner: Planner
        picker: object = None

    stores = [MemoryStore(side.drive.identity) for side in rig.sides]
    members = [
        Member(bay, Reading(side.planner), store, 1e-6)  # type: ignore[arg-type]
        for bay, side, store in zip("12", rig.sides, stores, strict=True)
    ]
    task = OneTask((members[0], members[1]), rig.alike, SpanSet(), lambda event: None)
    seen = threading.Event()

    def ask() -> None:
        Seat(task, 0).ahead(60.0)
        seen.set()

    with task._lock:
        thread = threading.Thread(target=ask)
        thread.start()
        assert not seen.wait(0.3), "it walks what the other drive's thread changes"
    thread.join(10)
    assert seen.is_set()
