"""Quantities in words: bytes, counts, durations and shares as a person reads them.

Bytes are in decimal units, as drives are sold (IEC 80000-13: k = 1000). Digits are grouped in threes
with a thin space (ISO 80000-1, 7.3.1), and a thin space stands before a unit. Every function takes
`plain=True` for the same words with ordinary blanks and nothing outside ASCII, for logs and labels.
Nothing here passes through a float on the way to a byte count or a share, so no digit is invented.
"""

from __future__ import annotations

import math
import re

THIN_SPACE = "\u2009"

_BYTE_UNITS = ("kB", "MB", "GB", "TB", "PB", "EB")


def count_text(count: int, *, plain: bool = False) -> str:
    """A whole number with its digits in groups of three: `1 204 224`."""
    return f"{count:,}".replace(",", _space(plain))


def grouped_bytes(text: str) -> str:
    """A sentence with its long numbers of bytes in groups of three; other numbers in it stay as they are."""
    return re.sub(
        r"(?<![\w.])\d{4,15}(?= (?:of (?:the |its )?\d+ )?bytes?\b)",
        lambda found: count_text(int(found.group())),
        text,
    )


def counted(number: int, one: str, *, plain: bool = False) -> str:
    """A number of things, whose name `one` takes an s in the plural: `1 file`, `2 files`."""
    return f"{count_text(number, plain=plain)} {one if number == 1 else one + 's'}"


def bytes_text(count: int, *, plain: bool = False) -> str:
    """A number of bytes to three significant digits: `512 bytes`, `74.5 GB`, `2.00 TB`.

    Below 1000 the number is exact. Above, it is rounded to the nearest shown digit, halves up.

    Raises:
        ValueError: a negative number.
    """
    if count < 0:
        raise ValueError(f"{count} bytes is not a size")
    if count < 1000:
        return f"{count}{_space(plain)}{'byte' if count == 1 else 'bytes'}"
    power = min((len(str(count)) - 1) // 3, len(_BYTE_UNITS))
    while True:
        decimals = max(0, 2 - (len(str(count // 1000**power)) - 1))
        scaled = _rounded(count * 10**decimals, 1000**power)
        if scaled < 1000 * 10**decimals or power == len(_BYTE_UNITS):
            break
        power += 1  # 999.6 kB reads 1.00 MB
    if decimals and scaled >= 1000:  # 9.996 GB reads 10.0 GB, not 10.00
        decimals, scaled = decimals - 1, _rounded(scaled, 10)
    whole, part = divmod(scaled, 10**decimals)
    number = count_text(whole, plain=plain) + (f".{part:0{decimals}}" if decimals else "")
    return f"{number}{_space(plain)}{_BYTE_UNITS[power - 1]}"


def memory_text(count: int, *, plain: bool = False) -> str:
    """A size that is made in powers of two, as memories and units of stripes are, in binary prefixes
    (IEC 80000-13): `512 KiB`, `16 MiB`; one that is no whole number of them exactly."""
    for unit, name in ((1 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB")):
        if count and count % unit == 0:
            return f"{count_text(count // unit, plain=plain)}{_space(plain)}{name}"
    return f"{count_text(count, plain=plain)}{_space(plain)}{'byte' if count == 1 else 'bytes'}"


def in_sectors(count: int, sector_bytes: int) -> str:
    """The unit of a stripe as the trade names it: `64 KiB (128 sectors)`."""
    whole, rest = divmod(count, sector_bytes)
    return memory_text(count) if rest else f"{memory_text(count)} ({counted(whole, 'sector')})"


def duration_text(seconds: float, *, plain: bool = False) -> str:
    """A length of time in its two largest units: `under 1 s`, `42 s`, `3 min 20 s`, `2 h 05 min`, `3 d 4 h`.

    Rounded to the nearest of the smaller unit shown.

    Raises:
        ValueError: negative, or not a finite number.
    """
    if not math.isfinite(seconds) or seconds < 0:
        raise ValueError(f"{seconds} s is not a length of time")
    if 0 < seconds < 1:
        return f"under 1{_space(plain)}s"
    whole = _nearest(seconds, 1)
    if whole < 60:
        return _with_units(plain, (str(whole), "s"))
    if whole < 3600:
        return _with_units(plain, (str(whole // 60), "min"), (f"{whole % 60:02}", "s"))
    minutes = _nearest(seconds, 60)
    if minutes < 24 * 60:
        return _with_units(plain, (str(minutes // 60), "h"), (f"{minutes % 60:02}", "min"))
    hours = _nearest(seconds, 3600)
    return _with_units(plain, (count_text(hours // 24, plain=plain), "d"), (str(hours % 24), "h"))


def chance_text(chance: float) -> str:
    """A chance (0 to 1) in whole per cent; never 0 or 100, which would claim certainty: `over 99 %`, `25 %`,
    `under 1 %`."""
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"


def share_text(share: float, *, plain: bool = False) -> str:
    """A share (0 to 1) that may be small, in per cent with two digits that count: `0.42 %`, `13 %`,
    `under 0.01 %`, `over 99 %`."""
    value = 100 * share
    sign = f"{_space(plain)}%"
    if value < 0.01:
        return f"under 0.01{sign}"
    if value > 99:
        return f"over 99{sign}"
    return f"{value:.0f}{sign}" if value >= 9.95 else f"{value:.2g}{sign}"


def percent_text(part: int, whole: int, *, plain: bool = False) -> str:
    """A share in per cent with one decimal: `0 %`, `45.3 %`, `100 %`.

    Only a complete thing is `100 %` and only nothing is `0 %`: in between, what would round to either
    reads `over 99.9 %` or `under 0.1 %`. A share of nothing has no number and reads `none of none`.

    Raises:
        ValueError: not 0 <= part <= whole.
    """
    if not 0 <= part <= whole:
        raise ValueError(f"{part} is not a part of {whole}")
    sign = f"{_space(plain)}%"
    if whole == 0:
        return "none of none"
    if part in (0, whole):
        return f"{0 if part == 0 else 100}{sign}"
    if 1000 * part < whole:
        return f"under 0.1{sign}"
    if 1000 * (whole - part) < whole:
        return f"over 99.9{sign}"
    tenths = min(_rounded(1000 * part, whole), 999)
    return f"{tenths // 10}.{tenths % 10}{sign}"


def _space(plain: bool) -> str:
    return " " if plain else THIN_SPACE


def _rounded(numerator: int, denominator: int) -> int:
    """The nearest whole number to a quotient, halves up."""
    return (2 * numerator + denominator) // (2 * denominator)


def _nearest(seconds: float, unit: int) -> int:
    return math.floor(seconds / unit + 0.5)


def _with_units(plain: bool, *parts: tuple[str, str]) -> str:
    return " ".join(f"{number}{_space(plain)}{unit}" for number, unit in parts)
