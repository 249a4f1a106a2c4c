"""The invented ROM families say the truth about themselves, and cover what learning must cope with."""

from __future__ import annotations

import binascii
import hashlib
import itertools
import os
import random
import subprocess
import sys
import zlib
from collections import Counter
from functools import lru_cache
from pathlib import Path

import google_crc32c
import numpy as np
import pytest

from support.rom_families import (
    FRESH_KINDS,
    KINDS,
    HiddenCheck,
    HiddenFamily,
    OwnField,
    Region,
    Varies,
    describe,
    families,
    family_of,
    flip_bit_inside,
)
from support.rom_family_checks import LengthField, merged, overlap, without
from support.rom_family_formulas import (
    BYTEWISE_LIMIT,
    CRC8S,
    CRC16S,
    CRC24,
    CRC32S,
    PLAIN_CRC32,
    Adler,
    Crc,
    Fletcher,
    Keyed,
    OnesComplement,
    Sum,
    Unpacked,
    Xor,
)
from support.rom_family_pen import MOST_REVISIONS

DIGITS = b"123456789"
DRIVES = range(12)
TESTS = Path(__file__).parents[2]


@lru_cache(maxsize=64)
def the_family(kind: str, seed: int) -> HiddenFamily:
    return family_of(kind, seed)


@lru_cache(maxsize=64)
def dumps_of(kind: str, seed: int, revision: int = 0) -> tuple[bytes, ...]:
    return tuple(the_family(kind, seed).dump(drive, revision) for drive in DRIVES)


every_kind = pytest.mark.parametrize("kind", sorted({**KINDS, **FRESH_KINDS}))


# ---------------------------------------------------------------------- the arithmetic


def long_division(crc: Crc, data: bytes) -> int:
    """A CRC as the remainder of a division of polynomials, with whole numbers and no table."""

    def turned(number: int, bits: int) -> int:
        return int(f"{number:0{bits}b}"[::-1], 2)

    message = 0
    for byte in data:
        message = message << 8 | (turned(byte, 8) if crc.reflected else byte)
    start = turned(crc.init, crc.bits) if crc.reflected else crc.init
    dividend = message << crc.bits ^ start << 8 * len(data)
    divisor = 1 << crc.bits | crc.poly
    while dividend.bit_length() > crc.bits:
        dividend ^= divisor << dividend.bit_length() - divisor.bit_length()
    return (turned(dividend, crc.bits) if crc.reflected else dividend) ^ crc.xorout


@pytest.mark.parametrize(
    "crc", [*CRC8S, *CRC16S, CRC24, *CRC32S, Crc(16, 0x4C57, 0x1D2B, True, 0xFFFF, False)]
)
def test_crc_is_the_remainder_of_a_division(crc: Crc) -> None:
    rng = random.Random(crc.poly)
    for length in (1, crc.width, 9, 100):
        data = rng.randbytes(length)
        assert crc.bytewise(data) == long_division(crc, data)
        assert crc.value(data) == long_division(crc, data)


@pytest.mark.parametrize(
    "crc", [*CRC8S, *CRC16S, CRC24, *CRC32S, Crc(32, 0xC2D4A5B7, 0x1234567, False, 0, False)]
)
def test_quick_crc_equals_the_bytewise_one(crc: Crc) -> None:
    rng = random.Random(crc.poly)
    for length in (BYTEWISE_LIMIT - 1, BYTEWISE_LIMIT, BYTEWISE_LIMIT + 13, (1 << 17) + 5):
        data = rng.randbytes(length)
        assert crc.value(data) == crc.bytewise(data)


def test_crcs_agree_with_other_programs() -> None:
    data = random.Random(5).randbytes(70001)
    assert PLAIN_CRC32.bytewise(data) == zlib.crc32(data)
    assert Crc(16, 0x1021, 0xFFFF).bytewise(data) == binascii.crc_hqx(data, 0xFFFF)
    assert Crc(32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF).value(data) == google_crc32c.value(data)


def test_crcs_of_the_digits() -> None:
    """Published remainders of 123456789; written down from memory, as the catalogues print them."""
    found = [f"{crc.value(DIGITS):0{2 * crc.width}X}" for crc in (*CRC8S, *CRC16S, CRC24)]
    assert found[:7] == ["F4", "A1", "D0", "A1", "4B", "DA", "25"]
    assert found[7:13] == ["31C3", "29B1", "D64E", "E5CC", "2189", "906E"]
    assert found[13:] == ["FEE8", "BB3D", "4B37", "B4C8", "EA82", "D0DB", "21CF02"]
    wide = {f"{crc.value(DIGITS):08X}" for crc in CRC32S}
    assert wide >= {
        "CBF43926",
        "340BC6D9",
        "FC891918",
        "0376E6E7",
        "765E7680",
        "E3069283",
        "3010BF7F",
        "87315576",
    }


def test_sums_of_published_examples() -> None:
    # Fletcher: the worked examples of the common encyclopedia, from memory; RFC 1071 section 3; RFC 1950
    assert [Fletcher(2).value(one) for one in (b"abcde", b"abcdef")] == [0xC8F0, 0x2057]
    assert Fletcher(4).value(b"abcdef") == 0x56502D2A
    assert OnesComplement().value(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF
    assert Adler().value(b"Wikipedia") == 0x11E60398


@pytest.mark.parametrize("order", ["little", "big"])
def test_sums_added_up_by_hand(order: str) -> None:
    data = random.Random(2).randbytes(4096)
    for word in (1, 2, 4):
        words = [int.from_bytes(data[at : at + word], order) for at in range(0, len(data), word)]
        for width in (1, 2, 4):
            kept = 256**width
            assert Sum(width, word, order, 7).value(data) == (7 + sum(words)) % kept
            assert Sum(width, word, order, 7, "inverted").value(data) == kept - 1 - (7 + sum(words)) % kept
            assert (Sum(width, word, order, 7, "negated").value(data) + 7 + sum(words)) % kept == 0
        together = 0xA5
        for one in words:
            together ^= one
        assert Xor(word, order, 0xA5).value(data) == together
    low = high = 0
    for at in range(0, len(data), 2):
        low = (low + int.from_bytes(data[at : at + 2], order)) % 65535
        high = (high + low) % 65535
    assert Fletcher(4, order).value(data) == high << 16 | low


def test_sum_refuses_broken_words() -> None:
    with pytest.raises(ValueError, match="not whole words"):
        Sum(4, 4).value(b"12345")


def test_keyed_and_unpacked() -> None:
    assert Keyed(b"one").value(DIGITS) != Keyed(b"two").value(DIGITS)
    packer = zlib.compressobj(wbits=-15)
    stream = packer.compress(DIGITS * 9) + packer.flush()
    assert Unpacked(PLAIN_CRC32).value(stream) == zlib.crc32(DIGITS * 9)
    assert Unpacked(PLAIN_CRC32).value(stream[:-2]) is None


def test_regions_against_a_bitmap() -> None:
    rng = random.Random(3)

    def some() -> list[Region]:
        return [(at, at + rng.randrange(9)) for at in (rng.randrange(60) for _ in range(rng.randrange(6)))]

    def bits(regions: list[Region]) -> set[int]:
        return {at for start, end in regions for at in range(start, end)}

    for _ in range(300):
        one, other = some(), some()
        left, right = merged(one), merged(other)
        assert bits(left) == bits(one)
        assert all(low[1] < high[0] for low, high in itertools.pairwise(left))
        assert bits(without(left, right)) == bits(one) - bits(other)
        assert overlap(left, right) == bool(bits(one) & bits(other))


# ---------------------------------------------------------------------- what a family says of itself


@every_kind
def test_every_check_holds(kind: str) -> None:
    family = the_family(kind, 1)
    for revision in (0, 2):
        for dump in dumps_of(kind, 1, revision)[:3]:
            assert len(dump) == family.size
            wrong = [one.name for one in family.edition(revision).checks if not one.holds(dump)]
            assert not wrong


@pytest.mark.slow
@every_kind
def test_every_check_of_many_seeds_holds(kind: str) -> None:
    for seed in range(100, 103):
        family = family_of(kind, seed)
        for revision in (0, MOST_REVISIONS):
            dump = family.dump(seed, revision)
            wrong = [one.name for one in family.edition(revision).checks if not one.holds(dump)]
            assert not wrong


@every_kind
def test_only_what_is_said_to_vary_does(kind: str) -> None:
    family = the_family(kind, 1)
    for revision in (0, 2):
        edition = family.edition(revision)
        stack = np.array([np.frombuffer(one, np.uint8) for one in dumps_of(kind, 1, revision)])
        differs = (stack != stack[0]).any(axis=0)
        outside = without([(0, edition.size)], edition.varying)
        assert not any(differs[start:end].any() for start, end in outside)
        still = [region for region in edition.per_drive if not differs[region[0] : region[1]].any()]
        assert not still


@every_kind
def test_regions_divide_the_chip(kind: str) -> None:
    for revision in (0, 2):
        edition = the_family(kind, 1).edition(revision)
        parts = [*edition.varying, *edition.constant, *edition.filler]
        assert sum(end - start for start, end in parts) == edition.size
        assert merged(parts) == [(0, edition.size)]
        dump = dumps_of(kind, 1, revision)[0]
        for start, end in edition.filler:
            assert set(dump[start:end]) in ({0xFF}, {0x00})
        for region, again in edition.mirrors:
            assert dump[slice(*region)] == dump[slice(*again)]


@every_kind
def test_checks_vary_as_said(kind: str) -> None:
    family = the_family(kind, 1)
    editions = [family.edition(revision) for revision in range(4)]
    for number, check in enumerate(family.checks):
        drives = {check.fed(dump) for dump in dumps_of(kind, 1)}
        assert (len(drives) > 1) == (check.varies is Varies.DRIVE), check.name
        same = [one.checks[number] for one in editions]
        assert {one.name for one in same} == {check.name}
        fed = {one.fed(family.dump(0, revision)) for revision, one in enumerate(same)}
        if check.varies is not Varies.DRIVE:
            assert (len(fed) > 1) == (check.varies is Varies.REVISION), check.name


@every_kind
def test_drives_and_revisions_are_distinct_and_the_same_again(kind: str) -> None:
    made = dumps_of(kind, 1)
    assert len(set(made)) == len(made)
    assert len({the_family(kind, 1).dump(0, revision) for revision in range(4)}) == 4
    assert family_of(kind, 1).dump(5) == made[5]
    assert family_of(kind, 2).dump(5) != made[5]


@every_kind
def test_seeds_make_other_layouts(kind: str) -> None:
    """Another seed is another family: other places or formulas of checks, or other borders of the regions."""
    seen: Counter[str] = Counter()
    for seed in range(4):
        family = family_of(kind, seed)
        layout = [(one.algorithm, one.covered, one.at) for one in family.checks]
        seen[repr((family.size, layout, family.per_drive))] += 1
    assert max(seen.values()) == 1


@every_kind
def test_flipped_bit_is_noticed(kind: str) -> None:
    rng = random.Random(8)
    for revision in (0, 2):
        edition, dump = the_family(kind, 1).edition(revision), dumps_of(kind, 1, revision)[3]
        fields = [one.field for one in edition.checks]
        for check in edition.checks:
            spoilt = flip_bit_inside(check, dump, rng)
            places = (
                [at for at in range(len(dump)) if dump[at] != spoilt[at]] if len(dump) < 1 << 17 else None
            )
            if places is None:
                changed = np.frombuffer(dump, np.uint8) != np.frombuffer(spoilt, np.uint8)
                places = np.flatnonzero(changed).tolist()
            assert len(places) == 1
            assert (dump[places[0]] ^ spoilt[places[0]]).bit_count() == 1
            assert overlap([(places[0], places[0] + 1)], check.regions_in(dump))
            assert not overlap([(places[0], places[0] + 1)], fields)
            assert check.stored(spoilt) == check.stored(dump)
            assert not check.holds(spoilt)


def test_flip_refuses_where_all_is_fields() -> None:
    check = HiddenCheck("sum", Sum(2), ((0, 2),), 2, 2, "little", fields=((0, 2), (2, 4)))
    with pytest.raises(ValueError, match="stored fields"):
        flip_bit_inside(check, bytes(8), random.Random(1))


# ---------------------------------------------------------------------- a check read by hand


def test_own_field_counts_as_said() -> None:
    dump = bytes([1, 2, 3, 4])
    inside = {"formula": Sum(1), "covered": ((0, 4),), "at": 1, "width": 1, "order": "little"}
    assert HiddenCheck("a", **inside, own_field=OwnField.ZEROED).value(dump) == 8
    assert HiddenCheck("a", **inside, own_field=OwnField.FILLED).value(dump) == (8 + 255) % 256


def test_order_of_regions_length_and_swapped_pairs() -> None:
    dump = bytes([2, 0, 10, 11, 12, 13, 14, 15])
    crc = CRC16S[0]
    two = HiddenCheck("two", crc, ((4, 6), (2, 4)), 0, 2, "big")
    assert two.value(dump) == binascii.crc_hqx(bytes([12, 13, 10, 11]), 0)
    counted = HiddenCheck("n", Sum(2), ((2, 8),), 0, 1, "little", length=LengthField(0, 1, "little", unit=2))
    assert counted.value(dump) == 10 + 11 + 12 + 13
    assert counted.value(bytes([99]) + dump[1:]) == sum(range(10, 16))
    swapped = HiddenCheck("s", crc, ((2, 8),), 0, 2, "little", pair_swapped=True)
    assert swapped.value(dump) == binascii.crc_hqx(bytes([11, 10, 13, 12, 15, 14]), 0)
    assert swapped.stored(dump) == 0x0200


def test_learnable_needs_two_values() -> None:
    family = the_family("nested-image", 1)
    kinds = {one.varies: one for one in family.checks if one.name != "image"}
    first = dumps_of("nested-image", 1)
    both = [first[0], family.dump(0, 3)]
    assert family.learnable(kinds[Varies.DRIVE], first[:8])
    assert not family.learnable(kinds[Varies.DRIVE], [first[0], first[0]])
    assert not family.learnable(kinds[Varies.REVISION], first)
    assert family.learnable(kinds[Varies.REVISION], both)
    # a dump in which the check does not hold teaches nothing
    spoilt = flip_bit_inside(kinds[Varies.DRIVE], first[0], random.Random(4))
    assert not family.learnable(kinds[Varies.DRIVE], [first[0], spoilt])


# ---------------------------------------------------------------------- what there is to learn from


def test_kinds_cover_what_was_asked_for() -> None:
    every = [family for seed in range(4) for family in families(seed)]
    checks = [check for family in every for check in family.checks]
    assert len(families(0)) == len(KINDS) >= 16
    assert {family.size // 1024 for family in every} == {64, 128, 256, 512, 1024}
    assert {check.width for check in checks} >= {1, 2, 3, 4, 8}
    assert {check.order for check in checks} == {"little", "big"}
    assert {check.own_field for check in checks} == set(OwnField)
    assert {check.varies for check in checks} == set(Varies)
    formulas = {type(check.formula).__name__ for check in checks}
    wanted = {"Sum", "Xor", "Fletcher", "Adler", "Crc", "OnesComplement", "Keyed", "Salted", "Unpacked"}
    assert formulas == wanted
    assert {check.formula.finish for check in checks if isinstance(check.formula, Sum)} == {
        "plain",
        "negated",
        "inverted",
    }
    used = {
        (check.formula.bits, check.formula.reflected) for check in checks if isinstance(check.formula, Crc)
    }
    assert used == {(8, False), (8, True), (16, False), (16, True), (24, False), (32, False), (32, True)}
    assert any(len(check.covered) > 1 for check in checks)
    assert any(check.length for check in checks)
    assert any(check.findable and not check.published for check in checks)
    assert any(family.mirrors for family in every)
    assert any(family.moves for family in every)
    assert not family_of("no-checks", 0).checks
    assert not any(check.findable for check in family_of("keyed", 0).checks)
    counts = [len(family.checks) for family in every]
    assert min(count for count in counts if count) <= 3
    assert max(counts) >= 35


@every_kind
def test_most_of_a_kind_can_be_learned_from_a_few_dumps(kind: str) -> None:
    """Otherwise nothing could be tested with it."""
    family = the_family(kind, 1)
    able = [one for one in family.checks if one.findable and family.learnable(one, dumps_of(kind, 1)[:8])]
    said = [one for one in family.checks if one.findable and one.varies is Varies.DRIVE]
    assert able or kind in ("keyed", "no-checks", "stamped-slots")
    # a check over blocks that balance themselves may stay the same whatever they hold
    assert len(able) >= 0.8 * len(said)


@every_kind
def test_code_looks_like_code(kind: str) -> None:
    """Neither noise nor a simple pattern, but where the bodies are packed or enciphered."""
    family = the_family(kind, 1)
    start, end = max(family.constant, key=lambda one: one[1] - one[0])
    part = dumps_of(kind, 1)[0][start:end]
    ratio = len(zlib.compress(part)) / len(part)
    if kind in ("packed-body", "cloaked-body"):
        assert ratio > 0.98
    else:
        assert 0.02 < ratio < 0.9


def test_description_names_every_check() -> None:
    for family in (*families(4), *(family_of(kind, 4) for kind in FRESH_KINDS)):
        text = describe(family)
        assert f"{family.size // 1024} KiB" in text
        assert all(f"{one.name}: {one.algorithm}" in text for one in family.checks)


def test_no_such_revision() -> None:
    with pytest.raises(ValueError, match="revision 99"):
        the_family("tight-tail", 1).dump(0, 99)


def test_other_processes_make_the_same_dumps() -> None:
    """Nothing depends on the hash seed of the process."""
    code = (
        "import hashlib; from support.rom_families import families;"
        "print(hashlib.sha256(b''.join(one.dump(3, 2) for one in families(1))).hexdigest())"
    )
    found = set()
    for hash_seed in ("1", "2"):
        env = {**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(TESTS)}
        done = subprocess.run(
            [sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True
        )
        found.add(done.stdout.strip())
    here = hashlib.sha256(b"".join(one.dump(3, 2) for one in families(1))).hexdigest()
    assert found == {here}
