"""Serial numbers of drives, as labels, people and the drives themselves write them."""

from __future__ import annotations

import re

LEAST_PART = 4
"""Letters and digits that a part of a serial number needs to stand for it: what people note of a long one
(own choice)."""

LEAST_LIKE = 6
"""Letters and digits from which a word is looked for whatever stands between them (own choice)."""

_NOT_OF_IT = re.compile(r"[^0-9A-Z]")


def plain_serial(text: str) -> str:
    """The letters and digits of a serial number, in capitals; empty if it has none. Blanks, hyphens and the
    padding of a drive's answer say nothing."""
    return _NOT_OF_IT.sub("", text.upper())


def is_number_like(text: str) -> bool:
    """Whether a word is so long and has such digits that it may be a number of a drive or a telephone, which
    people write with blanks and hyphens as they like."""
    plain = plain_serial(text)
    return len(plain) >= LEAST_LIKE and sum(one.isdigit() for one in plain) >= LEAST_LIKE // 2


def same_serial(one: str, other: str) -> bool:
    """Whether two texts can be the serial number of one drive: alike, or one is a part of the other and
    as long as `LEAST_PART`. False if either says nothing."""
    short, long = sorted((plain_serial(one), plain_serial(other)), key=len)
    return bool(short) and (short == long or (len(short) >= LEAST_PART and short in long))
