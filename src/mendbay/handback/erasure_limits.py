"""What overwriting a file cannot reach, and which of it applies to the medium the file lies on.

After NIST SP 800-88 (revisions 1 and 2, from memory): overwriting through the ordinary commands of a file
system is at most Clear, and addresses only what the file's blocks are now. File system behaviour: as their
documentation in the Linux kernel tells (Documentation/filesystems, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

COPY_ON_WRITE = frozenset({"btrfs", "zfs", "bcachefs", "nilfs2", "f2fs"})
"""File systems that write changed blocks elsewhere (f2fs and nilfs2 as logs do)."""
MAY_SHARE = frozenset({"xfs", "ocfs2"})
"""File systems that write in place unless blocks are shared between files."""
IN_PLACE = frozenset({"ext2", "ext3", "ext4", "vfat", "exfat", "ntfs3", "jfs", "hfsplus"})
ELSEWHERE = frozenset({"nfs", "nfs4", "cifs", "smb3", "9p", "fuse", "fuseblk", "virtiofs", "ceph", "afs"})
"""File systems whose medium another program or machine looks after."""


class Reach(StrEnum):
    """Whether something that overwriting cannot reach is there."""

    APPLIES = "applies"
    POSSIBLE = "possible"
    NOT_HERE = "not here"


@dataclass(frozen=True, slots=True)
class Device:
    """A block device below a file system.

    Args:
        name: the kernel's; model, serial: what it says of itself, empty where unknown.
        size_bytes: 0 where unknown.
        rotational: whether it says that it turns; None where unknown.
    """

    name: str
    model: str = ""
    serial: str = ""
    size_bytes: int = 0
    rotational: bool | None = None


@dataclass(frozen=True, slots=True)
class Medium:
    """What a folder lies on, as far as this machine tells.

    Args:
        folders: that lie on it, as in a plan (empty for the case's own).
        file_system: its type; empty if unknown. options: of its mount.
        devices: the disks at the bottom; none for a file system without a disk.
        between: what lies between file system and disks (`mapping`, `array`, `loop device`).
    """

    folders: tuple[str, ...]
    file_system: str
    options: tuple[str, ...] = ()
    devices: tuple[Device, ...] = ()
    between: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Limit:
    """Something that overwriting cannot reach."""

    what: str
    reach: Reach
    words: str


def limits(medium: Medium) -> tuple[Limit, ...]:
    """What is not reached on a medium, all that can be there."""
    return tuple(_limits(medium))


def _limits(medium: Medium) -> Iterator[Limit]:
    kind = medium.file_system or "unknown"
    yield _blocks(kind)
    yield _journal(kind, medium.options)
    yield _snapshots(kind, medium)
    yield _flash(medium)
    yield Limit(
        "sectors set aside",
        Reach.POSSIBLE,
        "A drive that replaced a worn sector keeps the old one where no command for files can reach it; so "
        "may drives with shingled tracks keep earlier writes.",
    )
    yield Limit(
        "names and places",
        Reach.APPLIES,
        "File names, sizes and times can stay in the file system's own records. Files are renamed before "
        "they are removed.",
    )
    yield Limit(
        "other copies",
        Reach.POSSIBLE,
        "Backups of this machine, copies made by other programs, its memory and its "
        "swap space were not looked at.",
    )
    if medium.between or kind in ELSEWHERE or kind == "overlay" or not medium.devices:
        below = ", ".join(medium.between) or f"file system {kind}"
        yield Limit(
            "what lies below",
            Reach.POSSIBLE,
            f"Between the files and the medium lies something that may keep copies of its own ({below}).",
        )


def _blocks(kind: str) -> Limit:
    what = "earlier blocks of the files"
    if kind in COPY_ON_WRITE:
        return Limit(
            what,
            Reach.APPLIES,
            f"{kind} writes changed blocks to another place: the old content stays on the medium until that "
            "place is used again.",
        )
    if kind in IN_PLACE:
        return Limit(
            what,
            Reach.POSSIBLE,
            f"{kind} writes in place, so the current blocks are overwritten; blocks that a file had before "
            "it was moved, shortened or copied are not.",
        )
    shares = " and can share blocks between files" if kind in MAY_SHARE else ""
    told = (
        f"{kind} writes in place as a rule{shares}"
        if kind in MAY_SHARE
        else f"How {kind} writes is not known"
    )
    return Limit(
        what, Reach.POSSIBLE, f"{told}: old content may stay until its place on the medium is used again."
    )


def _journal(kind: str, options: tuple[str, ...]) -> Limit:
    what = "the file system's journal"
    if "data=journal" in options:
        return Limit(what, Reach.APPLIES, "The journal holds content of files for a while (data=journal).")
    if kind in ("ext3", "ext4"):
        return Limit(
            what,
            Reach.POSSIBLE,
            "It holds names and places of files for a while; content too if that is set in the file system "
            "itself or for a file, which the mount does not tell.",
        )
    if kind in ("xfs", "jfs"):
        return Limit(what, Reach.POSSIBLE, "It holds names and places of files for a while.")
    if kind in ("ext2", "vfat", "exfat"):
        return Limit(what, Reach.NOT_HERE, f"{kind} has none.")
    return Limit(what, Reach.POSSIBLE, f"Whether {kind} keeps content in a journal is not known.")


def _snapshots(kind: str, medium: Medium) -> Limit:
    what = "snapshots"
    if kind in COPY_ON_WRITE or "mapping" in medium.between or kind in ELSEWHERE or kind == "overlay":
        return Limit(what, Reach.POSSIBLE, "A snapshot made before the erasure still holds the files.")
    if kind in IN_PLACE and _is_on_drives(medium):
        return Limit(
            what, Reach.NOT_HERE, f"{kind} has none, and it lies right on a drive that names itself."
        )
    if kind in IN_PLACE:
        return Limit(
            what,
            Reach.POSSIBLE,
            f"{kind} has none, but what it lies on may: a host of a virtual machine, the file system around "
            "a loop device, or storage that is not known here.",
        )
    return Limit(what, Reach.POSSIBLE, f"Whether {kind} keeps any is not known.")


def _is_on_drives(medium: Medium) -> bool:
    """Whether nothing lies between, and every device at the bottom gives model and serial number. A host can
    make up both, but does not as a rule."""
    named = all(one.model and one.serial for one in medium.devices)
    return named and bool(medium.devices) and not medium.between


def _flash(medium: Medium) -> Limit:
    what = "wear levelling of flash memory"
    says = [one.rotational for one in medium.devices]
    if False in says:
        return Limit(
            what,
            Reach.APPLIES,
            "The medium does not turn: it writes to other cells than before, and the old ones keep their "
            "content until the drive itself erases them.",
        )
    if says and all(says):
        return Limit(
            what,
            Reach.NOT_HERE,
            "The drive says that it turns; a part of it may be flash memory all the same.",
        )
    return Limit(what, Reach.POSSIBLE, "Whether the medium is flash memory is not known.")
