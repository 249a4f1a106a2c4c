"""Where no line of a page ends: between a number and its unit, and inside a number.

A line may end at a blank, and at a thin space as well (Unicode, UAX #14: class BA). Only what is read is
bound: what is sent back, typed or copied as it stands (attributes, fields, code, names from drives) keeps its
blanks.
"""

from __future__ import annotations

import re

THIN, TIED_THIN, TIED = "\N{THIN SPACE}", "\N{NARROW NO-BREAK SPACE}", "\N{NO-BREAK SPACE}"
_HELD = {" ": "\ufdd0", THIN: "\ufdd1"}
"""Noncharacters of Unicode, which stand in no text, for blanks that are left as they are."""

_UNITS = (
    r"%|‰|°C|[kMGTPE]?B|bytes?|[kMG]?Hz|[mkµu]?(?:V|A|Ω|W)|[mk]?ohm|[munpµ]?F|"
    r"ms|s|min|h|d|[cmµ]?m|[mk]?g|UTC|(?!BAY)[A-Z]{3}"
)
"""Signs of units and of currencies; BAY stands for a name to be typed."""
_AS_IT_STANDS = "|".join(
    rf"<{one}\b.*?(?:</{one}>|\Z)"
    for one in ("textarea", "pre", "code", "script", "style", "option", "title")
)
_PASSED_OVER = re.compile(
    rf"""(<!--.*?(?:-->|\Z)|{_AS_IT_STANDS}|<[a-zA-Z/!](?:"[^"]*(?:"|\Z)|'[^']*(?:'|\Z)|[^"'>]+)*>?)""",
    re.DOTALL,
)
"""What has no end goes to the end of the page, as browsers read it (HTML, 13.2.5): each sign is read once."""
_BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w-]))")


def bound(html: str) -> str:
    """A page whose numbers stay with their units and in one piece, however their thousands are set apart."""
    pieces = _PASSED_OVER.split(html)
    pieces[::2] = [_BEFORE_UNIT.sub(TIED, one.replace(THIN, TIED_THIN)) for one in pieces[::2]]
    made = "".join(pieces)
    for blank, mark in _HELD.items():
        made = made.replace(mark, blank)
    return made


def held(text: str) -> str:
    """A text whose blanks `bound` leaves as they are: somebody may copy it and look for it elsewhere."""
    for blank, mark in _HELD.items():
        text = text.replace(blank, mark)
    return text
