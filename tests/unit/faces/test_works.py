"""Works from order to end, each in its own process, on simulated drives."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.errors import ImageBusy, UsageError
from mendbay.faces.work.process import main
from mendbay.jobs.consents import give_word
from mendbay.jobs.work_port import JSON, Ask, Outcome, Standing, WorkKind, WorkRequest
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import check_handback, open_bench, reap_works
from support.processes import children
from support.works import DRIVE_BYTES, PATIENCE, WorkShop, open_shop, order_of, until

pytestmark = pytest.mark.slow

SLOW = ("real_time = true", "seek_seconds = 0", "command_seconds = 0.25")
"""A drive that takes some ten seconds: time enough to be asked things."""


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[WorkShop]:
    made = open_shop(tmp_path / "home")
    yield made
    made.stop_all()


def slow_reading(shop: WorkShop) -> str:
    """A work that reads slowly, once it has begun to."""
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive(*SLOW))
    until(lambda: has_read(shop, work))
    return work


def has_read(shop: WorkShop, work: str) -> bool:
    return read_of(shop, work) > 0


def read_of(shop: WorkShop, work: str) -> int:
    bytes_ = shop.state(work).progress.get("1", {}).get("read_bytes", 0)
    assert isinstance(bytes_, int)
    return bytes_


def result_of(shop: WorkShop, work: str) -> Mapping[str, JSON]:
    result = shop.ended(work).result
    assert isinstance(result, Mapping)
    return result


def goes_on_to_the_end(shop: WorkShop) -> None:
    """The same order again, the drive being quick now, reads all the rest."""
    before = shop.read_bytes("1")
    assert 0 < before < DRIVE_BYTES
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive())
    assert shop.ended(work).outcome is Outcome.DONE
    assert shop.read_bytes("1") == DRIVE_BYTES


# ---------------------------------------------------------------------- to the end


def test_a_drive_is_read_to_the_end_by_the_one_who_ordered_it(shop: WorkShop) -> None:
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive(), adapter="the small one")
    state = shop.ended(work)
    assert state.outcome is Outcome.DONE, state
    assert state.trouble is None
    assert state.progress["1"]["read_bytes"] == DRIVE_BYTES
    assert result_of(shop, work)["read_bytes"] == DRIVE_BYTES
    assert state.result_words[0].startswith("Bay 1: 100")
    assert "A simulated drive" in " ".join(shop.works.told(work))
    with open_bench(shop.home) as bench:
        entries = bench.ledger.custody(1)
    assert [one.who for one in entries if "the small one" in one.what] == ["Ina"]


def test_a_process_that_ended_does_not_stay_in_the_process_table(shop: WorkShop) -> None:
    before = children()
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive())
    shop.ended(work)
    until(lambda: not shop.works.is_alive(work))
    until(lambda: (reap_works(), children() <= before)[1])


def test_the_process_can_be_started_by_hand(shop: WorkShop) -> None:
    shelf = WorkShelf(shop.home, SystemClock())
    order = order_of(shelf, WorkKind.READ_DRIVE, {"bay": "1", "source": shop.drive()})
    shelf.begin(order)
    shelf.let_go(order.id)

    command = [sys.executable, "-m", "mendbay.faces.work.process", str(shop.home), order.id]
    assert subprocess.run(command, capture_output=True, timeout=PATIENCE).returncode == 0
    assert shop.state(order.id).outcome is Outcome.DONE
    assert main([str(shop.home), order.id]) == UsageError.exit_code  # begun before
    assert main([str(shop.home), "../cases"]) == UsageError.exit_code
    assert main([str(shop.home)]) == UsageError.exit_code


def test_what_is_refused_makes_it_incomplete(shop: WorkShop) -> None:
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive("refused = [[9, 1]]"))
    assert shop.ended(work).outcome is Outcome.INCOMPLETE
    assert "refused: 1 sector" in shop.state(work).result_words


def test_a_trouble_is_told_as_every_error_is(shop: WorkShop) -> None:
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source="/dev/there-is-none")
    state = shop.ended(work)
    assert state.outcome is Outcome.FAILED
    assert state.trouble is not None
    assert (state.trouble.kind, state.trouble.exit_code) == ("SourceError", 10)
    assert state.trouble.next_step


def test_what_the_customer_refused_is_not_begun(shop: WorkShop) -> None:
    with open_bench(shop.home) as bench:
        give_word(bench, 1, "power-on", "no")
    source = shop.drive()
    for kind, options in (
        (WorkKind.READ_DRIVE, {"bay": "1", "source": source}),
        (WorkKind.READ_PAIR, {"sources": {"1": source}}),
    ):
        state = shop.ended(shop.start(kind, **options))
        assert state.trouble is not None
        assert state.trouble.kind == "HeldBack"
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=source, although_refused="they said yes by word")
    assert shop.ended(work).outcome is Outcome.DONE


def test_an_image_is_verified_and_a_drive_compared_and_asked(shop: WorkShop) -> None:
    source = shop.drive()
    assert shop.ended(shop.start(WorkKind.READ_DRIVE, bay="1", source=source)).outcome is Outcome.DONE
    verified = shop.ended(shop.start(WorkKind.VERIFY_IMAGE, bay="1"))
    assert verified.outcome is Outcome.DONE
    assert "Nothing differs from what the drive gave." in verified.result_words
    compared = shop.ended(shop.start(WorkKind.COMPARE_DRIVE, bay="1", source=source))
    assert compared.outcome is Outcome.DONE
    assert "The drive gave the same bytes as before." in compared.result_words
    asked = shop.ended(shop.start(WorkKind.ASK_DRIVE, bay="1", source=source))
    assert asked.outcome is Outcome.INCOMPLETE  # a simulated drive says nothing of itself
    with next(shop.home.glob("cases/*/bay-1.img")).open("r+b") as image:
        image.seek(4096)
        image.write(b"changed")
    changed = shop.ended(shop.start(WorkKind.VERIFY_IMAGE, bay="1"))
    assert changed.trouble is not None
    assert changed.trouble.kind == "ImageChanged"
    assert isinstance(changed.result, Mapping)
    assert changed.result["holds"] is False


def test_a_pair_is_read_and_handed_back(shop: WorkShop, box: Scenario, tmp_path: Path) -> None:
    sources = {bay: f"unsteady:{drive}" for bay, drive in zip("12", box.drives, strict=True)}
    read = shop.start(WorkKind.READ_PAIR, sources=sources, want=["metadata", "*.xlsx"])
    state = shop.ended(read)
    assert state.outcome is Outcome.DONE, state
    assert set(state.progress) == {"1", "2"}
    assert "Together the halves gave every byte." in state.result_words
    folder = tmp_path / "hand-back"
    back = shop.start(WorkKind.HAND_BACK, folder=str(folder), shop="The bench")
    made = shop.ended(back)
    assert made.outcome in (Outcome.DONE, Outcome.INCOMPLETE), made
    assert result_of(shop, back)["copied_files"]
    assert made.step is not None
    assert check_handback(folder).files


# ---------------------------------------------------------------------- stop, rest, go on


def test_a_stop_is_clean_and_the_same_order_goes_on(shop: WorkShop) -> None:
    work = slow_reading(shop)
    shop.works.ask(work, WorkRequest(Ask.STOP))
    state = shop.ended(work)
    assert state.outcome is Outcome.STOPPED
    assert state.trouble is not None
    assert state.trouble.exit_code == 130
    assert state.result_words[0].startswith("Bay 1: ")
    goes_on_to_the_end(shop)


def test_the_end_of_the_machine_is_a_clean_stop_and_a_closed_terminal_nothing(shop: WorkShop) -> None:
    work = slow_reading(shop)
    process = shop.process(work)
    os.kill(process, signal.SIGHUP)
    before = read_of(shop, work)
    until(lambda: read_of(shop, work) > before)
    os.kill(process, signal.SIGTERM)
    assert shop.ended(work).outcome is Outcome.STOPPED


def test_a_work_rests_and_goes_on(shop: WorkShop) -> None:
    work = slow_reading(shop)
    shop.works.ask(work, WorkRequest(Ask.REST))
    until(lambda: shop.state(work).standing is Standing.RESTS)
    until(lambda: is_still(shop, work))
    assert shop.works.is_alive(work)
    before = read_of(shop, work)
    shop.works.ask(work, WorkRequest(Ask.GO_ON))
    until(lambda: read_of(shop, work) > before)
    assert shop.state(work).standing is Standing.RUNS
    shop.works.ask(work, WorkRequest(Ask.REST))
    until(lambda: shop.state(work).standing is Standing.RESTS)
    shop.works.ask(work, WorkRequest(Ask.STOP))
    assert shop.ended(work).outcome is Outcome.STOPPED


def is_still(shop: WorkShop, work: str) -> bool:
    """Whether nothing is read for so long that three reads would have been."""
    before = read_of(shop, work)
    time.sleep(1.5)
    return read_of(shop, work) == before


# ---------------------------------------------------------------------- a drive that vanished


def vanished(shop: WorkShop) -> str:
    """A work whose drive has dropped off the bus, once it asks."""
    lines = ("vanish_after_reads = 2", "vanish_times = 1", "comes_back = true")
    work = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive(*lines))
    until(lambda: shop.state(work).standing is Standing.WAITS or shop.state(work).is_over)
    return work


def test_a_question_for_the_power_is_answered_with_yes(shop: WorkShop) -> None:
    work = vanished(shop)
    question = shop.state(work).question
    assert question is not None
    assert (question.number, question.kind, question.bay) == (1, "power-cycle", "1")
    assert "Cut the power" in question.text
    shop.works.ask(work, WorkRequest(Ask.ANSWER, number=7, yes=False))  # of no question that is open
    shop.works.ask(work, WorkRequest(Ask.ANSWER, number=1, yes=True))
    state = shop.ended(work)
    assert state.outcome is Outcome.DONE, state
    assert state.question is None


def test_a_question_for_the_power_is_answered_with_no(shop: WorkShop) -> None:
    work = vanished(shop)
    shop.works.ask(work, WorkRequest(Ask.ANSWER, number=1, yes=False))
    state = shop.ended(work)
    assert state.outcome is Outcome.FAILED
    assert state.trouble is not None
    assert state.trouble.kind == "DriveVanished"
    assert state.result_words[0].startswith("Bay 1: ")


def test_a_stop_ends_the_question(shop: WorkShop) -> None:
    work = vanished(shop)
    shop.works.ask(work, WorkRequest(Ask.STOP))
    assert shop.ended(work).question is None


# ---------------------------------------------------------------------- killed


def test_a_killed_work_is_lost_and_the_same_order_goes_on(shop: WorkShop) -> None:
    work = slow_reading(shop)
    with pytest.raises(ImageBusy):
        shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive(*SLOW))
    until(lambda: read_of(shop, work) > 1 << 20)
    revision = shop.works.revision()
    os.kill(shop.process(work), signal.SIGKILL)
    until(lambda: not shop.works.is_alive(work))
    state = shop.ended(work)
    assert state.outcome is Outcome.LOST
    assert shop.works.revision() != revision
    shop.drive()
    again = shop.start(WorkKind.READ_DRIVE, bay="1", source=shop.drive())
    assert shop.ended(again).outcome is Outcome.DONE
    assert shop.read_bytes("1") == DRIVE_BYTES
