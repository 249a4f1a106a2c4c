"""Maker codes, sizes by id, voltage hints, and what speaks against a chip."""

from __future__ import annotations

import pytest

from mendbay.board.flash_id import (
    Addressing,
    FlashId,
    Supply,
    chip_facts,
    has_odd_parity,
    registered,
    size_text,
    with_odd_parity,
)
from mendbay.core.errors import ProgrammerError
from mendbay.inlets.simulated_flash import FlashDescription, make_sfdp

KIB, MIB = 1 << 10, 1 << 20


def chip(text: str) -> FlashId:
    return FlashId.parse(bytes.fromhex(text))


def test_parity_bytes_of_jep106() -> None:
    """JEP106, edition BE, as carried by the public package jep106, commit 4821c6db."""
    published = {
        0x42: 0xC2,
        0x3F: 0xBF,
        0x6F: 0xEF,
        0x48: 0xC8,
        0x1D: 0x9D,
        0x20: 0x20,
        0x1C: 0x1C,
        0x2C: 0x2C,
    }
    assert {code: with_odd_parity(code) for code in published} == published
    assert all(has_odd_parity(with_odd_parity(code)) for code in range(128))


def test_look_up_published_with_the_package() -> None:
    """The package's own example: two bytes 7Fh, code 44h."""
    found = registered(3, 0x44)
    assert found is not None
    assert found.name == "Nordic VLSI ASA"
    assert registered(4, 0x44) is None


@pytest.mark.parametrize(
    ("text", "banks"), [("1c3014", [1, 2]), ("c84014", [1, 7]), ("202015", [1, 10]), ("c22015", [1])]
)
def test_one_byte_code_without_its_bank_has_several_candidates(text: str, banks: list[int]) -> None:
    assert [one.bank for one in chip(text).makers] == banks


def test_bank_that_was_sent_leaves_one_candidate() -> None:
    found = chip("7f9d46")
    assert [one.bank for one in found.makers] == [2]
    assert found.text == "7F 9D 46"
    assert chip("7f7f7f7f7f7fc84014").makers[0].name == "GigaDevice"
    assert chip("7f7fc84014").makers == ()


def test_byte_registered_to_another_names_both() -> None:
    assert [(one.name, one.registered) for one in chip("ef4016").makers] == [
        ("NEXCOM", True),
        ("Winbond", False),
    ]


SIZES = [
    # by the rule of the density byte (Linux kernel, drivers/mtd/spi-nor/*.c)
    ("ef3010", 64 * KIB),
    ("ef4014", 1 * MIB),
    ("ef4015", 2 * MIB),
    ("c22016", 4 * MIB),
    ("1c3017", 8 * MIB),
    ("c86018", 16 * MIB),
    ("9d6019", 32 * MIB),
    ("c8671a", 64 * MIB),
    ("ef8021", 128 * MIB),
    ("ef8022", 256 * MIB),
    ("20ba20", 64 * MIB),
    # the exceptions (same source)
    ("bf2541", 2 * MIB),
    ("bf254a", 4 * MIB),
    ("bf254b", 8 * MIB),
    ("bf258d", 512 * KIB),
    ("bf258e", 1 * MIB),
    ("bf2641", 2 * MIB),
    ("bf2642", 4 * MIB),
    ("bf2643", 8 * MIB),
    ("1f4401", 512 * KIB),
    ("1f4700", 4 * MIB),
    ("1f4701", 4 * MIB),
    ("c22533", 512 * KIB),
    ("c22534", 1 * MIB),
    ("c22536", 4 * MIB),
    ("c22537", 8 * MIB),
    ("c22538", 16 * MIB),
    ("c22539", 32 * MIB),
    ("7f9d46", 4 * MIB),
]


@pytest.mark.parametrize(("text", "size"), SIZES)
def test_size_by_id(text: str, size: int) -> None:
    assert chip(text).size_bytes == size


@pytest.mark.parametrize("text", ["bf2515", "c22514", "1f4414", "c2990d", "ef4023", "ef401d"])
def test_size_that_no_rule_knows_stays_unknown(text: str) -> None:
    """Also a density that the rule would take, at a maker whose parts do not follow it."""
    assert chip(text).size_bytes is None


@pytest.mark.parametrize(
    ("text", "supply"),
    [
        ("ef4016", Supply.HIGH),
        ("ef6016", Supply.LOW),
        ("ef5012", Supply.LOW),
        ("c22013", Supply.HIGH),
        ("c22536", Supply.LOW),
        ("c22814", Supply.WIDE),
        ("1c3817", Supply.LOW),
        ("20ba18", Supply.HIGH),
        ("20bb18", Supply.LOW),
        ("9d7016", Supply.LOW),
        ("684018", Supply.UNKNOWN),
        ("c22019", Supply.HIGH),
        ("c2201a", Supply.UNKNOWN),
    ],
)
def test_voltage_is_a_hint_of_the_listed_lines_only(text: str, supply: Supply) -> None:
    """From memory, no source."""
    assert chip(text).supply is supply


def test_hint_forbids_the_other_supply_and_no_hint_forbids_nothing_usual() -> None:
    low, high, unknown = (chip_facts(chip(text), b"") for text in ("ef6016", "ef4016", "684018"))
    assert (low.volts_fit(1.8), low.volts_fit(3.3)) == (True, False)
    assert (high.volts_fit(1.8), high.volts_fit(3.3)) == (False, True)
    assert (unknown.volts_fit(1.8), unknown.volts_fit(3.3), unknown.volts_fit(5)) == (True, True, False)


@pytest.mark.parametrize("answer", [b"", b"\xef\x40", b"\x7f" * 20, b"\x7f\x7f\xef\x40"])
def test_what_is_no_id_is_refused(answer: bytes) -> None:
    with pytest.raises(ProgrammerError):
        FlashId.parse(answer)


def test_bytes_behind_the_id_do_not_belong_to_it() -> None:
    assert chip("ef4016ef4016ff") == chip("ef4016")
    assert chip("7f9d467f9d46") == chip("7f9d46")


def test_broken_parity_of_the_maker_is_a_doubt() -> None:
    facts = chip_facts(chip("ee4016"), b"")
    assert any("parity" in one for one in facts.doubts)
    assert facts.id.makers == ()


def test_chip_without_a_table_has_the_units_of_its_listed_line_or_none() -> None:
    listed, unlisted = chip_facts(chip("ef3013"), b""), chip_facts(chip("684013"), b"")
    assert [one.size_bytes for one in listed.erase_units] == [4 * KIB, 64 * KIB]
    assert listed.size_bytes == unlisted.size_bytes == 512 * KIB
    assert unlisted.erase_units == ()


def test_damaged_table_is_a_conflict_and_lends_no_unit_of_the_line() -> None:
    raw = bytearray(make_sfdp(FlashDescription(id=bytes.fromhex("ef4014"), size_bytes=MIB)))
    raw[8] = 0x11
    facts = chip_facts(chip("ef4014"), bytes(raw))
    assert facts.erase_units == ()
    assert facts.size_bytes == MIB
    assert any("FF00h" in one for one in facts.conflicts)


def test_large_chip_whose_table_knows_only_three_address_bytes_is_a_conflict() -> None:
    raw = bytearray(make_sfdp(FlashDescription(id=bytes.fromhex("ef4019"), size_bytes=32 * MIB)))
    raw[6] = 0  # without the four-byte instructions
    raw[24 + 2] &= ~0x06 & 0xFF
    raw[24 + 63] = 0
    facts = chip_facts(chip("ef4019"), bytes(raw))
    assert any("three bytes" in one for one in facts.conflicts)


def test_addressing_follows_the_larger_of_two_sizes() -> None:
    small = make_sfdp(FlashDescription(id=bytes.fromhex("ef4019"), size_bytes=MIB))
    facts = chip_facts(chip("ef4019"), small)
    assert facts.largest_size_bytes == 32 * MIB
    assert facts.addressing is Addressing.FOUR_MODE
    assert len(facts.conflicts) == 1


@pytest.mark.parametrize(
    ("count", "text"),
    [(None, "of unknown size"), (512 * KIB, "512 KiB"), (16 * MIB, "16 MiB"), (1000, "1 000 bytes")],
)
def test_sizes_of_memory_in_words(count: int | None, text: str) -> None:
    assert size_text(count) == text
