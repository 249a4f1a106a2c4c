"""The drives that this machine sees, read from a `/sys` and `/proc` made for the test."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.inlets import in_use
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.inlets.disks import drives_at_hand

USB = "pci0000:00/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0/block"


class Machine:
    """Drives below `/sys`, as the kernel lays them out."""

    def __init__(self, root: Path) -> None:
        self.root = root
        for name in ("class", "dev", "devices", "btrfs"):
            (root / name).mkdir()
        (root / "mountinfo").write_text("")
        (root / "swaps").write_text("")

    def add(self, name: str, numbers: str, place: str = "virtual/block", **files: str | bytes) -> Path:
        folder = self.root / "devices" / place / name
        folder.mkdir(parents=True)
        (folder / "dev").write_text(f"{numbers}\n")
        (folder / "size").write_text(f"{files.pop('size', '2048')}\n")
        for path, content in files.items():
            file = folder / path.replace("__", "/")
            file.parent.mkdir(exist_ok=True)
            file.write_bytes(content if isinstance(content, bytes) else content.encode())
        (self.root / "class" / name).symlink_to(folder)
        (self.root / "dev" / numbers).symlink_to(folder)
        return folder


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    made = Machine(tmp_path)
    for constant, name in (
        ("SYS_BLOCK", "class"),
        ("SYS_NUMBERS", "dev"),
        ("SYS_BTRFS", "btrfs"),
        ("MOUNTS", "mountinfo"),
        ("SWAPS", "swaps"),
    ):
        monkeypatch.setattr(in_use, constant, tmp_path / name)
    return made


def test_a_machine_without_drives(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    assert drives_at_hand() == ()
    monkeypatch.setattr(in_use, "SYS_BLOCK", machine.root / "nowhere")
    assert BenchDrives().at_hand() == ()


def test_a_drive_is_told_as_the_system_knows_it(machine: Machine) -> None:
    machine.add("sdb", "8:16", USB, device__model="AL20-HX4\n", device__vpd_pg80=b"\0\x80\0\x067K0042")
    machine.add("sda", "8:0", "pci0000:00/ata3/host2/target/2:0:0:0/block", size="976773168")
    machine.add("nvme0n1", "259:0", "pci0000:00/nvme/nvme0", device__serial="N1 ")
    first, second, third = drives_at_hand()
    assert (first.where, first.way, first.size_bytes) == ("/dev/sda", "ATA", 976773168 * 512)
    assert (second.where, second.way, second.model, second.serial) == (
        "/dev/sdb",
        "USB",
        "AL20-HX4",
        "7K0042",
    )
    assert (third.where, third.way, third.serial) == ("/dev/nvme0n1", "NVMe", "N1")


def test_what_is_no_drive_is_not_among_them(machine: Machine) -> None:
    disk = machine.add("sda", "8:0")
    part = disk / "sda1"
    part.mkdir()
    for name, content in (("dev", "8:1"), ("size", "9"), ("partition", "1")):
        (part / name).write_text(content)
    (machine.root / "class" / "sda1").symlink_to(part)
    for at, name in enumerate(
        ("ram0", "zram0", "sr0", "dm-0", "md127", "nbd3", "loop4", "bad name", "x" * 50)
    ):
        machine.add(name, f"7:{at}")
    machine.add("nvme0c0n1", "259:1", hidden="1")
    (machine.root / "class" / "sdx").symlink_to(machine.root / "gone")
    backing = machine.root / "a.img"
    backing.write_bytes(b"")
    machine.add("loop5", "7:50", loop__backing_file=f"{backing}\n")
    machine.add("sdz", "8:99", size="not a number")
    assert [(one.where, one.way) for one in drives_at_hand()] == [("/dev/sda", ""), ("/dev/loop5", "a file")]


def test_what_is_in_use_says_by_what(machine: Machine) -> None:
    machine.add("sda", "8:0")
    machine.add("sdb", "8:16", size="0")
    (machine.root / "mountinfo").write_text("29 1 8:0 / /srv rw - ext4 /dev/sda rw\n")
    used, empty = drives_at_hand()
    assert used.uses == ("/dev/sda is mounted at /srv",)
    assert (empty.size_bytes, empty.uses) == (0, ())


def test_what_a_drive_calls_itself_is_plain_and_short(machine: Machine) -> None:
    machine.add(
        "sda",
        "8:0",
        device__model=b"\x1b[2J\xe2\x80\xae<b>evil</b>" + b"x" * 5000,
        serial=b"\xff\x00\n42\x07",
    )
    (only,) = drives_at_hand()
    assert only.model.isprintable()
    assert only.model.isascii()
    assert len(only.model) <= 256
    assert only.serial == "42"


def test_none_of_many_is_left_out(machine: Machine) -> None:
    for at in range(150):
        machine.add(f"sd{at}", f"8:{at}")
    assert len(drives_at_hand()) == 150
