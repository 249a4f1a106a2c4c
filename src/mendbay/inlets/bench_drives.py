"""The drives a technician can name: block devices, image files, and simulated drives.

A bench has them for every command, and few commands open one: what opens them is imported with the first.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mendbay.core.errors import SourceError
from mendbay.core.quantity import count_text
from mendbay.jobs.ports import DriveAtHand, DriveLine, DriveReader, Drives

if TYPE_CHECKING:
    from mendbay.core.source import Identity
    from mendbay.inlets.unsteady import UnsteadyDrive

UNSTEADY = "unsteady:"
"""What stands before the path of a simulated drive's description."""
PAGES = "pages:"
"""What stands before the folder that holds what a drive once answered about itself."""
DESCRIPTION_LIMIT = 1 << 20
"""Bytes of a file above which it is not looked whether it describes a simulated drive (own choice)."""


class BenchDrives(Drives):
    """Opens what is named.

    A name is the path of a block device or an image file, or `unsteady:` and the path of a description
    (`docs/unsteady.md`); a description without that is refused, not read as an image of some sectors.

    Args:
        patience_seconds: how long one read may take before it is abandoned.
        sector_bytes: of image files; devices say their own.
        question_seconds: how long the answer to a question about the drive is waited for, whatever the
            patience for reads.
    """

    def __init__(
        self, patience_seconds: float = 30.0, sector_bytes: int = 512, question_seconds: float = 30.0
    ) -> None:
        self._patience_seconds = patience_seconds
        self._sector_bytes = sector_bytes
        self._question_seconds = question_seconds

    def look(self, where: str) -> Identity:
        if where.startswith(UNSTEADY):
            with _unsteady(where) as drive:
                return drive.identity
        from mendbay.inlets import device

        _require_no_other_file(Path(where), self._sector_bytes)
        return device.look(Path(where), self._sector_bytes)

    def at_hand(self) -> tuple[DriveAtHand, ...]:
        from mendbay.inlets import disks

        return disks.drives_at_hand()

    def open(self, where: str) -> DriveReader:
        if where.startswith(UNSTEADY):
            return _unsteady(where)
        from mendbay.inlets.reader import ReaderProcess

        _require_no_other_file(Path(where), self._sector_bytes)
        return ReaderProcess(
            Path(where), patience_seconds=self._patience_seconds, sector_bytes=self._sector_bytes
        )

    def line(self, where: str) -> DriveLine:
        from mendbay.inlets import in_use
        from mendbay.inlets.ata import AtaLine, PageLine, SilentLine

        if where.startswith(PAGES):
            return PageLine(Path(where.removeprefix(PAGES)))
        if where.startswith(UNSTEADY):
            return SilentLine("a simulated drive says nothing of itself")
        path = Path(where)
        if path.is_file():
            return SilentLine("an image file says nothing of the drive it is of")
        if path.is_block_device() and in_use.backing_file(path.stat().st_rdev) is not None:
            return SilentLine("a loop device is a file and no drive")
        return AtaLine(path, self._question_seconds)

    def drive_behind(self, where: str) -> str:
        if where.startswith((UNSTEADY, PAGES)):
            return where
        from mendbay.inlets import device

        return str(device.drive_behind(Path(where)))

    def is_device(self, where: str) -> bool:
        return not where.startswith((UNSTEADY, PAGES)) and Path(where).is_block_device()

    def is_simulated(self, where: str) -> bool:
        return where.startswith(UNSTEADY)

    def keeps_own_time(self, where: str) -> bool:
        if not where.startswith(UNSTEADY):
            return False
        from mendbay.inlets.unsteady_description import load_unsteady

        return not load_unsteady(_path(where)).real_time

    def guard(self, where: str, folder: Path, needed_bytes: int, file_name: str) -> None:
        from mendbay.inlets import device
        from mendbay.inlets.unsteady_description import load_unsteady

        source = load_unsteady(_path(where)).image if where.startswith(UNSTEADY) else Path(where)
        device.guard_destination(source, folder, needed_bytes, file_name)


def _unsteady(where: str) -> UnsteadyDrive:
    from mendbay.inlets.unsteady import UnsteadyDrive
    from mendbay.inlets.unsteady_description import load_unsteady

    return UnsteadyDrive(load_unsteady(_path(where)))


def _path(where: str) -> Path:
    return Path(where.removeprefix(UNSTEADY))


def _require_no_other_file(path: Path, sector_bytes: int) -> None:
    """Makes sure that a file, if it is one, can be an image.

    Raises:
        SourceError: it describes a simulated drive, or ends within a sector.
    """
    if not path.is_file():
        return
    if _describes(path):
        raise SourceError(
            f"{path} describes a simulated drive and is no image", f"Name it as {UNSTEADY}{path}"
        )
    size = path.stat().st_size
    if size > sector_bytes and size % sector_bytes:
        raise SourceError(
            f"{path} holds {count_text(size)} bytes, no whole number of sectors of {sector_bytes} bytes, and "
            "is no image of a drive as it is",
            "Check the name; of an image that was cut off, make a copy, fill its last sector up with zeros, "
            "and name that",
        )


def _describes(path: Path) -> bool:
    from mendbay.core.toml_text import NotToml, parse_toml

    try:
        if path.stat().st_size > DESCRIPTION_LIMIT:
            return False
        return "image" in parse_toml(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, NotToml):
        return False
