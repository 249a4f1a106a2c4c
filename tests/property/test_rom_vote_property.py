"""Voting against a plain count of votes, bit by bit, and what a vote claims against what the chip holds."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.board.rom_reads import Verdict, judge_reads
from mendbay.board.rom_vote import vote
from support.rom_chips import chip_of
from support.rom_read_faults import flips

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


@settings(max_examples=150, deadline=None)
@given(READS)
def test_no_byte_is_claimed_without_its_majority(reads: list[bytes]) -> None:
    """A bit outside the list is the same in all reads; a listed one that is not narrow has a lead of at least
    two votes, and only without narrow ones is the dump called restored."""
    voted = vote(reads)
    bits = np.unpackbits(np.stack([np.frombuffer(one, np.uint8) for one in reads]), axis=1, bitorder="little")
    says = np.unpackbits(np.frombuffer(voted.data, np.uint8), bitorder="little")
    backers = (bits == says).sum(0)
    narrow = voted.bits.narrow()
    doubtful = np.zeros(says.size, bool)
    doubtful[narrow.offsets * 8 + narrow.lanes] = True
    disputed = np.zeros(says.size, bool)
    disputed[voted.bits.offsets * 8 + voted.bits.lanes] = True
    assert (backers[~disputed] == len(reads)).all()
    assert (2 * backers[disputed] >= len(reads)).all()
    if len(reads) > 1:
        assert (2 * backers[disputed & ~doubtful] - len(reads) >= 2).all()
        assert voted.narrow + voted.undecided == len(narrow)
    if voted.restored:
        assert not doubtful.any()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 1 << 30), st.sampled_from([0.1, 0.5, 0.9]))
def test_noise_of_a_thousandth_in_three_reads_is_undone_or_its_places_are_told(
    seed: int, lean: float
) -> None:
    """Every byte that is wrong after the vote lies in the doubtful list, and then nothing is called sure."""
    start = seed % 27 * 4096 % (1 << 15)
    chip = chip_of(seed % 54, 4).data[start : start + (1 << 15)]
    chance = np.random.default_rng(seed)
    judged = judge_reads([flips(chip, 1e-3, chance, lean) for _ in range(3)])
    wrong = np.frombuffer(judged.data, np.uint8) != np.frombuffer(chip, np.uint8)
    assert judged.vote is not None
    same_in_all = np.setdiff1d(np.flatnonzero(wrong), judged.vote.bits.offsets)
    assert same_in_all.size <= 1, "all three reads erring alike has a chance of 3e-4 in a set of this size"
    assert np.isin(np.setdiff1d(np.flatnonzero(wrong), same_in_all), judged.vote.bits.narrow().offsets).all()
    if wrong.any():
        assert judged.verdict not in (Verdict.AGREE, Verdict.REPAIRED)
