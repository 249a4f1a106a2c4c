"""Text from outside made plain: whatever would act on a terminal or a page, and not be read, is written
out."""

from __future__ import annotations

import re

_UNSEEN = "\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
CONTROLS = re.compile(f"[\x00-\x08\x0b-\x1f{_UNSEEN}]")
"""Signs that move a cursor, speak to a terminal, turn the direction of writing or are no text."""
_CONTROLS_AND_BREAKS = re.compile(f"[\x00-\x1f{_UNSEEN}]")


def without_controls(text: str, *, one_line: bool = False) -> str:
    """A text in which nothing moves the cursor, speaks to a terminal or turns the direction of writing:
    names come from outside. Such signs, and bytes that are no text, are written as escapes.

    Args:
        one_line: line breaks and tabs count as such signs.
    """
    return (_CONTROLS_AND_BREAKS if one_line else CONTROLS).sub(lambda one: _escape(ord(one[0])), text)


def _escape(sign: int) -> str:
    if 0xDC80 <= sign <= 0xDCFF:
        return f"\\x{sign - 0xDC00:02x}"  # a byte of a file's name
    return f"\\x{sign:02x}" if sign < 0x100 else f"\\u{sign:04x}"
