"""The order of a living work, damaged at any byte: no second process may ever get to its drive."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.errors import ImageBusy
from mendbay.jobs.work_port import WorkKind
from mendbay.outlets.work_shelf import WorkShelf
from support.works import order_of

DRIVE = {"bay": "1", "source": "unsteady:/none.toml"}


def _nothing(place: Path) -> None:
    """The order is gone."""


IN_ITS_PLACE: tuple[Callable[[Path], object], ...] = (
    _nothing,
    Path.mkdir,
    os.mkfifo,
    lambda place: place.symlink_to("/etc/hostname"),
)


def require_held(home: Path) -> None:
    """Refused by whoever looks for the first time, for the same bay and for any other."""
    for case, bay in ((1, "1"), (1, "2"), (2, "1")):
        other = WorkShelf(home, SystemClock())
        with pytest.raises(ImageBusy):
            other.begin(order_of(other, WorkKind.READ_DRIVE, {**DRIVE, "bay": bay}, case))


def test_wherever_the_order_of_a_living_work_is_damaged_no_drive_is_read_by_a_second(tmp_path: Path) -> None:
    shelf = WorkShelf(tmp_path, SystemClock())
    order = order_of(shelf, WorkKind.READ_DRIVE, DRIVE)
    shelf.begin(order)
    try:
        place = tmp_path / "works" / order.id / "order.json"
        data = place.read_bytes()
        for at in range(len(data)):
            place.write_bytes(data[:at])
            require_held(tmp_path)
            place.write_bytes(data[:at] + bytes([data[at] | 0x80]) + data[at + 1 :])
            require_held(tmp_path)
        for put in IN_ITS_PLACE:
            place.unlink()
            put(place)
            require_held(tmp_path)
            shutil.rmtree(place) if place.is_dir() else place.unlink(missing_ok=True)
            place.write_bytes(data)
    finally:
        shelf.let_go(order.id)
