"""A block device or an image file as a source: what it is, whether it may be read, where its copy may go.

Sources are opened read-only, always. Nothing here reads a sector.
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import struct
from pathlib import Path

from mendbay.core.errors import (
    DestinationError,
    DestinationOnSource,
    NoRoom,
    SourceBusy,
    SourceError,
    SourceTooSmall,
)
from mendbay.core.quantity import count_text
from mendbay.core.source import Identity
from mendbay.inlets import in_use

BLKGETSIZE64 = 0x80081272
BLKSSZGET = 0x1268
BLKPBSZGET = 0x127B
BLKALIGNOFF = 0x127A
"""Linux, include/uapi/linux/fs.h."""

TEXT_BYTES = 256
"""More than any model or serial number has; what a drive says of itself is not trusted to be short."""

NOT_THERE = "Check name, cable and power; the list of drives at hand has every one that this machine sees"

GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ENOMEDIUM, errno.ENOENT})
"""What opening or reading says when there is no drive behind the name."""


def look(path: Path, sector_bytes: int = 512) -> Identity:
    """What the source at `path` is, after making sure that it may be read.

    Args:
        path: a block device (a partition will do) or a regular image file; links are followed, and a
            link that follows the drive from port to port (`/dev/disk/by-id`) is the best name for one.
        sector_bytes: of an image file; a device says its own.

    Returns:
        `kind` is `drive`, `partition` or `file`; `name` the path as given; `physical_bytes` is 0 also where a
        physical sector does not begin at byte 0. `serial` is the serial number,
        or the world-wide identifier where the system knows no serial number.

    Raises:
        SourceError: missing, not a block device or file, or not to be opened.
        SourceBusy: mounted, swapped to, or held by something else.
        SourceTooSmall: empty, or smaller than one sector.
    """
    status = _status(path)
    if stat.S_ISBLK(status.st_mode):
        return _look_at_device(path, status.st_rdev)
    if not stat.S_ISREG(status.st_mode):
        raise SourceError(
            f"{path} is {_kind_of_node(status.st_mode)}, not a drive and not an image file",
            "Give a block device such as /dev/sdX, or a file that holds an image",
        )
    _refuse_in_use(path, in_use.uses_of_file(path))
    os.close(_open(path, os.O_RDONLY))
    return _identity("file", path, status.st_size, sector_bytes)


def _status(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except FileNotFoundError:
        raise SourceError(f"{path} does not exist", NOT_THERE) from None
    except OSError as trouble:
        raise SourceError(
            f"{path} cannot be looked at: {trouble.strerror}", "Check the path and your rights on its folders"
        ) from None


def _kind_of_node(mode: int) -> str:
    names = {
        stat.S_IFDIR: "a folder",
        stat.S_IFCHR: "a character device",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
    }
    return names.get(stat.S_IFMT(mode), "something else")


def _look_at_device(path: Path, device: int) -> Identity:
    _refuse_in_use(path, in_use.uses_of_device(device))
    descriptor = claim(path)
    try:
        size = _number(descriptor, BLKGETSIZE64, "=Q")
        sector = _number(descriptor, BLKSSZGET, "=i")
        physical = _number(descriptor, BLKPBSZGET, "=I")
        aside = _number(descriptor, BLKALIGNOFF, "=i")
    finally:
        os.close(descriptor)
    model, serial = texts_of(device)
    kind = "drive" if in_use.whole_disk(device) == device else "partition"
    # Physical sectors that do not begin where this does (a partition's old start) are none to read by.
    return _identity(kind, path, size, sector, 0 if aside else physical, model, serial)


def drive_behind(path: Path) -> Path:
    """The node of the drive that a partition lies on; `path` itself for all else, also what is not there.

    Raises:
        SourceError: the node of the drive is missing, or is of another device.
    """
    try:
        status = path.stat()
    except OSError:
        return path
    number = in_use.whole_disk(status.st_rdev) if stat.S_ISBLK(status.st_mode) else status.st_rdev
    if number == status.st_rdev:
        return path
    name = in_use.name_of(number)
    if in_use.node(name) != number:
        raise SourceError(
            f"{path} is a partition, and {name} is not the drive it lies on",
            "Name the drive itself, such as /dev/sdX",
        )
    return Path(name)


def claim(path: Path) -> int:
    """A descriptor that keeps a block device to this process: while it is open nothing can mount it.

    `O_EXCL` on a block device asks the kernel for the same claim that a mount, swap or a set takes; it is
    the last word because it also sees what other mount namespaces do. Plain readers are not kept out.

    Raises:
        SourceError, SourceBusy: as `look`.
    """
    return _open(path, os.O_RDONLY | os.O_EXCL | os.O_NONBLOCK)


def _open(path: Path, flags: int) -> int:
    try:
        return os.open(path, flags | os.O_CLOEXEC)
    except OSError as trouble:
        raise open_trouble(path, trouble.errno or errno.EIO) from None


def open_trouble(path: Path, number: int) -> SourceError:
    """The error to raise when opening `path` failed with errno `number`."""
    if number in (errno.EACCES, errno.EPERM):
        return SourceError(
            f"{path} cannot be opened: you have no right to read it",
            "Run as root, or as a member of the group that owns it (`ls -l` shows it; often `disk`)",
        )
    if number == errno.EBUSY:
        return SourceBusy(
            f"{path} is held by something else on this machine",
            "Stop what uses it (a mount in a container, a running set or mapping), then try again",
        )
    if number in GONE:
        return SourceError(
            f"{path} is there by name, but no drive answers behind it",
            "Check power and cable, then look at the kernel's messages (`dmesg`)",
        )
    return SourceError(f"{path} cannot be opened: {os.strerror(number)}", "Look at the kernel's messages")


def _refuse_in_use(path: Path, uses: tuple[str, ...]) -> None:
    if uses:
        raise SourceBusy(
            f"{path} is in use: {'; '.join(uses)}",
            "Unmount or stop what uses it, so that its bytes stay still while they are read",
        )


def _number(descriptor: int, request: int, form: str) -> int:
    return int(struct.unpack(form, fcntl.ioctl(descriptor, request, bytes(struct.calcsize(form))))[0])


def _identity(
    kind: str, path: Path, size: int, sector: int, physical: int = 0, model: str = "", serial: str = ""
) -> Identity:
    if size < sector:
        raise SourceTooSmall(
            f"{path} holds {count_text(size)} bytes, less than one sector of {count_text(sector)} bytes",
            "Check that this is the right source; a drive of size 0 usually wants its power cut and restored",
        )
    name = str(path).encode("utf-8", "backslashreplace").decode()  # a record must be able to hold it
    return Identity(kind, name, size, sector, physical, model, serial)


def texts_of(device: int) -> tuple[str, str]:
    """Model and serial number of the disk a device belongs to, as the kernel keeps them; empty if unknown.

    Nothing is asked of the drive: these are the answers from when it was plugged in.
    """
    folder = in_use.sys_folder(in_use.whole_disk(device))
    if folder is None:
        return "", ""
    model = _text(folder / "device" / "model")
    unit_serial = _raw(folder / "device" / "vpd_pg80")[4:]  # SPC-4, unit serial number page: 4 bytes lead
    candidates = (
        _text(folder / "device" / "serial"),
        _text(folder / "serial"),
        _printable(unit_serial),
        _text(folder / "device" / "wwid"),
        _text(folder / "wwid"),
    )
    return model, next((text for text in candidates if text), "")


def _raw(path: Path) -> bytes:
    try:
        with path.open("rb", buffering=0) as file:
            return file.read(TEXT_BYTES) or b""
    except OSError:
        return b""


def _text(path: Path) -> str:
    return _printable(_raw(path))


def _printable(raw: bytes) -> str:
    return "".join(chr(byte) for byte in raw if 32 <= byte < 127).strip()


def guard_destination(source: Path, folder: Path, needed_bytes: int, file_name: str = "") -> None:
    """Makes sure that a copy of `source` may be written into `folder`.

    Args:
        source: the device or image file.
        folder: where the copy goes; it need not exist yet.
        needed_bytes: what the copy will take at most.
        file_name: the copy's name in the folder, if it is known: it must not be the source itself.

    Raises:
        DestinationOnSource: the folder's file system lives on the drive that is read (on any of its
            partitions, or on something built on it), or the named file is the source.
        NoRoom: less than `needed_bytes` are free; the message has both numbers.
        DestinationError: not a folder, or not writable.
    """
    present = _present_part(folder)
    status = _status(source)
    _refuse_same_file(source, status, folder / file_name if file_name else None)
    if stat.S_ISBLK(status.st_mode):
        _refuse_same_drive(source, status.st_rdev, folder, present)
    if not os.access(present, os.W_OK | os.X_OK, effective_ids=True):
        raise DestinationError(
            f"{present} cannot be written to", "Choose another folder, or change its rights"
        )
    room = os.statvfs(present)
    free = room.f_bavail * room.f_frsize
    if needed_bytes > free:
        raise NoRoom(
            f"{folder} has {count_text(free)} bytes free, but {count_text(needed_bytes)} are needed",
            f"Make {count_text(needed_bytes - free)} bytes of room there, or take a larger disk: cases lie "
            "under --home (or MENDBAY_HOME), copies where the command puts them",
        )


def _present_part(folder: Path) -> Path:
    """The folder itself, or the nearest one above it that exists."""
    for one in (folder.absolute(), *folder.absolute().parents):
        if one.is_dir():
            return one
        if one.exists() or one.is_symlink():
            break
    raise DestinationError(f"{folder} is not a folder and cannot become one", "Choose another destination")


def _refuse_same_file(source: Path, status: os.stat_result, target: Path | None) -> None:
    if target is None or not target.exists():
        return
    backing = in_use.backing_file(status.st_rdev) if stat.S_ISBLK(status.st_mode) else None
    if target.samefile(source) or (backing is not None and target.samefile(backing)):
        raise DestinationOnSource(
            f"{target} is the source itself", "Give the copy another name; the source is never written to"
        )


def _refuse_same_drive(source: Path, device: int, folder: Path, present: Path) -> None:
    under = {down for one in in_use.devices_of_folder(present) for down in in_use.beneath(one)}
    shared = under & {device, in_use.whole_disk(device)}
    if shared:
        names = ", ".join(sorted(in_use.name_of(one) for one in shared))
        raise DestinationOnSource(
            f"{folder} lies on the drive that is to be read ({source}: {names})",
            "Choose a folder on another drive; writing to the source could destroy what is to be saved",
        )
