"""What the kernel refuses to the process that reads pictures, tried as a broken decoder would."""

from __future__ import annotations

import io
import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from mendbay.inlets import photo_jail
from mendbay.inlets.photo import PictureReader

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or platform.machine() not in photo_jail.MACHINES,
    reason="NOT TESTED: the kernel's filter for the picture reader is for Linux on x86_64 and aarch64 only",
)

BROKEN = """
import ctypes, json, os, socket, sys, threading
from mendbay.inlets import photo_jail

folder = sys.argv[1]
before = socket.socket(socket.AF_UNIX)
ours, theirs = socket.socketpair()
held = photo_jail.refuse_reaching_out() and photo_jail.refuse_changing_files()
libc = ctypes.CDLL(None, use_errno=True)

def refused(name, *arguments):
    ctypes.set_errno(0)
    answer = getattr(libc, name)(*arguments)
    return answer == -1 and os.strerror(ctypes.get_errno())

path, other = f"{folder}/kept".encode(), f"{folder}/other".encode()
address = b"\\x01\\x00" + f"{folder}/door".encode()
none = (ctypes.c_char_p * 1)(None)
said = {
    "socket": refused("socket", 2, 1, 0),
    "connect": refused("connect", before.fileno(), address, len(address)),
    "execve": refused("execve", b"/bin/true", none, none),
    "fork": refused("fork"),
    "ptrace": refused("ptrace", 16, os.getppid(), 0, 0),
    "kill": refused("kill", os.getppid(), 0),
    "open": refused("open", path, os.O_WRONLY | os.O_TRUNC),
    "unlink": refused("unlink", path),
    "rename": refused("rename", path, other),
    "truncate": refused("truncate", path, 0),
    "chmod": refused("chmod", path, 0o777),
    "ioctl": refused("ioctl", before.fileno(), 0x2285, 0),
}
started = []
threads = [threading.Thread(target=lambda: started.append(refused("socket", 2, 1, 0))) for _ in range(2)]
for one in threads: one.start()
for one in threads: one.join()
ours.sendall(b"answer")
said |= {
    "system": libc.system(b"echo no > %s/made" % folder.encode()),
    "threads": started, "channel": theirs.recv(6).decode(), "reads": open(path).read(),
}
print(json.dumps([held, said]))
"""


def test_nothing_can_be_reached_or_changed_and_the_rest_goes_on(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("as it was")
    ended = subprocess.run(
        [sys.executable, "-c", BROKEN, str(tmp_path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.returncode == 0, ended.stderr
    held, said = json.loads(ended.stdout)
    if not held:
        pytest.skip("NOT TESTED: this kernel takes no filter, so that only Python's audit guards the reader")
    assert said.pop("system") != 0
    assert said.pop("threads") == ["Operation not permitted"] * 2
    assert (said.pop("channel"), said.pop("reads")) == ("answer", "as it was")
    assert set(said.values()) == {"Operation not permitted"}, said
    assert [one.name for one in tmp_path.iterdir()] == ["kept"]
    assert (tmp_path / "kept").read_text() == "as it was"


def test_a_reading_child_is_held_in_all_its_threads_and_reads() -> None:
    file = io.BytesIO()
    Image.new("L", (60, 60), 130).save(file, "PNG")
    with PictureReader(threads=2) as reader:
        assert reader.read_bytes(file.getvalue(), "wall").width == 60
        assert reader._child is not None
        tasks = list(Path(f"/proc/{reader._child.process.pid}/task").iterdir())
        status = [dict(line.split(":\t", 1) for line in _lines(one / "status")) for one in tasks]
    if "Seccomp" not in status[0] or not _filters_are_taken():
        pytest.skip("NOT TESTED: this kernel takes no filter, so that only Python's audit guards the reader")
    assert {(one["Seccomp"], one["NoNewPrivs"]) for one in status} == {("2", "1")}


def _lines(path: Path) -> list[str]:
    return [one for one in path.read_text().splitlines() if ":\t" in one]


def _filters_are_taken() -> bool:
    words = (
        "import sys; from mendbay.inlets import photo_jail; sys.exit(not photo_jail.refuse_reaching_out())"
    )
    return subprocess.run([sys.executable, "-c", words], timeout=60, check=False).returncode == 0


def test_another_processor_or_system_is_told_and_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(platform, "machine", lambda: "riscv64")
    assert not photo_jail.refuse_reaching_out()
    assert not photo_jail.refuse_changing_files()
    assert "Seccomp:\t0" in Path(f"/proc/{os.getpid()}/status").read_text()


@pytest.mark.parametrize("machine", sorted(photo_jail.MACHINES))
def test_no_number_is_given_twice(machine: str) -> None:
    which, _ = photo_jail.MACHINES[machine]
    calls = [*photo_jail.REACHING.values(), *photo_jail.CHANGING.values()]
    calls += [photo_jail.CLONE, photo_jail.CLONE3, photo_jail.TGKILL, photo_jail.OPEN, photo_jail.OPENAT]
    numbers = [one[which] for one in calls if one[which] is not None]
    assert len(numbers) == len(set(numbers))
