"""The temperatures a drive tells, and the highest it is made for.

Sources: ACS-3, SCT status (log E0h), offsets as in the kernel's drivers/hwmon/drivetemp.c; device statistics
(log 04h), page 05h, ACS-3 A.5, from memory. The data table of SCT that also holds limits is left alone: to
ask for it, a log must be written first.
"""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.imaging.ata_page import NotAPage, celsius_of, number, require_page

_VERSIONS = (2, 3)
_BUSY = 0xFFFF
_STATISTICS_PAGE = 5
_SUPPORTED_AND_VALID = 0xC0
"""Of the flag byte that ends each statistic: supported, and valid."""


@dataclass(frozen=True, slots=True)
class SctStatus:
    """Degrees Celsius, None where the drive says none or one that cannot be. A page whose present, lowest and
    highest are all 0 was not filled in.

    Args:
        state: the drive's state as a number of the standard.
        is_busy: whether an SCT command is under way.
        over_limit, under_limit: how often it was too hot or too cold.
    """

    version: int
    state: int
    is_busy: bool
    celsius: int | None
    lowest: int | None
    highest: int | None
    life_lowest: int | None
    life_highest: int | None
    over_limit: int
    under_limit: int


@dataclass(frozen=True, slots=True)
class MadeFor:
    """The temperatures a drive says it is made for, and its own now; degrees Celsius, None where it says
    none."""

    celsius: int | None
    highest_ever: int | None
    lowest_made_for: int | None
    highest_made_for: int | None


def parse_sct_status(raw: bytes) -> SctStatus:
    """The SCT status page.

    Raises:
        NotAPage: no page, or of a version that is not known.
    """
    require_page(raw, "SCT status")
    version = number(raw, 0, 2)
    if version not in _VERSIONS:
        raise NotAPage(f"SCT status: version {version}")
    is_filled_in = any(raw[200:203])
    return SctStatus(
        version=version,
        state=raw[10],
        is_busy=number(raw, 14, 2) == _BUSY,
        celsius=celsius_of(raw[200]) if is_filled_in else None,
        lowest=celsius_of(raw[201]) if is_filled_in else None,
        highest=celsius_of(raw[202]) if is_filled_in else None,
        life_lowest=celsius_of(raw[203]) if version >= 3 else None,
        life_highest=celsius_of(raw[204]) if version >= 3 else None,
        over_limit=number(raw, 206, 4),
        under_limit=number(raw, 210, 4),
    )


def parse_temperature_statistics(raw: bytes) -> MadeFor:
    """The temperature page of the device statistics.

    Raises:
        NotAPage: no page, or another one.
    """
    require_page(raw, "temperature statistics")
    if raw[2] != _STATISTICS_PAGE:
        raise NotAPage(f"temperature statistics: page {raw[2]}")
    return MadeFor(*(_statistic(raw, at) for at in (8, 32, 104, 88)))


def _statistic(raw: bytes, start: int) -> int | None:
    """A signed byte whose flags, at the end of its eight bytes, say that it holds."""
    if raw[start + 7] & _SUPPORTED_AND_VALID != _SUPPORTED_AND_VALID:
        return None
    return celsius_of(raw[start])
