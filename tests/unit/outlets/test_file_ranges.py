"""Stored ranges, digests and the pattern of an erasure; and the journal that tells how far it came."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import DestinationError
from mendbay.handback.erasure import SAMPLED_FROM_BYTES, sample_starts
from mendbay.outlets.erasure_journal import ErasureJournal
from mendbay.outlets.file_ranges import CHUNK_BYTES, digest_of, pattern, pieces, stored_ranges

RANGES = st.lists(st.integers(0, 6 * CHUNK_BYTES), min_size=2, max_size=8, unique=True).map(
    lambda one: list(zip(sorted(one)[::2], sorted(one)[1::2], strict=False))
)


@given(RANGES)
def test_pieces_are_the_ranges_and_none_crosses_a_chunk(ranges: list[tuple[int, int]]) -> None:
    cut = list(pieces(iter(ranges)))
    assert all(start < stop and start // CHUNK_BYTES == (stop - 1) // CHUNK_BYTES for start, stop in cut)
    joined: list[tuple[int, int]] = []
    for start, stop in cut:
        if joined and joined[-1][1] == start and not any(start == one[0] for one in ranges):
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    assert joined == ranges


@given(st.integers(0, 2**128 - 1), st.integers(0, 2**30), st.data())
def test_the_pattern_depends_on_seed_and_place_alone(seed: int, chunk: int, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, CHUNK_BYTES - 1))
    stop = data.draw(st.integers(start + 1, CHUNK_BYTES))
    base = chunk * CHUNK_BYTES
    whole = pattern(seed, base, base + CHUNK_BYTES)
    assert pattern(seed, base + start, base + stop) == whole[start:stop]
    assert pattern(seed, base + CHUNK_BYTES, base + 2 * CHUNK_BYTES) != whole
    counts = np.bincount(np.frombuffer(whole, np.uint8), minlength=256)
    assert counts.min() > 3600  # 4096 each on average; no layer below can make it smaller


def test_the_digest_of_a_small_file_is_its_sha256(tmp_path: Path) -> None:
    place = tmp_path / "x"
    place.write_bytes(b"abc" * 700_000)
    fd = os.open(place, os.O_RDONLY)
    try:
        assert digest_of(fd, 2_100_000) == "sha256:" + hashlib.sha256(b"abc" * 700_000).hexdigest()
        with pytest.raises(OSError, match="ends too early"):
            digest_of(fd, 2_100_001)
    finally:
        os.close(fd)


def test_the_digest_of_a_large_file_is_of_its_samples(tmp_path: Path) -> None:
    place, size = tmp_path / "x", SAMPLED_FROM_BYTES + 5000
    with place.open("wb") as file:
        file.truncate(size)
    fd = os.open(place, os.O_RDWR)
    try:
        blank = digest_of(fd, size)
        plain = hashlib.sha256(size.to_bytes(8, "big"))
        for start in sample_starts(size):
            plain.update(start.to_bytes(8, "big") + bytes(1 << 20))
        assert blank == "sampled:" + plain.hexdigest()
        os.pwrite(fd, b"X", size - 1)
        assert digest_of(fd, size) != blank
        assert list(stored_ranges(fd, size))[-1][1] == size
        assert sum(stop - start for start, stop in stored_ranges(fd, size)) <= size
    finally:
        os.close(fd)


def test_a_hole_holds_nothing(tmp_path: Path) -> None:
    place = tmp_path / "x"
    with place.open("wb") as file:
        file.truncate(1 << 20)
    fd = os.open(place, os.O_RDONLY)
    try:
        assert list(stored_ranges(fd, 1 << 20)) == []
        assert list(stored_ranges(fd, 0)) == []
    finally:
        os.close(fd)


def journal(path: Path, plan: str = "p") -> ErasureJournal:
    return ErasureJournal(os.open(path, os.O_RDWR | os.O_CREAT), plan, "2026-12-01T10:00:00Z")


def test_the_journal_comes_back_and_a_torn_line_is_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    made = journal(path)
    made.begin(0, "erased-1", 5)
    made.upto(0, 100)
    made.equal(0, 200)
    made.done(0)
    made.begin(1, "erased-2", 6)
    whole = path.read_bytes()
    assert journal(path).steps == made.steps
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        found = journal(path).steps
        assert set(found) <= {0, 1}
        assert path.read_bytes().endswith(b"\n")
        assert not found.get(0) or found[0].seed == 5


def test_a_damaged_line_or_another_plan_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    made = journal(path)
    made.begin(0, "erased-1", 5)
    made.equal(0, 200)
    whole = path.read_bytes()
    for at in range(len(whole) - 1):
        if whole[at : at + 1] == b"\n":
            continue
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        with pytest.raises(DestinationError, match="cannot be read"):
            journal(path)
    path.write_bytes(whole)
    with pytest.raises(DestinationError, match="another plan"):
        journal(path, "q")
