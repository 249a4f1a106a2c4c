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
_WORD = re.compile(r"\w+")
_PHONE = re.compile(r"[+(]?\d[\d ()./-]*\d")
_ALL_PHONE = re.compile(r"[+\d ()./-]+")
_NO_DIGIT = re.compile(r"[^0-9]+")


def number_said(words: Sequence[str]) -> int:
    """The number of a case that is asked for as papers and people say it, `0003` or `case 3`; 0 for none."""
    said = [one for one in words if one.casefold() not in _CASE]
    if len(said) != 1 or not (said[0].isascii() and said[0].isdigit()):
        return 0
    is_named = len(said) < len(words) or (said[0].startswith("0") and len(said[0]) < LEAST_DIGITS)
    return int(said[0][:18]) if is_named else 0


class WrittenOtherwise:
    """Whether a case's texts have every word, a serial number with or without its hyphens; or all of them
    together are a telephone number of it, with or without blanks and the country's prefix."""

    def __init__(self, words: Sequence[str]) -> None:
        said = " ".join(words)
        digits = _digits(said)
        self._called = digits if len(digits) >= LEAST_DIGITS and _ALL_PHONE.fullmatch(said) else ""
        self._words = [(one.casefold(), _number(one)) for one in words]

    @property
    def says_more(self) -> bool:
        """Whether there is a number among the words; without one they are written in one way alone."""
        return bool(self._called) or any(number for _, number in self._words)

    def fits(self, text: str) -> bool:
        """
        Args:
            text: lines, as `CaseLedger.case_texts` has them.
        """
        if self._called and self._called[-LEAST_DIGITS:] in _NO_DIGIT.sub("", text) and self._is_called(text):
            return True
        plain = text.casefold()
        others = [number for word, number in self._words if word not in plain]
        if not others:
            return True
        together = plain_serial(text)  # of all lines, so that most texts are looked at once
        if not all(one and one in together for one in others):
            return False
        lines = [plain_serial(one) for one in text.split("\n")]
        return all(any(one in line for line in lines) for one in others)

    def _is_called(self, text: str) -> bool:
        """By the digits that two ways of writing a number have in common at the end: a country's prefix
        stands before them, or a nought in its place (ITU-T E.123, from memory)."""
        known = [_digits(one) for line in text.split("\n") for one in _PHONE.findall(line)]
        return any(
            len(one) >= LEAST_DIGITS and (self._called in one or self._called.endswith(one)) for one in known
        )


def _number(word: str) -> str:
    """A word as a serial number; empty if it can hardly be one."""
    number = plain_serial(word)
    return number if len(number) >= LEAST_PART and any(one.isdigit() for one in number) else ""


def _digits(text: str) -> str:
    """Of a number that is called; a nought in brackets is dialled only where the prefix is not."""
    return _NO_DIGIT.sub("", text.replace("(0)", "")).lstrip("0")


def names_alike(texts: Iterable[str], words: Sequence[str]) -> list[frozenset[str]]:
    """For each word the words of customers' names that it may be meant for, itself among them; of words too
    short to tell none are given, and nothing at all where one of the others is like no name.

    Args:
        texts: of all cases, as `CaseLedger.case_texts` has them.
    """
    told = [one.casefold() for one in words if len(one) >= LEAST_NAME]
    customers = {_customer(one) for one in texts}
    names = {part for one in customers for part in _WORD.findall(one)}
    found = [frozenset(get_close_matches(one, names, MOST_ALIKE, ALIKE)) for one in told]
    return found if all(found) else []


def is_alike(text: str, names: Sequence[frozenset[str]]) -> bool:
    """Whether a customer's name has a word of each of `names_alike`."""
    own = frozenset(_WORD.findall(_customer(text)))
    return bool(names) and all(own & one for one in names)


def _customer(text: str) -> str:
    lines = text.split("\n")
    return lines[CUSTOMER].casefold() if len(lines) > CUSTOMER else ""
