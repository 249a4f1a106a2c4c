"""The drives of a bench where one scripted drive is at hand, whatever is named."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from mendbay.core.source import Identity
from mendbay.inlets.ata import SilentLine
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs.ports import DriveLine, DriveReader
from support.scripted_drive import ScriptedDrive


class _Named(ScriptedDrive):
    """Named like a device, so that a guard has something to look at."""

    @property
    def identity(self) -> Identity:
        return replace(self._identity, name="/dev/null")


@dataclass
class OneDrive(BenchDrives):
    """One drive that says nothing of itself."""

    drive: ScriptedDrive

    def open(self, where: str) -> DriveReader:
        self.drive.__class__ = _Named
        return self.drive  # type: ignore[return-value]

    def line(self, where: str) -> DriveLine:
        return SilentLine("a scripted drive says nothing of itself")

    def guard(self, where: str, folder: Path, needed_bytes: int, file_name: str) -> None:
        """There is room."""
