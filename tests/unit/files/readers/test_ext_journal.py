"""The journal overlay, on journals made by hand and against a plain model of what it must serve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from mendbay.core.source import Lack, Mark, Outlook, Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext_blocks import BlockStore
from mendbay.files.readers.ext_journal import MAGIC_BYTES, Journal, parse_head
from mendbay.files.readers.ext_replay import replay
from support.ext_journals import BLOCK, HandJournal
from support.sources import MemorySource

VOLUME_BLOCKS = 80
FIRST = 40
"""Where the journal lies on the volume."""
KINDS = {"plain": 0x1, "64bit": 0x3, "checksums 2": 0x9, "checksums 2, 64bit": 0xB, "checksums 3": 0x13}


def block(letter: str) -> bytes:
    return letter.encode() * BLOCK


def replayed(
    hand: HandJournal, refused: tuple[int, ...] = (), older: Sequence[Span] = ()
) -> tuple[Source, str, MemorySource]:
    """The volume as the overlay serves it, what it says, and the volume below.

    `refused` are blocks of the volume that cannot be read, `older` bytes of it that may be out of date.
    """
    volume = bytearray(b"".join(bytes([number]) * BLOCK for number in range(VOLUME_BLOCKS)))
    places = hand.on_volume(volume, FIRST)
    gaps = {Lack.REFUSED: SpanSet(Span.at(number * BLOCK, BLOCK) for number in refused)}
    under = MemorySource(bytes(volume), gaps=gaps, marks={Mark.POSSIBLY_OLDER: SpanSet(older)})
    head = parse_head(hand.head())
    assert head is not None
    journal = Journal(BlockStore(under, BLOCK), np.array(places, np.int64), head)
    made = replay(under, journal, VOLUME_BLOCKS)
    return made.source, made.remark, under


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


CHECKED = pytest.mark.parametrize("features", [0x9, 0x13], ids=["checksums 2", "checksums 3"])


def flip(hand: HandJournal, place: int) -> None:
    """Damages one byte near the end of a block of the journal."""
    hand.blocks[place] = hand.blocks[place][:-60] + b"!" + hand.blocks[place][-59:]


def marked_blocks(source: Source) -> list[int]:
    """The blocks of the volume that are served as possibly older, in front of the journal."""
    marks = source.read(Span(0, FIRST * BLOCK)).marked(Mark.POSSIBLY_OLDER)
    return [number for number in range(FIRST) if marks.overlaps(Span.at(number * BLOCK, BLOCK))]


@CHECKED
def test_a_torn_descriptor_ends_the_log_and_what_comes_after_is_known_to_be_newer(features: int) -> None:
    hand = HandJournal(features=features)
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))])
    hand.transaction([(3, block("c")), (6, block("d"))])
    flip(hand, 4)
    source, text, _ = replayed(hand)
    assert source.read(Span.at(3 * BLOCK, BLOCK)).data == block("a")
    assert served(source, 5) == bytes([5]) * BLOCK
    assert marked_blocks(source) == [3, 6]
    assert "of 1 transaction " in text
    assert "breaks off early because a block of it is damaged" in text
    assert "For 2 blocks" in text


@CHECKED
def test_a_torn_commit_ends_the_log_and_what_it_would_have_closed_is_in_doubt(features: int) -> None:
    hand = HandJournal(features=features)
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))])
    flip(hand, 6)
    source, text, _ = replayed(hand)
    assert served(source, 3) == block("a")
    assert source.read(Span.at(5 * BLOCK, BLOCK)).data == bytes([5]) * BLOCK
    assert marked_blocks(source) == [5]
    assert "of 1 transaction " in text
    assert "breaks off early because a block of it is damaged" in text


def test_a_log_that_goes_on_behind_a_block_of_zeros_did_not_end_there() -> None:
    hand = HandJournal()
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))])
    hand.transaction([(6, block("c"))])
    hand.blocks[4] = bytes(BLOCK)
    source, text, _ = replayed(hand)
    assert served(source, 3) == block("a")
    assert marked_blocks(source) == [6]
    assert "breaks off early because a block of it is damaged" in text


def test_a_transaction_that_was_being_written_is_no_damage() -> None:
    hand = HandJournal()
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))], committed=False)
    hand.transaction([(6, block("c"))], committed=False)
    hand.blocks[4] = bytes(BLOCK)
    source, text, _ = replayed(hand)
    assert served(source, 6) == bytes([6]) * BLOCK
    assert marked_blocks(source) == []
    assert "breaks off" not in text


def test_what_an_earlier_round_left_behind_a_break_says_nothing() -> None:
    hand = HandJournal(features=0x13, sequence=50)
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))])
    hand.next = 30
    hand.transaction([(7, block("old"[0]))])
    flip(hand, 4)
    source, _, _ = replayed(hand)
    assert marked_blocks(source) == []


@pytest.mark.parametrize("harm", ["none", "copy", "descriptor", "commit", "left out"])
def test_the_sum_over_a_transaction_is_compared(harm: str) -> None:
    hand = HandJournal(sums=True)
    hand.transaction([(3, block("a"))])
    places = hand.transaction([(5, block("b")), (6, block("c"))])
    if harm == "left out":
        hand.blocks[7] = hand.blocks[7][:12] + bytes(BLOCK - 12)
    elif harm != "none":
        flip(hand, {"copy": places[1], "descriptor": 4, "commit": 7}[harm])
    if harm == "commit":
        hand.blocks[7] = hand.blocks[7][:16] + b"!" + hand.blocks[7][17:]
    source, text, _ = replayed(hand)
    assert served(source, 3) == block("a")
    if harm in ("none", "left out"):
        assert (served(source, 5), served(source, 6)) == (block("b"), block("c"))
        assert "breaks off" not in text
    else:
        assert source.read(Span.at(5 * BLOCK, BLOCK)).data == bytes([5]) * BLOCK
        assert marked_blocks(source) == [5, 6]
        assert "breaks off early because a block of it is damaged" in text


def test_a_sum_over_copies_that_cannot_all_be_read_is_not_compared() -> None:
    hand = HandJournal(sums=True)
    places = hand.transaction([(5, block("b")), (6, block("c"))])
    hand.transaction([(7, block("d"))])
    source, _, _ = replayed(hand, refused=(FIRST + places[0],))
    assert [served(source, number) for number in (6, 7)] == [block("c"), block("d")]
    assert source.read(Span.at(5 * BLOCK, BLOCK)).data == bytes([5]) * BLOCK
    assert marked_blocks(source) == [5]


@CHECKED
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


@pytest.mark.parametrize("what", ["descriptor", "commit"])
def test_an_unreadable_block_of_the_log_is_said(what: str) -> None:
    hand = HandJournal()
    hand.transaction([(3, block("a"))])
    hand.transaction([(5, block("b"))])
    hand.transaction([(8, block("c"))])
    hand.transaction([(9, block("d"))], committed=False)
    source, text, _ = replayed(hand, refused=(FIRST + (4 if what == "descriptor" else 6),))
    assert served(source, 3) == block("a")
    for number in (5, 8, 9):
        assert source.read(Span.at(number * BLOCK, BLOCK)).data == bytes([number]) * BLOCK
    # What the unreadable descriptor announced cannot be known; what the others did can.
    assert marked_blocks(source) == ([8, 9] if what == "descriptor" else [5, 8, 9])
    assert "breaks off early because a block of it cannot be read" in text


def test_a_log_from_the_half_that_fell_behind_is_said() -> None:
    hand = HandJournal()
    (place,) = hand.transaction([(3, block("a"))])
    older = Span.at((FIRST + place) * BLOCK, BLOCK)
    source, text, _ = replayed(hand, older=[older, Span.at((FIRST + 1) * BLOCK, BLOCK)])
    assert source.read(Span.at(3 * BLOCK, BLOCK)).data == block("a")
    assert marked_blocks(source) == [3]
    assert "Part of it comes from the half that fell behind." in text


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
