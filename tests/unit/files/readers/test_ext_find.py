"""An entry found by the components of its path is the one that a walk over everything gives."""

from __future__ import annotations

import random
import struct

import pytest

from mendbay.files.readers.ext import open_ext
from mendbay.files.readers.ext_tree import ExtFileSystem
from mendbay.files.tree import Entry, Kind
from support import ext_images
from support.sources import MemorySource


def system(data: bytes) -> ExtFileSystem:
    found = open_ext(MemorySource(data))
    assert found is not None
    return found


@pytest.mark.parametrize("recipe", ["ext4-indexed", "ext4-inline", "ext2", "ext4-no-checksums"])
def test_every_path_of_a_sound_volume_is_found_as_the_walk_gives_it(recipe: str) -> None:
    one = system(ext_images.image_bytes(recipe))
    every = list(one.walk(nameless=True))
    chosen = [entry for entry in every if not entry.path.startswith(ext_images.FOLDER_OF_MANY + b"/")]
    chosen += every[:: len(every) // 40]
    assert {entry.kind for entry in chosen} == set(Kind)
    for entry in chosen:
        assert one.find(entry.path) == entry


def test_what_is_not_there_is_not_found() -> None:
    one = system(ext_images.image_bytes("ext4"))
    for path in (
        b"nothing",
        b"sizes/nothing",
        b"sizes/1/deeper",
        b"..",
        b"sizes/../sizes",
        b"sizes/",
        b"//",
        b"/",
    ):
        assert one.find(path) is None
    assert one.find(b"a/" * 40_000 + b"b") is None


@pytest.mark.parametrize("recipe", sorted(ext_images.SMALL_RECIPES))
def test_on_a_damaged_volume_it_is_the_same_or_left_to_the_walk(recipe: str) -> None:
    """Noise over the inode tables and folders of many copies; of entries at one path the first counts."""
    sound = ext_images.small_image(recipe)
    found = left = 0
    for seed in range(8):
        noise = random.Random(seed)
        data = bytearray(sound)
        for _ in range(noise.choice((3, 30, 300))):
            at = noise.randrange(len(data) // 8)
            data[at : at + 4] = struct.pack("<I", noise.getrandbits(32))
        opened = open_ext(MemorySource(bytes(data)))
        if opened is None:
            continue
        first: dict[bytes, Entry] = {}
        for entry in opened.walk():
            first.setdefault(entry.path, entry)
        for path, entry in noise.sample(sorted(first.items()), min(len(first), 40)):
            told = opened.find(path)
            left += told is None
            found += told is not None
            # a folder that stands twice in the tree is shown with what it holds where the walk met it first
            assert told is None or told == entry or entry.kind is Kind.FOLDER, path
    assert found > left
