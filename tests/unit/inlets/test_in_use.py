"""Mounts, swap and stacks of devices, read from a `/sys` and `/proc` made for the test.

The tree: disk 8:0 `sda` with partitions 8:1 and 8:2; set 9:0 `md0` on the first partition, mapping 253:0
`dm-0` on the set; disk 8:16 `sdb`; 7:5 `loop5` made of a file.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path, PosixPath
from typing import ClassVar

import pytest

from mendbay.core.errors import SourceError
from mendbay.inlets import device, in_use

SDA, SDA1, SDA2 = os.makedev(8, 0), os.makedev(8, 1), os.makedev(8, 2)
SDB, MD0, DM0, LOOP5 = os.makedev(8, 16), os.makedev(9, 0), os.makedev(253, 0), os.makedev(7, 5)

ROOT_LINE = "27 1 0:40 / / rw,relatime - tmpfs none rw\n"


class Tree:
    def __init__(self, root: Path) -> None:
        self.root = root
        for name in ("class", "dev", "devices", "btrfs"):
            (root / name).mkdir()

    def add(self, name: str, numbers: str, inside: str = "") -> Path:
        folder = self.root / "devices" / inside / name
        for kind in ("holders", "slaves"):
            (folder / kind).mkdir(parents=True)
        (folder / "dev").write_text(numbers + "\n")
        if inside:
            (folder / "partition").write_text("1\n")
        (self.root / "class" / name).symlink_to(folder)
        (self.root / "dev" / numbers).symlink_to(folder)
        return folder

    def stack(self, upper: str, lower: Path) -> None:
        (lower / "holders" / upper).touch()
        (self.root / "class" / upper / "slaves" / lower.name).touch()

    def mounts(self, *lines: str) -> None:
        (self.root / "mountinfo").write_text(ROOT_LINE + "".join(line + "\n" for line in lines))

    def swaps(self, *paths: str) -> None:
        (self.root / "swaps").write_text(
            "Filename Type Size\n" + "".join(f"{p} partition 1\n" for p in paths)
        )


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tree:
    made = Tree(tmp_path)
    made.add("sda", "8:0")
    first = made.add("sda1", "8:1", inside="sda")
    made.add("sda2", "8:2", inside="sda")
    made.add("sdb", "8:16")
    set_folder = made.add("md0", "9:0")
    made.add("dm-0", "253:0")
    made.add("loop5", "7:5")
    made.stack("md0", first)
    made.stack("dm-0", set_folder)
    made.mounts()
    made.swaps()
    places = {
        "SYS_BLOCK": "class",
        "SYS_NUMBERS": "dev",
        "SYS_BTRFS": "btrfs",
        "MOUNTS": "mountinfo",
        "SWAPS": "swaps",
    }
    for constant, name in places.items():
        monkeypatch.setattr(in_use, constant, tmp_path / name)
    return made


@pytest.fixture
def nodes(monkeypatch: pytest.MonkeyPatch) -> dict[str, int]:
    """Device nodes by name, since a test cannot make real ones."""
    known = {"/dev/sda2": SDA2, "/dev/sdb": SDB, "/dev/dm-0": DM0}
    monkeypatch.setattr(in_use, "node", known.get)
    return known


def test_a_disk_that_nothing_uses(tree: Tree, nodes: dict[str, int]) -> None:
    assert in_use.uses_of_device(SDB) == ()
    assert in_use.uses_of_device(os.makedev(200, 7)) == (), "a device that /sys does not know"


def test_a_mounted_partition_is_a_use_of_the_disk(tree: Tree, nodes: dict[str, int]) -> None:
    tree.mounts(r"40 27 8:2 / /srv/with\040blank rw shared:1 - ext4 /dev/sda2 rw")
    for one in (SDA, SDA2):
        assert "/dev/sda2 is mounted at /srv/with blank" in in_use.uses_of_device(one)
    assert not any("mounted" in text for text in in_use.uses_of_device(SDA1))


def test_a_mounted_whole_disk_is_a_use_of_its_partition(tree: Tree, nodes: dict[str, int]) -> None:
    tree.mounts("40 27 8:0 / /srv rw - ext4 /dev/sda rw")
    assert "/dev/sda is mounted at /srv" in in_use.uses_of_device(SDA2)


def test_a_mount_with_an_anonymous_number_is_known_by_its_source(tree: Tree, nodes: dict[str, int]) -> None:
    tree.mounts("40 27 0:55 /@ /srv rw - btrfs /dev/sdb rw")
    assert in_use.uses_of_device(SDB) == ("/dev/sdb is mounted at /srv",)


def test_what_is_built_on_a_disk_uses_it_at_any_height(tree: Tree, nodes: dict[str, int]) -> None:
    tree.mounts("40 27 253:0 / /srv rw - xfs /dev/dm-0 rw")
    for one in (SDA, SDA1):
        assert set(in_use.uses_of_device(one)) == {
            "/dev/dm-0 is mounted at /srv",
            "/dev/md0 is built on it",
            "/dev/dm-0 is built on it",
        }
    assert in_use.uses_of_device(SDA2) == ()


def test_swap_on_a_partition_is_a_use_of_the_disk(tree: Tree, nodes: dict[str, int]) -> None:
    tree.swaps("/dev/sda2")
    assert "/dev/sda2 is used as swap" in in_use.uses_of_device(SDA)
    assert in_use.uses_of_device(SDB) == ()


def test_a_file_that_is_swapped_to(tree: Tree, tmp_path: Path) -> None:
    path = tmp_path / "swap file"
    path.touch()
    tree.swaps(str(path).replace(" ", r"\040"))
    assert in_use.uses_of_file(path) == ("it is used as swap",)


def test_a_file_behind_a_mounted_loop_device(tree: Tree, nodes: dict[str, int], tmp_path: Path) -> None:
    image = tmp_path / "a.img"
    image.touch()
    folder = tmp_path / "devices" / "loop5" / "loop"
    folder.mkdir()
    (folder / "backing_file").write_text(f"{image}\n")
    assert in_use.backing_file(LOOP5) == image
    assert in_use.uses_of_file(image) == ()
    tree.mounts("40 27 7:5 / /srv ro - ext4 /dev/loop5 ro")
    assert in_use.uses_of_file(image) == (
        "/dev/loop5 is mounted at /srv, and /dev/loop5 is made of this file",
    )
    assert in_use.uses_of_file(tmp_path / "other") == ()
    (folder / "backing_file").write_text(f"{image} (deleted)\n")
    assert in_use.backing_file(LOOP5) is None


def test_beneath_a_mapping_lie_the_set_the_partition_and_the_disk(tree: Tree) -> None:
    assert set(in_use.beneath(DM0)) == {DM0, MD0, SDA1, SDA}
    assert in_use.beneath(SDB) == (SDB,)
    assert in_use.whole_disk(SDA1) == SDA
    assert in_use.whole_disk(SDB) == SDB


def test_a_file_system_over_several_devices_lies_on_all_of_them(
    tree: Tree, nodes: dict[str, int], tmp_path: Path
) -> None:
    number = tmp_path.stat().st_dev
    tree.mounts(f"40 27 {os.major(number)}:{os.minor(number)} / / rw - btrfs /dev/sdb rw")
    assert set(in_use.devices_of_folder(tmp_path)) == {number, SDB}
    members = tree.root / "btrfs" / "9f1e" / "devices"
    members.mkdir(parents=True)
    (members / "sdb").touch()
    (members / "sda2").touch()
    assert set(in_use.devices_of_folder(tmp_path)) == {number, SDB, SDA2}


def test_a_line_that_is_no_mount_is_passed_over(tree: Tree, nodes: dict[str, int]) -> None:
    (tree.root / "mountinfo").write_text(
        "\nnonsense\n27 1 8:16 / / rw\n28 1 8:16 / /a rw - ext4 /dev/sdb rw\n"
    )
    assert in_use.uses_of_device(SDB) == ("/dev/sdb is mounted at /a",)


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        ({"device/model": "AL20-HX4        \n", "device/serial": "A1\n"}, ("AL20-HX4", "A1")),
        ({"serial": "V7"}, ("", "V7")),
        ({"device/vpd_pg80": "\0\x80\0\x04 W123", "device/wwid": "naa.5"}, ("", "W123")),
        ({"device/wwid": "naa.5000000000000001\n"}, ("", "naa.5000000000000001")),
        ({"device/model": "x" * 100_000}, ("x" * device.TEXT_BYTES, "")),
        ({}, ("", "")),
    ],
)
def test_model_and_serial_come_from_what_the_kernel_keeps(
    tree: Tree, tmp_path: Path, files: dict[str, str], expected: tuple[str, str]
) -> None:
    for name, text in files.items():
        path = tmp_path / "devices" / "sda" / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    assert device.texts_of(SDA) == expected
    assert device.texts_of(SDA1) == expected, "a partition answers with its disk"
    assert device.texts_of(SDB) == ("", "")


class Node(PosixPath):
    """A path that the system says is a block device of a number, without a device."""

    numbers: ClassVar[dict[str, int]] = {}

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        number = self.numbers.get(str(self))
        if number is None:
            return super().stat(follow_symlinks=follow_symlinks)
        values = [0] * 10
        values[0] = stat.S_IFBLK | 0o660
        return os.stat_result(values, {"st_rdev": number})


def test_the_drive_behind_a_partition_is_the_one_it_lies_on(
    tree: Tree, nodes: dict[str, int], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(Node, "numbers", {"/dev/sda2": SDA2, "/dev/sdb": SDB, "/dev/odd1": os.makedev(99, 1)})
    nodes["/dev/sda"] = SDA
    assert device.drive_behind(Node("/dev/sda2")) == Path("/dev/sda")
    assert device.drive_behind(Node("/dev/sdb")) == Path("/dev/sdb"), "a whole drive is its own"
    assert device.drive_behind(Node("/dev/odd1")) == Path("/dev/odd1"), "one that /sys does not know"
    image = tmp_path / "image"
    image.write_bytes(b"\0" * 512)
    assert device.drive_behind(image) == image
    assert device.drive_behind(tmp_path / "missing") == tmp_path / "missing"


@pytest.mark.parametrize("found", [None, SDB])
def test_a_node_that_is_not_the_drive_of_the_partition_is_not_asked(
    tree: Tree, nodes: dict[str, int], monkeypatch: pytest.MonkeyPatch, found: int | None
) -> None:
    monkeypatch.setattr(Node, "numbers", {"/dev/sda2": SDA2})
    if found is not None:
        nodes["/dev/sda"] = found
    with pytest.raises(SourceError, match="/dev/sda is not the drive it lies on"):
        device.drive_behind(Node("/dev/sda2"))


def test_a_slash_in_the_name_of_a_drive(tree: Tree, nodes: dict[str, int]) -> None:
    """The kernel writes it as `!` in /sys (Linux, block/genhd.c)."""
    tree.add("array!d0", "104:0")
    assert in_use.name_of(os.makedev(104, 0)) == "/dev/array/d0"
