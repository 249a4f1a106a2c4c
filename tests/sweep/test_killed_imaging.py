"""`kill -9` of the imaging process at 100 random moments, then going on: as if nothing had happened."""

from __future__ import annotations

import random
import time
from functools import partial
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Coverage
from mendbay.imaging.attempt import Attempt
from mendbay.jobs import drive_reading
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import silent
from mendbay.outlets.checkpoint import checkpoint_path
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.image_place import is_begun
from support.kills import killed
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 6_000
DATA = numbered(SECTORS)
BAD = {100, 101, 102, 2500, 4000, 4001, 5999}
MOMENTS = 100


class PacedDrive(ScriptedDrive):
    """Takes a little real time for every read, so that kills fall on all parts of the run."""

    depth = 3

    def answer(self) -> Attempt:
        time.sleep(0.0005)
        return super().answer()


def paced() -> PacedDrive:
    return PacedDrive(DATA, bad=set(BAD), largest_read_bytes=16 << 10)


def go_on(path: Path, drive: ScriptedDrive) -> None:
    """What the imaging process does: make the image or take it up, and read to the end."""
    image = ImageFile.reopen(path) if is_begun(path) else ImageFile.create(path, drive.identity)
    image.begin_run("adapter", "drive")
    DriveReading("1", drive, image, SystemClock(), silent).run()
    image.close()


def committing_always(path: Path) -> None:
    """That work, made durable after every read; for a process of its own."""
    drive_reading.COMMIT_SECONDS = 0.0
    go_on(path, paced())


def finished(path: Path) -> tuple[bytes, Coverage]:
    image = ImageFile.reopen(path)
    coverage = image.coverage()
    image.close()
    return path.read_bytes(), coverage


@pytest.fixture(scope="module")
def uninterrupted(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, Coverage, float]:
    path = tmp_path_factory.mktemp("whole") / "bay-1.img"
    started = time.monotonic()
    go_on(path, paced())
    return *finished(path), time.monotonic() - started


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
@pytest.mark.parametrize("batch", range(4))
def test_killed_at_random_moments_and_resumed(
    tmp_path: Path, uninterrupted: tuple[bytes, Coverage, float], batch: int
) -> None:
    whole, coverage, seconds = uninterrupted
    moments = random.Random(batch)
    kills = attempts = 0
    while kills < MOMENTS // 4:
        attempts += 1
        assert attempts < 20 * MOMENTS, "the runs end before they can be killed"
        path = tmp_path / f"{attempts}.img"
        if not killed(partial(committing_always, path), moments.uniform(0, seconds)):
            seconds *= 0.9  # this machine has become quicker than when the whole run was timed
            continue
        kills += 1
        if path.exists() and path.stat().st_size:
            try:
                image = ImageFile.reopen(path, writable=False)
            except Exception:
                assert path.stat().st_blocks == 0, "an image with content has a sound checkpoint"
            else:
                for span in image.coverage().read:
                    assert image.take(span) == DATA[span.start : span.stop], "claimed, but not there"
                assert all(claim.is_held_by(image.take(claim.span)) is True for claim in image.claims())
                image.close()
        go_on(path, ScriptedDrive(DATA, bad=set(BAD)))
        assert finished(path) == (whole, coverage)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_killed_again_and_again_on_the_way(
    tmp_path: Path, uninterrupted: tuple[bytes, Coverage, float]
) -> None:
    whole, coverage, seconds = uninterrupted
    moments = random.Random(99)
    path = tmp_path / "bay-1.img"
    kills = 0
    while kills < 3:
        if killed(partial(committing_always, path), moments.uniform(0.02, seconds * 0.3)):
            kills += 1
        else:  # done before the third kill: begin anew, and kill sooner
            kills, seconds = 0, seconds * 0.7
            path.unlink()
            checkpoint_path(path).unlink()
    go_on(path, ScriptedDrive(DATA, bad=set(BAD)))
    assert finished(path) == (whole, coverage)
