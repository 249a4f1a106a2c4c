"""The logs a drive keeps of its last errors and of its last self-tests.

Sources: ATA8-ACS and ACS-3, SMART READ LOG 01h (summary error log) and 06h (self-test log).
"""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.imaging.ata_page import Checksum, number, require_page, sums_to_zero
from mendbay.imaging.sense import ResultRegisters, Trouble, trouble_of_registers
from mendbay.imaging.smart import SelfTest, self_test_of

_ERRORS = 5
_ERROR_BYTES = 90
_ERROR_RECORD_AT = 60
"""Where the error itself lies in an entry: behind the five commands before it."""
_TESTS = 21
_TEST_BYTES = 24
_NO_ADDRESS = 0xFFFF_FFFF


@dataclass(frozen=True, slots=True)
class LoggedError:
    """One error.

    Args:
        lba: where, 28 bits.
        hours: the drive's age then.
    """

    trouble: Trouble
    status: int
    error: int
    lba: int
    hours: int


@dataclass(frozen=True, slots=True)
class ErrorLog:
    """The last errors, the newest first, and how many there ever were."""

    errors: tuple[LoggedError, ...]
    total: int
    checksum: Checksum


@dataclass(frozen=True, slots=True)
class LoggedTest:
    """One self-test.

    Args:
        left_percent: how much of it was not done.
        failed_at: the first sector that failed, None if none is named.
    """

    result: SelfTest
    left_percent: int
    hours: int
    failed_at: int | None


@dataclass(frozen=True, slots=True)
class SelfTestLog:
    """The last self-tests, the newest first."""

    tests: tuple[LoggedTest, ...]
    checksum: Checksum


def _newest_first(raw: bytes, newest: int, count: int, width: int) -> tuple[bytes, ...]:
    """The filled entries of a ring of `count`, each `width` bytes, from byte 2; `newest` counts from 1."""
    slots = ((newest - 1 - back) % count for back in range(count if 1 <= newest <= count else 0))
    entries = (raw[2 + slot * width : 2 + (slot + 1) * width] for slot in slots)
    return tuple(one for one in entries if any(one))


def parse_error_log(raw: bytes) -> ErrorLog:
    """The summary error log.

    Raises:
        NotAPage: the bytes are no page.
    """
    require_page(raw, "error log")
    entries = _newest_first(raw, raw[1], _ERRORS, _ERROR_BYTES)
    return ErrorLog(
        tuple(_error(one[_ERROR_RECORD_AT:]) for one in entries), number(raw, 452, 2), sums_to_zero(raw)
    )


def _error(record: bytes) -> LoggedError:
    lba = number(record, 3, 3) | (record[6] & 15) << 24
    ended = ResultRegisters(record[1], record[7], record[6], record[2], lba, False)
    return LoggedError(trouble_of_registers(ended), record[7], record[1], lba, number(record, 28, 2))


def parse_self_test_log(raw: bytes) -> SelfTestLog:
    """The self-test log.

    Raises:
        NotAPage: the bytes are no page.
    """
    require_page(raw, "self-test log")
    entries = _newest_first(raw, raw[508], _TESTS, _TEST_BYTES)
    return SelfTestLog(tuple(map(_test, entries)), sums_to_zero(raw))


def _test(entry: bytes) -> LoggedTest:
    result, left = self_test_of(entry[1])
    place = number(entry, 5, 4)
    failed = result.value.startswith("failed") and place != _NO_ADDRESS
    return LoggedTest(result, left, number(entry, 2, 2), place if failed else None)
