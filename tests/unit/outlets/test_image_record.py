"""What a checkpoint keeps of every read, and what becomes of one that an earlier Mendbay made."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from itertools import pairwise
from pathlib import Path

import pytest

from mendbay.core.coverage import Condition
from mendbay.core.errors import DamagedCheckpoint
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.adapters import asked_anew
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.block_digests import BLOCK_BYTES, Claim, digest
from mendbay.imaging.trouble import Trouble
from mendbay.outlets.checkpoint import checkpoint_path
from mendbay.outlets.image_blend import blend
from mendbay.outlets.image_file import DECAYED, ImageFile
from support.scripted_drive import numbered

SIZE = 4 * BLOCK_BYTES + 512
DATA = numbered(SIZE // 512)
IDENTITY = Identity("simulated drive", "drive", SIZE, 512, serial="S1")
NOTHING = memoryview(b"")
OLD = Path(__file__).with_name("checkpoint_format_1.sql")


@pytest.fixture
def image(tmp_path: Path) -> ImageFile:
    made = ImageFile.create(tmp_path / "bay-1.img", IDENTITY)
    made.begin_run("bench adapter", "drive")
    return made


def keep(image: ImageFile, start: int, stop: int, data: bytes = DATA, celsius: float | None = None) -> None:
    image.keep(Span(start, stop), memoryview(data)[start:stop], 0.01, celsius)


def changed(*at: int) -> bytes:
    data = bytearray(DATA)
    for place in at:
        data[place] ^= 0xFF
    return bytes(data)


def spoil(image: ImageFile, data: bytes, at: int) -> None:
    with open(image.path, "r+b") as rotten:
        rotten.seek(at)
        rotten.write(data)


def unsound(image: ImageFile) -> SpanSet:
    return SpanSet(one.span for one in image.claims() if one.is_held_by(image.take(one.span)) is False)


def test_class_and_temperature_of_a_refusal_are_kept(image: ImageFile) -> None:
    for error, told in (("EIO", ""), ("ENODATA", ""), ("EIO", "link")):
        image.note(Attempt(Span(512, 1024), Outcome.REFUSED, NOTHING, 3.0, error, told, 41.5))
    image.note(Attempt(Span(1024, 1536), Outcome.HUNG, NOTHING, 30.0, "no answer"))
    path = image.path
    image.close()
    again = ImageFile.reopen(path, writable=False)
    found = again.refusals()
    classes = [Trouble.UNKNOWN, Trouble.MEDIA, Trouble.LINK, Trouble.HANG]
    assert [one.trouble for one in found] == classes
    assert [one.celsius for one in found] == [41.5, 41.5, 41.5, None]
    assert all(one.at and one.run == 1 for one in found)
    again.close()


def test_every_byte_read_has_its_digest_in_whatever_pieces_it_came(image: ImageFile) -> None:
    for start, stop in (
        (512, 1024),
        (1024, BLOCK_BYTES + 512),
        (SIZE - 512, SIZE),
        (4096 + BLOCK_BYTES, SIZE - 512),
    ):
        keep(image, start, stop, celsius=40.0)
    claims = list(image.claims())
    assert SpanSet(one.span for one in claims) == image.coverage().read
    for one in claims:
        assert one.digest == digest(DATA[one.span.start : one.span.stop])
        assert one.celsius == 40.0
    assert not unsound(image)


def test_a_changed_byte_of_the_image_is_found_in_its_piece_and_nowhere_else(image: ImageFile) -> None:
    keep(image, 0, SIZE)
    image.commit()
    with open(image.path, "r+b") as rotten:
        rotten.seek(BLOCK_BYTES + 77)
        rotten.write(bytes([DATA[BLOCK_BYTES + 77] ^ 1]))
    assert unsound(image) == SpanSet([Span(BLOCK_BYTES, 2 * BLOCK_BYTES)])


def test_digests_are_durable_with_the_claim_or_not_at_all(image: ImageFile) -> None:
    keep(image, 0, BLOCK_BYTES)
    looking = ImageFile.reopen(image.path, writable=False)
    assert not list(looking.claims())
    looking.close()
    image.commit()
    looking = ImageFile.reopen(image.path, writable=False)
    assert [one.digest for one in looking.claims()] == [digest(DATA[:BLOCK_BYTES])]
    looking.close()


def test_digests_of_another_range_are_called_damage(image: ImageFile) -> None:
    keep(image, 0, BLOCK_BYTES)
    path = image.path
    image.close()
    change = sqlite3.connect(checkpoint_path(path))
    change.execute("UPDATE reading SET digests = x'0000'")
    change.commit()
    change.close()
    again = ImageFile.reopen(path, writable=False)
    with pytest.raises(DamagedCheckpoint, match="digests"):
        list(again.claims())
    again.close()


def test_a_second_read_that_differs_is_noted_and_the_first_bytes_stay(image: ImageFile) -> None:
    keep(image, 0, 8192)
    second = image.begin_run("another adapter", "drive")
    keep(image, 4096, 16384, changed(4097, 5000, 9000))
    found = image.differences()
    assert [(one.span, one.first_run, one.second_run) for one in found] == [(Span(4096, 5120), 1, second)]
    assert image.take(Span(0, 8192)) == DATA[:8192]
    assert image.take(Span(8192, 16384)) == changed(9000)[8192:16384]
    assert image.coverage().read == SpanSet([Span(0, 16384)])
    assert image.provenance(Span(0, 16384)) == ((Span(0, 8192), 1), (Span(8192, 16384), second))
    assert not unsound(image)


def test_a_second_read_that_agrees_leaves_no_finding(image: ImageFile) -> None:
    keep(image, 0, SIZE)
    image.begin_run("another adapter", "drive")
    keep(image, 512, SIZE - 512)
    assert not image.differences()
    assert image.given_by_run()[2] == SpanSet([Span(512, SIZE - 512)])


def test_what_is_doubted_is_unread_until_it_is_read_again(image: ImageFile) -> None:
    image.note(Attempt(Span(512, 1024), Outcome.REFUSED, NOTHING, 3.0, "EIO"))
    keep(image, 0, SIZE)
    assert image.digest()
    path, piece = image.path, Span(0, BLOCK_BYTES)
    assert image.doubt(SpanSet([Span(700, 701)]), "the image was edited") == SpanSet([piece])
    for _ in range(2):
        coverage = image.coverage()
        assert coverage.unread == SpanSet([piece])
        assert coverage.tries_at(512) == 0  # it may be asked for as if it never had been
        assert image.digest() == ""
        image.close()
        image = ImageFile.reopen(path)
    image.begin_run("bench adapter", "drive")
    keep(image, 0, BLOCK_BYTES, changed(3))
    assert image.take(piece) == changed(3)[:BLOCK_BYTES]
    assert image.coverage().read.covers(Span(0, SIZE))
    assert not unsound(image)
    assert image.digest()
    assert not image.differences()
    image.close()


def test_decay_found_by_a_second_read_is_mended_and_not_held_against_the_drive(image: ImageFile) -> None:
    keep(image, 0, SIZE)
    image.commit()
    rotten = bytearray(DATA[BLOCK_BYTES + 4096 : BLOCK_BYTES + 4608])
    rotten[7] ^= 1
    spoil(image, rotten, BLOCK_BYTES + 4096)
    second = image.begin_run("another adapter", "drive")
    keep(image, BLOCK_BYTES, 2 * BLOCK_BYTES, changed(BLOCK_BYTES + 9000))
    keep(image, 3 * BLOCK_BYTES, SIZE, changed(3 * BLOCK_BYTES + 5))
    unlike = Span(3 * BLOCK_BYTES, 3 * BLOCK_BYTES + 512)
    assert [(one.span, one.first_run, one.second_run) for one in image.differences()] == [(unlike, 1, second)]
    piece = Span(BLOCK_BYTES, 2 * BLOCK_BYTES)
    assert image.take(piece) == changed(BLOCK_BYTES + 9000)[piece.start : piece.stop]
    assert image.coverage().read.covers(Span(0, SIZE))
    assert image.provenance(piece) == ((piece, second),)
    assert not unsound(image)
    doubts = [(one.start, one.stop, one.error) for one in image.rows() if one.outcome == "doubted"]
    assert doubts == [(piece.start, piece.stop, DECAYED)]


def test_of_a_decayed_piece_the_rest_is_unread(image: ImageFile) -> None:
    keep(image, 0, SIZE)
    image.commit()
    spoil(image, b"rot", 512)
    image.begin_run("another adapter", "drive")
    keep(image, 512, 1024)
    assert image.take(Span(512, 1024)) == DATA[512:1024]
    assert not image.differences()
    assert image.coverage().unread == SpanSet([Span(0, 512), Span(1024, BLOCK_BYTES)])


def test_a_decayed_image_gets_no_digest_of_the_whole_and_says_where(image: ImageFile) -> None:
    keep(image, 0, SIZE)
    path = image.path
    image.close()  # what was hashed on the way is gone
    image = ImageFile.reopen(path)
    spoil(image, b"rot", BLOCK_BYTES + 77)
    rotten = SpanSet([Span(BLOCK_BYTES, 2 * BLOCK_BYTES)])
    for _ in range(2):
        assert image.digest() == ""
        assert image.digest(compute=False) == ""
        assert image.changed() == rotten
        image.close()
        image = ImageFile.reopen(path)
        assert image.changed() == rotten
    image.doubt(rotten, "decay")
    assert not image.changed()
    image.begin_run("bench adapter", "drive")
    keep(image, BLOCK_BYTES, 2 * BLOCK_BYTES)
    assert image.digest() == hashlib.sha256(DATA).hexdigest()
    image.close()
    image = ImageFile.reopen(path)
    assert not image.changed()
    image.close()


def test_a_good_copy_put_back_gets_its_digest_again(image: ImageFile) -> None:
    keep(image, 0, SIZE)
    path = image.path
    image.close()
    image = ImageFile.reopen(path)
    spoil(image, b"rot", 77)
    assert image.digest() == ""
    spoil(image, DATA[77:80], 77)
    assert image.digest() == hashlib.sha256(DATA).hexdigest()
    assert not image.changed()
    image.close()


def test_doubting_what_is_not_read_changes_nothing(image: ImageFile) -> None:
    keep(image, 0, 4096)
    before = image.coverage()
    assert not image.doubt(SpanSet([Span(8192, 16384)]), "no reason")
    assert image.coverage() == before


def test_tries_count_for_the_adapter_they_went_through(image: ImageFile) -> None:
    for _ in range(3):
        image.note(Attempt(Span(512, 1024), Outcome.REFUSED, NOTHING, 3.0, "EIO"))
    assert image.coverage_here().tries_at(512) == 3
    image.begin_run("Another  adapter", "drive")
    assert image.coverage_here().tries_at(512) == 0
    assert image.coverage_here().refused == image.coverage().refused
    image.note(Attempt(Span(512, 1024), Outcome.REFUSED, NOTHING, 3.0, "EIO"))
    image.begin_run("another adapter ", "drive")
    assert image.coverage_here().tries_at(512) == 1
    assert image.coverage().tries_at(512) == 4


def refuse(image: ImageFile, start: int, times: int) -> None:
    for _ in range(times):
        image.note(Attempt(Span(start, start + 512), Outcome.REFUSED, NOTHING, 3.0, "EIO"))


def test_tries_of_runs_without_an_adapter_count_for_every_adapter_and_all_count_without_one(
    tmp_path: Path,
) -> None:
    image = ImageFile.create(tmp_path / "unnamed.img", IDENTITY)
    image.begin_run("not stated", "drive")
    refuse(image, 512, 3)
    image.begin_run("Dock A", "drive")
    assert image.coverage_here().tries_at(512) == 3
    refuse(image, 1024, 2)
    image.begin_run("port on the board", "drive")
    assert [image.coverage_here().tries_at(at) for at in (512, 1024)] == [3, 0]
    assert asked_anew(image.coverage(), image.coverage_here(), 2) == 1
    assert asked_anew(image.coverage(), image.coverage_here(), 3) == 0
    image.begin_run("Not  stated", "drive")
    assert [image.coverage_here().tries_at(at) for at in (512, 1024)] == [3, 2]
    for other in ("dock-a", "DOCK_A", " dock  a "):
        image.begin_run(other, "drive")
        assert image.coverage_here().tries_at(1024) == 2, other
        assert asked_anew(image.coverage(), image.coverage_here(), 2) == 0
    image.begin_run("dock b", "drive")
    assert image.coverage_here().tries_at(1024) == 0
    image.close()


def test_blended_bytes_keep_their_time_adapter_and_digest_and_rotten_ones_are_left(
    image: ImageFile, tmp_path: Path
) -> None:
    other = ImageFile.create(tmp_path / "elsewhere.img", IDENTITY)
    other.begin_run("third adapter", "drive")
    keep(other, 0, SIZE, celsius=50.0)
    other.commit()
    with open(other.path, "r+b") as rotten_file:
        rotten_file.seek(BLOCK_BYTES)
        rotten_file.write(b"rot")
    keep(image, 0, 4096)
    brought = blend(image, other, other.coverage().read - image.coverage().read)
    rotten = Span(BLOCK_BYTES, 2 * BLOCK_BYTES)
    assert brought.unsound == SpanSet([rotten])
    assert brought.taken == SpanSet([Span(4096, BLOCK_BYTES), Span(2 * BLOCK_BYTES, SIZE)])
    assert image.coverage().unread == SpanSet([rotten])
    assert not unsound(image)
    assert [(run.adapter, run.taken_from, run.bench) for run in image.runs()][1:] == [
        ("third adapter", "elsewhere.img", os.uname().nodename)
    ]
    assert {one.celsius for one in image.claims() if one.run == brought.runs[1]} == {50.0}
    assert {one.at for one in image.claims()} == {one.at for one in other.claims()} | {
        one.at for one in image.claims() if one.run == 1
    }
    other.close()


def test_a_refusal_that_the_other_image_took_back_is_not_taken_over(image: ImageFile, tmp_path: Path) -> None:
    other = ImageFile.create(tmp_path / "elsewhere.img", IDENTITY)
    other.begin_run("third adapter", "drive")
    bad, still_bad = Span(512, 1024), Span(2 * BLOCK_BYTES, 2 * BLOCK_BYTES + 512)
    for span in (bad, still_bad):
        other.note(Attempt(span, Outcome.REFUSED, NOTHING, 3.0, "ENODATA"))
    keep(other, 0, BLOCK_BYTES)
    other.doubt(SpanSet([bad]), "the image was edited")
    other.note(Attempt(Span(4096, 4608), Outcome.HUNG, NOTHING, 30.0, "no answer"))
    blend(image, other, other.coverage().read)
    assert [one.span for one in image.refusals()] == [one.span for one in other.refusals()]
    assert [one.span for one in image.refusals()] == [still_bad, Span(4096, 4608)]
    assert image.coverage().tries_at(512) == 0
    blend(image, other, SpanSet())
    assert len(image.refusals()) == 2
    other.close()


def test_bytes_that_never_had_a_digest_get_none_by_a_blend(old: Path) -> None:
    bare = ImageFile.reopen(old, writable=False)
    mine = ImageFile.create(old.parent / "mine.img", bare.identity)
    blend(mine, bare, bare.coverage().read)
    assert {one.digest for one in mine.claims()} == {None}
    assert SpanSet(one.span for one in mine.claims()) == bare.coverage().read
    bare.close()
    mine.close()


def test_bytes_without_a_digest_do_not_join_a_row_that_has_digests(image: ImageFile) -> None:
    half = BLOCK_BYTES // 2
    bounds = [0, 4096, half, half + 4096, BLOCK_BYTES]
    at = "2026-01-05T10:00:00Z"
    for start, stop in pairwise(bounds):
        span, data = Span(start, stop), memoryview(DATA)[start:stop]
        noted = digest(data) if start in (0, half) else None
        image.adopt(span, data, Claim(span, 1, noted, at), 1)
    image.commit()
    found = [(one.span, one.digest is not None) for one in image.claims()]
    assert found == [(Span(a, b), a in (0, half)) for a, b in pairwise(bounds)]
    assert not unsound(image)


# ---------------------------------------------------------------------- made by the code of format 1


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """An image of 2 MiB with a checkpoint that the code of format 1 made."""
    path = tmp_path / "bay-1.img"
    content = numbered(4096)
    path.write_bytes(content[:8192] + bytes(1024) + content[9216:65536] + bytes((2 << 20) - 65536))
    log = sqlite3.connect(checkpoint_path(path))
    log.executescript(OLD.read_text())
    log.close()
    return path


def seen(path: Path, *, writable: bool) -> tuple[object, ...]:
    image = ImageFile.reopen(path, writable=writable)
    try:
        return (
            image.coverage(),
            image.runs(),
            image.refusals(),
            image.differences(),
            tuple(image.claims()),
            image.provenance(Span(0, 1 << 20)),
        )
    finally:
        image.close()


def test_a_checkpoint_of_format_1_is_shown_unchanged_and_taken_up_when_written(old: Path) -> None:
    before = checkpoint_path(old).read_bytes()
    looked = seen(old, writable=False)
    assert checkpoint_path(old).read_bytes() == before
    assert seen(old, writable=True) == looked
    assert seen(old, writable=False) == looked
    image = ImageFile.reopen(old)
    coverage = image.coverage()
    assert coverage.read == SpanSet([Span(0, 8192), Span(9216, 65536)])
    assert coverage.tries_at(8192) == 2
    assert coverage.total_bytes(Condition.WAIVED) == 512
    classes = [one.trouble for one in image.refusals()]
    assert classes == [Trouble.UNKNOWN, Trouble.UNKNOWN, Trouble.HANG, Trouble.MEDIA]
    assert {one.digest for one in image.claims()} == {None}
    image.begin_run("third adapter", "drive")
    image.keep(Span(8192, 8704), memoryview(bytes(512)), 0.1)
    image.commit()
    assert [one.digest for one in image.claims() if one.digest is not None] == [digest(bytes(512))]
    image.close()


def test_a_checkpoint_of_format_1_on_a_medium_that_cannot_be_written(old: Path, tmp_path: Path) -> None:
    fixed = tmp_path / "fixed"
    fixed.mkdir()
    for one in (old, checkpoint_path(old)):
        shutil.copy(one, fixed)
    fixed.chmod(0o555)
    try:
        assert seen(fixed / old.name, writable=False) == seen(old, writable=False)
    finally:
        fixed.chmod(0o755)


def test_an_unknown_format_is_refused(old: Path) -> None:
    log = sqlite3.connect(checkpoint_path(old))
    log.execute("UPDATE meta SET value = '3' WHERE key = 'format'")
    log.commit()
    log.close()
    with pytest.raises(DamagedCheckpoint):
        ImageFile.reopen(old)
