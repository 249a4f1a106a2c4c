"""What drives say of themselves, against published pages and published tables.

Sources: `ata_vectors.json` (18 real drives; it names its origin); IDEMA LBA1-02 for the standard counts;
the kernel's drivers/ata/libata-scsi.c for the sense that status and error become.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.capacity import Fit
from mendbay.imaging.ata_page import Checksum
from mendbay.imaging.capacity_check import check_size
from mendbay.imaging.identify import SATURATED_28, parse_identify
from mendbay.imaging.sense import ResultRegisters, Sense, Trouble, trouble_of, trouble_of_registers
from mendbay.imaging.smart import Health, Records, SelfTest, parse_health, records_of

DUMPS: list[dict[str, Any]] = json.loads(Path(__file__).with_name("ata_vectors.json").read_text())["dumps"]
BY_NAME = {one["dump"]: one for one in DUMPS}

each_dump = pytest.mark.parametrize("dump", DUMPS, ids=lambda one: one["dump"])


def health(name: str) -> Health:
    dump = BY_NAME[name]
    return parse_health(bytes.fromhex(dump["smart_data_hex"]), bytes.fromhex(dump["smart_thresholds_hex"]))


def test_all_dumps_are_there() -> None:
    assert len(DUMPS) == 18


@each_dump
def test_identity_is_read_as_published(dump: dict[str, Any]) -> None:
    raw = bytes.fromhex(dump["identify_hex"])
    found = parse_identify(raw)
    assert found.checksum is Checksum.GOOD
    assert found.model == f"EXAMPLE DISK {dump['dump']}"
    assert found.serial.startswith("X00000")
    assert found.firmware == "1.00"
    assert found.sectors == dump["sectors"]
    assert found.size_bytes == dump["bytes"]
    assert found.sectors_28 == dump["w60_61"]
    assert found.sector_bytes == found.physical_bytes == 512
    assert found.rotation == int(dump["w217"], 16)
    word = int(dump["w128"], 16)
    assert found.security.is_supported == bool(word & 1)
    assert found.security.is_frozen == bool(word & 8)
    assert not found.security.is_locked
    assert found.has_smart


@each_dump
def test_a_spoilt_identity_is_told(dump: dict[str, Any]) -> None:
    raw = bytearray.fromhex(dump["identify_hex"])
    raw[60] ^= 1
    assert parse_identify(bytes(raw)).checksum is Checksum.BAD


@each_dump
def test_size_is_judged_as_the_standard_has_it(dump: dict[str, Any]) -> None:
    checked = check_size(parse_identify(bytes.fromhex(dump["identify_hex"])))
    assert checked.is_right
    assert not checked.amiss
    if dump["standard_gb"] is not None:
        assert checked.capacity.fit is Fit.CONFORMING
        assert checked.capacity.advertised_gb == dump["standard_gb"]


@pytest.mark.parametrize("name", ["D07", "D11", "D12", "D17"])
def test_real_drives_off_the_standard_raise_no_alarm(name: str) -> None:
    checked = check_size(parse_identify(bytes.fromhex(BY_NAME[name]["identify_hex"])))
    assert checked.capacity.fit in (Fit.OWN_COUNT, Fit.OLDER)
    assert checked.is_right


def test_the_count_of_28_bits_gives_way_to_that_of_48() -> None:
    found = parse_identify(bytes.fromhex(BY_NAME["D14"]["identify_hex"]))
    assert (found.sectors_28, found.sectors) == (SATURATED_28, 312_581_808)
    assert found.security.has_enhanced_erase
    assert found.security.is_frozen
    assert not found.security.is_enabled


@each_dump
def test_counters_are_read_as_published(dump: dict[str, Any]) -> None:
    raw = bytes.fromhex(dump["smart_data_hex"])
    assert hashlib.sha256(raw).hexdigest() == dump["smart_data_sha256"]
    found = health(dump["dump"])
    assert found.checksums == (Checksum.GOOD, Checksum.GOOD)
    assert [
        {
            "id": one.id,
            "flags": one.flags,
            "current": one.current,
            "worst": one.worst,
            "threshold": one.threshold,
            "raw48": one.raw_number,
            "raw_hex": one.raw.hex(),
        }
        for one in found.attributes
    ] == dump["attributes"]
    assert [one.id for one in found.failing] == dump["prefail_now"]
    assert [one.id for one in found.failed_once] == dump["prefail_past"]


@pytest.mark.parametrize(
    "dump", [one for one in DUMPS if one["smart_status"] is not None], ids=lambda o: o["dump"]
)
def test_the_rule_of_thresholds_agrees_with_the_drives_own_word(dump: dict[str, Any]) -> None:
    says_failing = dump["smart_status"] == 0
    assert bool(health(dump["dump"]).failing) == says_failing
    assert (records_of(health(dump["dump"]), None) is Records.FAILING) == says_failing


def test_the_same_drive_before_and_after() -> None:
    before, after = health("D07"), health("D08")
    assert not before.failing
    assert [(one.id, one.current, one.threshold) for one in after.failing] == [(10, 212, 223)]


@pytest.mark.parametrize(
    ("name", "result", "left"),
    [
        ("D14", SelfTest.ABORTED, 10),
        ("D02", SelfTest.ABORTED, 70),
        ("D05", SelfTest.INTERRUPTED, 0),
        ("D10", SelfTest.RUNNING, 70),
        ("D01", SelfTest.PASSED, 0),
    ],
)
def test_self_tests_stand_as_published(name: str, result: SelfTest, left: int) -> None:
    assert (health(name).self_test, health(name).self_test_left_percent) == (result, left)


def test_damage_counts_where_no_threshold_was_crossed() -> None:
    found = health("D18")
    assert (found.count(5), found.count(196), found.count(197)) == (63, 63, 529)
    assert not found.failing
    assert records_of(found, False) is Records.COUNTING


@pytest.mark.parametrize(("name", "wanted", "count"), [("D01", 5, 0), ("D02", 197, 2), ("D03", 198, 3)])
def test_packed_counts_are_their_low_word(name: str, wanted: int, count: int) -> None:
    assert health(name).count(wanted) == count


@pytest.mark.parametrize(
    ("name", "celsius"), [("D01", 28), ("D03", 39), ("D09", 47), ("D13", 34), ("D17", 38), ("D05", None)]
)
def test_temperatures_are_the_lowest_byte(name: str, celsius: int | None) -> None:
    assert health(name).celsius == celsius


@pytest.mark.parametrize(("name", "hours"), [("D03", None), ("D04", 929), ("D13", 4377), ("D18", 14_992)])
def test_hours_are_not_taken_from_what_counts_something_else(name: str, hours: int | None) -> None:
    assert health(name).hours == hours


@pytest.mark.parametrize(
    ("status", "error", "key", "code", "qualifier", "trouble"),
    [
        (0x51, 0x40, 0x3, 0x11, 0x04, Trouble.MEDIA),
        (0x51, 0x01, 0x3, 0x13, 0x00, Trouble.MEDIA),
        (0x51, 0x10, 0x5, 0x21, 0x00, Trouble.ADDRESS),
        (0x51, 0x84, 0xB, 0x47, 0x00, Trouble.LINK),
        (0x51, 0x02, 0x4, 0x00, 0x00, Trouble.DRIVE_FAULT),
        (0x71, 0x00, 0x4, 0x44, 0x00, Trouble.DRIVE_FAULT),
        (0x80, 0x00, 0xB, 0x00, 0x00, Trouble.HUNG),
        (0x51, 0x04, 0xB, 0x00, 0x00, Trouble.NOT_KNOWN),
    ],
)
def test_the_kernels_sense_and_its_registers_tell_of_the_same_trouble(
    status: int, error: int, key: int, code: int, qualifier: int, trouble: Trouble
) -> None:
    registers = ResultRegisters(error, status, 0x40, 0, 0, True)
    assert trouble_of_registers(registers) is trouble
    assert trouble_of(Sense(key, code, qualifier, registers=registers)) is trouble
