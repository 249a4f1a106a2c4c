"""Reading image files through a child, and what becomes of every way in which a child can answer or not."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path

import pytest

from mendbay.core.errors import MendbayError, SourceChanged, SourceError, SourceTooSmall
from mendbay.core.quantity import count_text
from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.inlets import reader_child
from mendbay.inlets.reader import CRASHES_IN_A_ROW, ReaderProcess
from support.patience import until
from support.processes import children, is_running, open_descriptors
from support.scripted_drive import numbered


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "image"
    path.write_bytes(numbered(4000))
    return path


def read(reader: ReaderProcess, start: int, length: int = 512) -> Attempt:
    reader.ask(Span.at(start, length))
    return reader.answer()


def child_of(reader: ReaderProcess) -> int:
    assert reader._child is not None
    return reader._child.process.pid


@pytest.mark.parametrize("size", [513, 4000 * 512 + 1, 4096 * 3 + 511])
def test_every_byte_of_a_file_that_ends_within_a_sector_can_be_read(tmp_path: Path, size: int) -> None:
    path = tmp_path / "ragged"
    path.write_bytes(numbered(5000)[:size])
    with ReaderProcess(path) as reader:
        last = size // 512 * 512
        assert bytes(read(reader, last, size - last).data) == path.read_bytes()[last:]
        assert bytes(read(reader, 0, size).data) == path.read_bytes()
        with pytest.raises(ValueError, match="borders of sectors"):
            reader.ask(Span(0, 100))


def test_sector_size_of_an_image_is_as_told(image: Path) -> None:
    with ReaderProcess(image, sector_bytes=4096) as reader:
        assert reader.identity.sector_bytes == 4096
        assert read(reader, 4096, 8192).outcome is Outcome.GIVEN
        with pytest.raises(ValueError, match="4096"):
            reader.ask(Span.at(512, 512))


def test_data_cannot_be_written_to(image: Path) -> None:
    with ReaderProcess(image) as reader:
        assert read(reader, 0).data.readonly


def test_a_file_that_shrinks_has_vanished_and_is_then_another_one(image: Path) -> None:
    with ReaderProcess(image) as reader:
        os.truncate(image, 1024)
        attempt = read(reader, 512, 1024)
        assert (attempt.outcome, attempt.error) == (Outcome.VANISHED, "too few bytes")
        with pytest.raises(SourceChanged) as found:
            reader.returned()
        assert count_text(1024) in found.value.what
        assert count_text(2_048_000) in found.value.what


def test_no_bytes_at_all_are_vanished_until_the_file_is_back(image: Path) -> None:
    content = image.read_bytes()
    with ReaderProcess(image) as reader:
        os.truncate(image, 0)
        attempt = read(reader, 512)
        assert (attempt.outcome, attempt.error) == (Outcome.VANISHED, "no bytes")
        assert not reader.returned()
        image.unlink()
        assert not reader.returned()
        assert read(reader, 0).outcome is Outcome.VANISHED
        image.write_bytes(content)
        assert reader.returned()
        assert bytes(read(reader, 512).data) == content[512:1024]


def test_a_child_that_does_not_answer_is_abandoned_and_replaced(image: Path) -> None:
    with ReaderProcess(image, patience_seconds=0.3) as reader:
        first = child_of(reader)
        os.kill(first, signal.SIGSTOP)
        for place in (0, 512, 1024):
            reader.ask(Span.at(place, 512))
        hung = reader.answer()
        assert (hung.span, hung.outcome, hung.error) == (Span(0, 512), Outcome.HUNG, "no answer")
        assert 0.3 <= hung.seconds < 3
        assert reader.queued == 0
        assert bytes(read(reader, 1024).data) == image.read_bytes()[1024:1536]
        assert child_of(reader) != first


def test_a_new_child_gets_new_memory_and_old_answers_stay_as_they_were(image: Path) -> None:
    with ReaderProcess(image, patience_seconds=0.4) as reader:
        before = read(reader, 512)
        os.kill(child_of(reader), signal.SIGSTOP)
        assert read(reader, 0).outcome is Outcome.HUNG
        for place in range(8):
            read(reader, 8192 + place * 512)
        assert bytes(before.data) == image.read_bytes()[512:1024]


def test_hangs_leave_no_process_and_no_descriptor_behind(image: Path) -> None:
    with ReaderProcess(image, patience_seconds=0.3) as reader:
        read(reader, 0)
        descriptors, family = open_descriptors(), len(children())
        for _ in range(6):
            os.kill(child_of(reader), signal.SIGSTOP)
            assert read(reader, 0).outcome is Outcome.HUNG
            assert read(reader, 0).outcome is Outcome.GIVEN
        assert reader.hanging == 0
        assert open_descriptors() == descriptors
        assert len(children()) == family


def test_opening_and_closing_leaves_nothing_behind(image: Path) -> None:
    descriptors, family = open_descriptors(), len(children())
    for _ in range(10):
        with ReaderProcess(image) as reader:
            read(reader, 0)
    assert open_descriptors() == descriptors
    assert len(children()) == family


def test_a_child_that_is_killed_is_replaced_and_every_queued_read_is_answered(image: Path) -> None:
    content = image.read_bytes()
    with ReaderProcess(image) as reader:
        for place in (0, 512, 1024):
            reader.ask(Span.at(place, 512))
        os.kill(child_of(reader), signal.SIGKILL)
        for place in (0, 512, 1024):
            attempt = reader.answer()
            assert (attempt.span, attempt.outcome) == (Span.at(place, 512), Outcome.GIVEN)
            assert bytes(attempt.data) == content[place : place + 512]


MENDBAY = """
import signal, sys
from pathlib import Path
from mendbay.core.span import Span
from mendbay.inlets.reader import ReaderProcess
keys = []
signal.signal(signal.SIGINT, lambda *_: keys.append("Ctrl-C"))
reader = ReaderProcess(Path(sys.argv[1]), patience_seconds=5)
def tell():
    reader.ask(Span(0, 512))
    attempt = reader.answer()
    print(reader._child.process.pid, attempt.outcome.name, *keys, flush=True)
tell()
while True:
    sys.stdin.readline()
    tell()
"""


@pytest.fixture
def mendbay(image: Path) -> Iterator[subprocess.Popen[str]]:
    """A process that reads a sector, says which child read it, and does so again for every line it is sent;
    with a group of its own, as everything started at one terminal has."""
    with subprocess.Popen(
        [sys.executable, "-c", MENDBAY, str(image)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        process_group=0,
    ) as process:
        yield process
        process.kill()


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def test_a_key_pressed_at_the_terminal_does_not_reach_the_child(mendbay: subprocess.Popen[str]) -> None:
    assert mendbay.stdin is not None
    child = said(mendbay).removesuffix(" GIVEN")
    os.killpg(mendbay.pid, signal.SIGINT)
    mendbay.stdin.write("\n")
    mendbay.stdin.flush()
    assert said(mendbay) == f"{child} GIVEN Ctrl-C", "the same child reads on"


def test_a_killed_mendbay_leaves_no_child(mendbay: subprocess.Popen[str]) -> None:
    child = said(mendbay).removesuffix(" GIVEN")
    assert is_running(child)
    mendbay.kill()
    assert until(lambda: not is_running(child))


def test_an_answer_broken_off_half_way_is_never_taken_for_that_of_a_later_read(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with ReaderProcess(image) as reader:
        for place in (0, 512, 1024):
            reader.ask(Span.at(place, 512))
        child = reader._child
        assert child is not None
        take = child.answer

        def break_off(seconds: float) -> None:
            take(seconds)
            raise KeyboardInterrupt

        monkeypatch.setattr(child, "answer", break_off)
        with pytest.raises(KeyboardInterrupt):
            reader.answer()
        assert reader.queued == 0
        assert bytes(read(reader, 2048).data) == image.read_bytes()[2048:2560]
        assert reader.hanging == 0


def test_a_person_need_not_wait_for_a_hung_read_of_another_thread(image: Path) -> None:
    with ReaderProcess(image, patience_seconds=600) as reader, ThreadPoolExecutor(1) as threads:
        os.kill(child_of(reader), signal.SIGSTOP)
        for place in (0, 512):
            reader.ask(Span.at(place, 512))
        waiting = threads.submit(reader.answer)
        assert not wait([waiting], 0.2).done
        reader.break_off()
        with pytest.raises(KeyboardInterrupt):
            waiting.result(60)
        assert reader.queued == 0
        with pytest.raises(KeyboardInterrupt):
            read(reader, 1024)


def test_what_look_refuses_is_refused_before_any_child_is_started(tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    with pytest.raises(SourceTooSmall):
        ReaderProcess(tmp_path / "empty")
    with pytest.raises(SourceError, match="does not exist"):
        ReaderProcess(tmp_path / "missing")


@pytest.mark.parametrize("wrong", [{"patience_seconds": 0}, {"abandoned_limit": 0}])
def test_limits_of_nothing_are_a_defect(image: Path, wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="above zero"):
        ReaderProcess(image, **wrong)


# What follows puts a child of our own in place of the real one: it opens well and then does what it is told.

STAND_IN = """
import os, struct, sys, time
channel = int(sys.argv[2])
def opened(status=0):
    os.write(channel, struct.pack("<6q", 0, status, os.stat(sys.argv[1]).st_size, 512, 512, 1))
def answer(status):
    command = os.read(channel, 32)
    now = time.monotonic_ns()
    os.write(channel, struct.pack("<6q", 1, status, now - 2_000_000_000, now, 1, 0))
"""

StandIn = Callable[[str], None]


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    def put(behaviour: str) -> None:
        script = tmp_path / "stand_in.py"
        script.write_text(STAND_IN + behaviour)
        monkeypatch.setattr(reader_child, "__file__", str(script))

    return put


@pytest.mark.parametrize(
    ("name", "outcome"),
    [
        ("EIO", Outcome.REFUSED),
        ("ENODATA", Outcome.REFUSED),
        ("ETIMEDOUT", Outcome.REFUSED),
        ("EREMOTEIO", Outcome.REFUSED),
        ("ENOLINK", Outcome.REFUSED),
        ("EILSEQ", Outcome.REFUSED),
        ("ENOMEM", Outcome.REFUSED),
        ("ENODEV", Outcome.VANISHED),
        ("ENXIO", Outcome.VANISHED),
        ("ENOMEDIUM", Outcome.VANISHED),
    ],
)
def test_every_error_of_a_read_is_an_outcome_with_its_name(
    image: Path, stand_in: StandIn, name: str, outcome: Outcome
) -> None:
    stand_in(f"opened()\nanswer(-{getattr(errno, name)})\ntime.sleep(9)")
    with ReaderProcess(image) as reader:
        reader.ask(Span.at(512, 512))
        reader.ask(Span.at(1024, 512))
        attempt = reader.answer()
        assert (attempt.span, attempt.outcome, attempt.error) == (Span.at(512, 512), outcome, name)
        assert len(attempt.data) == 0
        assert reader.queued == 0


def test_the_time_of_a_read_is_what_the_child_measured(image: Path, stand_in: StandIn) -> None:
    stand_in(f"opened()\nanswer(-{errno.EIO})\ntime.sleep(9)")
    with ReaderProcess(image) as reader:
        assert read(reader, 0).seconds == pytest.approx(2.0)


@pytest.mark.parametrize("name", ["EINVAL", "EFAULT", "EBADF"])
def test_a_malformed_read_is_a_defect_and_never_blamed_on_the_drive(
    image: Path, stand_in: StandIn, name: str
) -> None:
    stand_in(f"opened()\nanswer(-{getattr(errno, name)})\ntime.sleep(9)")
    with ReaderProcess(image) as reader:
        reader.ask(Span(0, 512))
        reader.ask(Span(512, 1024))
        with pytest.raises(MendbayError, match=f"The kernel calls .* malformed \\({name}\\)"):
            reader.answer()
        assert reader.queued == 0


def test_a_child_that_crashes_over_and_over_ends_the_job_and_blames_no_sector(
    image: Path, stand_in: StandIn, tmp_path: Path
) -> None:
    stand_in("opened()\nopen(sys.argv[1] + '.starts', 'a').write('x')\nos.read(channel, 32)\nos._exit(3)")
    with ReaderProcess(image) as reader:
        with pytest.raises(MendbayError, match="3 times in a row \\(last exit code 3\\)"):
            read(reader, 0)
        assert reader.queued == 0
    assert len((tmp_path / "image.starts").read_text()) == CRASHES_IN_A_ROW


@pytest.mark.parametrize("name", ["ENXIO", "EIO", "ENOENT", "ENOMEDIUM"])
def test_a_drive_that_cannot_be_opened_again_has_vanished(image: Path, stand_in: StandIn, name: str) -> None:
    with ReaderProcess(image, patience_seconds=0.4) as reader:
        os.kill(child_of(reader), signal.SIGSTOP)
        assert read(reader, 0).outcome is Outcome.HUNG
        stand_in(f"opened(-{getattr(errno, name)})")
        attempt = read(reader, 0)
        assert (attempt.outcome, attempt.error) == (Outcome.VANISHED, name)
        assert not reader.returned()


def test_a_drive_that_may_not_be_opened_any_more_is_an_error(image: Path, stand_in: StandIn) -> None:
    with ReaderProcess(image, patience_seconds=0.4) as reader:
        os.kill(child_of(reader), signal.SIGSTOP)
        assert read(reader, 0).outcome is Outcome.HUNG
        stand_in(f"opened(-{errno.EACCES})")
        with pytest.raises(SourceError, match="no right"):
            read(reader, 0)


@pytest.mark.parametrize(
    ("behaviour", "said"),
    [(f"opened(-{errno.EIO})", "EIO"), ("os._exit(1)", "the reading process ended")],
)
def test_a_drive_whose_child_cannot_begin_is_an_error(
    image: Path, stand_in: StandIn, behaviour: str, said: str
) -> None:
    stand_in(behaviour)
    descriptors = open_descriptors()
    with pytest.raises(SourceError, match=said):
        ReaderProcess(image)
    assert open_descriptors() == descriptors


def test_opening_that_hangs_is_a_hang(
    image: Path, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mendbay.inlets.reader.STARTING_SECONDS", 0.1)
    with ReaderProcess(image, patience_seconds=0.4) as reader:
        os.kill(child_of(reader), signal.SIGSTOP)
        assert read(reader, 0).outcome is Outcome.HUNG
        stand_in("time.sleep(60)")
        attempt = read(reader, 0)
        assert (attempt.outcome, attempt.error) == (Outcome.HUNG, "no answer to opening")
        assert not reader.returned()


# The child's own reading, in this process, on file systems that do not like direct reads.


def test_without_direct_reads_the_cache_is_used_and_it_says_so(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain_open = os.open

    def no_direct(path: str, flags: int) -> int:
        if flags & os.O_DIRECT:
            raise OSError(errno.EINVAL, "no direct reads here")
        return plain_open(path, flags)

    monkeypatch.setattr(os, "open", no_direct)
    drive = reader_child.Drive(str(image), 512)
    monkeypatch.undo()
    check_buffered(drive, image)


def test_direct_reads_that_want_more_alignment_fall_back_to_the_cache(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drive = reader_child.Drive(str(image), 512)
    plain_read = os.preadv

    def wants_4096(descriptor: int, buffers: list[memoryview], offset: int) -> int:
        if drive.direct and offset % 4096:
            raise OSError(errno.EINVAL, "unaligned")
        return plain_read(descriptor, buffers, offset)

    monkeypatch.setattr(os, "preadv", wants_4096)
    check_buffered(drive, image)


def test_an_error_of_a_device_without_size_is_that_of_a_missing_device(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Linux takes the capacity of an unplugged disk away; reads under way may still end as `EIO`."""
    drive = reader_child.Drive(str(image), 512)
    os.close(drive.descriptor)
    drive.is_block = True
    monkeypatch.setattr(drive, "size", lambda: 512)
    assert drive._told(errno.EIO) == errno.EIO
    monkeypatch.setattr(drive, "size", lambda: 0)
    assert drive._told(errno.EIO) == errno.ENODEV


def check_buffered(drive: reader_child.Drive, image: Path) -> None:
    view = memoryview(bytearray(1024))
    try:
        assert drive.read(view, 512, 1024) == 1024
        assert not drive.direct
        assert bytes(view) == image.read_bytes()[512:1536]
        assert drive.read(view, 4000 * 512, 512) == 0
    finally:
        os.close(drive.descriptor)
