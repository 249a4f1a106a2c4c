"""Judging reads as a whole: verdicts, reasons, next steps."""

from itertools import pairwise

import numpy as np
import pytest

from mendbay.board.rom_dump import LARGEST, SMALLEST, dump_of
from mendbay.board.rom_fault_kinds import FaultKind, Standing
from mendbay.board.rom_faults import GRAVITY
from mendbay.board.rom_reads import Verdict, judge_reads
from mendbay.core.errors import DumpUnproven
from support.rom_likeness import firmware
from support.rom_read_faults import FAULTS, changed, flips, late, stuck, word_swapped

CHIP = firmware(31, size=1 << 17)
SISTER = firmware(31, drive=1, size=1 << 17)
NEWER = firmware(31, drive=1, revision=1, size=1 << 17)


class Equals:
    """Self-checks that hold if the dump is the one they know; so many of them."""

    def __init__(self, sound: bytes, count: int) -> None:
        self.sound, self.count = sound, count

    def hold(self, data: bytes) -> tuple[int, int]:
        return (self.count if data == self.sound else 0), self.count


def test_three_sound_reads_agree() -> None:
    judged = judge_reads([CHIP] * 3, chip_size=len(CHIP), sfdp_size=len(CHIP))
    assert (judged.verdict, judged.data, judged.faults) == (Verdict.AGREE, CHIP, ())
    assert any("same in every read cannot be seen" in one for one in judged.reasons)


def test_two_sound_reads_agree_and_a_third_is_advised() -> None:
    judged = judge_reads([CHIP] * 2)
    assert judged.verdict is Verdict.AGREE
    assert "three" in judged.next_step


def test_one_read_is_never_more_than_doubtful() -> None:
    judged = judge_reads([CHIP])
    assert judged.verdict is Verdict.DOUBTFUL
    assert judged.vote is None


def test_few_errors_are_repaired_and_their_places_named() -> None:
    spoilt = bytearray(CHIP)
    spoilt[0x1234] ^= 0x10
    few = judge_reads([bytes(spoilt), CHIP, CHIP])
    assert (few.verdict, few.data) == (Verdict.DOUBTFUL, CHIP), "one vote decided"
    assert "about 5 reads" in few.next_step
    assert any("001234h bit 4" in one for one in few.reasons)
    judged = judge_reads([bytes(spoilt), CHIP, CHIP, CHIP, CHIP])
    assert (judged.verdict, judged.data) == (Verdict.REPAIRED, CHIP)
    assert judged.primary is not None
    assert judged.primary.kind is FaultKind.NOISE
    assert "whole reads agree" in judged.next_step


@pytest.mark.parametrize("count", [3, 4, 5])
@pytest.mark.parametrize("seed", range(8))
def test_unsteady_cells_are_never_called_repaired(seed: int, count: int) -> None:
    """Sixty cells that read wrong three times in ten: their errors fall in the same bits."""
    judged = judge_reads(FAULTS["unsteady cells"](CHIP, np.random.default_rng([seed, 9]), count))
    assert judged.verdict is Verdict.DOUBTFUL


def test_much_noise_in_three_reads_is_not_called_repaired_and_more_reads_are_asked_for() -> None:
    chance = np.random.default_rng(1)
    reads = [flips(CHIP, 1e-3, chance) for _ in range(3)]
    judged = judge_reads(reads)
    assert judged.verdict is Verdict.DOUBTFUL
    assert judged.vote is not None
    wrong = np.frombuffer(judged.data, np.uint8) != np.frombuffer(CHIP, np.uint8)
    assert wrong.any()
    listed = np.isin(np.flatnonzero(wrong), judged.vote.bits.narrow().offsets)
    assert listed.all()
    assert "reads in all" in judged.next_step


def test_noise_beyond_hope_is_unusable() -> None:
    chance = np.random.default_rng(2)
    judged = judge_reads([flips(CHIP, 0.12, chance) for _ in range(3)])
    assert judged.verdict is Verdict.UNUSABLE


def test_two_reads_that_differ_are_doubtful() -> None:
    judged = judge_reads([CHIP, flips(CHIP, 1e-4, np.random.default_rng(3))])
    assert judged.verdict is Verdict.DOUBTFUL


@pytest.mark.parametrize("kind", ["one read slips", "one read cut off"])
def test_a_read_with_a_fault_of_its_own_is_set_aside(kind: str) -> None:
    reads = FAULTS[kind](CHIP, np.random.default_rng(4), 4)
    judged = judge_reads(reads)
    assert (judged.verdict, judged.data) == (Verdict.REPAIRED, CHIP)
    assert judged.set_aside == (3,)
    assert judged.primary is not None
    assert judged.primary.reads == (3,)


def test_a_blank_read_among_sound_ones_is_set_aside() -> None:
    judged = judge_reads([b"\xff" * len(CHIP), CHIP, CHIP])
    assert (judged.verdict, judged.set_aside) == (Verdict.REPAIRED, (0,))
    assert "Read 1" in judged.reasons[0]


def test_of_two_reads_that_slipped_apart_neither_is_believed() -> None:
    judged = judge_reads([CHIP, late(CHIP, 3, "roll")])
    assert judged.verdict is not Verdict.AGREE
    assert FaultKind.SHIFTED in {one.kind for one in judged.faults}


def test_two_states_are_not_noise() -> None:
    other = changed(CHIP, np.random.default_rng(5))
    judged = judge_reads([CHIP, other, CHIP, other])
    assert judged.primary is not None
    assert (judged.primary.kind, judged.primary.standing) == (FaultKind.TWO_STATES, Standing.PROVEN)
    assert judged.primary.reads == (1, 3)
    assert judged.verdict is Verdict.DOUBTFUL


def test_sizes_that_disagree_stop() -> None:
    """Rule: id size against SFDP size against length; any difference is a reason to stop."""
    for sizes in (
        {"chip_size": 1 << 21, "sfdp_size": 1 << 24},
        {"chip_size": 1 << 16},
        {"sfdp_size": 1 << 16},
    ):
        judged = judge_reads([CHIP] * 3, **sizes)
        assert judged.verdict in (Verdict.DOUBTFUL, Verdict.UNUSABLE)
        assert judged.primary is not None
        assert judged.primary.kind is FaultKind.WRONG_SIZE


def test_a_read_shorter_than_the_chip_is_cut_off() -> None:
    judged = judge_reads([CHIP] * 3, chip_size=2 * len(CHIP))
    assert judged.verdict is Verdict.UNUSABLE
    assert judged.primary is not None
    assert judged.primary.where == ((len(CHIP), 2 * len(CHIP)),)


def test_a_read_past_the_end_of_the_chip_gives_its_first_pass() -> None:
    judged = judge_reads([CHIP + CHIP] * 3, chip_size=len(CHIP))
    assert (judged.verdict, judged.data) == (Verdict.REPAIRED, CHIP)
    assert judged.primary is not None
    assert judged.primary.kind is FaultKind.WRAPPED


def test_the_size_of_the_chip_is_taken_from_the_dumps() -> None:
    dumps = [dump_of(CHIP + CHIP, f"read-{at}.bin", "EF4017", len(CHIP)) for at in range(3)]
    assert judge_reads(dumps).data == CHIP


def test_lengths_that_differ() -> None:
    judged = judge_reads([CHIP, CHIP, CHIP[: 3 << 14]])
    assert judged.set_aside == (2,)
    assert judged.primary is not None
    assert judged.primary.kind is FaultKind.TRUNCATED
    assert (judged.verdict, judged.data) == (Verdict.REPAIRED, CHIP)
    other = judge_reads([CHIP, CHIP, firmware(32, size=1 << 16)])
    assert other.primary is not None
    assert other.primary.kind is FaultKind.LENGTHS_DIFFER


def test_words_swapped_without_reference_are_a_question() -> None:
    """Some families keep their words swapped: the reads agree, and a person is asked."""
    judged = judge_reads([word_swapped(CHIP, 2)] * 3)
    assert judged.verdict is Verdict.AGREE
    assert [one.kind for one in judged.questions] == [FaultKind.BYTE_ORDER]
    assert not judged.settled
    with_sister = judge_reads([word_swapped(CHIP, 2)] * 3, reference=SISTER)
    assert with_sister.verdict is Verdict.UNUSABLE
    kept_so = judge_reads([word_swapped(CHIP, 2)] * 3, reference=word_swapped(SISTER, 2))
    assert (kept_so.verdict, kept_so.faults) == (Verdict.AGREE, ())


def test_rules_name_the_disorder_and_bear_out_a_sound_dump() -> None:
    rules = Equals(CHIP, 5)
    judged = judge_reads([word_swapped(CHIP, 4)] * 3, rules=rules)
    assert judged.primary is not None
    assert (judged.primary.kind, judged.primary.standing) == (FaultKind.BYTE_ORDER, Standing.PROVEN)
    assert judged.rules_held == (0, 5)
    sound = judge_reads([CHIP] * 3, rules=rules)
    assert (sound.verdict, sound.rules_held) == (Verdict.AGREE, (5, 5))
    assert any("5 of 5 self-checks" in one for one in sound.reasons)


def test_the_gravest_fault_comes_first() -> None:
    chance = np.random.default_rng(6)
    reads = [flips(stuck(CHIP, 0x08, 0), 1e-5, chance) for _ in range(3)]
    judged = judge_reads(reads, chip_size=1 << 20)
    kinds = [one.kind for one in judged.faults]
    assert kinds[0] is FaultKind.STUCK_LINE
    assert all(GRAVITY.index(a) <= GRAVITY.index(b) for a, b in pairwise(kinds))
    assert set(GRAVITY) == set(FaultKind)


@pytest.mark.parametrize("reads", [[], [CHIP] * 17, [b"x" * (SMALLEST - 1)]])
def test_what_is_no_set_of_reads_is_refused(reads: list[bytes]) -> None:
    with pytest.raises(DumpUnproven):
        judge_reads(reads)


def test_a_dump_too_large_is_refused() -> None:
    with pytest.raises(DumpUnproven, match="between"):
        dump_of(bytes(LARGEST + 1), "huge.bin")


@pytest.mark.parametrize("seed", range(12))
def test_sound_reads_raise_no_alarm(seed: int) -> None:
    for drive, revision in ((0, 0), (1, 1)):
        chip = firmware(500 + seed, drive, revision, 1 << 16)
        for reference in (None, firmware(500 + seed, 2, size=1 << 16)):
            judged = judge_reads([chip] * 3, reference=reference)
            assert judged.verdict is Verdict.AGREE
            assert judged.questions == ()


@pytest.mark.parametrize(
    "data",
    [b"\xff" * 65000 + b"\x12\x34" * 18, np.arange(1 << 16, dtype=np.uint16).tobytes(), b"ab" * 600],
)
def test_odd_contents_are_judged_without_a_stumble(data: bytes) -> None:
    judged = judge_reads([data] * 3, reference=data)
    assert judged.data == data
    assert judged.reasons
