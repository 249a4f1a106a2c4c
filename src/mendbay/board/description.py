"""What is known of one board and the drive it belongs to, and when two written values are the same.

A description is made from pictures, from the drive itself or by hand; whatever is not known is empty and
stays so. Values keep the spelling they were given in; only comparisons fold it.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line

_ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_SEPARATORS = re.compile(r"[\s\-_.,:;/\u2010-\u2015\u2212]+")
_REVISION_WORD = re.compile(r"(?:revision|rev)(?=.)")


@dataclass(frozen=True, slots=True)
class BoardDescription:
    """The identifiers of a board and its drive; each is empty if unknown.

    Args:
        board_number: the number etched or printed on the board.
        revision: the board's revision, if it is written apart from the number.
        controller: marking of the main chip.
        motor_driver: marking of the chip that drives motor and voice coil.
        rom_chip: marking of the separate chip that holds the unique board data, if one was seen.
        family: the model family the drive belongs to.
        model: the model on the drive's label.
        firmware: the firmware revision on the label or told by the drive.
        site: where the label says the drive was made.
        made_on: when it was made, as an ISO 8601 date `YYYY-MM-DD`.
        heads_map: which heads are in use, as the drive or its label writes it.

    Raises:
        UsageError: a value longer than `LINE_LIMIT`, with a line break or another control character, or
            a date that is none.
    """

    board_number: str = ""
    revision: str = ""
    controller: str = ""
    motor_driver: str = ""
    rom_chip: str = ""
    family: str = ""
    model: str = ""
    firmware: str = ""
    site: str = ""
    made_on: str = ""
    heads_map: str = ""

    def __post_init__(self) -> None:
        for one in fields(self):
            require_line(getattr(self, one.name), one.name.replace("_", " "))
        if self.made_on:
            require_date(self.made_on)


def require_date(text: str) -> None:
    """Refuses what is not a calendar date written as ISO 8601 writes it.

    Raises:
        UsageError: not `YYYY-MM-DD`, or a day that does not exist.
    """
    try:
        if _ISO_DATE.fullmatch(text):
            date.fromisoformat(text)
            return
    except ValueError:
        pass
    raise UsageError(f"{text[:40]!r} is not a date.", "Write it as 2019-03-28, or leave it empty.")


@lru_cache(maxsize=1 << 16)
def comparison_key(text: str) -> str:
    """The value as it is compared: two spellings with the same key are taken for the same marking.

    Case, width and kind of dash do not count, and separators (blanks, dashes, dots, commas, colons,
    slashes, underscores) count only between two digits, where dropping them could make one number of two:
    `BX 4471.02` and `bx-4471-02` are the same, `BX-447-102` is not. Empty for a value of separators alone,
    which says nothing. Rule: our own.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    key = ""
    for part in _SEPARATORS.split(folded):
        if key and part and key[-1].isdigit() and part[0].isdigit():
            key += "-"
        key += part
    return unicodedata.normalize("NFKC", key)


@lru_cache(maxsize=1 << 16)
def revision_key(text: str) -> str:
    """Like `comparison_key`, without the word `rev` or `revision` before the revision itself."""
    return _REVISION_WORD.sub("", comparison_key(text), count=1)


def number_shape(text: str) -> str:
    """The form of a number: its key with `A` for each letter and `9` for each digit."""
    return "".join("9" if one.isdigit() else "A" if one.isalpha() else one for one in comparison_key(text))
