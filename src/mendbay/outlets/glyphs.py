"""Which characters the printed report can show.

The fonts built into the typesetter have Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew and Arabic
letters and many signs, but no Chinese, Japanese or Korean ones and no pictures. What they lack is printed
as its Unicode number, `‹U+9752›`, rather than as an empty box; the web page shows it as it is.
"""

from __future__ import annotations

import unicodedata
from bisect import bisect_right
from typing import Any

RANGES = (
    (0x0021, 0x007E), (0x00A1, 0x00AC), (0x00AE, 0x0377), (0x037A, 0x037F), (0x0384, 0x038A),
    (0x038C, 0x038C), (0x038E, 0x03A1), (0x03A3, 0x0482), (0x048A, 0x04FF), (0x0510, 0x0513),
    (0x051A, 0x051D), (0x0531, 0x0556), (0x0559, 0x058A), (0x058D, 0x058F), (0x05D0, 0x05EA),
    (0x05EF, 0x05F4), (0x0606, 0x060C), (0x061B, 0x061B), (0x061F, 0x061F), (0x0621, 0x063A),
    (0x0640, 0x064A), (0x0660, 0x066D), (0x0674, 0x0674), (0x0679, 0x067B), (0x067E, 0x0680),
    (0x0683, 0x0684), (0x0686, 0x0687), (0x0691, 0x0691), (0x0698, 0x0698), (0x06A4, 0x06A4),
    (0x06A9, 0x06A9), (0x06AF, 0x06AF), (0x06BE, 0x06BE), (0x06CC, 0x06CC), (0x06F0, 0x06F9),
    (0x10D0, 0x10FF), (0x1D00, 0x1DBF), (0x1E00, 0x1F15), (0x1F18, 0x1F1D), (0x1F20, 0x1F45),
    (0x1F48, 0x1F4D), (0x1F50, 0x1F57), (0x1F59, 0x1F59), (0x1F5B, 0x1F5B), (0x1F5D, 0x1F5D),
    (0x1F5F, 0x1F7D), (0x1F80, 0x1FB4), (0x1FB6, 0x1FC4), (0x1FC6, 0x1FD3), (0x1FD6, 0x1FDB),
    (0x1FDD, 0x1FEF), (0x1FF2, 0x1FF4), (0x1FF6, 0x1FFE), (0x2010, 0x2027), (0x2030, 0x2040),
    (0x2042, 0x2042), (0x2044, 0x205E), (0x2070, 0x2071), (0x2074, 0x208E), (0x2090, 0x209C),
    (0x20A0, 0x20C0), (0x2100, 0x211E), (0x2120, 0x2120), (0x2122, 0x2122), (0x2124, 0x2124),
    (0x2126, 0x2151), (0x2153, 0x2184), (0x2189, 0x2189), (0x2190, 0x23FF), (0x2422, 0x2423),
    (0x2460, 0x2606), (0x2609, 0x262F), (0x2638, 0x268B), (0x2690, 0x269C), (0x26A0, 0x26A7),
    (0x26AA, 0x26AF), (0x26B2, 0x26B2), (0x2701, 0x2704), (0x2706, 0x2709), (0x270C, 0x2714),
    (0x2717, 0x2726), (0x272A, 0x274B), (0x274D, 0x274D), (0x274F, 0x2752), (0x2756, 0x2756),
    (0x2758, 0x275E), (0x2761, 0x277F), (0x2794, 0x2794), (0x2798, 0x27AF), (0x27B1, 0x2B73),
    (0x2B76, 0x2B95), (0x2B97, 0x2BFF), (0x2C60, 0x2C7F), (0xA720, 0xA727), (0xA72D, 0xA72D),
    (0xA730, 0xA730), (0xA735, 0xA735), (0xA765, 0xA765), (0xA789, 0xA78E), (0xA790, 0xA791),
    (0xA793, 0xA793), (0xA7AA, 0xA7AA), (0xA7F8, 0xA7F9), (0xFB00, 0xFB06), (0xFB13, 0xFB17),
    (0xFB1D, 0xFB1D), (0xFB1F, 0xFB36), (0xFB38, 0xFB3C), (0xFB3E, 0xFB3E), (0xFB40, 0xFB41),
    (0xFB43, 0xFB44), (0xFB46, 0xFB4F), (0xFB52, 0xFB81), (0xFB8A, 0xFB95), (0xFB9E, 0xFB9F),
    (0xFBAA, 0xFBAD), (0xFBE8, 0xFBE9), (0xFBFC, 0xFBFF), (0xFE70, 0xFE74), (0xFE76, 0xFEFC),
    (0xFFFD, 0xFFFD),
)  # fmt: skip
"""First and last code point of each range every character of which can be shown: found by trying each one
with the typesetter's own refusal of missing glyphs, which the tests repeat."""

SPACES = frozenset(" \u00a0\u2009\u202f")
_STARTS = [first for first, _ in RANGES]


def can_show(character: str) -> bool:
    """Whether the printed report has a glyph for the character, or it is a plain space."""
    code = ord(character)
    at = bisect_right(_STARTS, code) - 1
    return character in SPACES or (at >= 0 and code <= RANGES[at][1])


def printable(text: str, also: frozenset[str] = frozenset()) -> str:
    """The text, composed, with a Unicode number in place of each character that cannot be shown. Joiners,
    which show nothing themselves, are dropped.

    Args:
        also: characters that fonts beside the built-in ones show.
    """
    if text.isascii() and text.isprintable():
        return text
    composed = unicodedata.normalize("NFC", text)
    return "".join(one if one in also else _one(one) for one in composed)


def printable_values(value: Any, also: frozenset[str] = frozenset()) -> Any:
    """Plain values (dictionaries, lists and texts, a few levels deep) with every text made printable; the
    keys stay as they are."""
    if isinstance(value, str):
        return printable(value, also)
    if isinstance(value, dict):
        return {key: printable_values(one, also) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [printable_values(one, also) for one in value]
    return value


def lacking(value: Any) -> frozenset[str]:
    """The signs in plain values, composed, that no built-in font shows; white space and joiners left out."""
    signs = set(unicodedata.normalize("NFC", _all_text(value))) - set("\u200c\u200d")
    return frozenset(one for one in signs if not can_show(one) and not one.isspace())


def _all_text(value: Any) -> str:
    """Every text inside plain values, joined."""
    parts: list[str] = []
    waiting = [value]
    while waiting:
        one = waiting.pop()
        if isinstance(one, str):
            parts.append(one)
        elif isinstance(one, dict):
            waiting.extend(one.values())
        elif isinstance(one, (list, tuple)):
            waiting.extend(one)
    return "".join(parts)


def _one(character: str) -> str:
    if can_show(character):
        return character
    if character in "\u200c\u200d":
        return ""
    return f"‹U+{ord(character):04X}›"
