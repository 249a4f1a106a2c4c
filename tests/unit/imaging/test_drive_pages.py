"""Identity pages of forms that no published dump has, the logs, SCT status, and sizes held together.

The bytes are laid out here by the tables of ACS-3; no outside source published them.
"""

from __future__ import annotations

import struct

import pytest

from mendbay.core.capacity import GB, standard_sectors
from mendbay.imaging.ata_page import Checksum, NotAPage
from mendbay.imaging.capacity_check import Verdict, check_size
from mendbay.imaging.identify import DriveIdentity, parse_identify
from mendbay.imaging.sct import parse_sct_status, parse_temperature_statistics
from mendbay.imaging.sense import Trouble
from mendbay.imaging.smart import SelfTest
from mendbay.imaging.smart_logs import parse_error_log, parse_self_test_log
from support.ata_pages import identity_page, summed


def identity(**changes: int) -> DriveIdentity:
    return parse_identify(identity_page(words={int(name[1:]): value for name, value in changes.items()}))


def test_texts_have_their_first_character_in_the_high_byte() -> None:
    page = identity_page(serial="X0000014", model="AL20-HX4", firmware="1.0")
    assert page[20:28] == b"0X000041"
    found = parse_identify(page)
    assert (found.serial, found.model, found.firmware) == ("X0000014", "AL20-HX4", "1.0")


@pytest.mark.parametrize(
    ("words", "logical", "physical", "first"),
    [
        ({"w106": 0x4000}, 512, 512, 0),
        ({"w106": 0x6003}, 512, 4096, 0),
        ({"w106": 0x6003, "w209": 0x4001}, 512, 4096, 7),
        ({"w106": 0x5000, "w117": 2048}, 4096, 4096, 0),
        ({"w106": 0xFFFF}, 512, 512, 0),
    ],
)
def test_sector_sizes(words: dict[str, int], logical: int, physical: int, first: int) -> None:
    """Masks and the first aligned address as in the kernel's include/linux/ata.h."""
    found = identity(**words)
    assert (found.sector_bytes, found.physical_bytes, found.first_aligned) == (logical, physical, first)


@pytest.mark.parametrize(
    ("word", "enabled", "locked", "frozen"),
    [
        (0x0001, False, False, False),
        (0x0007, True, True, False),
        (0x000F, True, True, True),
        (6, False, False, False),
    ],
)
def test_the_lock(word: int, enabled: bool, locked: bool, frozen: bool) -> None:
    found = identity(w128=word).security
    assert (found.is_enabled, found.is_locked, found.is_frozen) == (enabled, locked, frozen)


def test_a_device_that_is_no_drive_is_refused() -> None:
    with pytest.raises(NotAPage):
        identity(w0=0x8580)
    with pytest.raises(NotAPage):
        parse_identify(bytes(512))
    with pytest.raises(NotAPage):
        parse_identify(bytes(511))


def test_without_a_checksum_the_page_is_read() -> None:
    page = bytearray(identity_page())
    page[510] = page[511] = 0
    assert parse_identify(bytes(page)).checksum is Checksum.ABSENT


# ---------------------------------------------------------------------- logs


def error_log(newest: int, total: int) -> bytes:
    page = bytearray(512)
    page[0], page[1] = 1, newest
    struct.pack_into("<H", page, 452, total)
    for slot in range(5):
        record = 2 + slot * 90 + 60
        page[record + 1], page[record + 7] = 0x40, 0x51
        page[record + 3], page[record + 6] = slot + 1, 0xE1
        struct.pack_into("<H", page, record + 28, 1000 + slot)
    return summed(page)


def test_errors_come_newest_first_round_the_ring() -> None:
    log = parse_error_log(error_log(2, 77))
    assert (log.total, log.checksum) == (77, Checksum.GOOD)
    assert [one.hours for one in log.errors] == [1001, 1000, 1004, 1003, 1002]
    assert log.errors[0].lba == 0x1000002
    assert log.errors[0].trouble is Trouble.MEDIA


def test_an_empty_log_has_no_errors() -> None:
    assert parse_error_log(error_log(0, 0)).errors == ()


def test_self_tests_come_newest_first_with_the_place_that_failed() -> None:
    page = bytearray(512)
    for slot, (status, place) in enumerate([(0x00, 0xFFFFFFFF), (0x73, 123_456)]):
        start = 2 + slot * 24
        page[start], page[start + 1] = 2, status
        struct.pack_into("<H", page, start + 2, 500 + slot)
        struct.pack_into("<I", page, start + 5, place)
    page[0], page[508] = 1, 2
    log = parse_self_test_log(summed(page))
    assert [(one.result, one.left_percent, one.hours, one.failed_at) for one in log.tests] == [
        (SelfTest.FAILED_READ, 30, 501, 123_456),
        (SelfTest.PASSED, 0, 500, None),
    ]


# ---------------------------------------------------------------------- temperatures


def test_sct_status_has_signed_temperatures_and_says_which_hold() -> None:
    page = bytearray(512)
    page[0], page[10], page[200], page[201], page[202], page[203], page[204] = 3, 2, 41, 0xFB, 44, 0x80, 61
    struct.pack_into("<II", page, 206, 7, 1)
    found = parse_sct_status(bytes(page))
    assert (found.celsius, found.lowest, found.highest) == (41, -5, 44)
    assert (found.life_lowest, found.life_highest, found.over_limit, found.under_limit) == (None, 61, 7, 1)
    page[0] = 2
    assert parse_sct_status(bytes(page)).life_highest is None
    page[0] = 9
    with pytest.raises(NotAPage):
        parse_sct_status(bytes(page))


def test_temperatures_of_sct_that_cannot_be_are_none_as_with_the_counters() -> None:
    page = bytearray(512)
    page[0], page[200], page[201], page[202], page[203], page[204] = 3, 127, 0xD7, 101, 0xD8, 100
    found = parse_sct_status(bytes(page))
    assert (found.celsius, found.lowest, found.highest) == (None, None, None)
    assert (found.life_lowest, found.life_highest) == (-40, 100)
    page[200:203] = bytes(3)
    found = parse_sct_status(bytes(page))
    assert (found.celsius, found.lowest, found.highest) == (None, None, None)
    page[202] = 20
    assert parse_sct_status(bytes(page)).celsius == 0


def test_limits_hold_only_where_the_drive_says_so() -> None:
    page = bytearray(512)
    page[2] = 5
    page[8], page[15] = 38, 0xC0
    page[88], page[95] = 65, 0xC0
    page[104], page[111] = 0, 0x80
    found = parse_temperature_statistics(bytes(page))
    assert (found.celsius, found.highest_made_for, found.lowest_made_for) == (38, 65, None)
    page[2] = 4
    with pytest.raises(NotAPage):
        parse_temperature_statistics(bytes(page))


# ---------------------------------------------------------------------- sizes


def sized(sectors: int, **changes: int) -> DriveIdentity:
    words = {at: sectors >> 16 * (at - 100) & 0xFFFF for at in range(100, 104)}
    low = min(sectors, 0x0FFFFFFF)
    words |= {60: low & 0xFFFF, 61: low >> 16}
    return parse_identify(identity_page(words=words | {int(k[1:]): v for k, v in changes.items()}))


TWO_TB = standard_sectors(2000, 512)


def verdicts(*arguments: object, **named: object) -> list[Verdict]:
    return [one.verdict for one in check_size(*arguments, **named).said]  # type: ignore[arg-type]


def test_all_in_order_says_one_thing() -> None:
    assert verdicts(sized(TWO_TB), TWO_TB * 512, 512, TWO_TB, 2000) == [Verdict.AS_STANDARD]


def test_hidden_sectors_are_counted_and_the_whole_is_the_standards() -> None:
    checked = check_size(sized(TWO_TB - 2_097_152), native_sectors=TWO_TB, label_gb=2000)
    assert [one.verdict for one in checked.said] == [Verdict.HIDDEN, Verdict.AS_STANDARD]
    assert checked.hidden_sectors == 2_097_152
    assert checked.is_right
    assert len(checked.amiss) == 1


def test_an_adapter_that_stops_at_32_bits() -> None:
    found = verdicts(sized(standard_sectors(3000, 512)), (2**32 - 1) * 512, 512, None, 3000)
    assert found == [Verdict.CLIPPED_BY_ADAPTER, Verdict.AS_STANDARD]


def test_an_adapter_that_translates_sectors() -> None:
    assert Verdict.OTHER_SECTORS in verdicts(sized(TWO_TB), TWO_TB * 512, 4096)


@pytest.mark.parametrize(
    ("sectors", "label_gb", "verdict"),
    [
        (0, None, Verdict.ABSURD),
        (standard_sectors(4000, 512), 2000, Verdict.ABSURD),
        (standard_sectors(500, 512), 2000, Verdict.CLIPPED),
        (0x0FFFFFFF, 2000, Verdict.CLIPPED),
    ],
)
def test_sizes_that_cannot_be_right_stand_first(sectors: int, label_gb: int | None, verdict: Verdict) -> None:
    checked = check_size(sized(sectors), label_gb=label_gb)
    assert checked.said[0].verdict is verdict
    assert not checked.is_right


def test_a_drive_somewhat_above_its_class_is_no_fault() -> None:
    """A unit of 12 TB with 2 344 912 sectors more than the standard, told of in a public thread."""
    checked = check_size(sized(standard_sectors(12_000, 512) + 2_344_912), label_gb=12_000)
    assert checked.is_right
    assert checked.capacity.surplus_sectors == 2_344_912
    assert checked.capacity.size_bytes == 12_001_339_219_968 > 12_000 * GB
