"""The whole life of an image's record, for sweeps: a first reading, a second that differs, decay that is
taken back and read again; and what must hold of the record whenever that life was cut short."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Coverage
from mendbay.core.errors import MendbayError
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.block_digests import BLOCK_BYTES, pieces
from mendbay.imaging.trouble import Trouble
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import silent
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.image_place import is_begun
from support.scripted_drive import ScriptedDrive, numbered

SECTOR = 512
SECTORS = 1536
DATA = numbered(SECTORS)
BAD = {77: Trouble.MEDIA, 78: Trouble.MEDIA, 600: Trouble.LINK, 1111: Trouble.ADDRESS}
UNLIKE = (5, 6, 300, 599, 601, 1535)
"""Sectors that the drive gives otherwise when it is read again."""
ROTTEN = Span.at(2 * BLOCK_BYTES, BLOCK_BYTES)
"""The piece of the image that decays; it holds no sector that differs but the last."""
ROT_AT = ROTTEN.start + 1000


def celsius_at(place: int) -> float:
    """How warm the drive is when asked for what begins there."""
    return 31.0 + place // SECTOR % 17


class TellingDrive(ScriptedDrive):
    """Tells with every read how warm it is, and with every refusal of what class it is.

    Args:
        pause: seconds of real time that a read takes.
    """

    def __init__(self, data: bytes, pause: float = 0.0) -> None:
        super().__init__(data, bad=set(BAD), largest_read_bytes=32 << 10)
        self._pause = pause

    def answer(self) -> Attempt:
        time.sleep(self._pause)
        attempt = super().answer()
        told = replace(attempt, celsius=celsius_at(attempt.span.start))
        if attempt.outcome is not Outcome.REFUSED:
            return told
        first = next(one for one in sorted(BAD) if attempt.span.overlaps(Span.at(one * SECTOR, SECTOR)))
        return replace(told, trouble=BAD[first])


def second_answer() -> bytes:
    """What the drive gives when it is read again."""
    found = bytearray(DATA)
    for one in UNLIKE:
        found[one * SECTOR] ^= 0xFF
    return bytes(found)


def unlike() -> SpanSet:
    return SpanSet(Span.at(one * SECTOR, SECTOR) for one in UNLIKE)


def live(path: Path, pause: float = 0.0) -> None:
    """Goes on with that life from wherever it stands."""
    first = TellingDrive(DATA, pause)
    image = ImageFile.reopen(path) if is_begun(path) else ImageFile.create(path, first.identity)
    try:
        image.begin_run("Dock", "drive")
        assert DriveReading("1", first, image, SystemClock(), silent).run() is Ending.DONE
        image.digest()
        _read_again(image, TellingDrive(second_answer(), pause))
        _decay_once(image)
        wrong = failing(image)
        if wrong or image.changed():  # as `drive verify`: what is noted is what is found now
            image.note_changed(wrong)
        if wrong:
            image.doubt(wrong, "found wrong by the sweep")
        image.begin_run("Dock", "drive")
        again = TellingDrive(DATA, pause)
        assert DriveReading("1", again, image, SystemClock(), silent).run() is Ending.DONE
    finally:
        image.close()


def _read_again(image: ImageFile, drive: TellingDrive) -> None:
    image.begin_run("Cradle", "drive")
    for span in [part for each in image.coverage().read for part in pieces(each)]:
        for start in range(span.start, span.stop, 32 << 10):
            drive.ask(Span(start, min(start + (32 << 10), span.stop)))
            attempt = drive.answer()
            if attempt.outcome is Outcome.GIVEN:
                image.keep(attempt.span, attempt.data, attempt.seconds, attempt.celsius)
            image.commit_soon()
    image.commit()


def _decay_once(image: ImageFile) -> None:
    """Spoils a byte of the image behind its back, unless that was mended already."""
    marker = image.path.with_suffix(".decayed")
    if not marker.exists():
        with image.path.open("r+b", buffering=0) as file:
            file.seek(ROT_AT)
            file.write(bytes([DATA[ROT_AT] ^ 0xFF]))
        marker.touch()


def failing(image: ImageFile) -> SpanSet:
    """The pieces of an image that are not what the drive gave: what `drive verify` names."""
    return SpanSet(one.span for one in image.claims() if one.is_held_by(image.take(one.span)) is not True)


def check_record(path: Path) -> None:
    """What must hold of the record whenever that life was cut short: nothing is claimed that is not there,
    and image and digests never disagree without `drive verify` naming it."""
    if not path.exists():
        return
    try:
        image = ImageFile.reopen(path, writable=False)
    except MendbayError:
        assert path.stat().st_blocks == 0, "only an image that never began may be without a sound checkpoint"
        return
    try:
        _check_bytes(image)
        _check_rows(image)
    finally:
        image.close()


def _check_bytes(image: ImageFile) -> None:
    named = failing(image)
    rotten = SpanSet([ROTTEN]) if image.path.with_suffix(".decayed").exists() else SpanSet()
    assert not named - rotten, "a piece fails its digest though nothing happened to it"
    for span in image.coverage().read:
        for place in range(span.start, span.stop, SECTOR):
            one = Span.at(place, min(SECTOR, span.stop - place))
            is_right = image.take(one) == DATA[one.start : one.stop]
            assert is_right or named.covers(one), f"{one} is wrong, and no digest says so"
    claimed = SpanSet(one.span for one in image.claims())
    assert claimed == image.coverage().read, "every byte that is read has its claim"
    assert all(one.digest is not None for one in image.claims()), "and every claim its digest"
    assert not image.changed() - named, "what is noted as changed is not what the drive gave"
    if image.noted_digest() and not image.changed():
        assert not image.coverage().unread


def _check_rows(image: ImageFile) -> None:
    differences = image.differences()
    told = SpanSet(one.span for one in differences)
    assert not told - unlike(), "no difference where the drive gave the same"
    runs = {one.number for one in image.runs()}
    adapters = {one.number: one.adapter for one in image.runs()}
    for one in differences:
        assert (adapters[one.first_run], adapters[one.second_run]) == ("Dock", "Cradle")
    for row in image.rows():
        span = Span(row.start, row.stop)
        assert row.run in runs
        if row.outcome == "again":
            here = unlike().clip(span)
            by = SpanSet(one.span for one in differences if one.second_run == row.run)
            assert not here - by, "what was read again and differs is told together with that it was read"
        if row.outcome == "refused":
            first = next(one for one in sorted(BAD) if span.overlaps(Span.at(one * SECTOR, SECTOR)))
            assert (row.trouble, row.celsius) == (str(BAD[first]), celsius_at(span.start))
        elif row.outcome in ("given", "again"):
            assert row.celsius in {celsius_at(one * SECTOR) for one in range(17)}


def finished(path: Path) -> tuple[bytes, Coverage, SpanSet, tuple[tuple[str, str], ...]]:
    """What a life that came to its end leaves: bytes, coverage, where two answers were given, and what every
    refused sector was refused for."""
    check_record(path)
    image = ImageFile.reopen(path, writable=False)
    try:
        assert not failing(image)
        assert not image.changed()
        refusals = {
            (str(one.span), str(one.trouble)) for one in image.refusals() if one.span.length == SECTOR
        }
        return path.read_bytes(), image.coverage(), image.two_answers(), tuple(sorted(refusals))
    finally:
        image.close()
