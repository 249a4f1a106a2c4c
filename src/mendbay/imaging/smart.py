"""What a drive counts of its own wear: its SMART attributes, the verdict they amount to, and its logs.

Sources: layouts of ATA-3 to ATA8-ACS and ACS-3, cross-read in the annexes; the attributes are each maker's
own, and what their numbers mean is common use and no standard. The forms in which counts are packed were
met in published dumps (`tests/judge/ata_vectors.json`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from mendbay.imaging.ata_page import Checksum, celsius_of, number, require_page, sums_to_zero

ATTRIBUTES = 30
_ENTRY_BYTES = 12
_FIRST_ENTRY = 2

REMAPPED, HOURS, SPIN_RETRIES, STARTS = 5, 9, 10, 12
REPORTED, TIME_OUTS, TEMPERATURE, TEMPERATURE_TOO = 187, 188, 194, 190
REMAP_EVENTS, PENDING, UNCORRECTABLE, LINK_ERRORS = 196, 197, 198, 199

FIVE = (REMAPPED, REPORTED, TIME_OUTS, PENDING, UNCORRECTABLE)
"""The attributes of which any count above 0 is cause to look: public drive-stats data set, article of
6 October 2016."""

MOST_HOURS = 100_000
"""More hours than this are no hours: some drives count minutes, half hours or seconds (common practice, no
source; 11 years of power)."""

NAMES: Mapping[int, str] = {
    1: "read error rate",
    3: "spin-up time",
    4: "starts and stops",
    REMAPPED: "re-mapped sectors",
    7: "seek error rate",
    HOURS: "hours under power",
    SPIN_RETRIES: "tries to spin up",
    STARTS: "power cycles",
    REPORTED: "reported uncorrectable",
    TIME_OUTS: "commands timed out",
    TEMPERATURE_TOO: "temperature",
    192: "emergency head parks",
    193: "head parks",
    TEMPERATURE: "temperature",
    REMAP_EVENTS: "re-map events",
    PENDING: "pending sectors",
    UNCORRECTABLE: "off-line uncorrectable",
    LINK_ERRORS: "link errors (CRC)",
}
"""By common use; no standard fixes them."""


@dataclass(frozen=True, slots=True)
class Attribute:
    """One counter.

    Args:
        current, worst: normalised by the drive's maker; lower is worse.
        threshold: at or below which `current` means failing; None if it is not known.
        raw: six bytes, little-endian, whose form is the maker's own.
    """

    id: int
    flags: int
    current: int
    worst: int
    threshold: int | None
    raw: bytes

    @property
    def raw_number(self) -> int:
        """The six bytes as one number."""
        return int.from_bytes(self.raw, "little")

    @property
    def warns_of_failure(self) -> bool:
        """Whether it counts towards the drive's verdict (flag bit 0: pre-failure)."""
        return bool(self.flags & 1) and bool(self.threshold)

    @property
    def is_failing(self) -> bool:
        """Whether it says now that the drive is failing."""
        return self.warns_of_failure and self.current <= (self.threshold or 0)

    @property
    def has_failed(self) -> bool:
        """Whether it said so once and no longer does."""
        return self.warns_of_failure and self.worst <= (self.threshold or 0) < self.current

    @property
    def is_packed(self) -> bool:
        """Whether the raw bytes hold more than one number."""
        return any(self.raw[2:])

    @property
    def count(self) -> int:
        """How often it happened: the low word where more is packed above it, else the whole number."""
        return number(self.raw, 0, 2) if self.is_packed else self.raw_number


class SelfTest(StrEnum):
    """How the last self-test went (ACS-3, self-test execution status; high nibble of the byte)."""

    PASSED = "passed, or never run"
    ABORTED = "aborted by the host"
    INTERRUPTED = "interrupted by a reset"
    COULD_NOT = "could not be completed"
    FAILED = "failed"
    FAILED_ELECTRICAL = "failed: electrical"
    FAILED_SERVO = "failed: servo or seek"
    FAILED_READ = "failed: reading"
    FAILED_HANDLING = "failed: damage by handling suspected"
    RUNNING = "running"
    OTHER = "not known"


_SELF_TESTS = tuple(SelfTest)[:9]


def self_test_of(byte: int) -> tuple[SelfTest, int]:
    """How a self-test stands, and what share of it is left in per cent."""
    result, left = byte >> 4, min(byte & 15, 10) * 10
    if result == 15:
        return SelfTest.RUNNING, left
    return (_SELF_TESTS[result] if result < len(_SELF_TESTS) else SelfTest.OTHER), left


@dataclass(frozen=True, slots=True)
class Health:
    """What a drive counts of itself.

    Args:
        attributes: in the drive's own order, each id once.
        checksums: of the counters and of the thresholds, None where those were not given.
    """

    attributes: tuple[Attribute, ...]
    revision: int
    self_test: SelfTest
    self_test_left_percent: int
    keeps_error_log: bool
    checksums: tuple[Checksum, Checksum | None]

    @property
    def is_sound(self) -> bool:
        """Whether the pages may be believed."""
        return Checksum.BAD not in self.checksums

    def attribute(self, wanted: int) -> Attribute | None:
        """The attribute of an id."""
        return next((one for one in self.attributes if one.id == wanted), None)

    def count(self, wanted: int) -> int | None:
        """How often what an attribute counts happened, None if the drive does not count it."""
        found = self.attribute(wanted)
        return None if found is None else found.count

    @property
    def link_errors(self) -> int | None:
        """Errors of the link: a plain count of up to 32 bits on every drive of the published dumps."""
        found = self.attribute(LINK_ERRORS)
        return None if found is None else number(found.raw, 0, 4)

    @property
    def hours(self) -> int | None:
        """Hours under power; None where it is not counted, or plainly not in hours."""
        found = self.attribute(HOURS)
        if found is None:
            return None
        hours = number(found.raw, 0, 4)
        return hours if hours <= MOST_HOURS else None

    @property
    def celsius(self) -> int | None:
        """The temperature now: the lowest byte of the first of 194 and 190 that holds a likely one."""
        for wanted in (TEMPERATURE, TEMPERATURE_TOO):
            found = self.attribute(wanted)
            if found is not None and any(found.raw) and celsius_of(found.raw[0]) is not None:
                return celsius_of(found.raw[0])
        return None

    @property
    def failing(self) -> tuple[Attribute, ...]:
        """The counters that say now that the drive is failing."""
        return tuple(one for one in self.attributes if one.is_failing)

    @property
    def failed_once(self) -> tuple[Attribute, ...]:
        """The counters that said so once."""
        return tuple(one for one in self.attributes if one.has_failed)


class Records(StrEnum):
    """What the counters amount to, as triage asks for it; the values are its answers."""

    CLEAN = "clean"
    COUNTING = "counting"
    FAILING = "failing"
    UNKNOWN = ""


def records_of(health: Health | None, calls_itself_failing: bool | None) -> Records:
    """What a drive's records say, from its counters and its own verdict; unknown where neither is to be
    had, or where the page is spoilt and the verdict is good."""
    if calls_itself_failing:
        return Records.FAILING
    if health is None or not health.is_sound:
        return Records.UNKNOWN
    if health.failing:
        return Records.FAILING
    counts = [count for one in FIVE if (count := health.count(one)) is not None]
    if not counts:
        return Records.UNKNOWN
    return Records.COUNTING if any(counts) else Records.CLEAN


def parse_health(data: bytes, thresholds: bytes | None = None) -> Health:
    """The counters of a drive, joined with their thresholds by id.

    Raises:
        NotAPage: one of the two is no page.
    """
    require_page(data, "counters")
    limits: dict[int, int] = {}
    threshold_sum: Checksum | None = None
    if thresholds is not None:
        require_page(thresholds, "thresholds")
        threshold_sum = sums_to_zero(thresholds)
        for entry in _entries(thresholds):
            limits.setdefault(entry[0], entry[1])
    found: dict[int, Attribute] = {}
    for entry in _entries(data):
        one = Attribute(
            id=entry[0],
            flags=number(entry, 1, 2),
            current=entry[3],
            worst=entry[4],
            threshold=limits.get(entry[0]),
            raw=entry[5:11],
        )
        found.setdefault(one.id, one)
    result, left = self_test_of(data[363])
    return Health(
        attributes=tuple(found.values()),
        revision=number(data, 0, 2),
        self_test=result,
        self_test_left_percent=left,
        keeps_error_log=bool(data[370] & 1),
        checksums=(sums_to_zero(data), threshold_sum),
    )


def _entries(page: bytes) -> Iterator[bytes]:
    """The entries in use."""
    for at in range(ATTRIBUTES):
        entry = page[_FIRST_ENTRY + at * _ENTRY_BYTES : _FIRST_ENTRY + (at + 1) * _ENTRY_BYTES]
        if entry[0]:
            yield entry


def calls_itself_failing(lba: int) -> bool | None:
    """The drive's own verdict, from the address that SMART RETURN STATUS leaves in the registers: unchanged
    where all is well, turned round where a threshold was passed; None for anything else."""
    return {0xC24F: False, 0x2CF4: True}.get(lba >> 8 & 0xFFFF)
