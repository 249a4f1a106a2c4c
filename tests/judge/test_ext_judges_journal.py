"""The journal overlay against outside judges: journals that debugfs and the kernel wrote, replayed by e2fsck
and by the kernel on copies."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from mendbay.core.source import Mark
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.readers.ext_journal import MAGIC_BYTES
from mendbay.files.readers.ext_tree import ExtFileSystem
from mendbay.files.tree import Entry, Kind, Proof
from mendbay.files.verdict import file_readings
from support.ext_images import make, needs_root, tool, workshop
from support.sources import MemorySource

BLOCK = 1024
FREE_FROM = 9000
"""On a fresh image of 32 MiB the blocks from here to the journal are free."""


def replayed_by_e2fsck(path: Path) -> Path:
    """A copy of the image with its journal replayed by e2fsck, and nothing else mended."""
    copy = path.with_suffix(".replayed")
    shutil.copyfile(path, copy)
    done = subprocess.run(
        [tool("e2fsck"), "-y", "-E", "journal_only", str(copy)], capture_output=True, text=True
    )
    assert "recovering journal" in done.stdout + done.stderr
    assert done.returncode in (0, 1), done.stdout + done.stderr
    return copy


def opened(data: bytes) -> ExtFileSystem:
    fs = open_ext(MemorySource(data))
    assert fs is not None
    return fs


def everything(fs: ExtFileSystem) -> dict[bytes, tuple[Entry, bytes | None]]:
    """Every entry by path with the content of files."""
    found: dict[bytes, tuple[Entry, bytes | None]] = {}
    for entry in fs.walk(nameless=True):
        content = None
        if entry.kind is Kind.FILE:
            readings = list(file_readings(fs.source, fs.layout(entry)))
            assert all(reading.is_complete for reading in readings)
            content = b"".join(reading.data for reading in readings)
        found[entry.path] = entry, content
    return found


def journal_blocks(path: Path) -> list[int]:
    """The blocks of the journal's file, by debugfs."""
    said = subprocess.run(
        [tool("debugfs"), "-R", "blocks <8>", str(path)], check=True, capture_output=True, text=True
    )
    return [int(number) for number in said.stdout.split()]


# Journals written by debugfs ----------------------------------------------------------------------

WAYS: dict[str, tuple[tuple[str, ...], str]] = {
    "plain": (("-t", "ext3"), ""),
    "64bit": (("-t", "ext4", "-O", "64bit,^metadata_csum"), ""),
    "sums of transactions": (("-t", "ext4", "-O", "^64bit,^metadata_csum"), "-c -v 1"),
    "checksums 2": (("-t", "ext4", "-O", "^64bit"), "-c -v 2"),
    "checksums 2, 64bit": (("-t", "ext4", "-O", "64bit"), "-c -v 2"),
    "checksums 3": (("-t", "ext4", "-O", "64bit"), "-c -v 3"),
}


@pytest.mark.parametrize("way", WAYS)
def test_a_journal_written_by_debugfs_is_served_as_e2fsck_replays_it(way: str) -> None:
    recipe, opening = WAYS[way]
    path = make(workshop() / "debugfs-journal.img", 32, (*recipe, "-b", str(BLOCK), "-J", "size=4"))
    written = write_journal(path, opening, revoking=way != "sums of transactions")
    data = path.read_bytes()
    fs = opened(data)
    assert any("The journal was not empty" in remark for remark in fs.facts.remarks)
    mine = fs.source.read(Span(0, len(data)))
    assert mine.is_complete
    assert not mine.marks
    replayed = replayed_by_e2fsck(path).read_bytes()
    assert replayed != data
    # e2fsck empties the journal and clears the flag that asks for it; that is the only other difference.
    own = SpanSet(Span.at(number * BLOCK, BLOCK) for number in [1, *journal_blocks(path)])
    for span in own.complement(Span(0, len(data))):
        assert mine.data[span.start : span.stop] == replayed[span.start : span.stop]
    changed = [
        number for number in written if mine.data[number * BLOCK :][:BLOCK] != data[number * BLOCK :][:BLOCK]
    ]
    assert len(changed) > 20


def write_journal(path: Path, opening: str, *, revoking: bool) -> list[int]:
    """Has debugfs write transactions of random blocks, some of which look like blocks of a journal, and
    revoke some; returns the homes of all.

    Revokes are left out with sums of transactions: debugfs 1.47.0 counts the revoke block in, which neither
    the kernel nor e2fsck does.
    """
    noise = random.Random(path.name + opening)
    commands = [f"jo {opening}"]
    homes = set()
    for number in range(12):
        chosen = sorted(noise.sample(range(FREE_FROM, FREE_FROM + 60), noise.randint(1, 9)))
        homes.update(chosen)
        content = workshop() / f"transaction-{number}"
        content.write_bytes(b"".join(random_block(noise) for _ in chosen))
        commands.append(f"jw -b {','.join(map(str, chosen))} {content}")
        if revoking and number % 3 == 1:
            gone = noise.sample(sorted(homes), min(4, len(homes)))
            commands.append(f"jw -r {','.join(map(str, gone))}")
    script = workshop() / "journal-commands"
    script.write_text("\n".join([*commands, "jc", ""]))
    subprocess.run([tool("debugfs"), "-w", "-f", str(script), str(path)], check=True, capture_output=True)
    return sorted(homes)


def random_block(noise: random.Random) -> bytes:
    data = noise.randbytes(BLOCK)
    return MAGIC_BYTES + data[4:] if noise.random() < 0.3 else data


# Journals written by the kernel -------------------------------------------------------------------


@contextmanager
def mounted(path: Path, options: str) -> Iterator[Path]:
    """The image mounted by the kernel; skips the test if that is impossible here."""
    needs_root()
    place = workshop() / "journal-mount"
    place.mkdir(exist_ok=True)
    done = subprocess.run(
        [tool("mount"), "-o", options, str(path), str(place)], capture_output=True, text=True
    )
    if done.returncode != 0:
        pytest.skip(f"this kernel does not mount the image with {options}: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run([tool("umount"), str(place)], check=True)


def use(place: Path) -> dict[bytes, bytes]:
    """Makes, renames and removes files, and has every one that stays put on the disk; returns those."""
    noise = random.Random(11)
    kept = {}
    for number in range(60):
        folder = place / f"shelf-{number % 4}"
        folder.mkdir(exist_ok=True)
        name = folder / f"pot-{number:02d}"
        # Content that begins like a block of the journal is escaped where it passes through it.
        content = MAGIC_BYTES + noise.randbytes(noise.randrange(9000))
        write_down(name, content)
        if number % 5 == 0:
            name = name.rename(folder / f"renamed-{number:02d}")
        if number % 7 == 3:
            name.unlink()
            continue
        kept[os.fsencode(name.relative_to(place))] = content
    folder = os.open(place, os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)
    write_down(place / "last", b"closes the last transaction")
    return kept | {b"last": b"closes the last transaction"}


def write_down(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


KERNEL_WAYS = {
    "ext4": (("-t", "ext4", "-b", "4096"), "loop"),
    "ext4-1k-with-content": (("-t", "ext4", "-b", "1024"), "loop,data=journal"),
    "ext4-32bit": (("-t", "ext4", "-b", "1024", "-O", "^64bit,^metadata_csum"), "loop"),
    "ext4-sums-of-transactions": (
        ("-t", "ext4", "-b", "1024", "-O", "^metadata_csum"),
        "loop,journal_checksum",
    ),
    "ext3": (("-t", "ext3", "-b", "1024"), "loop"),
    "ext3-with-content": (("-t", "ext3", "-b", "4096"), "loop,data=journal"),
}


@pytest.mark.root
@pytest.mark.parametrize("way", KERNEL_WAYS)
def test_a_volume_cut_off_in_use_reads_as_e2fsck_and_the_kernel_replay_it(way: str) -> None:
    recipe, options = KERNEL_WAYS[way]
    path = make(workshop() / "in-use.img", 32, (*recipe, "-J", "size=4"))
    cut_off = workshop() / "cut-off.img"
    with mounted(path, options) as place:
        kept = use(place)
        shutil.copyfile(path, cut_off)
    fs = opened(cut_off.read_bytes())
    (remark,) = fs.facts.remarks
    assert remark.startswith("The journal was not empty")
    assert "breaks off" not in remark
    found = everything(fs)
    assert {path: found[path][1] for path in kept} == kept
    assert all(found[path][0].proof is not Proof.NONE for path in kept)

    # e2fsck leaves the inodes that were being deleted to a full check, as we do.
    after = opened(replayed_by_e2fsck(cut_off).read_bytes())
    assert after.facts.remarks == ()
    assert everything(after) == found

    with mounted(cut_off, "loop") as place:
        seen = {
            os.path.relpath(os.fsencode(os.path.join(folder, name)), os.fsencode(place)): Path(folder, name)
            for folder, names, files in os.walk(place)
            for name in names + files
        }
        named = {path: pair for path, pair in found.items() if pair[0].named}
        assert set(seen) == set(named) - {b""}
        for path, (entry, content) in named.items():
            if entry.kind is Kind.FILE:
                assert seen[path].read_bytes() == content


@pytest.mark.root
def test_without_its_journal_the_same_volume_is_not_up_to_date() -> None:
    """So that the test above cannot pass by a journal that did not matter."""
    path = make(workshop() / "in-use.img", 32, ("-t", "ext3", "-b", "1024", "-J", "size=4"))
    with mounted(path, "loop") as place:
        kept = use(place)
        data = bytearray(path.read_bytes())
    data[1024 + 0x60] &= 255 - 0x4
    assert not kept.keys() <= everything(opened(bytes(data))).keys()


@pytest.mark.root
def test_a_part_of_the_journal_that_is_gone_is_told_and_proves_nothing() -> None:
    path = make(workshop() / "in-use.img", 32, ("-t", "ext4", "-b", "1024", "-J", "size=4"))
    with mounted(path, "loop") as place:
        kept = use(place)
        data = bytearray(path.read_bytes())
    whole = everything(opened(bytes(data)))
    blocks = journal_blocks(path)
    for number in blocks[41:61]:
        data[number * BLOCK : (number + 1) * BLOCK] = bytes(BLOCK)
    fs = opened(bytes(data))
    (remark,) = fs.facts.remarks
    found = everything(fs)
    wrong = [path for path in kept if path not in found or found[path] != whole[path]]
    assert wrong
    assert {one.mark for one in fs.source.outlook(Span(0, len(data))).marks} == {Mark.POSSIBLY_OLDER}
    assert all(found[path][0].proof is Proof.NONE for path in wrong if path in found)
    assert "breaks off early because a block of it is damaged" in remark
    assert "what stands in may be older" in remark
