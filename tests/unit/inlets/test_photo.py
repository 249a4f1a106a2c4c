"""Pictures read through the child: what is seen, which fault is named, and what bad pictures cannot do.

The pictures are drawn (`support.label_pictures`); the reader is shared, since loading its models takes time.
"""

from __future__ import annotations

import io
import json
import os
import resource
import signal
import socket
import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from mendbay.board.sighting import How, PictureFault, PictureReading
from mendbay.core.errors import ToolMissing
from mendbay.inlets import photo, photo_child, photo_limits, photo_wire
from mendbay.inlets.photo import PictureReader
from support import label_pictures

EXIF_ROTATE_270 = 6
UNREAD = PictureFault.UNREAD


@pytest.fixture(scope="module")
def reader() -> Iterator[PictureReader]:
    with PictureReader() as one:
        yield one


def texts(reading: PictureReading) -> list[str]:
    return [one.text.replace(" ", "") for one in reading.sightings if one.how is How.TEXT]


def codes(reading: PictureReading) -> set[tuple[str, str]]:
    return {(one.code, one.text) for one in reading.sightings if one.how is How.BARCODE}


def as_file(image: Image.Image, kind: str, **more: object) -> bytes:
    file = io.BytesIO()
    image.save(file, kind, **more)
    return file.getvalue()


def refusal(reading: PictureReading, fault: PictureFault = PictureFault.UNUSABLE) -> str:
    """The figure of a reading that must have this fault and nothing else."""
    assert (reading.usable, reading.sightings) == (False, ())
    (trouble,) = reading.troubles
    assert trouble.fault is fault
    assert reading.unread is (fault is UNREAD)
    assert trouble.advice.endswith(".")
    return trouble.measured


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "taken", "seed"), [("label", "mixed 1", 5), ("board", "mixed 1", 6), ("box", "dark 1", 7)]
)
def test_a_fair_picture_is_read_in_full_and_rated_usable(
    reader: PictureReader, kind: str, taken: str, seed: int
) -> None:
    picture = label_pictures.take(kind, taken, seed)
    reading = reader.read_bytes(picture.jpeg, picture.name)
    assert codes(reading) == set(picture.truth.codes)
    assert [
        text for text in picture.truth.fields.values() if not any(text in one for one in texts(reading))
    ] == []
    assert (reading.usable, reading.troubles) == (True, ())
    assert (reading.picture, reading.width, reading.height) == (picture.name, 2000, 1500)
    for one in reading.sightings:
        assert all(-5 <= x <= 2005 and -5 <= y <= 1505 for x, y in one.corners)
        assert len(one.characters) == (len(one.text) if one.how is How.TEXT else 0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "spoiling"),
    [
        ("board", "dark 2"),
        ("label", "glare 1"),
        ("label", "motion 1"),
        ("box", "small 2"),
        ("box", "oblique 2"),
    ],
)
def test_a_spoilt_picture_is_not_usable_and_its_fault_is_named(
    reader: PictureReader, kind: str, spoiling: str
) -> None:
    picture = label_pictures.take(kind, spoiling, 7)
    reading = reader.read_bytes(picture.jpeg, picture.name)
    assert not reading.usable
    assert picture.spoiling.fault in {one.fault.value for one in reading.troubles}


@pytest.mark.slow
def test_corners_are_those_of_the_picture_as_shown(reader: PictureReader) -> None:
    """The same picture stored lying, with the note how the camera was held, gives the same places."""
    picture = label_pictures.take("label", label_pictures.with_spoiling("mixed 0", turns=(0.0,)), 8)
    shown = Image.open(io.BytesIO(picture.jpeg)).resize((1000, 750))
    notes = Image.Exif()
    notes[0x0112] = EXIF_ROTATE_270
    lying = shown.transpose(Image.Transpose.ROTATE_90)
    one = reader.read_bytes(as_file(shown, "PNG"), "shown")
    other = reader.read_bytes(as_file(lying, "PNG", exif=notes), "lying")
    assert (other.width, other.height) == (one.width, one.height) == (1000, 750)
    places = {seen.text: seen.corners for seen in one.sightings if seen.code}
    assert places.keys() == {seen.text for seen in other.sightings if seen.code} != set()
    for seen in other.sightings:
        if seen.code:
            flat = [part for corner in seen.corners for part in corner]
            assert flat == pytest.approx([part for corner in places[seen.text] for part in corner], abs=3)


def png_header(width: int, height: int) -> bytes:
    """A PNG file that says it has so many pixels and holds next to none."""
    body = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = [(b"IHDR", body), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")]
    chunks = (
        struct.pack(">I", len(part)) + name + part + struct.pack(">I", zlib.crc32(name + part))
        for name, part in parts
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def test_what_is_no_picture_is_unusable_and_says_why(reader: PictureReader) -> None:
    small = Image.new("RGB", (60, 60), "grey")
    jpeg = as_file(Image.effect_noise((300, 300), 40), "JPEG")
    assert "no JPEG" in refusal(reader.read_bytes(b"a letter, not a picture", "letter.jpg"))
    assert "no JPEG" in refusal(reader.read_bytes(as_file(small, "GIF"), "kind.gif"))
    assert "HEIF" in refusal(reader.read_bytes(b"\0\0\0\x18ftypheic" + bytes(40), "phone.heic"))
    assert "damaged" in refusal(reader.read_bytes(jpeg[: len(jpeg) // 2], "cut.jpg"))
    assert "60000 by 60000" in refusal(reader.read_bytes(png_header(60_000, 60_000), "bomb.png"))
    assert "only 20 by 20" in refusal(reader.read_bytes(as_file(small.resize((20, 20)), "PNG"), "icon.png"))
    assert "empty" in refusal(reader.read_bytes(b"", "none.jpg"))


def test_a_plain_picture_is_empty_not_unusable(reader: PictureReader) -> None:
    for kind in ("PNG", "WEBP", "JPEG"):
        reading = reader.read_bytes(as_file(Image.new("RGB", (400, 300), (140, 150, 160)), kind), "wall")
        assert [one.fault for one in reading.troubles] == [PictureFault.EMPTY]
        assert (reading.width, reading.height, reading.usable) == (400, 300, False)


def test_a_long_thin_strip_costs_no_more_than_another_picture(reader: PictureReader) -> None:
    strip = as_file(Image.new("RGB", (9000, 50), (140, 150, 160)), "PNG")
    reading = reader.read_bytes(strip, "strip")
    assert [one.fault for one in reading.troubles] == [PictureFault.EMPTY]


def test_a_file_over_the_limit_is_not_taken() -> None:
    with PictureReader(picture_bytes=1000) as reader:
        assert "2000 bytes" in refusal(reader.read_bytes(bytes(2000), "large.jpg"))
        assert reader._child is None


@pytest.mark.slow
def test_a_child_that_takes_too_long_or_dies_is_replaced() -> None:
    wall = as_file(Image.new("L", (300, 300), 130), "PNG")
    with PictureReader(seconds_per_picture=60) as reader:
        reader.read_bytes(wall, "first")
        reader.seconds_per_picture = 0.001
        slow = refusal(reader.read_bytes(wall, "slow"), UNREAD)
        assert "could not be read within 0.001 seconds" in slow
        reader.seconds_per_picture = 60
        assert reader.read_bytes(wall, "next").width == 300


@pytest.mark.slow
@pytest.mark.parametrize("seen_dead", [True, False])
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSEGV])
def test_a_child_that_ended_while_idle_is_not_laid_on_the_next_picture(
    how: signal.Signals, seen_dead: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    wall = as_file(Image.new("L", (60, 60), 130), "PNG")
    with PictureReader(threads=1) as reader:
        reader.read_bytes(wall, "first")
        assert reader._child is not None
        reader._child.process.send_signal(how)
        reader._child.process.wait(10)  # until then its end of the channel may still be open
        if not seen_dead:
            monkeypatch.setattr(reader._child, "ended", lambda: False)
        assert reader.read_bytes(wall, "next").width == 60


class Ending:
    """A child that ends in the middle of every picture, or says something else."""

    def __init__(self, fate: int, answer: bytes | None = None, taken: bool = True) -> None:
        self.pictures, self.asked, self._fate, self._answer, self._taken = 0, 0, fate, answer, taken

    def ask(self, data: bytes, seconds: float) -> bytes:
        self.asked += 1
        if self._answer is None:
            raise EOFError if self._taken else photo.NotTaken
        return self._answer

    def fate(self) -> int:
        return self._fate

    def end(self) -> None:
        pass


@pytest.mark.parametrize(
    ("child", "tries", "said"),
    [
        (Ending(-signal.SIGKILL), 2, "ended from outside, twice"),
        (Ending(-signal.SIGSEGV), 1, "it broke the process"),
        (Ending(1, taken=False), 2, "it broke the process"),
        (Ending(-signal.SIGXCPU), 1, "seconds of processor time"),
        (Ending(0, b'{"sightings": 4}'), 1, "answered nonsense"),
    ],
)
def test_how_a_child_fails_is_told_apart_and_the_picture_may_be_read_again(
    child: Ending, tries: int, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = PictureReader()
    monkeypatch.setattr(reader, "_ready_child", lambda: child)
    assert said in refusal(reader.read_bytes(b"a picture", "any"), UNREAD)
    assert child.asked == tries


def test_the_child_may_neither_connect_nor_write_nor_start_programs() -> None:
    for event in ("socket.connect", "socket.getaddrinfo", "subprocess.Popen", "os.fork"):
        with pytest.raises(PermissionError):
            photo_limits.guard(event, ())
    with pytest.raises(PermissionError):
        photo_limits.guard("open", ("kept.txt", "w", os.O_WRONLY | os.O_CREAT))
    photo_limits.guard("open", ("model.onnx", "r", os.O_RDONLY))


def test_the_child_is_under_the_limits_it_was_given(reader: PictureReader) -> None:
    reader.read_bytes(as_file(Image.new("RGB", (50, 50)), "PNG"), "any")
    assert reader._child is not None
    limits = Path(f"/proc/{reader._child.process.pid}/limits").read_text()
    rows = {line[:26].strip(): line[26:].split() for line in limits.splitlines()}
    assert rows["Max address space"][0] == str(photo.MEMORY_BYTES)
    assert rows["Max file size"][:2] == ["0", "0"]
    assert rows["Max core file size"][:2] == ["0", "0"]
    soft, hard = (int(one) for one in rows["Max cpu time"][:2])
    whole_life = photo_limits.STARTING_CPU_SECONDS + photo.CPU_SECONDS_PER_PICTURE * photo.PICTURES_PER_CHILD
    ticks = Path(f"/proc/{reader._child.process.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
    used = sum(int(one) for one in ticks) / os.sysconf("SC_CLK_TCK")
    assert photo.CPU_SECONDS_PER_PICTURE < soft <= used + photo.CPU_SECONDS_PER_PICTURE + 2
    assert hard == whole_life


@pytest.mark.slow
def test_a_picture_that_uses_up_its_processor_time_costs_only_itself() -> None:
    laborious = label_pictures.take("label", "mixed 0", 11).jpeg
    wall = as_file(Image.new("L", (60, 60), 130), "PNG")
    with PictureReader(cpu_seconds_per_picture=3, threads=1) as reader:
        assert reader.read_bytes(wall, "first").width == 60
        first = reader._child
        said = refusal(reader.read_bytes(laborious, "laborious"), UNREAD)
        assert "within 3 seconds of processor time" in said
        assert reader.read_bytes(wall, "next").width == 60
        assert reader._child is not first


@pytest.mark.slow
def test_a_picture_that_needs_more_memory_than_there_is_costs_only_itself() -> None:
    """A picture of 100 million pixels of which the file says little."""
    large = as_file(Image.new("RGB", (10_000, 10_000), "grey"), "PNG")
    wall = as_file(Image.new("L", (60, 60), 130), "PNG")
    assert len(large) < 1 << 20
    with PictureReader(memory_bytes=700 << 20, threads=1) as reader:
        assert reader.read_bytes(wall, "first").width == 60
        assert "could not be read" in refusal(reader.read_bytes(large, "large"), UNREAD)
        assert reader.read_bytes(wall, "next").width == 60


def test_a_child_reads_so_many_pictures_and_is_then_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo, "PICTURES_PER_CHILD", 2)
    wall = as_file(Image.new("L", (60, 60), 130), "PNG")
    with PictureReader(threads=1) as reader:
        children = []
        for _ in range(3):
            assert reader.read_bytes(wall, "wall").width == 60
            assert reader._child is not None
            children.append(reader._child.process.pid)
    assert children[0] == children[1] != children[2]


LIMITED = """
import os, sys
from mendbay.inlets import photo_limits
photo_limits.bind_to_parent(os.getppid())
photo_limits.limit({memory}, 1, 0)
{then}
"""


def limited(then: str, memory: int = 0, **more: object) -> subprocess.CompletedProcess[str]:
    """A process under the child's limits that does something none of them lets it do."""
    program = LIMITED.format(memory=memory, then=then)
    return subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False, **more
    )


def test_no_byte_can_be_written_to_a_file(tmp_path: Path) -> None:
    place = tmp_path / "kept"
    ended = limited(f"os.write(os.open({str(place)!r}, os.O_WRONLY | os.O_CREAT), b'x')")
    assert "File too large" in ended.stderr
    assert place.read_bytes() == b""


def test_memory_over_the_limit_is_not_to_be_had() -> None:
    ended = limited("bytearray(300 << 20)", memory=256 << 20)
    assert "MemoryError" in ended.stderr


def test_processor_time_over_the_limit_ends_the_process() -> None:
    ended = limited("photo_limits.allow_cpu(1)\nwhile True: pass")
    assert ended.returncode == -signal.SIGXCPU


def test_the_limit_on_the_whole_life_cannot_be_raised() -> None:
    """`allow_cpu` stays below it, whatever is asked."""
    words = "import resource; photo_limits.allow_cpu(10**6); print(*resource.getrlimit(resource.RLIMIT_CPU))"
    most = str(photo_limits.STARTING_CPU_SECONDS)
    assert limited(words).stdout.split() == [most, most]


def test_lower_limits_than_its_own_stay_and_it_starts_all_the_same() -> None:
    """As an ordinary user has, who cannot raise them."""
    program = LIMITED.format(memory=1 << 40, then="print([resource.getrlimit(one) for one in which])")
    lower = (
        "import resource, os\n"
        "which = (resource.RLIMIT_CPU, resource.RLIMIT_AS)\n"
        "resource.setrlimit(which[0], (30, 30))\n"
        "resource.setrlimit(which[1], (1 << 33, 1 << 33))\n"
        "if os.getuid() == 0: os.setuid(65534)\n"
    )
    imported = "from mendbay.inlets import photo_limits\n"  # while it may still read the code
    ended = subprocess.run(
        [sys.executable, "-c", imported + lower + program], capture_output=True, text=True, check=False
    )
    assert (ended.stdout, ended.stderr) == (f"[(30, 30), ({1 << 33}, {1 << 33})]\n", "")


def test_a_child_that_does_not_start_is_not_laid_on_missing_libraries() -> None:
    ours, theirs = socket.socketpair()
    theirs.close()
    with ours:
        child = photo._Child.__new__(photo._Child)
        child.channel = ours
        with pytest.raises(ToolMissing, match="as it started") as raised:
            child.await_ready()
    assert "ulimit" in raised.value.next_step
    assert "mendbay[pictures]" not in raised.value.next_step


def test_a_crash_leaves_no_core_dump(tmp_path: Path) -> None:
    """The same crash would leave one without the limits, where the system writes them to a file."""
    program = LIMITED.format(memory=0, then="os.abort()")
    resource.setrlimit(resource.RLIMIT_CORE, (resource.getrlimit(resource.RLIMIT_CORE)[1],) * 2)
    started = subprocess.Popen([sys.executable, "-c", program], cwd=tmp_path)
    status = os.waitpid(started.pid, 0)[1]
    started.returncode = status
    assert os.WTERMSIG(status) == signal.SIGABRT
    assert not os.WCOREDUMP(status)
    assert list(tmp_path.iterdir()) == []


def test_a_child_whose_parent_is_gone_does_not_start() -> None:
    program = (
        "from mendbay.inlets import photo_limits; photo_limits.bind_to_parent(1 << 30); print('started')"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, timeout=60, check=False)
    assert (ended.returncode, ended.stdout) == (1, b"")


PARENT = """
import io, time
from PIL import Image
from mendbay.inlets.photo import PictureReader
file = io.BytesIO()
Image.new("L", (60, 60), 130).save(file, "PNG")
reader = PictureReader(threads=1)
assert reader.read_bytes(file.getvalue(), "wall").width == 60
print(reader._child.process.pid, flush=True)
time.sleep(600)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a child with its parent (prctl)")
def test_a_busy_child_dies_with_its_parent() -> None:
    """The child is stopped, so that it cannot see its channel close: only the kernel can end it then."""
    with subprocess.Popen([sys.executable, "-c", PARENT], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        os.kill(child, signal.SIGSTOP)
        assert alive(child)
        parent.kill()
    until = time.monotonic() + 10
    while alive(child) and time.monotonic() < until:
        time.sleep(0.02)
    assert not alive(child)


def alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def test_missing_libraries_are_told_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo_child, "NEEDED", ("no_such_library_at_all",))
    ours, theirs = socket.socketpair()
    with ours, theirs:
        photo_child.serve(theirs, 1, 1)
        said = json.loads(photo_wire.receive(ours, 1000))
        assert "no_such_library_at_all" in said["cannot"]
        photo_wire.send(theirs, json.dumps(said).encode())
        child = photo._Child.__new__(photo._Child)
        child.channel = ours
        with pytest.raises(ToolMissing, match="no_such_library_at_all") as raised:
            child.await_ready()
    assert "mendbay[pictures]" in raised.value.next_step
