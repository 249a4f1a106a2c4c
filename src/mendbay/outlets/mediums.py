"""What a folder lies on, as `/proc` and `/sys` tell: file system, what lies below it, and the disks.

No device is opened, so this is safe on a drive that hangs; a file system that does is not waited for. Fields:
proc_pid_mountinfo(5), and the kernel's Documentation/ABI/stable/sysfs-block.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from mendbay.handback.erasure_limits import Device, Medium
from mendbay.outlets.mount_looks import DoesNotAnswer, looked, mounts, plain

SYS_NUMBERS = Path("/sys/dev/block")
SYS_BLOCK = Path("/sys/class/block")
SECTOR_BYTES = 512
"""Of `size` in sysfs, whatever the drive's own sectors are."""
DEEPEST = 16
VIRTUAL = ("vd", "xvd")
"""How the kernel names disks that a virtual machine is given (virtio, Xen)."""


WHERE_MEDIUMS_ARE = ("/media", "/run/media", "/mnt")
"""Where a machine mounts what is plugged in (Filesystem Hierarchy Standard 3.0; `/run/media` by desktops)."""
MOST_MOUNTED = 20


@dataclass(frozen=True, slots=True)
class Mounted:
    """A medium that is mounted where files can be handed back onto it.

    Args:
        drives: the drives below it, as they call themselves.
        room_bytes, size_bytes: free and whole; None if that cannot be told.
        answers: whether it said anything of itself in time.
    """

    folder: str
    file_system: str
    drives: tuple[str, ...]
    room_bytes: int | None = None
    size_bytes: int | None = None
    answers: bool = True


def mounted_mediums() -> tuple[Mounted, ...]:
    """The mediums that are mounted for writing where plugged in ones are, in the order of their folders."""
    found: dict[str, str] = {}
    for point, own, about in mounts():
        on_medium = any(point.startswith(f"{one}/") for one in WHERE_MEDIUMS_ARE)
        if "rw" in own and len(found) < MOST_MOUNTED and on_medium:
            found[point] = about[0]
    return tuple(_mounted(one, found[one]) for one in sorted(found))


def _mounted(point: str, file_system: str) -> Mounted:
    try:
        return looked(point, lambda: _looked_at(point, file_system))
    except DoesNotAnswer:
        return Mounted(point, file_system, (), answers=False)


def _looked_at(point: str, file_system: str) -> Mounted:
    drives = tuple(
        " ".join(part for part in (one.model, one.serial and f"serial {one.serial}") if part) or one.name
        for one in medium_of(Path(point), point).devices
    )
    try:
        room = os.statvfs(point)
    except OSError:
        return Mounted(point, file_system, drives)
    unit = room.f_frsize
    return Mounted(point, file_system, drives, room.f_bavail * unit, room.f_blocks * unit)


def medium_of(folder: Path, root: str) -> Medium:
    """What a folder lies on; whatever is not known is left empty.

    Args:
        root: how the plan calls it.
    """
    try:
        real, device = folder.resolve(), folder.stat().st_dev
    except OSError:
        return Medium((root,), "")
    kind, options, source = _mount(real)
    start = _sys_folder(device)
    if start is None and source.startswith("/dev/"):
        with suppress(OSError):
            start = _sys_folder(Path(source).stat().st_rdev)
    between: list[str] = []
    disks = tuple(_disks(start, between, 0)) if start is not None else ()
    return Medium((root,), kind, options, disks, tuple(dict.fromkeys(between)))


def _mount(real: Path) -> tuple[str, tuple[str, ...], str]:
    """Type, options and source of the mount that holds a place: the longest mount point above it, the last
    mounted there."""
    best = -1
    found: tuple[str, tuple[str, ...], str] = ("", (), "")
    for named, _, about in mounts():
        point = Path(named)
        if (point == real or point in real.parents) and len(point.parts) >= best:
            best = len(point.parts)
            found = (about[0], tuple(about[2].split(",")), plain(about[1]))
    return found


def _sys_folder(device: int) -> Path | None:
    link = SYS_NUMBERS / f"{os.major(device)}:{os.minor(device)}"
    return link.resolve() if link.exists() else None


def _disks(folder: Path, between: list[str], depth: int) -> Iterator[Device]:
    """The disks below a block device; what lies between is added to `between`."""
    if depth > DEEPEST:
        return
    if (folder / "partition").exists():
        folder = folder.parent
    if (folder / "dm").is_dir():
        between.append("mapping")
    if (folder / "md").is_dir():
        between.append("array")
    backing = _text(folder / "loop" / "backing_file")
    if backing:
        between.append("loop device")
        with suppress(OSError):
            below = _sys_folder(Path(backing).parent.stat().st_dev)
            if below is not None:
                yield from _disks(below, between, depth + 1)
                return
    if folder.name.startswith(VIRTUAL):
        between.append("virtual machine")
    slaves: list[Path] = []
    with suppress(OSError):
        slaves = sorted((folder / "slaves").iterdir())
    for one in slaves:
        yield from _disks((SYS_BLOCK / one.name).resolve(), between, depth + 1)
    if not slaves:
        yield _device(folder)


def _device(folder: Path) -> Device:
    turns = {"0": False, "1": True}.get(_text(folder / "queue" / "rotational"))
    if folder.name.startswith(VIRTUAL):
        turns = None  # such a disk says what its host was told to say
    size = _text(folder / "size")
    return Device(
        name=folder.name,
        model=_text(folder / "device" / "model"),
        serial=_text(folder / "device" / "serial") or _serial_page(folder),
        size_bytes=int(size) * SECTOR_BYTES if size.isdigit() else 0,
        rotational=turns,
    )


def _serial_page(folder: Path) -> str:
    """The serial number from the drive's page 80h (SPC-4, 7.8.15: four bytes of head)."""
    with suppress(OSError):
        page = (folder / "device" / "vpd_pg80").read_bytes()
        return "".join(one for one in page[4:260].decode("ascii", "replace") if one.isprintable()).strip()
    return ""


def _text(path: Path) -> str:
    with suppress(OSError):
        return path.read_text(errors="replace").strip()[:200]
    return ""
