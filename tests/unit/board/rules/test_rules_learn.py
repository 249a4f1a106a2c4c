"""What is learned from made-up families: what was put in is found, and nothing else."""

from __future__ import annotations

import random
from functools import cache
from hashlib import sha256

import numpy as np
import pytest

from mendbay.board.rules import mirrors, search
from mendbay.board.rules.family import Family
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.search import learn
from mendbay.board.rules.segments import revisions
from mendbay.core.errors import DumpUnproven
from support import rules_dev_families as made
from support.rules_dev_families import Hidden, overlap

SIZE = 1 << 15


@cache
def family_of(name: str) -> made.Family:
    traits = {
        "crc32": (made.CRC32, {}),
        "crc16": (made.CRC16, {"order": made.Order.BIG}),
        "sum16": (made.SUM16, {"directory": True}),
        "head": (made.CRC32_FORWARD, {"where": "head", "skip": 16}),
        "hole": (made.CRC32, {"where": "hole"}),
        "table": (made.CRC32, {"where": "table"}),
        "column": (made.CRC32, {"where": "column", "directory": True}),
        "tight": (made.CRC32, {"tight": True}),
        "unlisted": (made.UNLISTED32, {}),
        "odd start": (made.ODD_START, {"directory": True}),
        "swapped": (made.CRC32, {"swap": 2}),
        "xor": (made.XOR32, {"where": "before"}),
    }
    algorithm, given = traits[name]
    return made.make(name, 5, algorithm, size=SIZE, blocks=6, drives=4, **given)  # type: ignore[arg-type]


@cache
def learned(name: str, dumps: int) -> Family:
    return learn(family_of(name).dumps[:dumps])


def found(rules: tuple[Rule, ...], hidden: Hidden) -> bool:
    return any(overlap(rule.covers, hidden.covers) > 0.95 for rule in rules)


@pytest.mark.parametrize(
    ("name", "dumps"),
    [
        ("crc32", 1),
        ("crc16", 1),
        ("sum16", 1),
        ("head", 1),
        ("hole", 1),
        ("table", 1),
        ("column", 1),
        ("tight", 1),
        ("xor", 1),
        ("odd start", 1),
        ("swapped", 1),
        pytest.param("unlisted", 3, marks=pytest.mark.slow),
    ],
)
def test_all_hidden_checks_are_found(name: str, dumps: int) -> None:
    family = family_of(name)
    rules = learned(name, dumps).rules
    assert all(found(rules, one) for one in family.hidden)
    assert all(any(overlap(rule.covers, one.covers) > 0.95 for one in family.hidden) for rule in rules)


@pytest.mark.parametrize("name", ["crc32", "head", "hole", "swapped", "odd start"])
def test_rules_hold_in_drives_never_seen(name: str) -> None:
    unseen = family_of(name).dumps[3]
    assert all(rule.holds(unseen) for rule in learned(name, 1).rules)


def test_parameters_are_the_ones_put_in() -> None:
    algorithms = {rule.algorithm for rule in learned("odd start", 1).rules}
    assert algorithms == {made.ODD_START}
    assert {rule.algorithm.polynomial for rule in learned("unlisted", 3).rules} == {0x5D7A9E13}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_noise_and_code_without_checks_give_no_rule(seed: int) -> None:
    draw = random.Random(seed)
    base = bytearray(b"\xff" * SIZE)
    for begin in range(0, SIZE - 0x1000, 0x1000):
        length = draw.randrange(0x400, 0xF00)
        base[begin : begin + length] = made.code_like(draw, length)
    dumps = []
    for _ in range(3):
        one = bytearray(base)
        one[0x1100:0x1180] = draw.randbytes(0x80)
        dumps.append(bytes(one))
    assert learn(dumps).rules == ()
    assert learn(dumps[:1]).rules == ()


@pytest.mark.slow
def test_per_drive_and_copied_ranges() -> None:
    rng = np.random.default_rng(4)
    base = np.full(SIZE, 0xFF, np.uint8)
    base[:0x2000] = rng.integers(0, 256, 0x2000)
    dumps = []
    for _ in range(2):
        one = base.copy()
        one[0x800:0x840] = rng.integers(0, 256, 64)
        one[0x4000:0x4400] = one[0x600:0xA00]
        dumps.append(one.tobytes())
    revision = learn(dumps).revisions[0]
    private = np.zeros(SIZE, np.bool_)
    for start, end in revision.per_drive:
        private[start:end] = True
    expected = np.frombuffer(dumps[0], np.uint8) != np.frombuffer(dumps[1], np.uint8)
    assert (private == expected).all()
    assert [(one.first, one.second, one.length) for one in revision.copies] == [(0x600, 0x4000, 0x400)]
    assert not any(revision.shared[start:end].strip(b"\0") for start, end in revision.per_drive)


def test_copies_are_found_wherever_they_begin_modulo_four() -> None:
    data = np.full(8192, 0xFF, np.uint8)
    data[:1024] = np.random.default_rng(5).integers(0, 256, 1024)
    data[2052:2652] = data[100:700]
    data[4096:4160] = data[900:964]
    found = [(one.first, one.second, one.length) for one in mirrors.copies([data])]
    assert found == [(100, 2052, 600), (900, 4096, 64)]
    other = data.copy()
    other[2100] ^= 1
    parts = [(one.first, one.length) for one in mirrors.copies([data, other])]
    assert parts == [(149, 551), (900, 64), (100, 48)]


def test_no_more_copies_are_compared_than_are_kept() -> None:
    apart = [mirrors.Copy(64 * place, 1 << 20, 64) for place in range(2 * mirrors.MOST_COPIES)]
    assert mirrors._apart(apart) == apart[: mirrors.MOST_COPIES]


@pytest.mark.slow
def test_two_revisions_are_told_apart_and_confirm_each_other() -> None:
    first = made.make("revision", 1, made.CRC16, size=SIZE, blocks=6, drives=2)
    second = made.make("revision", 2, made.CRC16, size=SIZE, blocks=6, drives=2)
    mixed = [first.dumps[0], second.dumps[0], first.dumps[1], second.dumps[1]]
    arrays = [np.frombuffer(one, np.uint8) for one in mixed]
    assert revisions(arrays) == ((0, 2), (1, 3))
    family = learn(mixed)
    assert [one.dumps for one in family.revisions] == [2, 2]
    for rule in family.rules:
        for number, dump in ((0, mixed[2]), (1, mixed[3])):
            assert rule.holds(dump) or number not in rule.revisions


def test_a_small_change_of_code_is_a_revision_too() -> None:
    family = family_of("crc32")
    changed = []
    for dump in family.dumps[:2]:
        one = bytearray(dump)
        for begin in range(0x400, 0x6000, 0x200):
            one[begin : begin + 8] = b"revision"
        changed.append(bytes(one))
    arrays = [np.frombuffer(one, np.uint8) for one in (*family.dumps[2:4], *changed)]
    assert revisions(arrays) == ((0, 1), (2, 3))


def test_equal_dumps_count_once() -> None:
    dump = family_of("crc32").dumps[0]
    family = learn([dump, dump])
    assert family.dumps == 1
    assert family.learned_from == (sha256(dump).hexdigest(),)


def test_more_bytes_than_are_learned_from_at_once_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "MOST_BYTES", 2 * SIZE)
    with pytest.raises(DumpUnproven, match=r"3 dumps of 32768 bytes .* which is 65536 bytes"):
        learn(family_of("crc32").dumps[:3])


def test_more_runs_of_per_drive_bytes_than_a_family_keeps_are_joined(monkeypatch: pytest.MonkeyPatch) -> None:
    dumps = np.zeros((2, 4096), np.uint8)
    dumps[1, [*range(100, 200, 2), *range(1000, 1050, 5), 3000]] = 7
    assert len(search._revision(dumps).per_drive) == 61
    monkeypatch.setattr(search, "MOST_SPANS", 12)
    assert search._revision(dumps).per_drive[:2] == ((100, 199), (1000, 1001))
    monkeypatch.setattr(search, "MOST_SPANS", 4)
    revision = search._revision(dumps)
    assert revision.per_drive == ((100, 199), (1000, 1046), (3000, 3001))
    family = Family(4096, (revision,), ())
    assert Family.from_json(family.to_json()) == family


@pytest.mark.parametrize("dumps", [[], [b"\xff" * 32], [b"\xff" * 4096, b"\xff" * 8192]])
def test_impossible_sets_are_refused(dumps: list[bytes]) -> None:
    with pytest.raises(DumpUnproven):
        learn(dumps)


@pytest.mark.parametrize("filler", [0x00, 0xFF, 0xA5])
def test_a_blank_dump_teaches_nothing(filler: int) -> None:
    assert learn([bytes([filler]) * 4096]).rules == ()
