"""The record of an image with its digests, classes, temperatures and differences (format 2): killed at random
moments, and with the Nth read, write, flush or statement failing, once and for good, for Ns spread over its
whole life (`test_failing_image_disk.py` takes every N of a first reading)."""

from __future__ import annotations

import errno
import os
import random
import sqlite3
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.errors import DestinationError, MendbayError, NoRoom
from mendbay.jobs import drive_reading
from mendbay.outlets import checkpoint
from mendbay.outlets.image_file import ImageFile
from support.failing import FailingConnection, FailingOs
from support.kills import killed
from support.record_life import BAD, check_record, finished, live, unlike

KILLS = 40
PAUSE = 0.001
STRIDE = {"pwrite": 17, "fdatasync": 7, "pread": 17}
"""Between the calls that fail: some 15 in a life."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, float]:
    """What the life leaves when nothing goes wrong, and how long it takes."""
    path = tmp_path_factory.mktemp("whole") / "bay-1.img"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drive_reading, "COMMIT_SECONDS", 0.0)
        begun = time.monotonic()
        live(path, PAUSE)
        seconds = time.monotonic() - begun
    left = finished(path)
    assert left[2] == unlike()
    assert len(left[3]) == len(BAD)
    return left, seconds


def committing_always(path: Path) -> None:
    """That work, made durable after every read; for a process of its own."""
    drive_reading.COMMIT_SECONDS = 0.0
    live(path, PAUSE)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_killed_at_random_moments_of_its_life(tmp_path: Path, whole: tuple[object, float]) -> None:
    expected, seconds = whole
    moments = random.Random(5)
    kills = attempts = 0
    met: set[str] = set()
    parts = {"given", "refused", "again", "doubted"}
    while kills < KILLS or not parts <= met:  # the kills must fall on all parts of the life
        attempts += 1
        assert attempts < 10 * KILLS, f"{kills} lives were killed, in the parts {met} only"
        path = tmp_path / f"{attempts}.img"
        if not killed(partial(committing_always, path), moments.uniform(0, seconds * 1.1)):
            seconds *= 0.95  # this machine has become quicker than when the whole life was timed
            continue
        kills += 1
        seconds *= 1.02  # or slower: kills must reach the end of the life too
        check_record(path)
        met |= outcomes(path)
        live(path)
        assert finished(path) == expected
        path.unlink()


def outcomes(path: Path) -> set[str]:
    """The kinds of rows in a log, none where there is no log yet."""
    try:
        image = ImageFile.reopen(path, writable=False)
    except Exception:
        return set()
    found = {row.outcome for row in image.rows()}
    image.close()
    return found


@pytest.mark.slow
@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize(
    ("call", "number"),
    [("pwrite", errno.ENOSPC), ("pwrite", errno.EIO), ("fdatasync", errno.EIO), ("pread", errno.EIO)],
)
def test_whatever_call_fails_the_record_and_the_image_agree(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    whole: tuple[object, float],
    call: str,
    number: int,
    for_good: bool,
) -> None:
    monkeypatch.setattr(drive_reading, "COMMIT_SECONDS", 0.0)
    expected, _ = whole

    def life(path: Path, at: int) -> tuple[bool, bool]:
        failing = FailingOs((call,), at, lambda: OSError(number, os.strerror(number)), for_good)
        with pytest.MonkeyPatch.context() as broken:
            for module in ("image_file", "image_view", "image_bytes", "image_commits"):
                broken.setattr(f"mendbay.outlets.{module}.os", failing, raising=False)
            hit = _ends_in_our_way(path, NoRoom if number == errno.ENOSPC else DestinationError)
        return hit, failing.calls >= at

    failed = _lives_that_failed(tmp_path, range(1 + for_good, 1000, STRIDE[call]), life, expected)
    assert failed > 1, f"{call} is hardly ever used"


def _lives_that_failed(
    folder: Path,
    places: Iterable[int],
    life: Callable[[Path, int], tuple[bool, bool]],
    expected: object,
) -> int:
    """Lives with a failure at each place in turn, until one gets by without it. After each the record must be
    sound, and the same life must go on to the same end.

    Args:
        life: lives with a failure at a place; whether it ended with the error meant for it, and whether it
            got as far as that place.

    Returns:
        How many failed.
    """
    for failed, at in enumerate(places):
        path = folder / f"{at}.img"
        hit, reached = life(path, at)
        if not hit:
            assert not reached, "a failure was swallowed"
            return failed
        check_record(path)
        live(path)
        assert finished(path) == expected
        path.unlink()
    pytest.fail("the life never got by without the failure")


def _ends_in_our_way(path: Path, told: type[Exception]) -> bool:
    """Whether that life ended with the error meant for it; any other goes through."""
    try:
        live(path)
    except told:
        return True
    return False


class FailingLog(FailingConnection):
    """Also counts the statements that are run with many rows."""

    def executemany(self, sql: str, parameters: Iterable[Any], /) -> sqlite3.Cursor:
        cls = type(self)
        cls.count += 1
        if cls.fail_at and (cls.count == cls.fail_at or (cls.for_good and cls.count > cls.fail_at)):
            raise sqlite3.OperationalError("disk I/O error (made by the test)")
        return super().executemany(sql, parameters)


@pytest.mark.slow
@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
def test_whatever_statement_fails_rows_and_differences_come_together_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: tuple[object, float], for_good: bool
) -> None:
    monkeypatch.setattr(drive_reading, "COMMIT_SECONDS", 0.0)
    expected, _ = whole

    def life(path: Path, at: int) -> tuple[bool, bool]:
        with pytest.MonkeyPatch.context() as broken:
            FailingLog.plan(at, for_good=for_good)
            broken.setattr(checkpoint.sqlite3, "connect", partial(sqlite3.connect, factory=FailingLog))
            hit = _ends_in_our_way(path, MendbayError)
            reached = FailingLog.count >= at
            FailingLog.plan(0)
        return hit, reached

    places = (*range(1, 25), *range(25 + for_good, 6000, 29))  # every one while the image is begun
    assert _lives_that_failed(tmp_path, places, life, expected) > 5
