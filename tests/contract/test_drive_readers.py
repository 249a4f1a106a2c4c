"""What every `DriveReader` promises, checked on each of them."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Outcome
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import silent
from mendbay.outlets.image_file import ImageFile
from support.benches import (
    HANG,
    REFUSED,
    WEAK,
    Bench,
    file_bench,
    loop_bench,
    needs_failing_loop,
    simulated_bench,
)

FAILING_LOOP = pytest.param(loop_bench, id="failing loop", marks=[pytest.mark.root, needs_failing_loop])
SIMULATED = pytest.param(simulated_bench, id="simulated")


@pytest.fixture(params=[pytest.param(file_bench, id="file"), SIMULATED, FAILING_LOOP])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    with request.param(tmp_path) as made:
        yield made


@pytest.fixture(params=[SIMULATED, FAILING_LOOP])
def failing(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    with request.param(tmp_path) as made:
        yield made


def test_identity_is_that_of_the_drive(bench: Bench) -> None:
    assert bench.reader.identity.size_bytes == len(bench.content)
    assert bench.reader.identity.sector_bytes == bench.sector_bytes


def test_first_last_and_largest_reads_give_exactly_the_bytes(bench: Bench) -> None:
    last = len(bench.content) // bench.sector_bytes - 1
    largest = bench.reader.largest_read_bytes // bench.sector_bytes
    for first, count in [(0, 1), (last, 1), (4000, largest)]:
        attempt = bench.read(first, count)
        assert attempt.outcome is Outcome.GIVEN
        assert attempt.error == ""
        assert attempt.seconds >= 0
        assert bench.holds(attempt)


def test_queued_reads_are_answered_in_the_order_asked(bench: Bench) -> None:
    places = [500, 10, 700]
    for place in places[: bench.reader.depth]:
        bench.reader.ask(bench.span(place, 3))
    assert bench.reader.queued == bench.reader.depth
    for place in places[: bench.reader.depth]:
        attempt = bench.reader.answer()
        assert attempt.span == bench.span(place, 3)
        assert bench.holds(attempt)
    assert bench.reader.queued == 0


@pytest.mark.parametrize("count", [1, 8, 1000])
def test_reading_backward_gives_the_same_bytes_as_forward(bench: Bench, count: int) -> None:
    """Every read begins where the next one of before did: as damage is come back to from behind."""
    places = [15_000 - at * count for at in range(4)]
    assert all(bench.holds(bench.read(place, count)) for place in places)
    for place in places[: bench.reader.depth]:
        bench.reader.ask(bench.span(place, count))
    for place in places[: bench.reader.depth]:
        attempt = bench.reader.answer()
        assert attempt.span == bench.span(place, count)
        assert bench.holds(attempt)


def test_data_stays_readable_until_the_next_but_one_answer(bench: Bench) -> None:
    ahead = iter(range(2000, 2000 + 60, 3))
    for _ in range(bench.reader.depth):
        bench.reader.ask(bench.span(next(ahead), 3))
    before = bench.reader.answer()
    for place in ahead:
        bench.reader.ask(bench.span(place, 3))
        latest = bench.reader.answer()
        time.sleep(0.005)  # a reader that reads ahead gets as far as it can
        assert bench.holds(before)
        assert bench.holds(latest)
        before = latest


def test_a_request_that_is_not_a_read_of_the_drive_is_a_defect(bench: Bench) -> None:
    size, sector = len(bench.content), bench.sector_bytes
    wrong = [
        Span(0, 0),
        Span(1, sector),
        Span(0, sector - 1),
        Span(size, size + sector),
        Span(0, bench.reader.largest_read_bytes + sector),
    ]
    for span in wrong:
        with pytest.raises(ValueError, match="Span"):
            bench.reader.ask(span)
    assert bench.reader.queued == 0
    with pytest.raises(ValueError, match="no read is queued"):
        bench.reader.answer()


def test_more_than_depth_reads_are_a_defect(bench: Bench) -> None:
    for place in range(bench.reader.depth):
        bench.reader.ask(bench.span(place))
    with pytest.raises(ValueError, match="queued already"):
        bench.reader.ask(bench.span(9))
    assert bench.reader.queued == bench.reader.depth


def test_a_drive_that_never_left_has_returned(bench: Bench) -> None:
    assert bench.reader.returned()
    assert bench.holds(bench.read(7))


def test_closing_twice_is_fine_and_a_closed_reader_reads_no_more(bench: Bench) -> None:
    bench.reader.ask(bench.span(0))
    bench.reader.close()
    bench.reader.close()
    with pytest.raises(ValueError, match="closed"):
        bench.reader.ask(bench.span(0))


def test_one_bad_sector_is_refused_and_its_neighbours_are_given(failing: Bench) -> None:
    refused = failing.read(REFUSED)
    assert (refused.outcome, refused.error, len(refused.data)) == (Outcome.REFUSED, "EIO", 0)
    for neighbour in (REFUSED - 1, REFUSED + 1):
        assert failing.holds(failing.read(neighbour))


def test_a_large_read_over_a_bad_sector_is_refused_whole(failing: Bench) -> None:
    refused = failing.read(REFUSED - 100, 1000)
    assert (refused.outcome, len(refused.data)) == (Outcome.REFUSED, 0)


def test_what_was_queued_behind_a_refusal_is_dropped_untried(failing: Bench) -> None:
    assert failing.tried is not None
    failing.tried()
    for place in (REFUSED, 5000, 6000):
        failing.reader.ask(failing.span(place))
    assert failing.reader.answer().outcome is Outcome.REFUSED
    assert failing.reader.queued == 0
    assert failing.holds(failing.read(7000))
    assert failing.tried() == [(REFUSED, 1), (7000, 1)]


def test_an_answer_before_a_refusal_stays_readable_while_new_reads_are_queued(failing: Bench) -> None:
    for place in (50, REFUSED, 60):
        failing.reader.ask(failing.span(place))
    given = failing.reader.answer()
    assert failing.reader.answer().outcome is Outcome.REFUSED
    for place in (70, 80, 90):
        failing.reader.ask(failing.span(place))
    time.sleep(0.05)  # a reader that reads ahead gets as far as it can
    assert failing.holds(given)
    assert failing.holds(failing.reader.answer())


def test_a_weak_sector_gives_after_its_refusals(failing: Bench) -> None:
    assert [failing.read(WEAK).outcome for _ in range(4)] == [
        Outcome.REFUSED,
        Outcome.REFUSED,
        Outcome.GIVEN,
        Outcome.GIVEN,
    ]


def test_a_hang_is_given_up_and_reading_goes_on(failing: Bench) -> None:
    failing.reader.ask(failing.span(HANG))
    failing.reader.ask(failing.span(1))
    hung = failing.reader.answer()
    assert (hung.outcome, len(hung.data)) == (Outcome.HUNG, 0)
    assert 0.6 <= hung.seconds < 5
    assert failing.reader.queued == 0
    assert failing.holds(failing.read(HANG + 1))


def test_a_vanished_drive_returns_with_its_power(failing: Bench) -> None:
    assert failing.unplug is not None
    assert failing.power_cycle is not None
    assert failing.holds(failing.read(0))
    failing.unplug()
    failing.reader.ask(failing.span(0))
    failing.reader.ask(failing.span(1))
    gone = failing.reader.answer()
    assert (gone.outcome, len(gone.data)) == (Outcome.VANISHED, 0)
    assert failing.reader.queued == 0
    assert failing.read(2).outcome is Outcome.VANISHED
    assert not failing.reader.returned()
    failing.power_cycle()
    assert failing.reader.returned()
    assert failing.holds(failing.read(2))


@pytest.mark.parametrize("error", ["ENODATA", "ETIMEDOUT", "EREMOTEIO", "ENOLINK", "EILSEQ"])
@pytest.mark.parametrize("make", [SIMULATED, FAILING_LOOP])
def test_every_kind_of_refusal_keeps_its_name(make: object, error: str, tmp_path: Path) -> None:
    with make(tmp_path, error=error) as bench:  # type: ignore[operator]
        refused = bench.read(REFUSED)
        assert (refused.outcome, refused.error) == (Outcome.REFUSED, error)


@pytest.mark.parametrize("make", [SIMULATED, FAILING_LOOP])
def test_a_drive_that_drops_off_by_itself_is_vanished(make: object, tmp_path: Path) -> None:
    with make(tmp_path, vanish_at=((9000, 1),), vanish_times=1) as bench:  # type: ignore[operator]
        assert bench.read(9000).outcome is Outcome.VANISHED
        assert not bench.reader.returned()
        bench.power_cycle()
        assert bench.reader.returned()
        assert bench.holds(bench.read(9000))


@pytest.mark.parametrize("make", [SIMULATED, FAILING_LOOP])
def test_a_dead_drive_refuses_what_it_gave_before(make: object, tmp_path: Path) -> None:
    with make(tmp_path, dies_after_refusals=3) as bench:  # type: ignore[operator]
        assert bench.holds(bench.read(5))
        for _ in range(3):
            assert bench.read(REFUSED).outcome is Outcome.REFUSED
        assert bench.read(5).outcome is Outcome.REFUSED
        bench.power_cycle()
        assert bench.reader.returned()
        assert bench.read(5).outcome is Outcome.REFUSED


@pytest.mark.parametrize("make", [SIMULATED, FAILING_LOOP])
def test_sectors_of_4096_bytes(make: object, tmp_path: Path) -> None:
    with make(tmp_path, sector_bytes=4096) as bench:  # type: ignore[operator]
        assert bench.reader.identity.sector_bytes == 4096
        with pytest.raises(ValueError, match="4096"):
            bench.reader.ask(Span(512, 1024))
        bad = REFUSED // 8
        assert [bench.read(one).outcome for one in (bad - 1, bad, bad + 1)] == [
            Outcome.GIVEN,
            Outcome.REFUSED,
            Outcome.GIVEN,
        ]


@pytest.mark.parametrize("make", [SIMULATED, FAILING_LOOP])
def test_a_drive_that_vanishes_in_the_middle_of_a_read_gives_nothing_of_it(
    make: object, tmp_path: Path
) -> None:
    with make(tmp_path, vanish_at=((9000, 1),), vanish_times=1) as bench:  # type: ignore[operator]
        for place in (8900, 9100, 9300):
            bench.reader.ask(bench.span(place, 200))
        gone = bench.reader.answer()
        assert (gone.outcome, len(gone.data)) == (Outcome.VANISHED, 0)
        assert gone.error in ("ENODEV", "no bytes", "too few bytes", "vanished", "")
        assert bench.reader.queued == 0
        assert bench.read(8900).outcome is Outcome.VANISHED, "the drive stays away"
        bench.power_cycle()
        assert bench.reader.returned()
        assert bench.holds(bench.read(8900, 200))


@pytest.mark.parametrize("sector_bytes", [512, 4096])
@pytest.mark.parametrize("make", [SIMULATED, FAILING_LOOP])
def test_reads_shrink_to_the_one_sector_that_is_never_given(
    make: object, sector_bytes: int, tmp_path: Path
) -> None:
    """The whole engine: all but the refused sectors is read, whatever their size, and none is asked for in
    less than a sector."""
    scale = sector_bytes // 512
    with make(  # type: ignore[operator]
        tmp_path, sector_bytes=sector_bytes, hang=(), refused=((REFUSED // scale, 1), (1600, 3))
    ) as bench:
        assert bench.tried is not None
        bench.tried()
        path = tmp_path / "bay-1.img"
        image = ImageFile.create(path, bench.reader.identity)
        image.begin_run("Dock", "drive")
        assert DriveReading("1", bench.reader, image, SystemClock(), silent).run() is Ending.DONE
        lost = SpanSet([bench.span(REFUSED // scale), bench.span(1600, 3)])
        assert image.coverage().refused == lost
        assert image.coverage().read == lost.complement(Span(0, len(bench.content)))
        sizes = {count for _, count in bench.tried()}
        assert 1 in sizes
        assert max(sizes) > 100
        for span in image.coverage().read:
            assert image.take(span) == bench.content[span.start : span.stop]
        image.close()
