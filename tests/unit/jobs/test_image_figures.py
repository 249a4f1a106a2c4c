"""What the ledger says is unread of two drives of which each left a part to the other on purpose."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.jobs.compare_drive import compare_drive
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.image_figures import left_of
from mendbay.jobs.list_files import show_file
from mendbay.jobs.read_drive import read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.verify_image import verify_image
from mendbay.outlets.scenario.small import SmallBase
from mendbay.wiring import open_handback_folder, papers
from support.pair_shop import Shop, data_area, shop

NAME = b"files/14.bin"


@pytest.fixture
def read(tmp_path: Path, base: SmallBase) -> Iterator[Shop]:
    """A shop that has read the two drives of a mirror as one task."""
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives())
        yield one


def unread(one: Shop) -> list[int]:
    """What the ledger says is unread, by bay."""
    return [image.unread_bytes for bay in "12" for image in one.bench.ledger.images(1, bay)]


def spoil(one: Shop, bay: int, at: int) -> None:
    """Changes a byte of an image behind its back."""
    with one.images() as stores:
        path = stores[bay].path
    with path.open("r+b") as image:
        image.seek(at)
        byte = image.read(1)
        image.seek(at)
        image.write(bytes([byte[0] ^ 1]))


def given_by_one(one: Shop, name: bytes = NAME) -> tuple[int, int]:
    """Bay (from 0) and byte of its drive that hold a byte of a file which the other drive was never asked
    for."""
    read = one.read_of()
    for piece in show_file(one.bench, 1, name).pieces:
        bay, at = int(piece.origin.bay) - 1, piece.origin.at.start
        if at not in read[1 - bay]:
            return bay, at
    raise AssertionError(f"both halves were asked for all of {name!r}")


def piece_of(one: Shop, bay: int, at: int) -> Span:
    """The piece of an image, with one digest, that holds a byte."""
    with one.images() as stores:
        (claim,) = stores[bay].claims_in(Span.at(at, 1))
        return claim.span


def open_again(one: Shop, bay: int, spans: SpanSet) -> int:
    """How many bytes of a half were left to the other's `spans`: both halves begin at one place."""
    with one.images() as stores:
        return (stores[bay].coverage().unread & spans & data_area(one.box)).total_bytes


def test_a_verification_counts_nothing_as_unread_that_was_left_to_the_other_half(read: Shop) -> None:
    bay, at = given_by_one(read)
    assert verify_image(read.bench, 1, str(bay + 1)).holds
    assert unread(read) == [0, 0]
    spoil(read, bay, at)
    piece = piece_of(read, bay, at)
    assert not verify_image(read.bench, 1, str(bay + 1)).holds
    figures = unread(read)
    assert figures[bay] == 0, "what it lacks was left to the other half, which nothing speaks against"
    opened = open_again(read, 1 - bay, SpanSet([piece]))
    assert 0 < opened <= BLOCK_BYTES
    assert figures[1 - bay] == opened, "what it left to the piece that has changed is open again"

    spoil(read, bay, at)  # a good copy is put back
    assert verify_image(read.bench, 1, str(bay + 1)).holds
    assert unread(read) == [0, 0]


def test_what_a_verification_takes_back_is_unread_and_so_is_what_was_left_to_it(read: Shop) -> None:
    bay, at = given_by_one(read)
    spoil(read, bay, at)
    doubted = verify_image(read.bench, 1, str(bay + 1), read_again="the image has changed")
    assert doubted.doubted_bytes
    first, second = read.read_of()
    nobody = (data_area(read.box) - first - second).total_bytes
    assert 0 < nobody <= doubted.doubted_bytes
    assert unread(read) == [nobody, nobody]
    read_pair(read.bench, 1, read.drives())
    assert unread(read) == [0, 0]


def test_a_hand_back_counts_nothing_as_unread_that_was_left_to_the_other_half(
    read: Shop, tmp_path: Path
) -> None:
    bay, at = given_by_one(read)
    spoil(read, bay, at)
    piece = piece_of(read, bay, at)
    hand_back(read.bench, 1, tmp_path / "out", open_handback_folder, papers())
    with read.images() as stores:
        assert stores[bay].changed() == SpanSet([piece]), "the hand-back noted what it found"
    figures = unread(read)
    assert figures[bay] == 0
    assert figures[1 - bay] == open_again(read, 1 - bay, SpanSet([piece])) > 0


def test_reading_one_of_the_two_alone_tells_of_what_nobody_read(read: Shop) -> None:
    compare_drive(read.bench, 1, read.drives()[0], seconds=0)
    assert unread(read) == [0, 0]
    read_drive(read.bench, 1, read.drives()[1], seconds=0)
    assert unread(read) == [0, 0]


def test_drives_that_were_never_read_as_one_leave_nothing_to_each_other(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        first, second = one.drives()
        read_drive(one.bench, 1, first)
        read_drive(one.bench, 1, second, seconds=0)
        size = one.box.images[1].stat().st_size
        assert unread(one) == [0, size]
        spoil(one, 0, next(iter(data_area(one.box))).start)
        verify_image(one.bench, 1, "1")
        assert unread(one) == [0, size], "nobody decided to leave the second drive unread"


def test_halves_that_differ_leave_nothing_to_each_other(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[NAME].inode_at]))
        with one.box.images[1].open("r+b") as drive:
            drive.seek(next(iter(inode)).start + 8)
            drive.write(b"\xff")
        read_pair(one.bench, 1, one.drives(), patterns=["metadata"], rest=False)
        with one.images() as stores:
            lacking = [store.coverage().unread.total_bytes for store in stores]
        assert all(lacking)
        assert unread(one) == lacking
        compare_drive(one.bench, 1, one.drives()[0], seconds=0)
        assert unread(one) == lacking


def told_left(one: Shop) -> list[int]:
    """What is unread of each drive but for what it left to the other half, worked out from the images."""
    with one.images() as stores:
        return [
            (store.coverage().unread - left_of(one.bench, 1, bay, store)).total_bytes
            for bay, store in zip("12", stores, strict=True)
        ]


def test_what_one_half_reads_later_is_no_longer_unread_of_the_other(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives(), seconds=0)
        before = unread(one)
        assert before == told_left(one)
        assert all(before), "the reading was cut short"
        read_pair(one.bench, 1, one.drives()[1:])
        after = unread(one)
        assert after == told_left(one)
        assert after[0] < before[0], "the first drive was not read, and yet less of it is lacking"


def test_the_figures_of_a_half_that_is_being_added_to_are_left_to_whoever_adds_to_it(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives(), seconds=0)
        before = unread(one)
        adding = one.bench.images.reopen(one.bench.ledger.case(1), "1", writable=True)
        try:
            read_pair(one.bench, 1, one.drives()[1:])
        finally:
            adding.close()
        after = unread(one)
        assert after[0] == before[0]
        assert after[1] == told_left(one)[1] < before[1]
