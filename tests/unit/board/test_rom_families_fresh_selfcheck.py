"""The held-out ROM families are right with several seeds, and hold what they were asked to hold."""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import zlib
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from support.rom_families import (
    FRESH_KINDS,
    KINDS,
    HiddenFamily,
    OwnField,
    Varies,
    families,
    family_of,
    flip_bit_inside,
    learnable,
)
from support.rom_family_checks import merged, without
from support.rom_family_formulas import BYTEWISE_LIMIT, Crc, Sum, Xor
from support.rom_family_fresh_formulas import (
    CATALOGUE,
    MORE_CRCS,
    AsHex,
    LooseFletcher,
    RotatingXor,
    TurningSum,
    WordFed,
)

DIGITS = b"123456789"
SEEDS = range(2, 6)
TESTS = Path(__file__).parents[2]

every_fresh = pytest.mark.parametrize("kind", sorted(FRESH_KINDS))


# ---------------------------------------------------------------------- the arithmetic


@pytest.mark.parametrize("crc", MORE_CRCS)
def test_more_crcs_of_the_digits(crc: Crc) -> None:
    """Published remainders of 123456789; written down from memory, as the catalogues print them."""
    assert crc.bytewise(DIGITS) == crc.value(DIGITS) == MORE_CRCS[crc]
    data = random.Random(crc.poly).randbytes(BYTEWISE_LIMIT + 13)
    assert crc.value(data) == crc.bytewise(data)


def test_catalogue_names_every_crc_once() -> None:
    every = [crc for crcs in CATALOGUE.values() for crc in crcs]
    assert len(every) == len(set(every)) == 71
    assert all(crc.bits == bits and crc.published for bits, crcs in CATALOGUE.items() for crc in crcs)


def test_words_fed_highest_byte_first() -> None:
    turned = bytes.fromhex("04030201 08070605")
    assert WordFed(Crc(32, 0x04C11DB7, 0xFFFFFFFF)).value(turned) == Crc(32, 0x04C11DB7, 0xFFFFFFFF).value(
        bytes(range(1, 9))
    )


@pytest.mark.parametrize("width", [2, 4])
def test_running_sums_and_rotations_step_by_step(width: int) -> None:
    data, half, bits = random.Random(width).randbytes(4096), 4 * width, 8 * width
    first, second = 1, 0
    for byte in data:
        first = (first + byte) % (1 << half)
        second = (second + first) % (1 << half)
    assert LooseFletcher(width, 1).value(data) == second << half | first
    assert LooseFletcher(width, 1, True).value(data) == first << half | second
    for order in ("little", "big"):
        register = 0
        for at in range(0, len(data), width):
            register = (register << 1 | register >> bits - 1) & ((1 << bits) - 1)
            register ^= int.from_bytes(data[at : at + width], order)
        assert RotatingXor(width, order).value(data) == register


def test_turning_sum_of_the_system_command() -> None:
    # what `sum -r` of GNU coreutils prints
    assert TurningSum().value(DIGITS) == 53615
    assert TurningSum().value(b"abcdef") == 2247


def test_digits_are_stored_as_text() -> None:
    # the common practice of lines that end in a star and an exclusive-or (no source)
    assert AsHex(Xor(1)).value(b"AB\x0f").to_bytes(2, "big") == b"0C"
    assert AsHex(Sum(2), small=True).value(b"\xff\xff").to_bytes(4, "big") == b"01fe"


# ---------------------------------------------------------------------- families of several seeds


@every_fresh
def test_checks_of_several_seeds_hold_and_notice(kind: str) -> None:
    rng = random.Random(9)
    for seed in SEEDS:
        family = family_of(kind, seed)
        for revision in (0, 3):
            for drive in (0, 1):
                dump = family.dump(drive, revision)
                checks = family.edition(revision).checks
                assert not [one.name for one in checks if not one.holds(dump)]
            assert not [one.name for one in checks if one.holds(flip_bit_inside(one, dump, rng))]


@every_fresh
def test_drives_of_several_seeds_differ_where_said_and_nowhere_else(kind: str) -> None:
    for seed in SEEDS:
        family = family_of(kind, seed)
        edition = family.edition()
        stack = np.array([np.frombuffer(family.dump(drive), np.uint8) for drive in range(8)])
        differs = (stack != stack[0]).any(axis=0)
        outside = without([(0, edition.size)], edition.varying)
        assert not any(differs[start:end].any() for start, end in outside)
        assert all(differs[start:end].any() for start, end in edition.per_drive)
        assert merged([*edition.varying, *edition.constant, *edition.filler]) == [(0, edition.size)]


@every_fresh
def test_revisions_change_what_is_said_to_change(kind: str) -> None:
    for seed in SEEDS:
        family = family_of(kind, seed)
        dumps = [family.dump(1, revision) for revision in range(4)]
        assert len(set(dumps)) == 4
        for number, check in enumerate(family.checks):
            same = [family.edition(revision).checks[number] for revision in range(4)]
            assert {one.name for one in same} == {check.name}
            fed = {one.fed(dump) for one, dump in zip(same, dumps, strict=True)}
            if check.varies is not Varies.DRIVE:
                assert (len(fed) > 1) == (check.varies is Varies.REVISION), check.name


def test_other_processes_make_the_same_fresh_dumps() -> None:
    code = (
        "import zlib; from support.rom_families import FRESH_KINDS, family_of;"
        "print([zlib.crc32(family_of(kind, 3).dump(2, 1)) for kind in FRESH_KINDS])"
    )
    env = {**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": str(TESTS)}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    here = [zlib.crc32(family_of(kind, 3).dump(2, 1)) for kind in FRESH_KINDS]
    assert done.stdout.strip() == str(here)
    assert len({hashlib.sha256(family_of("word-fed", seed).dump(2)).digest() for seed in SEEDS}) == len(SEEDS)


# ---------------------------------------------------------------------- what they hold


@cache
def fresh_families() -> tuple[HiddenFamily, ...]:
    return tuple(family_of(kind, seed) for kind in FRESH_KINDS for seed in range(6))


def test_fresh_kinds_stay_apart() -> None:
    assert 14 <= len(FRESH_KINDS) <= 16
    assert not FRESH_KINDS.keys() & KINDS.keys()
    assert [one.kind for one in families(1)] == list(KINDS)
    assert family_of("row-checks", 1).dump(0) == families(1)[list(KINDS).index("row-checks")].dump(0)
    with pytest.raises(KeyError):
        family_of("no such kind", 1)


def test_two_thirds_can_be_proven_from_three_dumps() -> None:
    able = total = 0
    for family in fresh_families():
        dumps = [family.dump(drive) for drive in range(3)]
        total += len(family.checks)
        able += sum(one.findable and learnable(one, dumps) for one in family.checks)
    assert 0.6 < able / total < 0.75


def test_fresh_kinds_cover_what_was_asked_for() -> None:
    every = fresh_families()
    checks = [check for family in every for check in family.checks]
    assert {family.size // 1024 for family in every} == {64, 128, 256, 512, 1024, 2048}
    assert {check.width for check in checks} >= {1, 2, 3, 4}
    assert {check.order for check in checks} == {"little", "big"}
    assert {check.own_field for check in checks} == set(OwnField)
    assert {check.varies for check in checks} == set(Varies)
    formulas = {type(check.formula).__name__ for check in checks}
    assert formulas == {
        *("Sum", "Xor", "Fletcher", "Adler", "Crc", "OnesComplement", "Keyed"),
        *("WordFed", "LooseFletcher", "RotatingXor", "TurningSum", "AsHex"),
    }
    assert any(len(check.covered) > 4 for check in checks)
    assert any(family.mirrors for family in every)
    assert any(family.moves for family in every)
    assert {family.edition().image[start] for family in every for start, _ in family.filler[:1]} == {0, 0xFF}


def test_two_kinds_cover_as_much_as_the_dump_says() -> None:
    counted = {family.kind for family in fresh_families() if any(one.length for one in family.checks)}
    assert counted == {"event-log", "defect-lists"}
    for kind in counted:
        for seed in SEEDS:
            family = family_of(kind, seed)
            dumps = [family.dump(drive) for drive in range(6)]
            for check in (one for one in family.checks if one.length):
                ends = [check.regions_in(dump)[-1][1] for dump in dumps]
                assert len(set(ends)) > 1
                # what comes behind the last record is erased
                at = check.covered[-1][1]
                assert all(set(dump[end:at]) <= {0xFF} for end, dump in zip(ends, dumps, strict=True))


def test_two_kinds_have_fields_that_only_look_like_checks() -> None:
    for seed in SEEDS:
        stamped, sealed = family_of("stamped-slots", seed), family_of("sealed-records", seed)
        assert not stamped.checks
        assert len(stamped.per_drive) >= 3
        seals = [one for one in sealed.checks if not one.findable]
        assert len(seals) >= 4
        assert {one.width for one in seals} <= {1, 2, 4}
        assert len(sealed.checks) == len(seals) + 2
