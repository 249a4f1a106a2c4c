"""Pieces of an image that are noted as changed are taken back, and the process is killed before each write to
the image and each step of its log: what is noted against a piece stays true, also once reading went on."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.span import Span
from mendbay.imaging.block_digests import BLOCK_BYTES, pieces
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import silent
from mendbay.outlets import image_commits, image_file
from mendbay.outlets.checkpoint import Checkpoint, checkpoint_path
from mendbay.outlets.image_file import ImageFile
from support.kills import die, killed
from support.record_life import failing
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 4 * BLOCK_BYTES // 512
DATA = numbered(SECTORS)
BAD = {5}
"""A drive with a hole has no digest of the whole, whose taking would look at every piece."""
CHANGED_AT = (BLOCK_BYTES + 1000, 3 * BLOCK_BYTES + 1000)


def without_hole(data: bytes) -> bytes:
    """What of the drive can be in its image."""
    found = bytearray(data)
    for one in BAD:
        found[one * 512 : (one + 1) * 512] = bytes(512)
    return bytes(found)


def drive() -> ScriptedDrive:
    return ScriptedDrive(DATA, bad=set(BAD), largest_read_bytes=BLOCK_BYTES)


def read(path: Path) -> None:
    """Reads what is unread, as `drive read` does."""
    image = ImageFile.reopen(path) if path.exists() else ImageFile.create(path, drive().identity)
    image.begin_run("Dock", "drive")
    DriveReading("1", drive(), image, SystemClock(), silent).run()
    image.close()


def spoilt_and_noted(path: Path) -> None:
    """A reading, after which two pieces of the image changed and were noted, as `drive verify` does."""
    read(path)
    with path.open("r+b") as file:
        for at in CHANGED_AT:
            file.seek(at)
            file.write(b"decay")
    image = ImageFile.reopen(path)
    image.note_changed(failing(image))
    assert all(at in image.changed() for at in CHANGED_AT)
    image.close()


def read_again(path: Path) -> None:
    """Compares the first half of the image with the drive, as `drive compare` does."""
    image = ImageFile.reopen(path)
    image.begin_run("Dock", "drive")
    for span in pieces(Span(0, 2 * BLOCK_BYTES)):
        for part in image.coverage().read.clip(span):
            image.keep(part, memoryview(DATA[part.start : part.stop]), 0.01)
    image.close()


def take_back(path: Path) -> None:
    """Has the pieces that are wrong read again, as `drive verify --read-again` does."""
    image = ImageFile.reopen(path)
    image.doubt(failing(image), "the image has changed")
    image.close()


class DyingOs:
    """`os`, but the process dies before it writes or flushes for the time that is counted."""

    def __init__(self, count: Callable[[], None]) -> None:
        self._count = count

    def __getattr__(self, name: str) -> Any:
        if name in ("pwrite", "fdatasync"):
            self._count()
        return getattr(os, name)


def dying_at(step: int, work: Callable[[Path], None], path: Path) -> Callable[[], None]:
    """That work, ending before the step of that number; for a process of its own."""

    def doomed() -> None:
        left = step

        def count() -> None:
            nonlocal left
            left -= 1
            if left == 0:
                die()

        change = Checkpoint._try_change

        def counted(log: Checkpoint, changes: Any) -> None:
            count()
            change(log, changes)

        Checkpoint._try_change = counted  # type: ignore[method-assign]
        image_file.os = image_commits.os = DyingOs(count)  # type: ignore[assignment]
        work(path)

    return doomed


@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
@pytest.mark.parametrize("work", [read_again, take_back])
def test_what_is_noted_against_a_piece_stays_true_wherever_it_is_killed(
    tmp_path: Path, work: Callable[[Path], None]
) -> None:
    begun = tmp_path / "begun.img"
    spoilt_and_noted(begun)
    for step in range(1, 100):
        path = tmp_path / f"{step}.img"
        shutil.copyfile(begun, path)
        shutil.copyfile(checkpoint_path(begun), checkpoint_path(path))
        cut_short = killed(dying_at(step, work, path))
        for go_on in (lambda one: None, read):
            go_on(path)
            image = ImageFile.reopen(path, writable=False)
            assert image.changed() == failing(image), f"killed before step {step}"
            image.close()
        if not cut_short:
            break
        path.unlink()
        checkpoint_path(path).unlink()
    else:
        pytest.fail("the work never got by without being killed")
    assert step > 1, "it was killed"
    assert path.read_bytes()[: 2 * BLOCK_BYTES] == without_hole(DATA)[: 2 * BLOCK_BYTES], "taken anew"
