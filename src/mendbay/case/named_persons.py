"""Whether a text names the customer: what travels on labels, and what custody and the story keep, may not.

A word of the customer's name counts if it has three letters or more and is none of `ORDINARY`: those say what
many firms do or are, or are words of the bench. Of the contact, which may be a sentence, only words with a
capital letter and those of mail addresses count. The whole name counts in any case. Groups of four digits or
more of the contact count, also put together as one telephone number; in the text not where they belong to
letters, as in a board's number. All of this is our own choice: it errs towards refusing what can be said
otherwise, and a nickname or a name written in another way is not found.
"""

from __future__ import annotations

import re
import unicodedata

_ORDINARY = """
    the and for with from after before until evenings mornings only please call mobile phone telephone
    tel mail email fax web www com org net info office post box street road lane town house shop store
    stores firm company group ltd limited inc llc llp plc gmbh sons son brothers partners practice
    studio studios works workshop service services school church club society hotel garage bakery
    pottery farm mill garden gardens design print books foods trade trading consulting dental mrs miss
    doctor professor drive drives disk disks board boards case cases cable cables adapter mains power
    supply bay bays shelf envelope medium image images data files file computer computers network
    storage repair black white red blue green grey gray brown silver gold golden young long short large
    small new old left right forgotten
"""
"""Words that name nobody by themselves (own choice)."""
ORDINARY = frozenset(_ORDINARY.split())
LEAST_LETTERS = 3

_WORD = re.compile(r"[^\W\d_]+")
_MAIL = re.compile(r"[^\s@<>(),;]+@[^\s@<>(),;]+")
_DIGITS = re.compile(r"(?<!\w)(?<![^\W\d_]-)[0-9]{4,}(?!\w)")
_CALLED = re.compile(r"(?<!\w)(?<![^\W\d_]-)\+?[0-9](?:[ ./()-]{0,2}[0-9]){5,}(?!\w)")
"""A telephone number, with whatever stands between its digits."""


def names_person(text: str, name: str, contact: str = "") -> str:
    """What of the customer's name or contact stands in the text, whatever its case; empty if nothing does."""
    folded = _folded(text)
    for whole in (name, *_MAIL.findall(contact)):
        if len(one := _folded(whole)) >= LEAST_LETTERS and one in folded:
            return one
    words = [*_WORD.findall(_plain(name)), *_WORD.findall(" ".join(_MAIL.findall(_plain(contact))))]
    words += [one for one in _WORD.findall(_plain(contact)) if one[0].isupper()]
    telling = {_folded(one) for one in words if len(one) >= LEAST_LETTERS} - ORDINARY
    digits = _numbers(contact)
    said = [*_WORD.findall(folded), *_numbers(text)]
    return next((one for one in said if one in telling or one in digits), "")


def _plain(text: str) -> str:
    return unicodedata.normalize("NFKC", text)


def _folded(text: str) -> str:
    return " ".join(_plain(text).casefold().split())


def _numbers(text: str) -> dict[str, None]:
    """Groups of digits, and what is one telephone number put together, in the order of the text."""
    plain = _plain(text)
    joined = ("".join(re.findall(r"[0-9]", one)) for one in _CALLED.findall(plain))
    return dict.fromkeys([*joined, *_DIGITS.findall(plain)])
