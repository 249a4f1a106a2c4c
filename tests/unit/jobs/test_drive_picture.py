"""How often a page looks at what takes long to look at."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from mendbay.core.source import Identity
from mendbay.core.span import Span
from mendbay.jobs import drive_picture
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_picture import LASTS_SECONDS, MOST_KEPT, PART, DrivesSeen, Looks
from mendbay.outlets.checkpoint import Checkpoint, Row


class Watch:
    """A clock by hand, and a look that takes some of its time."""

    def __init__(self, takes: float) -> None:
        self.now = 0.0
        self.takes = takes
        self.looks = 0

    def clock(self) -> float:
        return self.now

    def look(self) -> int:
        self.looks += 1
        self.now += self.takes
        return self.looks


def test_what_did_not_change_is_not_looked_at_again() -> None:
    watch, looks = Watch(0.01), Looks[int](1.0)
    for _ in range(5):
        assert looks.of("a", "same", watch.clock, watch.look) == 1
        watch.now += 10
    watch.now += LASTS_SECONDS
    assert looks.of("a", "same", watch.clock, watch.look) == 2


@pytest.mark.parametrize(("takes", "waits"), [(0.01, 1.0), (2.0, 2.0 * PART)])
def test_what_changes_is_looked_at_the_seldomer_the_longer_it_takes(takes: float, waits: float) -> None:
    watch, looks = Watch(takes), Looks[int](1.0)
    assert looks.of("a", 0, watch.clock, watch.look) == 1
    watch.now += waits * 0.9
    assert looks.of("a", 1, watch.clock, watch.look) == 1
    watch.now += waits * 0.2
    assert looks.of("a", 2, watch.clock, watch.look) == 2


def test_a_look_that_fails_is_made_again() -> None:
    watch, looks = Watch(0.0), Looks[int](1.0)

    def fails() -> int:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        looks.of("a", 0, watch.clock, fails)
    assert looks.of("a", 0, watch.clock, watch.look) == 1


def test_only_so_many_are_kept() -> None:
    watch, looks = Watch(0.0), Looks[int](1.0)
    for key in range(3 * MOST_KEPT):
        looks.of(key, 0, watch.clock, watch.look)
    before = watch.looks
    looks.of(3 * MOST_KEPT - 1, 0, watch.clock, watch.look)
    assert watch.looks == before
    looks.of(0, 0, watch.clock, watch.look)
    assert watch.looks == before + 1


def test_of_many_who_ask_at_first_one_looks_and_the_others_are_given_the_same() -> None:
    """Each would hold a thread of the server for as long as all looks before it take."""
    watch, looks, began = Watch(0.0), Looks[int](1.0), threading.Barrier(5)
    let_go = threading.Event()

    def look() -> int:
        assert let_go.wait(20)
        return watch.look()

    def ask() -> int:
        began.wait(20)
        return looks.of("a", 0, watch.clock, look)

    with ThreadPoolExecutor(5) as pool:
        asked = [pool.submit(ask) for _ in range(5)]
        until = time.monotonic() + 20
        while looks._turns.get("a") is None or looks._turns["a"].threads < 5:
            assert time.monotonic() < until
            time.sleep(0.01)
        let_go.set()
        assert [one.result(20) for one in asked] == [1] * 5
    assert watch.looks == 1


def test_nothing_stays_of_what_is_kept_no_longer() -> None:
    """A key holds all that is wanted of a case: every change of the wishes makes another one."""
    watch, looks = Watch(0.0), Looks[int](1.0)

    def fails() -> int:
        raise ValueError("no")

    for key in range(3 * MOST_KEPT):
        looks.of(key, 0, watch.clock, watch.look)
        with pytest.raises(ValueError, match="no"):
            looks.of(-1 - key, 0, watch.clock, fails)
    held = [one for one in vars(looks).values() if isinstance(one, dict)]
    assert sum(map(len, held)) == MOST_KEPT


def test_a_look_at_a_drive_reads_only_what_is_new_of_its_log(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    image = bench.images.create(bench.ledger.case(1), "1", Identity("drive", "d", 8192, 512))
    image.begin_run("", "/dev/x")
    image.keep(Span(0, 512), memoryview(bytes(512)), 0.1)
    image.commit()
    read_on: list[int] = []
    rows = Checkpoint.rows

    def noted(log: Checkpoint, after: int = 0) -> Iterator[Row]:
        read_on.append(after)
        return rows(log, after)

    monkeypatch.setattr(Checkpoint, "rows", noted)
    monkeypatch.setattr(drive_picture, "RECORD_SECONDS", 0.0)
    monkeypatch.setattr(drive_picture, "PART", 0)
    seen = DrivesSeen()
    found = []
    for sector in (1, 2):
        found.append(seen.of(bench, 1, "1"))
        image.keep(Span(sector * 1024, sector * 1024 + 512), memoryview(bytes(512)), 0.1)
        image.commit()
    found.append(seen.of(bench, 1, "1"))
    image.close()
    assert read_on == [0, 1, 2]
    assert [one and one.record.coverage.read.total_bytes for one in found] == [512, 1024, 1536]
