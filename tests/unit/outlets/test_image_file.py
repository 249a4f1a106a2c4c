"""The image and its checkpoint as one durable unit."""

from __future__ import annotations

import errno
import hashlib
import os
import sqlite3
from pathlib import Path

import pytest

from mendbay.core.coverage import Condition
from mendbay.core.errors import DamagedCheckpoint, DestinationError, ForeignImage, ImageBusy, NoRoom
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.outlets.checkpoint import checkpoint_path
from mendbay.outlets.image_blend import blend
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.image_place import glance_at
from support.scripted_drive import numbered

SIZE = 4096 * 512
DATA = numbered(4096)
IDENTITY = Identity("simulated drive", "drive", SIZE, 512, serial="S1")


@pytest.fixture
def image(tmp_path: Path) -> ImageFile:
    made = ImageFile.create(tmp_path / "bay-1.img", IDENTITY)
    made.begin_run("bench adapter", "drive")
    return made


def keep(image: ImageFile, start: int, stop: int) -> None:
    image.keep(Span(start, stop), memoryview(DATA)[start:stop], 0.01)


def refuse(image: ImageFile, start: int, stop: int) -> None:
    image.note(Attempt(Span(start, stop), Outcome.REFUSED, memoryview(b""), 3.0, "EIO"))


def test_what_was_committed_is_there_after_reopening(image: ImageFile) -> None:
    keep(image, 0, 8192)
    refuse(image, 8192, 8704)
    refuse(image, 8192, 8704)
    refuse(image, 16384, 32768)
    image.waive(SpanSet([Span(SIZE - 512, SIZE)]))
    before = image.coverage()
    image.close()
    again = ImageFile.reopen(image.path)
    assert again.coverage() == before
    assert again.coverage().tries_at(8192) == 2
    assert again.coverage().total_bytes(Condition.REFUSED) == 512
    assert again.coverage().waived == SpanSet([Span(SIZE - 512, SIZE)])
    assert again.take(Span(0, 8192)) == DATA[:8192]
    assert list(again.refused_reads()) == [(8192, 8704, 3.0), (8192, 8704, 3.0), (16384, 32768, 3.0)]
    again.close()


def test_nothing_is_claimed_before_commit(image: ImageFile, tmp_path: Path) -> None:
    keep(image, 0, 8192)
    looking = ImageFile.reopen(image.path, writable=False)
    assert not looking.coverage().read
    looking.close()
    image.commit()
    looking = ImageFile.reopen(image.path, writable=False)
    assert looking.coverage().read == SpanSet([Span(0, 8192)])
    looking.close()
    image.close()


def test_bytes_are_flushed_before_the_log_speaks_of_them(
    image: ImageFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    real = os.fdatasync

    def watched(fd: int) -> None:
        looking = sqlite3.connect(checkpoint_path(image.path))
        order.append(f"flush with {looking.execute('SELECT count(*) FROM reading').fetchone()[0]} rows")
        looking.close()
        real(fd)

    monkeypatch.setattr(os, "fdatasync", watched)
    keep(image, 0, 512)
    image.commit()
    assert order == ["flush with 0 rows"]
    image.close()


def test_after_a_failed_flush_nothing_more_is_claimed_and_a_new_process_reads_again(
    image: ImageFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system may drop the bytes it could not write and then call the next flush a success."""
    keep(image, 0, 512)
    image.commit()

    def lossy(fd: int) -> None:
        os.pwrite(fd, bytes(4096 - 512), 512)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    keep(image, 512, 4096)
    with monkeypatch.context() as broken:
        broken.setattr(os, "fdatasync", lossy)
        with pytest.raises(DestinationError):
            image.commit()
    for again in (image.commit, lambda: (keep(image, 4096, 8192), image.commit())):
        with pytest.raises(DestinationError):
            again()
    image.close()
    left = ImageFile.reopen(image.path)
    assert left.coverage().read == SpanSet([Span(0, 512)])
    left.close()


def test_a_full_disk_at_the_flush_names_the_room(image: ImageFile, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    keep(image, 0, 512)
    monkeypatch.setattr(os, "fdatasync", full)
    with pytest.raises(NoRoom, match="bytes free"):
        image.commit()
    image.close()


def test_blending_the_same_image_again_changes_nothing(image: ImageFile, tmp_path: Path) -> None:
    other = ImageFile.create(tmp_path / "elsewhere.img", IDENTITY)
    other.begin_run("third adapter", "drive")
    keep(other, 0, 16384)
    refuse(other, 65536, 66048)
    other.commit()
    for _ in range(3):
        blend(image, other, other.coverage().read - image.coverage().read)
        assert image.coverage().tries_at(65536) == 1
        assert len(image.runs()) == 2
    with pytest.raises(ForeignImage):
        blend(image, image, SpanSet())
    other.close()
    image.close()


def test_a_checkpoint_that_may_not_be_written_is_not_called_damaged(image: ImageFile) -> None:
    keep(image, 0, 8192)
    image.close()
    log = checkpoint_path(image.path)
    folder = image.path.parent
    log.chmod(0o444)
    folder.chmod(0o555)
    try:
        looking = ImageFile.reopen(image.path, writable=False)
        assert looking.coverage().read == SpanSet([Span(0, 8192)])
        looking.close()
    finally:
        folder.chmod(0o755)


def test_zeros_stay_sparse_but_overwrite_what_a_killed_run_left(image: ImageFile) -> None:
    zeros = memoryview(bytes(256 << 10))
    image.keep(Span(0, 256 << 10), zeros, 0.01)
    image.commit()
    assert os.stat(image.path).st_blocks * 512 <= 4096
    with open(image.path, "r+b") as leftover:
        leftover.seek(512 << 10)
        leftover.write(b"left by a run that never claimed it")
    image.keep(Span(512 << 10, 768 << 10), zeros, 0.01)
    assert image.take(Span(512 << 10, 768 << 10)) == bytes(256 << 10)
    assert Span(0, 256 << 10) in list(image.coverage().read)
    image.close()


def test_digest_is_of_the_file_in_whatever_order_it_was_read(image: ImageFile) -> None:
    keep(image, 0, 4096)
    assert image.digest() == ""
    keep(image, SIZE // 2, SIZE)
    keep(image, 4096, SIZE // 2)
    assert image.digest() == hashlib.sha256(DATA).hexdigest()
    image.close()


def test_provenance_names_the_run_of_every_range(image: ImageFile) -> None:
    keep(image, 0, 4096)
    second = image.begin_run("another adapter", "drive")
    keep(image, 4096, 8192)
    found = image.provenance(Span(1024, 6144))
    assert found == ((Span(1024, 4096), 1), (Span(4096, 6144), second))
    assert [run.adapter for run in image.runs()] == ["bench adapter", "another adapter"]
    image.close()


def test_blend_takes_what_is_missing_with_its_adapter_and_refusals(image: ImageFile, tmp_path: Path) -> None:
    other = ImageFile.create(tmp_path / "elsewhere.img", IDENTITY)
    other.begin_run("third adapter", "drive")
    keep(other, 0, 16384)
    refuse(other, 65536, 66048)
    other.commit()
    keep(image, 0, 4096)
    blend(image, other, other.coverage().read - image.coverage().read)
    assert image.take(Span(0, 16384)) == DATA[:16384]
    assert image.coverage().tries_at(65536) == 1
    runs = {run.number: run for run in image.runs()}
    origin = {span: runs[number].adapter for span, number in image.provenance(Span(0, 16384))}
    assert origin == {Span(0, 4096): "bench adapter", Span(4096, 16384): "third adapter"}
    assert runs[2].taken_from == "elsewhere.img"
    other.close()
    image.close()


def test_blend_refuses_another_size(image: ImageFile, tmp_path: Path) -> None:
    other = ImageFile.create(tmp_path / "other.img", Identity("simulated drive", "x", 1024, 512))
    with pytest.raises(ForeignImage):
        blend(image, other, SpanSet())
    other.close()
    image.close()


def test_a_second_writer_is_refused(image: ImageFile) -> None:
    with pytest.raises(ImageBusy):
        ImageFile.reopen(image.path)
    image.close()


def test_an_image_that_exists_is_not_overwritten(image: ImageFile) -> None:
    image.close()
    with pytest.raises(DestinationError, match="already exists"):
        ImageFile.create(image.path, IDENTITY)


@pytest.mark.parametrize("damage", ["cut", "garbage", "missing", "wrong size", "wild range", "no identity"])
def test_a_damaged_checkpoint_is_recognised_and_nothing_changed(image: ImageFile, damage: str) -> None:
    for at in range(0, SIZE, 8192):
        keep(image, at, at + 4096)
    image.close()
    log = checkpoint_path(image.path)
    if damage == "cut":
        os.truncate(log, log.stat().st_size // 2)
    elif damage == "garbage":
        log.write_bytes(b"\x5a" * log.stat().st_size)
    elif damage == "missing":
        log.unlink()
    elif damage == "wrong size":
        os.truncate(image.path, SIZE - 512)
    else:
        change = sqlite3.connect(log)
        if damage == "wild range":
            change.execute("UPDATE reading SET stop = ? WHERE id = 1", (SIZE + 512,))
        else:
            change.execute("DELETE FROM meta WHERE key = 'identity'")
        change.commit()
        change.close()
    before = image.path.read_bytes()
    with pytest.raises(DamagedCheckpoint) as caught:
        ImageFile.reopen(image.path)
    assert caught.value.next_step
    assert image.path.read_bytes() == before


def test_what_a_killed_start_left_is_cleared_but_never_an_image_with_claims(tmp_path: Path) -> None:
    path = tmp_path / "bay-1.img"
    sqlite3.connect(checkpoint_path(path)).close()
    checkpoint_path(path).touch()
    first = ImageFile.create(path, IDENTITY)
    first.begin_run("adapter", "drive")
    keep(first, 0, 512)
    first.close()
    path.unlink()
    with pytest.raises(DestinationError):
        ImageFile.create(path, IDENTITY)
    assert checkpoint_path(path).exists()


def test_a_glance_tells_a_writer_and_changes_nothing(image: ImageFile, tmp_path: Path) -> None:
    path = image.path
    seen = glance_at(path)
    assert seen is not None
    assert seen.busy
    image.close()
    after = glance_at(path)
    assert after is not None
    assert not after.busy
    assert after.changed_ns >= path.stat().st_mtime_ns
    ImageFile.reopen(path).close()
    assert glance_at(tmp_path / "none.img") is None
    (tmp_path / "empty.img").touch()
    assert glance_at(tmp_path / "empty.img") is None
