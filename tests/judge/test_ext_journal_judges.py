"""A volume copied while mounted: what the reader shows through the journal is what e2fsck makes of it."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.readers.ext_checksum import ALL_ONES, crc32c
from mendbay.files.readers.ext_tree import ExtFileSystem
from mendbay.files.tree import Entry, Kind, Proof
from mendbay.files.verdict import file_readings
from support.ext_images import make, needs_root, tool, workshop
from support.sources import MemorySource

KINDS = {
    "ext4-1k": ("-t", "ext4", "-b", "1024"),
    "ext4-no-checksums": ("-t", "ext4", "-b", "4096", "-O", "^metadata_csum"),
    "ext4-32bit": ("-t", "ext4", "-b", "2048", "-O", "^64bit"),
    "ext3": ("-t", "ext3", "-b", "1024"),
}


CONTENT_TOO = frozenset(["ext4-1k"])
"""Mounted so that file content goes through the journal, too, which makes it escape blocks. The others
revoke blocks instead: the kernel does that only where content does not."""


@contextmanager
def mounted(path: Path, *, content_too: bool) -> Iterator[bytes]:
    place = path.with_suffix(".mounted")
    place.mkdir()
    options = "loop,data=journal" if content_too else "loop"
    done = subprocess.run(
        [tool("mount"), "-o", options, str(path), str(place)], capture_output=True, text=True
    )
    if done.returncode != 0:
        pytest.skip(f"this kernel does not mount {path.name} for writing: {done.stderr.strip()}")
    try:
        yield os.fsencode(place)
    finally:
        subprocess.run([tool("umount"), str(place)], check=True)


def put(path: bytes, data: bytes, *, sync: bool) -> None:
    with open(path, "wb") as file:
        file.write(data)
        file.flush()
        if sync:
            os.fsync(file.fileno())


@cache
def dirty(kind: str) -> Path:
    """An image copied from under a mounted file system right after a sync of one file."""
    needs_root()
    path = make(workshop() / f"dirty-{kind}.img", 48, KINDS[kind])
    copy = path.with_suffix(".copy")
    with mounted(path, content_too=kind in CONTENT_TOO) as root:
        for number in range(200):
            put(root + b"/old-%d" % number, b"before %d" % number, sync=False)
        os.makedirs(root + b"/gone")
        for number in range(60):
            put(root + b"/gone/%d" % number, b"x" * 3000, sync=False)
        os.sync()
        os.makedirs(root + b"/new/deeper")
        for number in range(500):
            put(root + b"/new/deeper/%d" % number, b"%d" % number * 300, sync=number % 60 == 0)
        for number in range(1, 90):
            os.rename(root + b"/old-%d" % number, root + b"/new/renamed-%d" % number)
        for number in range(90, 140):
            os.unlink(root + b"/old-%d" % number)
        shutil.rmtree(root + b"/gone")
        put(root + b"/escaped", b"\xc0\x3b\x39\x98 the first word of a journal block" * 400, sync=True)
        put(root + b"/last", b"the last file that was made sure of", sync=True)
        shutil.copyfile(path, copy)
    return copy


@cache
def replayed_by_e2fsck(kind: str) -> Path:
    path = dirty(kind).with_suffix(".replayed")
    shutil.copyfile(dirty(kind), path)
    done = subprocess.run([tool("e2fsck"), "-fy", "-E", "journal_only", str(path)], capture_output=True)
    assert done.returncode in (0, 1), done.stdout
    return path


def opened(data: bytes) -> ExtFileSystem:
    fs = open_ext(MemorySource(data))
    assert fs is not None
    return fs


def listing(fs: ExtFileSystem) -> dict[bytes, tuple[Entry, str]]:
    return {entry.path: (entry, digest(fs, entry)) for entry in fs.walk(nameless=True)}


def digest(fs: ExtFileSystem, entry: Entry) -> str:
    found = hashlib.sha256()
    if entry.kind is Kind.FILE:
        for reading in file_readings(fs.source, fs.layout(entry)):
            found.update(reading.data)
    return found.hexdigest()


@pytest.mark.root
@pytest.mark.parametrize("kind", KINDS)
def test_the_overlay_shows_what_e2fsck_replays(kind: str) -> None:
    ours = opened(dirty(kind).read_bytes())
    judge = opened(replayed_by_e2fsck(kind).read_bytes())
    assert any("journal was not empty" in remark for remark in ours.facts.remarks)
    assert judge.facts.remarks == ()
    shown, expected = listing(ours), listing(judge)
    assert shown == expected
    assert b"last" in shown
    assert b"old-100" not in shown
    assert {entry.proof for entry, _ in shown.values()} == (
        {Proof.CHECKSUM} if ours.facts.has_checksums else {Proof.STRUCTURE}
    )


@pytest.mark.root
@pytest.mark.parametrize("kind", KINDS)
def test_the_journals_compared_hold_revoked_blocks(kind: str) -> None:
    said = subprocess.run(
        [tool("debugfs"), "-R", "logdump", str(dirty(kind))], check=True, capture_output=True, text=True
    ).stdout
    assert ("type 5 (revoke table)" in said) is (kind not in CONTENT_TOO), said


@pytest.mark.root
@pytest.mark.parametrize("kind", KINDS)
def test_without_the_journal_the_same_image_shows_something_else(kind: str) -> None:
    """So the comparison above would notice an overlay that does nothing."""
    data = bytearray(dirty(kind).read_bytes())
    data[1024 + 0x60] &= 255 - 4  # the flag that the journal is needed
    checksum = crc32c(ALL_ONES, bytes(data[1024 : 1024 + 0x3FC]))
    data[1024 + 0x3FC : 2048] = checksum.to_bytes(4, "little")
    assert {path for path, _ in listing(opened(bytes(data))).items()} != set(
        listing(opened(replayed_by_e2fsck(kind).read_bytes()))
    )


@pytest.mark.root
@pytest.mark.parametrize("kind", ["ext4-1k", "ext3"])
def test_the_journal_is_replayed_with_the_superblock_or_its_inode_lost(kind: str) -> None:
    expected = {
        path: found for path, (_, found) in listing(opened(replayed_by_e2fsck(kind).read_bytes())).items()
    }
    data = dirty(kind).read_bytes()
    lost = MemorySource(data, gaps={Lack.REFUSED: SpanSet([Span(1024, 2048)])})
    fs = open_ext(lost)
    assert fs is not None
    assert any("copy in group 1" in remark for remark in fs.facts.remarks)
    assert {path: found for path, (_, found) in listing(fs).items()} == expected
    table = int.from_bytes(data[2048 + 8 : 2048 + 12], "little")
    inode = Span.at(table * 1024 + 7 * 256, 256)
    fs = open_ext(MemorySource(data, gaps={Lack.REFUSED: SpanSet([inode])}))
    assert fs is not None
    assert any("journal was not empty" in remark for remark in fs.facts.remarks)


@pytest.mark.root
def test_metadata_holds_the_whole_journal_and_the_copies_come_from_it() -> None:
    fs = opened(dirty("ext4-1k").read_bytes())
    root = next(entry for entry in fs.walk() if entry.path == b"")
    (extent, *_) = fs.layout(root).extents
    assert extent.volume_span is not None
    needed = fs.source.needs(SpanSet([extent.volume_span]))["1"]
    assert needed != SpanSet([extent.volume_span])
    assert not needed - fs.metadata()
