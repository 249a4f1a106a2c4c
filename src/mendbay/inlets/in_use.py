"""Who else on this machine uses a device or a file: mounts, swap, and what is stacked on it.

Everything here is read from `/proc` and `/sys`; no device is opened, so it is safe on a drive that hangs.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SYS_BLOCK = Path("/sys/class/block")
SYS_NUMBERS = Path("/sys/dev/block")
SYS_BTRFS = Path("/sys/fs/btrfs")
MOUNTS = Path("/proc/self/mountinfo")
SWAPS = Path("/proc/swaps")


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of `mountinfo`: proc_pid_mountinfo(5)."""

    device: int
    point: str
    kind: str
    source: str


def mounts() -> tuple[Mount, ...]:
    """Every mount this process sees."""
    found = []
    for line in MOUNTS.read_text(errors="surrogateescape").splitlines():
        left, _, right = line.partition(" - ")
        own, about = left.split(" "), right.split(" ")
        if len(own) < 6 or len(about) < 2:
            continue
        major, _, minor = own[2].partition(":")
        found.append(Mount(os.makedev(int(major), int(minor)), _plain(own[4]), about[0], _plain(about[1])))
    return tuple(found)


def _plain(text: str) -> str:
    """The text without the octal escapes that `/proc` uses for blanks."""
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), text)


def sys_folder(device: int) -> Path | None:
    """The kernel's folder about a block device, None if there is none of that number."""
    link = SYS_NUMBERS / f"{os.major(device)}:{os.minor(device)}"
    try:
        return link.resolve(strict=True)
    except (OSError, RuntimeError):
        return None


def number_of(folder: Path) -> int | None:
    """The number of the block device that one of the kernel's folders is about, None if it does not say."""
    try:
        major, _, minor = (folder / "dev").read_text().strip().partition(":")
        return os.makedev(int(major), int(minor))
    except (OSError, ValueError):
        return None


def name_of(device: int) -> str:
    """`/dev/NAME`, or the two numbers if the kernel has no name for it. The kernel writes a slash inside a
    name as `!` (Linux, block/genhd.c)."""
    folder = sys_folder(device)
    return (
        "/dev/" + folder.name.replace("!", "/") if folder else f"device {os.major(device)}:{os.minor(device)}"
    )


def whole_disk(device: int) -> int:
    """The disk that a partition lies on; a device that is no partition is its own."""
    folder = sys_folder(device)
    if folder is None or not (folder / "partition").exists():
        return device
    number = number_of(folder.parent)
    return device if number is None else number


def _linked(folder: Path, kind: str) -> Iterator[int]:
    """The devices named in the folder's `holders` or `slaves`."""
    with contextlib.suppress(OSError):
        for one in sorted((folder / kind).iterdir()):
            number = number_of(SYS_BLOCK / one.name)
            if number is not None:
                yield number


def _partitions(folder: Path) -> Iterator[int]:
    with contextlib.suppress(OSError):
        with os.scandir(folder) as found:  # most of what lies there are files about the device itself
            names = sorted(one.name for one in found if one.is_dir(follow_symlinks=False))
        for name in names:
            one = folder / name
            number = number_of(one) if (one / "partition").exists() else None
            if number is not None:
                yield number


def stacked_on(device: int) -> tuple[int, ...]:
    """The device, its partitions, and everything built on any of them (sets, mappings), nearest first."""
    found = [device]
    for one in found:
        folder = sys_folder(one)
        if folder is not None:
            found += [up for up in (*_partitions(folder), *_linked(folder, "holders")) if up not in found]
    return tuple(found)


def beneath(device: int) -> tuple[int, ...]:
    """The device and everything that writing to it writes to: its disk, the members of a set, the device
    under the file behind a loop device, and so on down."""
    found = [device]
    for one in found:
        folder = sys_folder(one)
        below = [] if folder is None else [whole_disk(one), *_linked(folder, "slaves")]
        backing = backing_file(one)
        if backing is not None:
            with contextlib.suppress(OSError):
                below += devices_of_folder(backing.parent)
        found += [down for down in below if down not in found]
    return tuple(found)


def backing_file(device: int) -> Path | None:
    """The file behind a loop device, None for any other device or when the file has no name any more."""
    folder = sys_folder(device)
    if folder is None:
        return None
    try:
        path = Path((folder / "loop" / "backing_file").read_text(errors="surrogateescape").rstrip("\n"))
    except OSError:
        return None
    return path if path.exists() else None


def devices_of_folder(folder: Path) -> tuple[int, ...]:
    """The devices of the file system that holds a folder, as far as mounts and `/sys` tell.

    File systems over several devices report an anonymous number, so the mount's source and the file
    system's own list of devices are taken as well.

    Raises:
        OSError: the folder cannot be looked at.
    """
    own = folder.stat().st_dev
    found = [own]
    for mount in mounts():
        if mount.device == own:
            number = node(mount.source)
            if number is not None and number not in found:
                found.append(number)
    for listed in _several_device_systems():
        if any(one in listed for one in found):
            found += [one for one in listed if one not in found]
    return tuple(found)


def _several_device_systems() -> Iterator[tuple[int, ...]]:
    with contextlib.suppress(OSError):
        for one in SYS_BTRFS.iterdir():
            if (one / "devices").is_dir():
                numbers = [number_of(SYS_BLOCK / member.name) for member in (one / "devices").iterdir()]
                yield tuple(number for number in numbers if number is not None)


def node(path: str) -> int | None:
    """The number of the block device at a node below `/dev`, None if there is none; other places are not
    touched, they could be remote."""
    if not path.startswith("/dev/"):
        return None
    try:
        status = Path(path).stat()
    except OSError:
        return None
    return status.st_rdev if stat.S_ISBLK(status.st_mode) else None


def uses_of_device(device: int) -> tuple[str, ...]:
    """What uses a block device, as phrases for a message; empty if nothing is known to.

    Looks at the device, its partitions and what is built on them; for a partition also at its whole disk.
    """
    family = stacked_on(device)
    disk = whole_disk(device)
    watched = family if disk in family else (*family, disk)
    found = []
    for mount in mounts():
        on = (mount.device, node(mount.source))
        found += [f"{name_of(one)} is mounted at {mount.point}" for one in watched if one in on]
    found += [f"{name_of(number)} is used as swap" for number in _swap_devices() if number in watched]
    partitions = {part for one in family if (folder := sys_folder(one)) for part in _partitions(folder)}
    found += [f"{name_of(one)} is built on it" for one in family if one != device and one not in partitions]
    return tuple(dict.fromkeys(found))


def _swap_lines() -> Iterator[str]:
    with contextlib.suppress(OSError):
        for line in SWAPS.read_text(errors="surrogateescape").splitlines()[1:]:
            if line.split():
                yield _plain(line.split()[0])


def _swap_devices() -> Iterator[int]:
    for path in _swap_lines():
        number = node(path)
        if number is not None:
            yield number


def uses_of_file(path: Path) -> tuple[str, ...]:
    """What uses a regular file, as phrases: a loop device made of it that is itself in use, or swap.

    A loop device that nothing uses is no use of the file: attaching writes nothing.
    """
    found = []
    for folder in sorted(SYS_BLOCK.glob("loop*")):
        number = number_of(folder)
        if number is None:
            continue
        backing = backing_file(number)
        if backing is not None and _same(backing, path):
            found += [
                f"{text}, and {name_of(number)} is made of this file" for text in uses_of_device(number)
            ]
    found += ["it is used as swap" for swap in _swap_lines() if _same(Path(swap), path)]
    return tuple(found)


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False
