"""Healthy loop devices and mounts, made with util-linux for as long as a test needs them."""

from __future__ import annotations

import ctypes
import fcntl
import shutil
import struct
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from mendbay.inlets.failing_loop import available

TOOLS = ("losetup", "mount", "umount", "unshare", "mke2fs", "mkswap", "swapon", "swapoff")


def _missing() -> str:
    lacking = [tool for tool in TOOLS if shutil.which(tool) is None]
    return available() or (
        f"no {', '.join(lacking)} (packages mount, util-linux, e2fsprogs)" if lacking else ""
    )


needs_loops = pytest.mark.skipif(
    bool(_missing()), reason=f"NOT CHECKED on mounted loop devices: {_missing()}"
)


def run(*words: object) -> str:
    return subprocess.run(
        [str(word) for word in words], check=True, capture_output=True, text=True
    ).stdout.strip()


@contextmanager
def loop_of(image: Path, *options: str) -> Iterator[Path]:
    path = run("losetup", "--find", "--show", *options, image)
    try:
        yield Path(path)
    finally:
        run("losetup", "--detach", path)


@contextmanager
def mounted(path: Path, point: Path, *options: str) -> Iterator[Path]:
    point.mkdir(exist_ok=True)
    run("mount", *options, path, point)
    try:
        yield point
    finally:
        run("umount", point)


def ext4_image(path: Path, mebibytes: int = 8) -> Path:
    with path.open("wb") as file:
        file.truncate(mebibytes << 20)
    run("mke2fs", "-q", "-F", "-t", "ext4", path)
    return path


@contextmanager
def disk_with_two_partitions(folder: Path, mebibytes: int = 7) -> Iterator[tuple[Path, Path, Path]]:
    """A loop device and its two partitions, an ext4 file system on each.

    The partitions are told to the kernel one by one: not every kernel reads every partition table.
    """
    file_system = ext4_image(folder / "partition.img", mebibytes).read_bytes()
    image = folder / "disk.img"
    image.write_bytes(bytes(1 << 20) + file_system * 2)
    with loop_of(image, "--partscan") as loop:
        for number in (1, 2):
            _tell_partition(loop, number, (1 + (number - 1) * mebibytes) << 20, mebibytes << 20)
        yield loop, Path(f"{loop}p1"), Path(f"{loop}p2")


BLKPG = 0x1269
ADD_PARTITION = 1


def _tell_partition(device: Path, number: int, start: int, size: int) -> None:
    """Tells the kernel of a partition (Linux, include/uapi/linux/blkpg.h); the program for it is not in
    every Debian."""
    partition = ctypes.create_string_buffer(struct.pack("=qqi64s64s4x", start, size, number, b"", b""))
    order = struct.pack("iiiP", ADD_PARTITION, 0, ctypes.sizeof(partition), ctypes.addressof(partition))
    with device.open("rb") as opened:
        fcntl.ioctl(opened, BLKPG, order)
