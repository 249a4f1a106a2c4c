"""Faults that every read shows alike: each made on sound images and found again, blind and by reference."""

import numpy as np
import pytest

from mendbay.board.rom_dump import Bytes
from mendbay.board.rom_fault_content import content_of
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing
from mendbay.board.rom_fault_order import candidates
from mendbay.board.rom_fault_texts import text_bits
from mendbay.board.rom_faults import Known, examine
from support.rom_families import families, family_of
from support.rom_likeness import firmware, plan_of
from support.rom_read_faults import FAULTS, aliased, bit_slipped, cut, early, late, stuck, swapped

SIZE = 1 << 16
SEEDS = [seed for seed in range(41, 60) if plan_of(seed).texts >= 30][:3]
"""Images with texts: where there are none, and no reference either, the order of lines cannot be told."""
REFERENCE = pytest.mark.parametrize("how", ["blind", "same revision", "other revision"])


def known(seed: int, how: str) -> Known:
    if how == "blind":
        return Known()
    return Known(reference=firmware(seed, drive=1, revision=int(how == "other revision"), size=SIZE))


def primary(data: bytes, about: Known | None = None) -> Fault:
    faults = examine(data, about or Known()).faults
    assert faults
    return faults[0]


@REFERENCE
@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("blank", FaultKind.BLANK),
        ("stuck line", FaultKind.STUCK_LINE),
        ("stuck line of 16", FaultKind.STUCK_LINE),
        ("address line", FaultKind.ALIASED),
        ("top address line", FaultKind.WRAPPED),
        ("lines swapped", FaultKind.SWAPPED_LINES),
        ("bytes swapped", FaultKind.BYTE_ORDER),
        ("bit slip", FaultKind.BIT_SLIP),
        ("shifted", FaultKind.SHIFTED),
    ],
)
def test_each_fault_is_the_primary_one(kind: str, expected: FaultKind, how: str) -> None:
    for seed in SEEDS:
        chip = firmware(seed, size=SIZE)
        read = FAULTS[kind](chip, np.random.default_rng([seed, len(kind)]), 1)[0]
        assert primary(read, known(seed, how)).kind is expected, (seed, how)


@pytest.mark.parametrize("value", [0, 1])
@pytest.mark.parametrize("lane", range(8))
def test_every_stuck_line_is_named(lane: int, value: int) -> None:
    fault = primary(stuck(firmware(44, size=SIZE), 1 << lane, value))
    assert fault.kind is FaultKind.STUCK_LINE
    assert fault.figures[f"stuck at {value}"] == 1 << lane
    assert f"bit {lane}" in fault.what


def test_text_alone_does_not_make_bit_seven_stuck() -> None:
    """Text never sets bit 7, and a page of text is no fault."""
    text = b"".join(b"%04d servo lock lost, retry limit %x\n" % (at, at * 7919) for at in range(600))[:16384]
    assert examine(text, Known()).faults == ()


def test_every_address_bit_is_named() -> None:
    chip = firmware(45, size=SIZE)
    for bit in range(15):
        for value in (0, 1):
            fault = primary(aliased(chip, bit, value))
            assert fault.kind is FaultKind.ALIASED
            assert f"A{bit} " in fault.what


def test_a_second_copy_that_differs_is_no_alias() -> None:
    half = bytearray(firmware(46, size=1 << 16))
    other = bytearray(half)
    other[0x2100] ^= 1
    assert examine(bytes(half + other), Known()).faults == ()


def test_the_chips_size_decides_between_wrap_and_copy() -> None:
    twice = firmware(47, size=1 << 16) * 2
    assert primary(twice).standing is Standing.LIKELY
    assert primary(twice, Known(chip_size=1 << 16)).standing is Standing.PROVEN
    assert primary(twice, Known(chip_size=1 << 17)).standing is Standing.QUESTION
    assert examine(twice, Known(reference=firmware(47, drive=1, size=1 << 16) * 2)).faults == ()


@pytest.mark.parametrize("count", [1, 2, 3, 5, 12])
def test_a_shift_says_which_way_and_how_far(count: int) -> None:
    chip, about = firmware(48, size=SIZE), known(48, "same revision")
    for read, expected in ((late(chip, count, "roll"), count), (early(chip, count, 0xFF), -count)):
        fault = primary(read, about)
        assert (fault.kind, fault.figures["late"]) == (FaultKind.SHIFTED, expected)


def test_check_values_at_the_end_of_blocks_are_no_shift() -> None:
    """Blocks that are filler but for a check value in their last four bytes look like early parts."""
    chance = np.random.default_rng(49)
    image = np.full(1 << 16, 0xFF, np.uint8)
    for at in range(0, 1 << 16, 4096):
        image[at : at + 2500] = chance.integers(0, 200, 2500)
        image[at + 4092 : at + 4096] = chance.integers(1, 200, 4)
    faults = examine(image.tobytes(), Known()).faults
    assert not [one for one in faults if one.standing is not Standing.QUESTION]


@pytest.mark.parametrize("slip", range(1, 8))
def test_a_bit_slip_says_how_far(slip: int) -> None:
    fault = primary(bit_slipped(firmware(50, size=SIZE), 8 - slip), known(50, "same revision"))
    assert fault.kind is FaultKind.BIT_SLIP
    assert f"late by {slip} bit{'s' * (slip > 1)}," in fault.what


def test_any_order_of_lines_is_found_with_a_reference_of_the_same_revision() -> None:
    lanes = [3, 0, 7, 1, 6, 2, 5, 4]
    fault = primary(swapped(firmware(51, size=SIZE), lanes), known(51, "same revision"))
    assert fault.kind is FaultKind.SWAPPED_LINES
    undone = [lanes.index(at) for at in range(8)]
    assert ", ".join(map(str, undone)) in fault.what


def test_a_cut_tail_is_told_by_the_reference() -> None:
    chip = firmware(52, size=SIZE)
    stop = int(np.flatnonzero(np.frombuffer(chip, np.uint8) != 0xFF)[-1]) // 2
    fault = primary(cut(chip, stop, 0x00), known(52, "same revision"))
    assert fault.kind is FaultKind.TRUNCATED
    assert abs(fault.where[0][0] - stop) < 16


def test_enciphered_content_is_not_accused() -> None:
    dense = np.random.default_rng(53).integers(0, 256, 1 << 17, np.uint8).tobytes()
    assert examine(dense, Known()).faults == ()


def test_a_slip_of_bits_shows_at_the_edges_of_erased_areas() -> None:
    """Nothing but bytes without pattern between erased areas: no text, no table, no reference."""
    chance = np.random.default_rng(56)
    image = np.full(1 << 17, 0xFF, np.uint8)
    for at in range(4096, 1 << 17, 8192):
        length = int(chance.integers(2000, 4000))
        image[at : at + length] = chance.integers(0, 256, length)
    assert examine(image.tobytes(), Known()).faults == ()
    for slip in range(1, 8):
        fault = primary(bit_slipped(image.tobytes(), 8 - slip))
        assert (fault.kind, fault.standing) == (FaultKind.BIT_SLIP, Standing.LIKELY)
        assert f"late by {slip} bit{'s' * (slip > 1)}," in fault.what


def test_an_image_kept_twice_in_a_chip_with_room_left_is_only_asked_about() -> None:
    twice = (firmware(47, size=1 << 16) * 2).ljust(1 << 18, b"\xff")
    fault = primary(twice, Known(chip_size=1 << 18))
    assert (fault.kind, fault.standing) == (FaultKind.ALIASED, Standing.QUESTION)


def test_a_shift_of_a_newer_revision_is_told_by_its_head() -> None:
    """Most content has moved, so the first bytes must tell; an unshifted newer revision is not accused."""
    for seed in (57, 58, 59):
        chip, about = firmware(seed, size=SIZE), known(seed, "other revision")
        assert examine(chip, about).faults == ()
        assert primary(late(chip, 3, "ones"), about).figures["late"] == 3
        assert primary(early(chip, 2, 0xFF), about).figures["late"] == -2


def test_a_reference_that_knows_nothing_of_a_dump_is_a_question() -> None:
    dense = np.random.default_rng(60).integers(0, 256, 1 << 16, np.uint8).tobytes()
    fault = primary(dense, Known(reference=firmware(60, size=SIZE)))
    assert (fault.kind, fault.standing) == (FaultKind.UNLIKE, Standing.QUESTION)


@pytest.mark.parametrize("value", [0x00, 0xFF, 0xA5])
def test_blank_with_stray_bits_is_blank_and_little_content_is_not(value: int) -> None:
    empty = bytearray([value]) * (1 << 16)
    for at in (100, 9000, 40000):
        empty[at] ^= 0x04
    assert primary(bytes(empty)).kind is FaultKind.BLANK
    empty[0x8000:0x8100] = firmware(54, size=SIZE)[0x1000:0x1100]
    kinds = {one.kind for one in examine(bytes(empty), Known()).faults}
    assert FaultKind.BLANK not in kinds


@pytest.mark.slow
def test_families_are_not_accused() -> None:
    """With a reference nothing is said against them; blind there are questions at most."""
    for family in families(61)[::2]:
        dump, other = family.dump(0), family.dump(5)
        assert examine(dump, Known(reference=other, chip_size=len(dump))).faults == (), family.kind
        blind = examine(dump, Known(chip_size=len(dump))).faults
        assert all(one.standing is Standing.QUESTION for one in blind), family.kind


def test_a_family_that_keeps_its_words_swapped_is_only_asked_about() -> None:
    fault = primary(family_of("swapped-pairs", 62).dump(0))
    assert (fault.kind, fault.standing) == (FaultKind.BYTE_ORDER, Standing.QUESTION)


def test_undoing_puts_right_what_was_done() -> None:
    data: Bytes = np.random.default_rng(55).integers(0, 256, 4096, np.uint8)
    for undo in candidates():
        once = undo.apply(data)
        assert once.shape == data.shape
        if undo.word > 1 or undo.words.startswith("data lines"):
            assert np.array_equal(undo.apply(once), data)
    assert len({one.apply(data).tobytes() for one in candidates()}) == len(candidates())


def test_text_is_told_from_its_own_disorder() -> None:
    text = np.frombuffer(
        b"unexpected interrupt while parked\0\0\0read channel reset failed\0\0\0\0", np.uint8
    )
    right = text_bits(text)
    assert right.runs >= 2
    for undo in candidates():
        assert text_bits(undo.apply(text)).total < right.total


def test_runs_of_filler_are_found_at_both_ends() -> None:
    data = np.frombuffer(b"\xff" * 20 + b"abcd" + b"\0" * 15 + b"\0\x05" + b"\x05" * 30, np.uint8)
    content = content_of(data)
    runs = [
        (int(a), int(b), int(v))
        for a, b, v in zip(content.runs.starts, content.runs.stops, content.runs.values, strict=True)
    ]
    assert runs == [(0, 20, 0xFF), (24, 40, 0), (40, 71, 5)]
    assert content.places.tolist() == [20, 21, 22, 23]
