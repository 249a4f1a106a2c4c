"""What a text must be to be kept: short enough, and of characters that can be stored and printed.

What a person typed is checked where it was typed, so that nothing stored can break a later page, label or
file name.
"""

from __future__ import annotations

import re
from datetime import date

from mendbay.core.errors import UsageError

TEXT_LIMIT = 10_000
"""Characters in any one text: some pages of notes, and short enough that no mistake fills the ledger."""
LINE_LIMIT = 200
"""Characters in one value: far above any marking, and short enough for a label and a table."""

_MOMENT = re.compile(r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_NOT_IN_TEXT = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
_NOT_IN_LINE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


def require_text(text: str) -> None:
    """Refuses a text that is too long, or holds a character that cannot be stored or printed.

    Raises:
        UsageError: more than `TEXT_LIMIT` characters, a control character other than tab and line
            break, or half of a surrogate pair (a name that was not valid UTF-8).
    """
    if len(text) > TEXT_LIMIT:
        raise UsageError(
            f"A text of {len(text)} characters is too long.", f"Use at most {TEXT_LIMIT} characters."
        )
    bad = _NOT_IN_TEXT.search(text)
    if bad:
        raise UsageError(
            f"{text[:40]!r} holds the character U+{ord(bad[0]):04X}, which cannot be kept.",
            "Leave that character out.",
        )


def require_line(text: str, what: str) -> None:
    """Refuses a value that cannot stand on one line of a label or table.

    Raises:
        UsageError: too long, or a control character, a line break or half a surrogate pair in it.
    """
    if len(text) > LINE_LIMIT:
        raise UsageError(
            f"The {what} has {len(text)} characters.",
            f"Use at most {LINE_LIMIT}; longer remarks belong in the notes.",
        )
    require_characters(text, what)


def require_characters(text: str, what: str) -> None:
    """Refuses a text with a character that cannot stand on a line.

    Raises:
        UsageError: a control character, a line break or half a surrogate pair in it.
    """
    bad = _NOT_IN_LINE.search(text)
    if bad:
        raise UsageError(
            f"The {what} {text[:40]!r} holds the character U+{ord(bad[0]):04X}, which cannot be kept.",
            "Leave that character out.",
        )


def require_moment(text: str) -> None:
    """Refuses a time that `core.clock.iso` would not have written.

    Raises:
        UsageError: not `YYYY-MM-DDThh:mm:ssZ`.
    """
    if not _MOMENT.fullmatch(text):
        raise UsageError(
            f"{text[:40]!r} is not a time as records carry it.", "Use UTC, like 2026-11-25T07:10:00Z."
        )


def require_day(text: str) -> None:
    """Refuses what is no day of the calendar.

    Raises:
        UsageError: not an ISO 8601 date `YYYY-MM-DD`, or one that there is not.
    """
    try:
        found = bool(_DAY.fullmatch(text)) and bool(date.fromisoformat(text))
    except ValueError:
        found = False
    if not found:
        raise UsageError(f"{text[:40]!r} is not a day.", "Write it as 2026-12-24.")
