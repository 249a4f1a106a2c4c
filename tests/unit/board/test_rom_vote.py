"""Voting: what is restored, what is listed, what is expected to be left."""

import numpy as np
import pytest

from mendbay.board.rom_vote import MOST_READS, vote
from support.rom_likeness import firmware
from support.rom_read_faults import bursts, flips


def wrong_bits(one: bytes, other: bytes) -> int:
    return int(np.bitwise_count(np.frombuffer(one, np.uint8) ^ np.frombuffer(other, np.uint8)).sum())


def flipped(data: bytes, offset: int, lane: int) -> bytes:
    out = bytearray(data)
    out[offset] ^= 1 << lane
    return bytes(out)


def test_one_error_in_each_of_three_reads_is_outvoted_and_listed() -> None:
    chip = firmware(1, size=1 << 16)
    reads = [flipped(chip, 100, 3), flipped(chip, 4000, 0), flipped(chip, 65535, 7)]
    voted = vote(reads)
    assert voted.data == chip
    assert list(zip(voted.bits.offsets.tolist(), voted.bits.lanes.tolist(), strict=True)) == [
        (100, 3),
        (4000, 0),
        (65535, 7),
    ]
    assert voted.by_read.tolist() == [1, 1, 1]
    assert voted.undecided == 0
    assert len(voted.bits.narrow()) == voted.narrow == 3
    assert not voted.restored, "a cell that reads unsteadily looks the same in three reads"
    chips = [chip, chip]
    assert vote(reads + chips).restored


def test_votes_for_one_are_counted() -> None:
    chip = bytes(1024)
    voted = vote([flipped(chip, 5, 2), flipped(chip, 5, 2), chip, chip, chip])
    assert voted.data == chip
    assert voted.bits.ones.tolist() == [2]


def test_two_reads_detect_and_do_not_repair() -> None:
    chip = firmware(2, size=1 << 16)
    voted = vote([chip, flipped(chip, 9, 1)])
    assert voted.undecided == voted.disagreeing == 1
    assert not voted.restored
    assert voted.exact_probability == 0


def test_an_even_split_is_undecided() -> None:
    chip = bytes(range(256)) * 8
    other = flipped(chip, 77, 4)
    voted = vote([chip, other, chip, other])
    assert voted.bits.tied().offsets.tolist() == [77]
    assert not voted.restored


def test_alike_reads_are_exact() -> None:
    chip = firmware(3, size=1 << 16)
    voted = vote([chip] * 3)
    assert (voted.data, voted.disagreeing, voted.expected_wrong) == (chip, 0, 0.0)
    assert voted.restored


@pytest.mark.parametrize(("rate", "lean"), [(1e-3, 0.5), (3e-3, 0.1), (1e-2, 0.9)])
def test_what_is_left_wrong_is_as_expected(rate: float, lean: float) -> None:
    """The estimate is held against the truth over several images, within what chance allows."""
    expected = left = 0.0
    for seed in range(6):
        chance = np.random.default_rng([seed, 5])
        chip = firmware(seed, size=1 << 17)
        voted = vote([flips(chip, rate, chance, lean) for _ in range(3)])
        expected += voted.expected_wrong
        left += wrong_bits(voted.data, chip)
    assert abs(left - expected) <= 5 * left**0.5 + 3


def test_bursts_in_one_place_raise_what_is_expected() -> None:
    """The same number of errors, but together: an even rate over the chip would promise far too much."""
    chance = np.random.default_rng(8)
    chip = firmware(8, size=1 << 17)
    spot = chip[:4096]
    reads = [bursts(spot, 1, 3000, 0.1, chance) + chip[4096:] for _ in range(3)]
    voted = vote(reads)
    left = wrong_bits(voted.data, chip)
    assert left > 50
    assert 0.6 * left < voted.expected_wrong < 1.6 * left
    even = 8 * len(chip) * 3 * (voted.by_read.sum() / (3 * 8 * len(chip))) ** 2
    assert even < 0.2 * left


def test_rates_tell_which_way_errors_lean() -> None:
    chip = firmware(4, size=1 << 17)
    chance = np.random.default_rng(4)
    voted = vote([flips(chip, 2e-3, chance, lean=1.0) for _ in range(3)])
    assert voted.rise == pytest.approx(4e-3, rel=0.1)
    assert voted.fall < 1e-4


def test_unsteady_cells_are_told_from_noise_with_five_reads() -> None:
    chance = np.random.default_rng(6)
    chip = firmware(6, size=1 << 16)
    weak = chance.choice(8 << 16, 40, replace=False)
    reads = []
    for _ in range(5):
        bits = np.unpackbits(np.frombuffer(chip, np.uint8))
        bits[weak] ^= chance.random(40) < 0.4
        reads.append(np.packbits(bits).tobytes())
    voted = vote(reads)
    assert voted.unstable > 10
    assert not voted.restored
    assert voted.expected_wrong > 1
    noisy = vote([flips(chip, 1e-2, chance) for _ in range(5)])
    assert noisy.unstable == 0


def test_more_reads_are_asked_for_until_they_suffice() -> None:
    chip = firmware(7, size=1 << 16)
    chance = np.random.default_rng(7)
    voted = vote([flips(chip, 1e-3, chance) for _ in range(3)])
    needed = voted.reads_needed()
    assert needed is not None
    again = vote([flips(chip, 1e-3, chance) for _ in range(needed)])
    assert again.data == chip
    assert again.restored


def test_runs_put_neighbours_together() -> None:
    chip = bytes(4096)
    read = flipped(flipped(flipped(chip, 10, 0), 20, 0), 3000, 5)
    runs = vote([chip, read]).bits.runs()
    assert [(one.start, one.stop, one.bits) for one in runs] == [(10, 21, 2), (3000, 3001, 1)]


def test_lengths_and_numbers_are_held() -> None:
    with pytest.raises(ValueError, match="length"):
        vote([b"ab", b"abc"])
    with pytest.raises(ValueError, match="reads"):
        vote([])
    with pytest.raises(ValueError, match="reads"):
        vote([b"a"] * (MOST_READS + 1))
