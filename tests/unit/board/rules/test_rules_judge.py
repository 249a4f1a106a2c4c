"""What the rules say of sound and of damaged dumps."""

from __future__ import annotations

import random
from functools import cache

import pytest

from mendbay.board.rules.algorithm import Algorithm, Kind, Order, as_array
from mendbay.board.rules.family import Family, Revision, self_checks
from mendbay.board.rules.judge import compare, judge
from mendbay.board.rules.locate import Flip, flips, lane
from mendbay.board.rules.mirrors import Copy
from mendbay.board.rules.rule import Hole, Rule
from mendbay.board.rules.search import learn
from support import rules_dev_families as made

SIZE = 1 << 15


@cache
def family() -> made.Family:
    return made.make("judged", 7, made.CRC32, size=SIZE, blocks=6, drives=5)


@cache
def learned(dumps: int = 3) -> Family:
    return learn(family().dumps[:dumps])


def flipped(dump: bytes, offset: int, bit: int) -> bytes:
    changed = bytearray(dump)
    changed[offset] ^= 1 << bit
    return bytes(changed)


def test_a_sound_dump_of_an_unseen_drive() -> None:
    found = judge(learned(), family().dumps[4])
    assert found.revision == 0
    assert not found.failed
    assert not found.differing
    assert found.sound > 0.95
    assert len(found.held) == len(learned().rules) > 0


@pytest.mark.parametrize("seed", range(12))
def test_a_flipped_bit_is_found_and_named(seed: int) -> None:
    draw = random.Random(seed)
    hidden = draw.choice(family().hidden)
    offset, bit = draw.randrange(hidden.start, hidden.place + 4), draw.randrange(8)
    found = judge(learned(), flipped(family().dumps[4], offset, bit))
    assert found.sound < 0.5
    assert len(found.failed) == 1
    assert found.flip == Flip(offset, bit)
    assert f"{offset:#x}" in found.reasons[-1]


def test_a_flip_with_a_single_known_dump() -> None:
    one = learned(1)
    hidden = family().hidden[2]
    found = judge(one, flipped(family().dumps[4], hidden.start + 100, 3))
    assert found.flip == Flip(hidden.start + 100, 3)
    assert found.differing == ()


@pytest.mark.parametrize("reflected", [False, True])
@pytest.mark.parametrize("hole", list(Hole))
@pytest.mark.parametrize("swap", [1, 2])
def test_every_flip_of_a_small_region_is_located(reflected: bool, hole: Hole, swap: int) -> None:
    algorithm = Algorithm(
        Kind.CRC, 32, polynomial=0x04C11DB7, initial=0xFFFFFFFF, reflected=reflected, swap=swap
    )
    place = 8 if hole is not Hole.NONE else 64
    rule = Rule(algorithm, 0, 64, place, Order.BIG, hole)
    image = bytearray(random.Random(1).randbytes(80))
    value = rule.computed(bytes(image))
    image[place : place + 4] = value.to_bytes(4, "big")
    assert rule.holds(bytes(image))
    for offset in range(place + 4 if hole is Hole.NONE else 64):
        for bit in range(8):
            changed = flipped(bytes(image), offset, bit)
            assert not rule.holds(changed)
            assert Flip(offset, bit) in (flips(rule, as_array(changed)) or ())


def test_two_flips_are_not_taken_for_one() -> None:
    hidden = family().hidden[1]
    dump = flipped(flipped(family().dumps[4], hidden.start + 9, 1), hidden.start + 99, 6)
    found = judge(learned(), dump)
    assert found.flip is None
    assert found.sound < 0.2


@pytest.mark.parametrize(("kind", "bit"), [(Kind.SUM, 3), (Kind.XOR, 11)])
def test_sums_name_the_lane(kind: Kind, bit: int) -> None:
    word = 1 if kind is Kind.SUM else 2
    rule = Rule(Algorithm(kind, 16, word), 0, 64, 64, Order.LITTLE)
    image = bytearray(random.Random(2).randbytes(66))
    image[64:66] = rule.computed(bytes(image)).to_bytes(2, "little")
    changed = flipped(bytes(image), 10 + bit // 8, bit % 8)
    assert f"bit {bit} of any" in lane(rule, as_array(changed))


def test_a_foreign_revision_is_not_judged_by_its_bytes() -> None:
    other = made.make("another", 8, made.CRC32, size=SIZE, blocks=6, drives=1)
    found = judge(learned(), other.dumps[0])
    assert found.revision is None
    assert found.differing == ()
    assert "no revision" in found.reasons[0]


def test_a_dump_of_another_size() -> None:
    found = judge(learned(), b"\xff" * 4096)
    assert found.sound == 0.0
    assert "4096" in found.reasons[0]


def test_copies_that_disagree() -> None:
    shared = random.Random(3).randbytes(256) * 2
    revision = Revision(2, shared, (), (), (Copy(0, 256, 256),))
    plain = Family(512, (revision,), ())
    assert judge(plain, shared).broken_copies == ()
    found = judge(plain, flipped(shared, 300, 2))
    assert found.broken_copies == revision.copies
    assert found.flip == Flip(300, 2)


def test_without_rules_nothing_is_claimed() -> None:
    one = Family(512, (Revision(1, random.Random(3).randbytes(512), (), (), ()),), ())
    found = judge(one, one.revisions[0].shared)
    assert found.sound == pytest.approx(0.8)
    assert "no rule" in found.reasons[1]


def test_comparison_of_patient_and_donor() -> None:
    dumps = family().dumps
    same = compare(learned(), dumps[3], dumps[4])
    assert same.same_code is True
    assert same.differing == ()
    assert same.per_drive
    patched = bytearray(dumps[4])
    patched[0x420:0x424] = bytes(byte ^ 0x55 for byte in patched[0x420:0x424])
    other = compare(learned(), dumps[3], bytes(patched))
    assert other.same_code is False
    assert other.differing == ((0x420, 0x424),)
    assert compare(learned(1), dumps[3], dumps[4]).same_code is None
    assert compare(learned(), dumps[3], dumps[3]).same_code is True
    assert compare(learned(), dumps[3], b"").same_code is False


def test_quick_checks() -> None:
    checks = self_checks(learned())
    dump = family().dumps[4]
    held, asked = checks.hold(dump)
    assert held == asked == len(checks.rules) > 0
    assert checks.hold(bytes(reversed(dump)))[0] == 0
    assert checks.hold(b"") == (0, 0)
