"""Voting against a plain count of votes, bit by bit."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.board.rom_vote import vote

READS = st.integers(1, 40).flatmap(
    lambda size: st.lists(st.binary(min_size=size, max_size=size), min_size=1, max_size=7)
)


@settings(max_examples=150, deadline=None)
@given(READS)
def test_every_bit_is_the_majority(reads: list[bytes]) -> None:
    voted = vote(reads)
    bits = np.array([[(byte >> lane) & 1 for byte in one for lane in range(8)] for one in reads])
    ones = bits.sum(0)
    half = len(reads) / 2
    want = [first if count == half else int(count > half) for first, count in zip(bits[0], ones, strict=True)]
    assert [(byte >> lane) & 1 for byte in voted.data for lane in range(8)] == want
    open_ones = [at for at, count in enumerate(ones) if 0 < count < len(reads)]
    places = (voted.bits.offsets * 8 + voted.bits.lanes).tolist()
    assert places == open_ones
    assert voted.bits.ones.tolist() == ones[open_ones].tolist()
    assert voted.undecided == sum(count == half and len(reads) > 1 for count in ones)
    assert voted.per_cell.sum() == voted.disagreeing == len(open_ones)


@settings(max_examples=60, deadline=None)
@given(READS, st.randoms(use_true_random=False))
def test_the_order_of_reads_does_not_matter_where_votes_decide(reads: list[bytes], chance: object) -> None:
    if len(reads) % 2 == 0:
        reads = reads[:-1]
    shuffled = list(reads)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = vote(reads), vote(shuffled)
    assert one.data == other.data
    assert abs(one.expected_wrong - other.expected_wrong) < 1e-9
