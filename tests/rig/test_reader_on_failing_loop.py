"""A real block device that fails: what only the kernel can show."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from mendbay.core.errors import SourceBusy, SourceChanged, SourceError, SourceTooSmall
from mendbay.core.quantity import count_text
from mendbay.imaging.attempt import Outcome
from mendbay.inlets import device
from mendbay.inlets.failing_loop import FailingLoop
from mendbay.inlets.reader import ReaderProcess
from mendbay.inlets.unsteady_description import Slow, dump
from support.benches import (
    HANG,
    REFUSED,
    WEAK,
    Bench,
    description_of,
    loop_bench,
    needs_failing_loop,
    simulated_bench,
)
from support.patience import until
from support.processes import children, is_running, open_descriptors

pytestmark = [pytest.mark.root, needs_failing_loop]


def test_every_single_sector_read_reaches_the_drive_once_and_alone(tmp_path: Path) -> None:
    """No read-ahead, no retry by the kernel: the error hits exactly the bad sector."""
    with loop_bench(tmp_path) as bench:
        outcomes = {one: bench.read(one).outcome for one in range(REFUSED - 16, REFUSED + 17)}
        assert [one for one, outcome in outcomes.items() if outcome is Outcome.REFUSED] == [REFUSED]
        assert bench.tried is not None
        assert bench.tried() == [(one, 1) for one in outcomes]


def test_a_hang_costs_its_patience_and_its_child_ends_when_the_read_does(tmp_path: Path) -> None:
    with (
        FailingLoop(description_of(tmp_path)) as loop,
        ReaderProcess(loop.path, patience_seconds=0.5) as reader,
    ):
        bench = Bench(reader, description_of(tmp_path).image.read_bytes(), 512)
        begun = time.monotonic()
        assert bench.read(HANG).outcome is Outcome.HUNG
        assert bench.holds(bench.read(0))
        assert time.monotonic() - begun < 5
        assert reader.hanging == 1
        loop.release()
        assert until(lambda: reader.hanging == 0)


def test_the_patience_is_for_one_read_not_for_those_before_it(tmp_path: Path) -> None:
    slow = (Slow(100, 0.6), Slow(200, 0.6), Slow(300, 0.6))
    with loop_bench(tmp_path, slow=slow) as bench:
        for place in (100, 200, 300):
            bench.reader.ask(bench.span(place))
        answers = [bench.reader.answer() for _ in range(3)]
        assert [one.outcome for one in answers] == [Outcome.GIVEN] * 3
        assert all(0.6 <= one.seconds < 1.5 for one in answers)


def test_too_many_hung_reads_count_as_a_drive_that_vanished(tmp_path: Path) -> None:
    description = description_of(tmp_path, hang=((HANG, 10),))
    with (
        FailingLoop(description) as loop,
        ReaderProcess(loop.path, patience_seconds=0.3, abandoned_limit=2) as reader,
    ):
        bench = Bench(reader, b"", 512)
        assert [bench.read(HANG + at).outcome for at in range(3)] == [
            Outcome.HUNG,
            Outcome.HUNG,
            Outcome.VANISHED,
        ]
        assert not reader.returned()
        loop.release()
        assert until(lambda: reader.hanging == 0)
        assert reader.returned()
        assert bench.read(0).outcome is Outcome.GIVEN


def test_the_cut_of_power_ends_the_hung_reads_of_a_drive_that_had_too_many(tmp_path: Path) -> None:
    """The first look afterwards finds the drive: those reads do not count against it any more."""
    with (
        FailingLoop(description_of(tmp_path)) as loop,
        ReaderProcess(loop.path, patience_seconds=0.3, abandoned_limit=1) as reader,
    ):
        bench = Bench(reader, description_of(tmp_path).image.read_bytes(), 512)
        assert bench.read(HANG).outcome is Outcome.HUNG
        assert bench.read(0).outcome is Outcome.VANISHED
        loop.power_cycle()
        assert reader.returned()
        assert bench.holds(bench.read(0))
        assert reader.hanging == 0


def test_closing_with_a_hung_child_does_not_wait_for_it(tmp_path: Path) -> None:
    with FailingLoop(description_of(tmp_path)) as loop:
        reader = ReaderProcess(loop.path, patience_seconds=0.3)
        bench = Bench(reader, b"", 512)
        assert bench.read(HANG).outcome is Outcome.HUNG
        begun = time.monotonic()
        reader.close()
        assert time.monotonic() - begun < 1


def test_hangs_leave_no_process_and_no_descriptor_behind(tmp_path: Path) -> None:
    description = description_of(tmp_path, hang=((HANG, 10),))
    with (
        FailingLoop(description) as loop,
        ReaderProcess(loop.path, patience_seconds=0.2, abandoned_limit=20) as reader,
    ):
        bench = Bench(reader, b"", 512)
        assert reader._child is not None
        others = children() - {reader._child.process.pid}
        open_before = open_descriptors()
        for at in range(6):
            assert bench.read(HANG + at).outcome is Outcome.HUNG
            assert bench.read(at).outcome is Outcome.GIVEN
        loop.release()
        assert until(lambda: reader.hanging == 0)
        assert open_descriptors() == open_before
        assert reader._child is not None
        assert children() - others == {reader._child.process.pid}


def test_the_drive_is_claimed_while_it_is_read(tmp_path: Path) -> None:
    with FailingLoop(description_of(tmp_path)) as loop:
        with ReaderProcess(loop.path), pytest.raises(SourceBusy, match="held by something else"):
            device.look(loop.path)
        assert device.look(loop.path).size_bytes == description_of(tmp_path).image_bytes


def test_a_vanished_drive_is_let_go_of_and_claimed_again_when_it_is_back(tmp_path: Path) -> None:
    """A name that is held open is not given to the drive's return."""
    with FailingLoop(description_of(tmp_path)) as loop, ReaderProcess(loop.path) as reader:
        loop.unplug()
        assert Bench(reader, b"", 512).read(0).outcome is Outcome.VANISHED
        os.close(device.claim(loop.path))
        loop.power_cycle()
        assert reader.returned()
        with pytest.raises(SourceBusy):
            device.claim(loop.path)


def test_a_drive_without_power_is_named_as_such(tmp_path: Path) -> None:
    with FailingLoop(description_of(tmp_path)) as loop:
        loop.unplug()
        with pytest.raises(SourceTooSmall, match="0 bytes") as found:
            device.look(loop.path)
        assert "power" in found.value.next_step


def test_another_drive_under_the_same_name_is_refused(tmp_path: Path) -> None:
    """The name is a link, as in `/dev/disk/by-id`, that comes to lead to another device."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "drive.img").write_bytes(bytes(1 << 20))
    name = tmp_path / "bay"
    with FailingLoop(description_of(tmp_path)) as first, FailingLoop(description_of(other)) as second:
        name.symlink_to(first.path)
        with ReaderProcess(name) as reader:
            first.unplug()
            assert Bench(reader, b"", 512).read(0).outcome is Outcome.VANISHED
            name.unlink()
            assert not reader.returned()
            name.symlink_to(second.path)
            with pytest.raises(SourceChanged, match=count_text(1 << 20)):
                reader.returned()


def test_a_drive_may_come_back_under_another_device(tmp_path: Path) -> None:
    name = tmp_path / "bay"
    description = description_of(tmp_path)
    with FailingLoop(description) as second:
        with FailingLoop(description) as first:
            name.symlink_to(first.path)
            reader = ReaderProcess(name)
            bench = Bench(reader, description.image.read_bytes(), 512)
            assert bench.holds(bench.read(3))
        gone = bench.read(4)
        assert gone.outcome in (Outcome.REFUSED, Outcome.VANISHED)
        name.unlink()
        name.symlink_to(second.path)
        assert reader.returned()
        assert bench.holds(bench.read(4))
        reader.close()


def test_a_killed_server_leaves_no_loop_device(tmp_path: Path) -> None:
    loop = FailingLoop(description_of(tmp_path))
    backing = Path("/sys/class/block") / loop.path.name / "loop"
    assert backing.exists()
    loop._process.send_signal(signal.SIGKILL)
    with pytest.raises(SourceError, match="ended"):
        loop.unplug()
    loop.close()
    assert until(lambda: not backing.exists())


def test_the_child_ends_with_the_mendbay_that_started_it(tmp_path: Path) -> None:
    with FailingLoop(description_of(tmp_path)) as loop:
        program = (
            "import sys, time; from pathlib import Path\n"
            "from mendbay.inlets.reader import ReaderProcess\n"
            "reader = ReaderProcess(Path(sys.argv[1]))\n"
            "print(reader._child.process.pid, flush=True); time.sleep(60)\n"
        )
        with subprocess.Popen(
            [sys.executable, "-c", program, str(loop.path)], stdout=subprocess.PIPE, text=True
        ) as mendbay:
            assert mendbay.stdout is not None
            child = int(mendbay.stdout.readline())
            assert is_running(child)
            mendbay.kill()
        assert until(lambda: not is_running(child))


def test_a_killed_program_leaves_no_server_no_loop_device_and_no_hung_child(tmp_path: Path) -> None:
    """The program that made the device is killed while a read of it hangs. The mount has no place in any
    folder: it is held by the server and the loop device, and gone with them."""
    (tmp_path / "drive.toml").write_text(dump(description_of(tmp_path)))
    program = (
        "import sys, time; from pathlib import Path\n"
        "from mendbay.core.span import Span\n"
        "from mendbay.inlets.failing_loop import FailingLoop\n"
        "from mendbay.inlets.reader import ReaderProcess\n"
        "from mendbay.inlets.unsteady_description import load_unsteady\n"
        "loop = FailingLoop(load_unsteady(Path(sys.argv[1])))\n"
        "reader = ReaderProcess(loop.path)\n"
        f"reader.ask(Span.at({HANG} * 512, 512))\n"
        "while not any(turn == 'hangs' for _, _, turn in loop.log()): time.sleep(0.01)\n"
        "print(loop.path.name, loop._process.pid, reader._child.process.pid, flush=True)\n"
        "reader.answer()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path / "drive.toml")], stdout=subprocess.PIPE, text=True
    ) as owner:
        assert owner.stdout is not None
        name, server, child = owner.stdout.readline().split()
        backing = Path("/sys/class/block", name, "loop")
        assert backing.exists()
        assert is_running(server)
        assert is_running(child)
        owner.kill()
    assert until(lambda: not is_running(server))
    assert until(lambda: not is_running(child)), "its read still hangs"
    assert until(lambda: not backing.exists())


def test_wear_is_shared_with_the_simulated_drive(tmp_path: Path) -> None:
    state = tmp_path / "wear.json"
    with loop_bench(tmp_path, state_file=state) as bench:
        assert bench.read(WEAK).outcome is Outcome.REFUSED
    with simulated_bench(tmp_path, state_file=state) as bench:
        assert [bench.read(WEAK).outcome for _ in range(2)] == [Outcome.REFUSED, Outcome.GIVEN]
