"""Damaged, blank and odd parameter tables: everything is said, nothing is raised."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.board.sfdp import MOST_BYTES, AddressBytes, headers_end, parse_sfdp, tables_end
from mendbay.inlets.simulated_flash import FlashDescription, make_sfdp

MIB = 1 << 20
BASIC_AT = 16
GOOD = make_sfdp(FlashDescription(id=b"\xef\x40\x14", size_bytes=MIB))


def with_dword(number: int, value: int) -> bytes:
    """The good table with one dword of its basic table, counted from 1, replaced."""
    raw = bytearray(GOOD)
    struct.pack_into("<I", raw, BASIC_AT + 4 * (number - 1), value)
    return bytes(raw)


def with_byte(at: int, value: int) -> bytes:
    raw = bytearray(GOOD)
    raw[at] = value
    return bytes(raw)


def test_good_table() -> None:
    table = parse_sfdp(GOOD)
    assert table.faults == ()
    assert table.size_bytes == MIB
    assert [(one.size_bytes, one.opcode) for one in table.erase_types] == [
        (4096, 0x20),
        (32768, 0x52),
        (65536, 0xD8),
    ]
    assert (table.page_bytes, table.page_stated) == (256, True)
    assert table.address_bytes is AddressBytes.THREE


@pytest.mark.parametrize("raw", [b"", b"SFD", b"\xff" * 256, b"\0" * 256, b"PDFS" + GOOD[4:]])
def test_no_signature_is_no_table(raw: bytes) -> None:
    table = parse_sfdp(raw)
    assert not table.present
    assert (table.size_bytes, table.erase_types, table.faults) == (None, (), ())
    assert headers_end(raw[:8]) == tables_end(raw) == 0


DAMAGED = [
    (with_byte(5, 2), "major revision 2"),
    (with_byte(6, 9), "header 10 is not there"),
    (with_byte(6, 255), "counts 256 headers"),
    (with_byte(8, 0x84), "FF84h"),
    (with_byte(11, 8), "8 dwords"),
    (with_byte(11, 200), "ends at byte"),
    (with_byte(12, 17) + bytes(1), "not at a multiple of 4"),
    (GOOD[:BASIC_AT] + b"\xff" * 64, "is blank"),
    (GOOD[:-1], "ends at byte"),
    (with_dword(2, 0x8000_0002), "2 to the power of 2 bits"),
    (with_dword(2, 0xFFFF_FFFF), "2 to the power of"),
    (with_dword(2, 0x0000_0001), "no whole bytes"),
    (with_dword(8, 0xD8_1F_20_0C), "more than it has"),
    (with_dword(8, 0x52_0C_20_0C), "two opcodes"),
    (with_dword(8, 0xFF_0F_20_0C), "no opcode"),
    (with_dword(1, 0xFFF9_21FD), "by 20h in one place and 21h"),
    (with_dword(1, 0xFFFF_20FD), "reserved code"),
]


@pytest.mark.parametrize(("raw", "said"), DAMAGED, ids=[said for _, said in DAMAGED])
def test_damage_is_said(raw: bytes, said: str) -> None:
    table = parse_sfdp(raw)
    assert table.present
    assert any(said in one for one in table.faults), table.faults


def test_size_as_a_power_of_two_of_bits() -> None:
    """JESD216: with bit 31 set, the other bits are the power."""
    assert parse_sfdp(with_dword(2, 0x8000_0017)).size_bytes == MIB


def test_4k_erase_that_only_the_first_dword_names_is_kept() -> None:
    table = parse_sfdp(with_dword(8, 0xD8_10_00_00))
    assert [(one.size_bytes, one.opcode) for one in table.erase_types] == [(4096, 0x20), (65536, 0xD8)]


def test_first_revision_has_a_page_by_custom_and_no_more() -> None:
    raw = with_byte(11, 9)
    table = parse_sfdp(raw)
    assert (table.page_bytes, table.page_stated, table.quad_enable) == (256, False, None)
    assert table.enter_four_byte == frozenset()


def test_sector_map_is_noticed() -> None:
    raw = bytearray(GOOD)
    raw[6] = 1
    raw[16:16] = struct.pack("<BBBBHBB", 0x81, 0, 1, 0, 88, 0, 0xFF)
    raw[12] = 24
    assert parse_sfdp(bytes(raw)).has_sector_map
    assert not parse_sfdp(GOOD).has_sector_map


@given(st.binary(max_size=64), st.integers(0, len(GOOD)), st.integers(0, 300))
def test_no_bytes_raise(garbage: bytes, at: int, length: int) -> None:
    for raw in (b"SFDP" + garbage, (GOOD[:at] + garbage + GOOD[at:])[:length]):
        table = parse_sfdp(raw)
        assert table.size_bytes is None or 0 < table.size_bytes <= 1 << 32
        assert all(one.size_bytes > 0 for one in table.erase_types)
        assert 0 <= tables_end(raw) <= MOST_BYTES
