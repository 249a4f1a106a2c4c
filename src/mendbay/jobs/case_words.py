"""What people say of a case at the telephone, held against what is on record: numbers as papers print them,
telephone numbers and serial numbers written otherwise, names misspelt."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches

from mendbay.core.serials import LEAST_PART, plain_serial

LEAST_DIGITS = 6
"""Digits from which a telephone number is looked for as one (own choice: shorter ones are part of many)."""
LEAST_NAME = 4
"""Letters from which a word may be a misspelt name (own choice)."""
ALIKE = 0.75
"""How alike two words are at least, as `difflib` measures it: `Dyre` and `Dyer` are just so (own choice)."""
MOST_ALIKE = 8
"""Names that one word may stand for (own choice)."""
CUSTOMER = 1
"""Line of a case's texts."""

_CASE = frozenset({"case", "no.", "number", "#"})
_PHONE = re.compile(r"[+(]?\d[\d ()./-]*\d")
_ALL_PHONE = re.compile(r"[+\d ()./-]+")


def number_said(words: Sequence[str]) -> int:
    """The number of a case that is asked for as papers and people say it, `0003` or `case 3`; 0 for none."""
    said = [one for one in words if one.casefold() not in _CASE]
    if len(said) != 1 or not (said[0].isascii() and said[0].isdigit()):
        return 0
    is_named = len(said) < len(words) or (said[0].startswith("0") and len(said[0]) < LEAST_DIGITS)
    return int(said[0][:18]) if is_named else 0


def written_otherwise(text: str, words: Sequence[str]) -> bool:
    """Whether a case's texts have every word, a serial number with or without its hyphens, or all of them
    together are a telephone number of it, with or without blanks and the country's prefix.

    Args:
        text: lines, as `CaseLedger.case_texts` has them.
    """
    if _is_called(text, " ".join(words)):
        return True
    plain = text.casefold()
    lines = [plain_serial(one) for one in text.split("\n")]
    return all(one.casefold() in plain or _is_numbered(lines, one) for one in words)


def _is_numbered(lines: Iterable[str], word: str) -> bool:
    number = plain_serial(word)
    is_one = len(number) >= LEAST_PART and any(one.isdigit() for one in number)
    return is_one and any(number in line for line in lines)


def _is_called(text: str, said: str) -> bool:
    """By the digits that two ways of writing a number have in common at the end: a country's prefix stands
    before them, or a nought in its place (ITU-T E.123, from memory)."""
    asked = _digits(said)
    if not _ALL_PHONE.fullmatch(said) or len(asked) < LEAST_DIGITS:
        return False
    known = (_digits(one) for line in text.split("\n") for one in _PHONE.findall(line))
    return any(
        len(one) >= LEAST_DIGITS and (asked in one or (one in asked and asked.endswith(one))) for one in known
    )


def _digits(text: str) -> str:
    return re.sub(r"\D", "", text).lstrip("0")


def names_alike(texts: Iterable[str], words: Sequence[str]) -> list[frozenset[str]]:
    """For each word the words of customers' names that it may be meant for, itself among them; of words too
    short to tell none are given, and nothing at all where one of the others is like no name.

    Args:
        texts: of all cases, as in `written_otherwise`.
    """
    told = [one.casefold() for one in words if len(one) >= LEAST_NAME]
    names = {part for one in texts for part in re.findall(r"\w+", _customer(one))}
    found = [frozenset(get_close_matches(one, names, MOST_ALIKE, ALIKE)) for one in told]
    return found if all(found) else []


def is_alike(text: str, names: Sequence[frozenset[str]]) -> bool:
    """Whether a customer's name has a word of each of `names_alike`."""
    own = frozenset(re.findall(r"\w+", _customer(text)))
    return bool(names) and all(own & one for one in names)


def _customer(text: str) -> str:
    lines = text.split("\n")
    return lines[CUSTOMER].casefold() if len(lines) > CUSTOMER else ""
