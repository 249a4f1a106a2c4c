"""The journal overlay, on journals made by hand and against a plain model of what it must serve."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.core.source import Lack, Mark, Outlook, Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext_blocks import BlockStore
from mendbay.files.readers.ext_journal import MAGIC_BYTES, Journal, parse_head, replay
from support.ext_journals import BLOCK, HandJournal
from support.sources import MemorySource

VOLUME_BLOCKS = 80
FIRST = 40
"""Where the journal lies on the volume."""
KINDS = {"plain": 0x1, "64bit": 0x3, "checksums 2": 0x9, "checksums 2, 64bit": 0xB, "checksums 3": 0x13}


def block(letter: str) -> bytes:
    return letter.encode() * BLOCK


def replayed(hand: HandJournal, refused: tuple[int, ...] = ()) -> tuple[Source, str, MemorySource]:
    """The volume as the overlay serves it, what it says, and the volume below.

    `refused` are blocks of the volume that cannot be read.
    """
    volume = bytearray(b"".join(bytes([number]) * BLOCK for number in range(VOLUME_BLOCKS)))
    places = hand.on_volume(volume, FIRST)
    gaps = {Lack.REFUSED: SpanSet(Span.at(number * BLOCK, BLOCK) for number in refused)}
    under = MemorySource(bytes(volume), gaps=gaps)
    head = parse_head(hand.head())
    assert head is not None
    journal = Journal(BlockStore(under, BLOCK), np.array(places, np.int64), head)
    source, text = replay(under, journal, VOLUME_BLOCKS)
    return source, text, under


def served(source: Source, number: int) -> bytes:
    reading = source.read(Span.at(number * BLOCK, BLOCK))
    assert reading.is_complete
    assert not reading.marks
    return reading.data


@pytest.mark.parametrize("features", KINDS.values(), ids=KINDS)
@pytest.mark.parametrize("same_uuid", [True, False])
def test_the_newest_committed_copy_is_served(features: int, same_uuid: bool) -> None:
    hand = HandJournal(features=features)
    hand.transaction([(3, block("a")), (5, block("b"))], same_uuid=same_uuid)
    hand.transaction([(5, block("c"))], same_uuid=same_uuid)
    hand.transaction([(3, block("x"))], committed=False)
    source, text, _ = replayed(hand)
    assert served(source, 3) == block("a")
    assert served(source, 5) == block("c")
    assert served(source, 4) == bytes([4]) * BLOCK
    assert "2 blocks of 2 transactions" in text


@pytest.mark.parametrize("features", KINDS.values(), ids=KINDS)
def test_revoked_copies_are_not_served_but_later_ones_are(features: int) -> None:
    hand = HandJournal(features=features)
    hand.transaction([(3, block("a")), (4, block("b"))])
    hand.transaction([(4, block("same transaction"[:1]))], revoked=(3, 4))
    hand.transaction([(6, block("c"))])
    source, _, _ = replayed(hand)
    assert served(source, 3) == bytes([3]) * BLOCK
    assert served(source, 4) == bytes([4]) * BLOCK, "a copy in the revoking transaction itself does not count"
    hand.transaction([(3, block("d"))])
    source, _, _ = replayed(hand)
    assert served(source, 3) == block("d")


@pytest.mark.parametrize("features", KINDS.values(), ids=KINDS)
def test_an_escaped_block_gets_its_first_word_back(features: int) -> None:
    hand = HandJournal(features=features)
    data = MAGIC_BYTES + b"looks like a block of the journal".ljust(BLOCK - 4, b".")
    (place,) = hand.transaction([(9, data)])
    assert hand.blocks[place][:4] == bytes(4)
    source, _, _ = replayed(hand)
    assert served(source, 9) == data
    for start in range(6):
        span = Span(9 * BLOCK - 2 + start, 9 * BLOCK + 3 + start)
        whole = bytes([8]) * BLOCK + data
        assert source.read(span).data == whole[span.start - 8 * BLOCK : span.stop - 8 * BLOCK]


def test_the_log_turns_back_at_the_end_of_the_journal() -> None:
    hand = HandJournal(start=29)
    places = hand.transaction([(number, block(chr(97 + number))) for number in range(6)])
    assert places == [30, 31, 1, 2, 3, 4]
    source, _, _ = replayed(hand)
    assert [served(source, number) for number in range(6)] == [block(chr(97 + n)) for n in range(6)]


def test_sequences_wrap() -> None:
    hand = HandJournal(sequence=0xFFFFFFFF)
    hand.transaction([(3, block("a"))])
    hand.transaction([(7, block("b"))], revoked=(3,))
    assert hand.next == 1
    source, text, _ = replayed(hand)
    assert served(source, 3) == bytes([3]) * BLOCK
    assert served(source, 7) == block("b")
    assert "2 transactions" in text


def test_an_old_block_behind_the_log_is_not_taken_for_part_of_it() -> None:
    hand = HandJournal()
    hand.transaction([(3, block("a"))])
    hand.next = 3
    hand.transaction([(3, block("old"[0]))])
    source, text, _ = replayed(hand)
    assert served(source, 3) == block("a")
    assert "1 transaction " in text


@pytest.mark.parametrize("features", [0x9, 0x13], ids=["checksums 2", "checksums 3"])
def test_a_torn_commit_or_descriptor_ends_the_log(features: int) -> None:
    for torn in (4, 6):  # the second transaction's descriptor and its commit
        hand = HandJournal(features=features)
        hand.transaction([(3, block("a"))])
        hand.transaction([(5, block("b"))])
        hand.blocks[torn] = hand.blocks[torn][:-60] + b"!" + hand.blocks[torn][-59:]
        source, text, _ = replayed(hand)
        assert served(source, 3) == block("a")
        assert served(source, 5) == bytes([5]) * BLOCK
        assert "of 1 transaction " in text


@pytest.mark.parametrize("features", [0x9, 0x13], ids=["checksums 2", "checksums 3"])
def test_a_damaged_copy_is_replaced_by_an_older_one_and_marked(features: int) -> None:
    hand = HandJournal(features=features)
    hand.transaction([(3, block("a"))])
    (place,) = hand.transaction([(3, block("b"))])
    (other,) = hand.transaction([(4, block("c"))])
    hand.blocks[place] = block("B")
    hand.blocks[other] = block("C")
    source, text, _ = replayed(hand)
    for number, data in ((3, block("a")), (4, bytes([4]) * BLOCK)):
        where = Span.at(number * BLOCK, BLOCK)
        reading = source.read(where)
        assert reading.data == data
        assert reading.marked(Mark.POSSIBLY_OLDER) == SpanSet([where])
        assert source.outlook(where) == Outlook(reading.gaps, reading.marks)
        assert [origin.mark for origin in source.trace(where)] == [Mark.POSSIBLY_OLDER]
    assert "For 2 blocks the newest copy is damaged" in text


def test_an_unreadable_block_of_the_log_is_said() -> None:
    hand = HandJournal()
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))])
    source, text, _ = replayed(hand, refused=(FIRST + 4,))
    assert served(source, 3) == block("a")
    assert served(source, 5) == bytes([5]) * BLOCK
    assert "breaks off early" in text


def test_trace_and_needs_lead_to_the_copy() -> None:
    hand = HandJournal()
    (place,) = hand.transaction([(3, block("a"))])
    source, _, under = replayed(hand)
    at = (FIRST + place) * BLOCK
    span = Span(3 * BLOCK - 10, 4 * BLOCK + 10)
    assert [(origin.span, origin.at) for origin in source.trace(span)] == [
        (Span(span.start, 3 * BLOCK), Span(span.start, 3 * BLOCK)),
        (Span.at(3 * BLOCK, BLOCK), Span.at(at, BLOCK)),
        (Span(4 * BLOCK, span.stop), Span(4 * BLOCK, span.stop)),
    ]
    assert source.needs(SpanSet([span])) == {
        under.bay: SpanSet([Span(span.start, 3 * BLOCK), Span(4 * BLOCK, span.stop), Span.at(at, BLOCK)])
    }


def test_a_head_that_fails_its_checksum_or_makes_no_sense_is_none() -> None:
    good = HandJournal(features=0x13).head()
    assert parse_head(good) is not None
    assert parse_head(good[:0x30] + b"!" + good[0x31:]) is None
    assert parse_head(bytes(BLOCK)) is None
    assert parse_head(HandJournal(start=32).head()) is None
