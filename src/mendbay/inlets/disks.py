"""The whole drives that this machine sees, as `/sys` and `/proc` tell.

No device is opened and nothing is asked of a drive, so this is safe beside one that hangs. Fields: the
kernel's Documentation/ABI/stable/sysfs-block and Documentation/ABI/testing/sysfs-block.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from mendbay.inlets import device, in_use
from mendbay.jobs.ports import DriveAtHand

UNIT_BYTES = 512
"""Of `size` in sysfs, whatever the drive's own sectors are."""
NAME = re.compile(r"[A-Za-z0-9!_.-]{1,40}")
NO_DRIVES = ("ram", "zram", "fd", "sr", "dm-", "md", "nbd")
"""How the kernel calls what is no drive to be read: memory, floppies, discs, sets, mappings, networks."""
WAYS = (
    (r"usb\d+", "USB"),
    (r"nvme\d+", "NVMe"),
    (r"end_device-[\d:]+", "SAS"),
    (r"ata\d+", "ATA"),
    (r"mmc\d+", "memory card"),
    (r"(virtio|vbd-)\d+", "virtual machine"),
    (r"host\d+", "SCSI"),
)
"""Parts of a drive's place below `/sys/devices`, the nearest to people first: a USB bridge is also a host."""


def drives_at_hand() -> tuple[DriveAtHand, ...]:
    """Every whole drive that this machine sees, by its name; partitions, sets, mappings, memory and loop
    devices without a file are none. A drive that says size 0 is among them: that it is there is worth
    knowing."""
    return tuple(_found())


def _found() -> Iterator[DriveAtHand]:
    folders: list[Path] = []
    with suppress(OSError):
        folders = sorted(in_use.SYS_BLOCK.iterdir(), key=_by_name)
    for folder in folders:
        with suppress(OSError, ValueError):  # it may be pulled out meanwhile
            one = _drive(folder)
            if one is not None:
                yield one


def _by_name(folder: Path) -> tuple[int, str]:
    return len(folder.name), folder.name  # sdb before sdaa


def _drive(folder: Path) -> DriveAtHand | None:
    name = folder.name
    if not NAME.fullmatch(name) or name.startswith(NO_DRIVES):
        return None
    size = int(_text(folder / "size") or 0) * UNIT_BYTES
    if name.startswith("loop") and not size:  # a machine has many that are of no file
        return None
    if (folder / "partition").exists() or _text(folder / "hidden") == "1":
        return None
    number = in_use.number_of(folder)
    if number is None:
        return None
    backing = in_use.backing_file(number)
    if name.startswith("loop") and backing is None:
        return None
    model, serial = device.texts_of(number)
    return DriveAtHand(
        where=in_use.name_of(number),
        size_bytes=size,
        model=model,
        serial=serial,
        way="a file" if backing is not None else _way(folder.resolve()),
        uses=in_use.uses_of_device(number),
    )


def _way(place: Path) -> str:
    for pattern, words in WAYS:
        if any(re.fullmatch(pattern, part) for part in place.parts):
            return words
    return ""


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()[:40]
    except OSError:
        return ""
