"""What the rules say of sound and of damaged dumps."""

from __future__ import annotations

import random
import warnings
from dataclasses import replace
from functools import cache

import pytest

from mendbay.board.rules.algorithm import Algorithm, Kind, Order, as_array
from mendbay.board.rules.family import Family, Revision, self_checks
from mendbay.board.rules.judge import MOST_TOLD, DumpJudgement, compare, judge
from mendbay.board.rules.locate import Flip, flips, lane
from mendbay.board.rules.mirrors import Copy
from mendbay.board.rules.rule import Hole, Length, Rule
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
    revision = Revision(2, shared, (), (Copy(0, 256, 256),))
    plain = Family(512, (revision,), ())
    assert judge(plain, shared).broken_copies == ()
    found = judge(plain, flipped(shared, 300, 2))
    assert found.broken_copies == revision.copies
    assert found.flip == Flip(300, 2)


def test_without_rules_nothing_is_claimed() -> None:
    one = Family(512, (Revision(1, random.Random(3).randbytes(512), (), ()),), ())
    found = judge(one, one.revisions[0].shared)
    assert found.sound == pytest.approx(0.8)
    assert "no rule" in found.reasons[1]


def test_damage_that_no_rule_watches_speaks_against_a_dump() -> None:
    """Code that all drives share, far from what is each drive's own, and copies: no rule, but signs too."""
    code = bytearray(random.Random(5).randbytes(1024))
    code[512:768] = code[:256]
    plain = Family(1024, (Revision(3, bytes(code), ((900, 904),), (Copy(0, 512, 256),)),), ())
    assert judge(plain, bytes(code)).against == ()
    near = judge(plain, flipped(bytes(code), 896, 0))
    assert (near.against, near.differing_bytes) == ((), 1)
    found = judge(plain, flipped(flipped(bytes(code), 0x110, 0), 0x111, 0))
    assert found.against == ("2 bytes that all drives share differ, the first at 0x110",)
    assert found.sound < 1e-3
    assert judge(plain, flipped(bytes(code), 0x110, 0)).against == (
        "1 byte that all drives share differs, at 0x110",
    )
    unlike = Family(1024, (replace(plain.revisions[0], dumps=1, per_drive=()),), ())
    found = judge(unlike, flipped(bytes(code), 600, 3))
    assert found.against == ("the copies of 256 bytes at 0x0 and 0x200 are not alike",)
    assert found.sound < 0.05
    assert judge(plain, b"").against == ("it has 0 bytes and the family's dumps have 1024",)


CRC16 = Algorithm(Kind.CRC, 16, polynomial=0x1021, initial=0xFFFF)


def counted_family(*more: Rule) -> tuple[Family, bytearray]:
    """A list at 64, its value at 60, its number of entries of 8 bytes at 62; no known one is longer than 20
    entries, and filler follows to 512. The dump has 10."""
    code = bytearray(random.Random(6).randbytes(1024))
    code[60:512] = bytes(4) + b"\xff" * 448
    length = Length(62, 16, Order.LITTLE, 8, 64)
    rule = Rule(CRC16, 64, 64 + 20 * 8, 60, Order.LITTLE, dumps=3, distinct=3, length=length)
    shared = Revision(3, bytes(code), ((60, 63), (64, 64 + 20 * 8)), ())
    return Family(1024, (shared,), (rule, *more)), listed(code, 10)


def listed(code: bytearray, entries: int) -> bytearray:
    dump = bytearray(code)
    dump[64:512] = b"\xff" * 448
    dump[64 : 64 + 8 * entries] = random.Random(entries).randbytes(8 * entries)
    dump[62:64] = entries.to_bytes(2, "little")
    dump[60:62] = CRC16.value(bytes(dump[64 : 64 + 8 * entries])).to_bytes(2, "little")
    return dump


@pytest.mark.parametrize("entries", [1, 20, 21, 45, 56])
def test_a_list_longer_than_any_known_is_no_damage(entries: int) -> None:
    family, dump = counted_family()
    found = judge(family, bytes(listed(dump, entries)))
    assert (found.failed, found.differing_bytes, found.against) == ((), 0, ())
    assert found.sound > 0.95
    assert found.covered == 1.0
    same = compare(family, bytes(listed(dump, entries)), bytes(listed(dump, 2)))
    assert same.same_code is True


def test_behind_the_end_of_a_counted_list_shared_bytes_count() -> None:
    family, dump = counted_family()
    found = judge(family, flipped(bytes(listed(dump, 45)), 64 + 8 * 45 + 40, 3))
    assert found.differing == ((64 + 8 * 45 + 40, 64 + 8 * 45 + 41),)
    assert found.against
    beyond = listed(dump, 56)
    beyond[512] ^= 1
    assert judge(family, bytes(beyond)).differing == ((512, 513),), "the list ends where other content begins"
    watched, _ = counted_family(Rule(CRC16, 300, 600, 700, Order.LITTLE, dumps=3))
    assert judge(watched, bytes(listed(dump, 56))).differing[0][0] >= 300


def test_a_flip_in_a_list_longer_than_any_known_is_named() -> None:
    family, dump = counted_family()
    found = judge(family, flipped(bytes(listed(dump, 45)), 64 + 8 * 44, 3))
    assert len(found.failed) == 1
    assert found.flip == Flip(64 + 8 * 44, 3)


def test_behind_its_end_a_counted_list_that_holds_watches_nothing() -> None:
    """A flip there is explained by the outer check that fails, which the list does not contradict."""
    outer = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7)
    family, dump = counted_family(Rule(outer, 48, 800, 800, Order.LITTLE, dumps=3, distinct=3))
    family = replace(family, revisions=(replace(family.revisions[0], per_drive=((60, 300), (800, 804))),))
    dump[800:804] = outer.value(bytes(dump[48:800])).to_bytes(4, "little")
    assert judge(family, bytes(dump)).failed == ()
    found = judge(family, flipped(bytes(dump), 64 + 8 * 12, 2))
    assert [one.rule.end for one in found.failed] == [800]
    assert found.flip == Flip(64 + 8 * 12, 2)


@pytest.mark.parametrize("size", [127, 65, 64])
def test_a_dump_whose_only_content_lies_behind_its_last_whole_block(size: int) -> None:
    shared = bytes(64) + bytes(range(1, size - 63))
    one = Family(size, (Revision(1, shared, (), ()),), ())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert judge(one, shared).revision == (0 if size > 64 else None)


def test_where_a_bit_lies_is_asked_of_the_first_failed_rules_only() -> None:
    rules = tuple(Rule(CRC16, 0, 64, place, Order.LITTLE) for place in range(64, 64 + 40, 2))
    one = Family(512, (Revision(2, bytes(512), (), ()),), rules)
    found = judge(one, b"\x01" * 512)
    assert [bad.flips is not None for bad in found.failed] == [True] * MOST_TOLD + [False] * (20 - MOST_TOLD)
    assert len(found.against) == 20


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


def test_what_a_drives_own_check_vouches_for_speaks_not_against_it() -> None:
    """Few dumps show little of what may differ: bytes under a check that holds were written with it."""
    code = random.Random(5).randbytes(1024)
    crc = Algorithm(Kind.CRC, 16, polynomial=0x1021)
    rule = Rule(crc, 256, 512, 512, Order.LITTLE, dumps=3, distinct=3)

    def judged(distinct: int, *, right: bool) -> DumpJudgement:
        one = replace(rule, distinct=distinct)
        family = Family(1024, (Revision(3, code, ((510, 514),), ()),), (one,))
        dump = bytearray(flipped(code, 300, 2))
        dump[512:514] = (one.computed(bytes(dump)) ^ (not right)).to_bytes(2, "little")
        return judge(family, bytes(dump))

    sound = judged(3, right=True)
    assert (sound.against, sound.differing_bytes) == ((), 1)
    assert sound.sound > 0.9
    assert len(judged(3, right=False).against) == 2
    assert len(judged(1, right=True).against) == 1, "a value that all drives share vouches for nothing of one"
