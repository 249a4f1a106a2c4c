"""Days and times as spreadsheets of ISO/IEC 29500 count them (part 1, 18.17.4; from memory)."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta

DAY_0 = datetime(1899, 12, 30)
DAY_0_OF_1904 = datetime(1904, 1, 1)
MIDNIGHT = time()
SURE_FROM = 61
"""Days before the first of March 1900 are counted in two ways, by a leap day that there never was."""
MOST_DAYS = 2_958_465
"""The last day of the year 9999."""
ASIDE = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', re.IGNORECASE | re.DOTALL)
"""What stands for itself in the form of a number, or says its colour, language or condition."""
ELAPSED = re.compile(r"\[(?:h+|m+|s+)\]", re.IGNORECASE)
LETTERS = re.compile(r"[dmyhs]", re.IGNORECASE)
PLAIN = re.compile(r"general|[0#?]", re.IGNORECASE)


def is_date_form(code: str) -> bool:
    """Whether the form of a number is plainly that of a day or a time of day; how long something took is
    not."""
    code = ASIDE.sub("", code[:255]).partition(";")[0]
    if ELAPSED.search(code) or not LETTERS.search(code):
        return False
    return not PLAIN.search(re.sub(r"s\.0+", "s", code, flags=re.IGNORECASE))


def as_date(value: str, is_1904: bool) -> str:
    """A count of days as a day and a time of day, or one of them; empty where it is not plainly one."""
    try:
        days = float(value)
    except ValueError:
        return ""
    if 0 <= days < 1:
        return _time(DAY_0 + timedelta(seconds=round(days * 86400)))
    if not (0 if is_1904 else SURE_FROM) <= days <= MOST_DAYS:
        return ""
    start = DAY_0_OF_1904 if is_1904 else DAY_0
    try:
        at = start + timedelta(seconds=round(days * 86400))
    except OverflowError:
        return ""
    day = at.date().isoformat()
    return day if at.time() == MIDNIGHT else f"{day} {_time(at)}"


def _time(at: datetime) -> str:
    return at.strftime("%H:%M:%S" if at.second else "%H:%M")
