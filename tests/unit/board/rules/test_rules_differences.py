"""Checks that only the differences between dumps give away: small records, unknown constants, values far from
their region, lists whose length is counted."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from mendbay.board.rules import counted as counted_lists
from mendbay.board.rules import one_revision
from mendbay.board.rules.accept import Found
from mendbay.board.rules.algorithm import Algorithm, Kind, Order, lanes, swapped
from mendbay.board.rules.counted import counted
from mendbay.board.rules.family import Family
from mendbay.board.rules.judge import judge
from mendbay.board.rules.locate import flips
from mendbay.board.rules.material import Material
from mendbay.board.rules.rule import Length, Rule
from mendbay.board.rules.search import learn
from mendbay.board.rules.segments import revisions
from mendbay.core.errors import BadFormFile

SIZE = 1 << 15
CRC32 = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=0xFFFFFFFF, final=0xFFFFFFFF, reflected=True)
CRC16_ODD = Algorithm(Kind.CRC, 16, polynomial=0x1021, initial=0x2B7E)
CRC8 = Algorithm(Kind.CRC, 8, polynomial=0x31)
CRC24 = Algorithm(Kind.CRC, 24, polynomial=0x864CFB, initial=0xB704CE)
SUM16 = Algorithm(Kind.SUM, 16, 2, initial=0x1234)
ONES = Algorithm(Kind.ONES, 16, 2, final=0xFFFF)
FLETCHER = Algorithm(Kind.FLETCHER, 32, 2, modulus=65535)


def dumps_of(code_seed: int, count: int = 4) -> list[bytearray]:
    """Dumps with the same made-up code in their first half and erased bytes behind."""
    source = random.Random(code_seed)
    words = [source.randbytes(4) for _ in range(64)]
    code = b"".join(source.choice(words) for _ in range(SIZE // 8))
    return [bytearray(code + bytes([0xFF]) * (SIZE - len(code))) for _ in range(count)]


def store(dump: bytearray, value: int, place: int, width: int, order: Order = Order.LITTLE) -> None:
    for byte, shift in enumerate(lanes(width, order)):
        dump[place + byte] = value >> shift & 0xFF


def per_drive(dump: bytearray, start: int, end: int, drive: int) -> None:
    dump[start:end] = random.Random(f"{drive} {start}").randbytes(end - start)


def check(
    dump: bytearray, algorithm: Algorithm, start: int, end: int, place: int, order: Order = Order.LITTLE
) -> None:
    store(dump, algorithm.value(bytes(dump[start:end])), place, algorithm.width, order)


kept = cache(learn)


def learned(dumps: list[bytearray], learner: Callable[[tuple[bytes, ...]], Family] = kept) -> Family:
    """From all but the last, in which every rule must hold too; from the same dumps no two tests learn."""
    family = learner(tuple(bytes(one) for one in dumps[:-1]))
    unseen = np.frombuffer(bytes(dumps[-1]), np.uint8)
    assert [one.name for one in family.rules if not one.holds(unseen)] == []
    return family


def noticed(family: Family, dump: bytearray, place: int) -> bool:
    spoilt = bytearray(dump)
    spoilt[place] ^= 0x10
    return any(not one.holds(bytes(spoilt)) for one in family.rules)


@pytest.mark.parametrize(
    ("algorithm", "order"),
    [(CRC32, Order.BIG), (CRC16_ODD, Order.LITTLE), (SUM16, Order.BIG), (FLETCHER, Order.LITTLE)],
    ids=lambda one: getattr(one, "name", str(one)),
)
def test_a_value_far_from_its_region(algorithm: Algorithm, order: Order) -> None:
    dumps = dumps_of(1)
    for drive, dump in enumerate(dumps):
        dump[0x5000:0x5010] = b"calibration 0012"
        per_drive(dump, 0x5010, 0x5200, drive)
        check(dump, algorithm, 0x5000, 0x5200, 0x7F04, order)
    family = learned(dumps)
    assert noticed(family, dumps[-1], 0x5100)
    assert [one.place for one in family.rules] == [0x7F04]


def test_a_series_of_small_records_with_eight_bits_each() -> None:
    dumps = dumps_of(2)
    places = range(0x5000, 0x5100, 16)
    for drive, dump in enumerate(dumps):
        for place in places:
            per_drive(dump, place, place + 15, drive)
            check(dump, CRC8, place, place + 15, place + 15)
    family = learned(dumps)
    assert {one.place for one in family.rules} == {place + 15 for place in places}
    assert all(one.algorithm.polynomial == CRC8.polynomial for one in family.rules)


def test_a_record_in_which_nothing_varies_but_one_byte_is_filled_in() -> None:
    dumps = dumps_of(3)
    for drive, dump in enumerate(dumps):
        for place in range(0x5000, 0x5100, 16):
            if place == 0x5060:
                dump[place : place + 15] = b"\x07" * 14 + bytes([drive])
            else:
                per_drive(dump, place, place + 15, drive)
            check(dump, CRC8, place, place + 15, place + 15)
    family = learned(dumps)
    assert 0x506F in {one.place for one in family.rules}


def test_twenty_four_bits() -> None:
    dumps = dumps_of(4)
    for drive, dump in enumerate(dumps):
        per_drive(dump, 0x5000, 0x507C, drive)
        check(dump, CRC24, 0x5000, 0x507C, 0x507C, Order.BIG)
    rules = learned(dumps).rules
    assert [(one.algorithm.width, one.place, one.end) for one in rules] == [(24, 0x507C, 0x507C)]


def test_an_internet_checksum_in_a_header_with_padding_that_is_nought_to_it() -> None:
    dumps = dumps_of(5)
    for drive, dump in enumerate(dumps):
        dump[0x5000:0x5010] = b"HD01\x00\x02\x00\x00\x40\x01\x00\x00\x0a\x00\x00\x07"
        per_drive(dump, 0x5010, 0x5080, drive)
        check(dump, ONES, 0x5000, 0x5100, 0x500A)
    rules = learned(dumps).rules
    assert [(one.algorithm.kind, one.place) for one in rules] == [(Kind.ONES, 0x500A)]


def test_a_block_inside_that_checks_itself_does_not_lengthen_the_outer_one() -> None:
    dumps = dumps_of(6)
    for drive, dump in enumerate(dumps):
        for place in (0x5000, 0x5100):
            per_drive(dump, place, place + 0xFC, drive)
            check(dump, CRC32, place, place + 0xFC, place + 0xFC)
    rules = learned(dumps).rules
    assert sorted(one.place for one in rules) == [0x50FC, 0x51FC]
    assert all(one.end - one.start <= 0xFC for one in rules)


def counted_list(dump: bytearray, drive: int, count: int) -> None:
    store(dump, count, 0x5004, 16)
    dump[0x5008:0x5700] = bytes([0xFF]) * 0x6F8
    per_drive(dump, 0x5008, 0x5008 + 12 * count, drive)
    check(dump, replace(CRC16_ODD, initial=0xFFFF), 0x5008, 0x5008 + 12 * count, 0x5006)


def test_a_list_whose_length_is_counted() -> None:
    dumps = dumps_of(7)
    for drive, (dump, count) in enumerate(zip(dumps, (30, 41, 52, 77), strict=True)):
        counted_list(dump, drive, count)
    family = learned(dumps)
    (rule,) = family.rules
    assert rule.length is not None
    assert rule.length == Length(0x5004, 16, Order.LITTLE, 12, 0x5008)
    assert rule.start == 0x5008
    assert noticed(family, dumps[-1], 0x5008 + 12 * 77 - 1)
    assert Family.from_json(family.to_json()) == family
    assert judge(family, bytes(dumps[-1])).failed == ()


@pytest.mark.parametrize(("width", "order"), [(16, Order.BIG), (32, Order.LITTLE), (32, Order.BIG)])
def test_a_number_is_as_wide_as_its_bytes_allow(width: int, order: Order) -> None:
    """Lists of a few entries, whose number has nought in its upper bytes in every known-good dump."""
    dumps = dumps_of(7, 5)
    for drive, (dump, count) in enumerate(zip(dumps, (30, 41, 52, 77, 300), strict=True)):
        store(dump, count, 0x5004, width, order)
        dump[0x5008:0x6000] = bytes([0xFF]) * 0xFF8
        per_drive(dump, 0x5008, 0x5008 + 12 * count, drive)
        check(dump, CRC32, 0x5008, 0x5008 + 12 * count, 0x5000)
    material = Material([np.frombuffer(bytes(one), np.uint8) for one in dumps[:4]])
    (found,) = counted(material, [(replace(CRC32, initial=0, final=0), 7.0)])
    assert found.rule.length == Length(0x5004, width, order, 12, 0x5008)
    assert found.rule.holds(bytes(dumps[4]))


def test_where_too_much_looks_like_a_number_no_list_is_sought(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where filler begins at every few bytes: what would be too many is not gathered first."""
    given = iter(range(2000))
    monkeypatch.setattr(counted_lists, "_numbers", lambda material: given)
    dumps = [np.frombuffer(bytes(one), np.uint8) for one in dumps_of(7, 2)]
    assert counted(Material(dumps), [(CRC32, 7.0)]) == []
    assert next(given) == 513


def lists_found(algorithm: Algorithm, entries: Callable[[int, int], bytes]) -> list[Found]:
    """What is found of lists of two-byte entries; `entries` gives so many for a drive."""
    dumps = dumps_of(7, 3)
    for drive, (dump, count) in enumerate(zip(dumps, (5, 7, 11), strict=True)):
        store(dump, count, 0x5004, 16)
        dump[0x5008 : 0x5008 + 2 * count] = entries(drive, count)
        check(dump, algorithm, 0x5008, 0x5008 + 2 * count, 0x5000)
    return counted(Material([np.frombuffer(bytes(one), np.uint8) for one in dumps]), [(algorithm, 7.0)])


def test_a_total_of_a_few_small_numbers_proves_nothing() -> None:
    total = Algorithm(Kind.SUM, 16)
    assert lists_found(total, lambda drive, count: bytes([90 + 50 * drive + count, 0]) * count) == []
    many = lists_found(total, lambda drive, count: random.Random(drive).randbytes(2 * count))
    assert [one.rule.start for one in many] == [0x5008]
    assert many[0].gain < 3 * (8 + np.log2(10)) - 8, "a sum of ten bytes takes few of the values of its field"


def test_an_exclusive_or_of_a_list_of_copies_is_no_check() -> None:
    folded = Algorithm(Kind.XOR, 16, 2)
    assert lists_found(folded, lambda drive, count: random.Random(drive).randbytes(2) * count) == []
    assert len(lists_found(folded, lambda drive, count: random.Random(drive).randbytes(2 * count))) == 1


@pytest.mark.parametrize("group", [2, 4])
def test_a_counted_list_in_swapped_dumps(group: int) -> None:
    dumps = dumps_of(7)
    for drive, (dump, count) in enumerate(zip(dumps, (30, 41, 52, 77), strict=True)):
        counted_list(dump, drive, count)
        dump[:] = swapped(np.frombuffer(bytes(dump), np.uint8), group).tobytes()
    family = learned(dumps)
    (rule,) = family.rules
    assert rule.length is not None
    assert (rule.algorithm.swap, rule.length.width) == (group, 16)
    assert all(rule.holds(bytes(one)) for one in dumps)
    assert noticed(family, dumps[-1], 0x5008 + 12 * 77 - 1)
    assert judge(family, bytes(dumps[0])).sound > 0.9


@pytest.mark.parametrize(
    "length",
    [Length(0x5003, 16, Order.LITTLE, 12, 0x5008), Length(0x5004, 16, Order.LITTLE, 6, 0x5008),
     Length(0x5004, 16, Order.LITTLE, 12, 0x500A), Length(0x5006, 32, Order.LITTLE, 12, 0x5008)],
    ids=["field over two groups", "half a group each", "begins within a group", "two halves of groups"],
)  # fmt: skip
def test_a_counted_region_that_keeps_no_whole_groups_is_no_rule(length: Length) -> None:
    rule = Rule(CRC16_ODD, 0x5008, 0x5100, 0x5000, Order.LITTLE, length=length)
    assert one_revision._turned_back(rule, 4) is None
    assert one_revision._turned_back(replace(rule, length=None), 4) is not None


def test_a_value_of_three_bytes_in_dumps_of_swapped_pairs_is_no_rule() -> None:
    assert one_revision._turned_back(Rule(CRC24, 0x5000, 0x5100, 0x5100, Order.BIG), 2) is None


def test_no_search_gives_a_rule_that_a_known_good_dump_breaks(monkeypatch: pytest.MonkeyPatch) -> None:
    dumps = dumps_of(4)
    for drive, dump in enumerate(dumps):
        per_drive(dump, 0x5000, 0x507C, drive)
        check(dump, CRC32, 0x5000, 0x507C, 0x507C)
    rule = Rule(CRC32, 0x5000, 0x507C, 0x507C, Order.LITTLE)
    wrong = replace(rule, start=rule.start - 4, place=0x6000)
    monkeypatch.setattr(
        one_revision.Search, "run", lambda self: [Found(one, None, 1.0) for one in (rule, wrong)]
    )
    assert [one.place for one in learned(dumps, learn).rules] == [rule.place]


def test_a_flipped_bit_of_a_counted_list_is_named_and_a_damaged_count_is_no_crash() -> None:
    dumps = dumps_of(7)
    for drive, (dump, count) in enumerate(zip(dumps, (30, 41, 52, 77), strict=True)):
        counted_list(dump, drive, count)
    (rule,) = learned(dumps).rules
    spoilt = bytearray(dumps[-1])
    spoilt[0x5008 + 500] ^= 0x04
    named = flips(rule, np.frombuffer(bytes(spoilt), np.uint8))
    assert named is not None
    assert (0x5008 + 500, 2) in {(one.offset, one.bit) for one in named}
    for count in (0, 0xFFFF):
        store(spoilt, count, 0x5004, 16)
        assert not rule.holds(bytes(spoilt))
        assert flips(rule, np.frombuffer(bytes(spoilt), np.uint8)) is not None


@pytest.mark.parametrize("seed", range(3))
def test_per_drive_bytes_without_a_check_give_no_rule(seed: int) -> None:
    dumps = dumps_of(100 + seed)
    for drive, dump in enumerate(dumps):
        per_drive(dump, 0x5000, 0x5400, drive)
        serial = f"{random.Random(f'{seed} {drive}').randrange(10**8):08d}".encode()
        for place in (0x6000, 0x6100, 0x6123):
            dump[place : place + 8] = serial
        dump[0x6200] = dump[0x6210] = dump[0x6220] = drive + 3 * seed & 0xFF
    assert learned(dumps).rules == ()


def test_one_dump_tells_no_difference() -> None:
    dumps = dumps_of(8, 1)
    per_drive(dumps[0], 0x5000, 0x5200, 1)
    check(dumps[0], SUM16, 0x5000, 0x5200, 0x7F04)
    assert learn([bytes(dumps[0])]).rules == ()


def test_a_longer_list_in_one_drive_is_no_other_revision() -> None:
    dumps = dumps_of(9)
    for drive, dump in enumerate(dumps):
        per_drive(dump, 0x4100, 0x4200 + 0x0D00 * drive, drive)
    assert revisions([np.frombuffer(bytes(one), np.uint8) for one in dumps]) == ((0, 1, 2, 3),)


@pytest.mark.parametrize(
    "change",
    [{"width": 12}, {"unit": 0}, {"base": 1 << 20}, {"place": SIZE}, {"order": "sideways"}, {"more": 1}],
    ids=str,
)
def test_a_damaged_length_in_a_family_file_is_refused(change: dict[str, object]) -> None:
    dumps = dumps_of(7)
    for drive, (dump, count) in enumerate(zip(dumps, (30, 41, 52, 77), strict=True)):
        counted_list(dump, drive, count)
    body = json.loads(learned(dumps).to_json())
    body["rules"][0]["length"].update(change)
    with pytest.raises(BadFormFile):
        Family.from_json(json.dumps(body))


def test_the_name_says_what_counts() -> None:
    dumps = dumps_of(7)
    for drive, (dump, count) in enumerate(zip(dumps, (30, 41, 52, 77), strict=True)):
        counted_list(dump, drive, count)
    rules: tuple[Rule, ...] = learned(dumps).rules
    assert "as counted at 0x5004" in rules[0].name


@pytest.mark.slow
@pytest.mark.parametrize("records", [300, 420])
def test_a_long_array_of_small_records_is_learned_to_its_end(records: int) -> None:
    """Of more than 6000 varying bytes not all are asked: some records tell the others."""
    dumps = dumps_of(21, 5)
    for drive, dump in enumerate(dumps):
        for record in range(records):
            start = 0x4000 + 16 * record
            per_drive(dump, start, start + 15, drive)
            check(dump, replace(CRC8, initial=0x5A), start, start + 15, start + 15)
    *known, unseen = [bytes(one) for one in dumps]
    family = learn(known)
    found = {one.start for one in family.rules if (one.end - one.start, one.place) == (15, one.start + 15)}
    every = {0x4000 + 16 * record for record in range(records)}
    assert found <= every
    assert len(found) >= 0.98 * records, "some values are taken for those of larger blocks"
    assert judge(family, unseen).failed == ()
