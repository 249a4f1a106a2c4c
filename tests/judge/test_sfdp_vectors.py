"""Parameter tables of real chips: published dumps with their digests, and the tables an emulator carries.

Sources: `sfdp_vectors.json` (dumps posted on the linux-mtd mailing list, with the digest posted beside each);
qemu 7.2, hw/block/m25p80_sfdp.c. The sizes of the latter are those of the parts' names.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from mendbay.board.flash_id import Addressing, FlashId, chip_facts
from mendbay.board.sfdp import headers_end, parse_sfdp, tables_end
from support.corpora import corpus_or_skip

DUMPS: list[dict[str, Any]] = json.loads(Path(__file__).with_name("sfdp_vectors.json").read_text())["dumps"]
MIB = 1 << 20
EMULATED = {
    "mx25l25635e": 32 * MIB,
    "mx25l25635f": 32 * MIB,
    "mx66l1g45g": 128 * MIB,
    "n25q256a": 32 * MIB,
    "w25q01jvq": 128 * MIB,
    "w25q256": 32 * MIB,
    "w25q512jv": 64 * MIB,
}
WRONG_TABLE = "ZD25Q128C"
"""The dump whose table says 2 MiB of a chip of 16 MiB."""


def raw(dump: dict[str, Any]) -> bytes:
    return bytes.fromhex(dump["sfdp_hex"])


each_dump = pytest.mark.parametrize("dump", DUMPS, ids=lambda one: one["part"])


def test_all_dumps_are_there() -> None:
    assert len(DUMPS) == 8


@each_dump
def test_digest_is_the_published_one(dump: dict[str, Any]) -> None:
    assert hashlib.new(dump["digest_alg"], raw(dump)).hexdigest() == dump["published_digest"]


@each_dump
def test_table_is_read_as_published(dump: dict[str, Any]) -> None:
    table = parse_sfdp(raw(dump))
    assert table.present
    assert table.faults == ()
    assert table.size_bytes == dump["size_bytes_from_sfdp"]
    assert table.revision is not None
    assert "{}.{}".format(*table.revision) == dump["sfdp_rev"]
    headers = [
        [f"{one.table:04x}", f"{one.major}.{one.minor}", one.dwords, one.pointer] for one in table.headers
    ]
    assert headers == dump["headers"]
    found = {(one.size_bytes, f"{one.opcode:02x}") for one in table.erase_types}
    assert found == {(size, opcode) for size, opcode in dump["erase"]}
    assert table.address_bytes is not None
    assert table.address_bytes.value.replace(" ", "") == dump["address_bytes"]
    assert (table.page_bytes if table.page_stated else None) == dump["page"]


@each_dump
def test_end_of_the_tables_is_found_before_they_are_read(dump: dict[str, Any]) -> None:
    """A driver must know how much to read from the first eight bytes, then from the headers."""
    whole = raw(dump)
    start = whole[: headers_end(whole[:8])]
    cut = whole[: tables_end(start)]
    assert parse_sfdp(cut) == parse_sfdp(whole)
    basic = parse_sfdp(cut).basic
    assert basic is not None
    assert parse_sfdp(cut[: basic.end - 1]).faults != ()


@pytest.mark.parametrize("dump", [one for one in DUMPS if one["jedec_id"]], ids=lambda one: one["part"])
def test_size_by_id_agrees_with_the_table_but_for_the_known_wrong_one(dump: dict[str, Any]) -> None:
    facts = chip_facts(FlashId.parse(bytes.fromhex(dump["jedec_id"])), raw(dump))
    if dump["part"] == WRONG_TABLE:
        assert facts.conflicts == ("Its id says 16 MiB, its own table says 2 MiB.",)
        assert any("B3h" in one for one in facts.doubts)
    else:
        assert facts.conflicts == ()
        assert facts.id.size_bytes == dump["size_bytes_from_sfdp"]


def test_third_header_that_is_not_counted_is_left_alone() -> None:
    found = next(one for one in DUMPS if one["jedec_id"] == "ef8022")
    assert raw(found)[24:26] == b"\x03\x00"
    assert len(parse_sfdp(raw(found)).headers) == 2


def test_opcodes_for_four_byte_addresses_are_those_of_the_standard() -> None:
    """21h, 5Ch and DCh erase 4, 32 and 64 KiB (Linux kernel, include/linux/mtd/spi-nor.h)."""
    standard = {4096: 0x21, 32768: 0x5C, 65536: 0xDC}
    for one in DUMPS:
        listed = [unit for unit in parse_sfdp(raw(one)).erase_types if unit.four_byte_opcode is not None]
        assert all(unit.four_byte_opcode == standard[unit.size_bytes] for unit in listed)
    largest = next(one for one in DUMPS if one["jedec_id"] == "c8671a")
    facts = chip_facts(FlashId(bytes.fromhex("c8671a")), raw(largest))
    assert facts.addressing is Addressing.FOUR_INSTRUCTIONS
    assert len(facts.erase_units) == 3


def test_tables_an_emulator_carries() -> None:
    folder = corpus_or_skip("sfdp")
    found = {one.stem: parse_sfdp(one.read_bytes()) for one in sorted(folder.glob("*.bin"))}
    assert {name: table.size_bytes for name, table in found.items()} == EMULATED
    for name, table in found.items():
        assert table.faults == (), name
        opcodes = {one.size_bytes: one.opcode for one in table.erase_types}
        assert opcodes.pop(32768, 0x52) == 0x52
        assert opcodes == {4096: 0x20, 65536: 0xD8}, name
    assert [one.size_bytes for one in found["n25q256a"].erase_types] == [4096, 65536]
