"""The name of a case's folder: its number, and enough of the customer's name to find it by eye."""

from __future__ import annotations

import re
import unicodedata

SLUG_LIMIT = 40
"""Characters; with the number in front the folder stays short enough for every file system and label."""

_NAMELESS = "case"
_SLUG = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")

_LETTERS = str.maketrans(
    {"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "đ": "d", "ð": "d", "þ": "th", "ł": "l", "ħ": "h", "ı": "i"}
)
"""Latin letters that Unicode does not decompose into a plain letter and an accent."""


def slug_of(customer: str) -> str:
    """The customer's name as part of a folder name: `a` to `z`, `0` to `9` and single inner hyphens.

    At most `SLUG_LIMIT` characters, cut between words where that keeps half of it. A name without any
    Latin letter or digit gives `case`: the number in front still tells the folders apart.
    """
    folded = unicodedata.normalize("NFKD", customer[: 20 * SLUG_LIMIT]).casefold()
    plain = unicodedata.normalize("NFKD", folded.translate(_LETTERS))
    letters = "".join(one for one in plain if not unicodedata.combining(one))
    slug = re.sub(r"[^a-z0-9]+", "-", letters.replace("'", "").replace("’", "")).strip("-")
    if len(slug) > SLUG_LIMIT:
        cut = slug.rfind("-", 0, SLUG_LIMIT + 1)
        slug = slug[: cut if cut >= SLUG_LIMIT // 2 else SLUG_LIMIT].strip("-")
    return slug or _NAMELESS


def folder_name(number: int, slug: str) -> str:
    """`NNNN-slug`; the number grows beyond four digits when it must.

    Raises:
        ValueError: a number below 1, or a slug that `slug_of` could not have made.
    """
    if number < 1:
        raise ValueError(f"a case cannot have the number {number}")
    if len(slug) > SLUG_LIMIT or not _SLUG.fullmatch(slug):
        raise ValueError(f"{slug[:80]!r} cannot be part of a folder's name")
    return f"{number:04}-{slug}"
