"""Numbers, sizes and moments as a report says them to a customer."""

from __future__ import annotations

from datetime import UTC, date, datetime

THIN = "\u202f"
"""Narrow no-break space: groups digits and stands before a unit, and never at the end of a line."""

_UNITS = ("kB", "MB", "GB", "TB", "PB", "EB")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July", "August"),
    *("September", "October", "November", "December"),
)


def grouped(number: int) -> str:
    """The number with its digits in threes: `1 204 224`."""
    return f"{number:,}".replace(",", THIN)


def counted(number: int, one: str, many: str = "") -> str:
    """`1 file`, `2 040 files`; `many` defaults to `one` with an s."""
    return f"{grouped(number)} {one if number == 1 else many or one + 's'}"


def size(number: int) -> str:
    """A number of bytes in decimal units with three digits that count: `1.24 GB`, `817 bytes`."""
    if number < 1000:
        return counted(number, "byte")
    scaled, unit = number / 1000, 0
    while scaled >= 999.5 and unit < len(_UNITS) - 1:
        scaled, unit = scaled / 1000, unit + 1
    places = 2 if scaled < 9.995 else 1 if scaled < 99.95 else 0
    return f"{scaled:.{places}f}{THIN}{_UNITS[unit]}"


def exact_size(number: int) -> str:
    """`1.24 GB (1 240 003 584 bytes)`; only the bytes below 1,000."""
    return size(number) if number < 1000 else f"{size(number)} ({grouped(number)} bytes)"


def share(part: int, whole: int) -> str:
    """`part` of `whole` in per cent, never rounded to nothing or to everything: `< 0.01 %`, `99.99 %`."""
    if whole == 0 or part == 0:
        return f"0{THIN}%"
    if part == whole:
        return f"100{THIN}%"
    percent = 100 * part / whole
    if percent < 0.01:
        return f"<{THIN}0.01{THIN}%"
    places = 2 if percent < 1 or percent > 99 else 1
    limit = 100 - 10**-places
    return f"{min(percent, limit):.{places}f}{THIN}%"


def day(moment: str) -> str:
    """`25 November 2026` from an ISO 8601 day or moment; other texts come back as they are."""
    try:
        found = date.fromisoformat(moment[:10])
    except ValueError:
        return moment
    return f"{found.day} {_MONTHS[found.month - 1]} {found.year}"


def moment(text: str) -> str:
    """`25 November 2026, 07:10 UTC` from an ISO 8601 moment; other texts come back as they are."""
    try:
        found = datetime.fromisoformat(text).astimezone(UTC)
    except ValueError:
        return text
    return f"{day(found.date().isoformat())}, {found:%H:%M} UTC"
