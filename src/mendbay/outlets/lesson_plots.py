"""Shares with their intervals, drawn: a dot for what was counted on a line for what is likely, in per cent.

A full dot on a solid line is of cases enough; an open circle on a dashed line is of too few, and says so in
words. Counts and interval stand beside, so the picture reads without colour, and as text alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

from mendbay.case.lessons import Row
from mendbay.outlets.glyphs import printable
from mendbay.outlets.rings import LIGHT

WIDTH = 640
LEFT, RIGHT = 14, 394
"""Where 0 and 100 per cent stand."""
BESIDE = 412
"""Where the counts begin."""
LINE, DOT_LINE, GAP = 16, 16, 10
LETTERS, WIDE_LETTERS = 92, 46
"""Letters on a line of words at this size: of ordinary writing, and of capitals or signs from elsewhere."""
TICKS = (0, 50, 100)


def lesson_svg(title: str, rows: Sequence[Row], colours: Mapping[str, str] = LIGHT) -> str:
    """Rows as a self-contained SVG, 640 units wide and as high as they need, with a title and, as its
    description, the same in words.

    Names come from outside: they are escaped, and signs that paper cannot print stand as their number.
    """
    marks: list[str] = []
    down, group = 24, ""
    for row in rows:
        if row.group != group:
            group = row.group
            down += GAP // 2
            for line in _lines(group):
                marks.append(_text(LEFT, down + 11, line, colours["ink"], weight="bold"))
                down += LINE
            down += GAP // 5
        for line in _lines(row.what):
            marks.append(_text(LEFT, down + 11, line, colours["ink"]))
            down += LINE
        marks.append(_row(row, down + DOT_LINE / 2, colours))
        down += DOT_LINE + GAP
    height = down + 4
    story = escape("; ".join(words_of(row) for row in rows))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
        f'height="{height}" role="img" font-family="\'Libertinus Serif\', serif" font-size="13">'
        f"<title>{escape(printable(title))}</title><desc>{story}</desc>"
        f'<rect width="{WIDTH}" height="{height}" fill="{colours["ground"]}"/>'
        f"{_axis(colours)}{''.join(marks)}</svg>"
    )


def words_of(row: Row) -> str:
    """A row in words, as the picture's description has it."""
    name = f"{row.group}, {row.what}" if row.group else row.what
    few = "" if row.enough else ", too few to say"
    return f"{printable(name)}: {row.proportion.words()}{few}"


def _lines(text: str) -> list[str]:
    said = printable(text)
    wide = sum(one.isupper() or not one.isascii() for one in said)
    return textwrap.wrap(said, WIDE_LETTERS if 4 * wide > len(said) else LETTERS) or [""]


def _at(share: float) -> float:
    return LEFT + (RIGHT - LEFT) * share


def _axis(colours: Mapping[str, str]) -> str:
    return "".join(
        _text(_at(tick / 100), 14, f"{tick} %", colours["slate"], anchor=_ANCHORS.get(tick, "middle"))
        for tick in TICKS
    )


_ANCHORS = {0: "start", 100: "end"}


def _row(row: Row, middle: float, colours: Mapping[str, str]) -> str:
    low, high = (_at(one) for one in row.proportion.interval)
    dot = _at(row.proportion.share)
    strong = colours["teal"] if row.enough else colours["slate"]
    dashes = "" if row.enough else ' stroke-dasharray="4 3"'
    fill = strong if row.enough else colours["ground"]
    few = "" if row.enough else ", too few to say"
    ticks = "".join(f"M{_at(tick / 100):g} {middle - 8:g}v16" for tick in TICKS)
    return (
        f'<path d="{ticks}M{LEFT} {middle:g}H{RIGHT}" stroke="{colours["sand"]}" stroke-width="1"/>'
        f'<path d="M{low:.1f} {middle:g}H{high:.1f}" stroke="{strong}" stroke-width="2"{dashes}/>'
        f'<path d="M{low:.1f} {middle - 5:g}v10M{high:.1f} {middle - 5:g}v10" stroke="{strong}" '
        f'stroke-width="2"/>'
        f'<circle cx="{dot:.1f}" cy="{middle:g}" r="4.5" fill="{fill}" stroke="{strong}" stroke-width="2"/>'
        + _text(BESIDE, middle + 4, f"{row.proportion.words()}{few}", colours["ink"])
    )


def _text(
    across: float, down: float, words: str, colour: str, anchor: str = "start", weight: str = "normal"
) -> str:
    return (
        f'<text x="{across:g}" y="{down:g}" fill="{colour}" text-anchor="{anchor}" '
        f'font-weight="{weight}">{escape(words)}</text>'
    )
