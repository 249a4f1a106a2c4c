"""Shares with their intervals, drawn: a dot for what was counted on a line for what is likely, in per cent.

A full dot on a solid line is of cases enough; an open circle on a dashed line is of too few, and says so in
words. Counts and interval stand beside, so the picture reads without colour, and as text alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from mendbay.case.lessons import Row
from mendbay.outlets.glyphs import printable
from mendbay.outlets.rings import LIGHT

WIDTH = 640
LEFT, RIGHT = 14, 394
"""Where 0 and 100 per cent stand on paper."""
LINE, DOT_LINE, GAP = 16, 16, 10


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a picture is made for. Letters are 13 units high.

    Args:
        width: in units.
        right: where 100 per cent stands.
        beside: where the counts begin; None where they stand below their line.
        letters, wide_letters: on a line of words: of ordinary writing, and of capitals or signs from
            elsewhere.
    """

    width: int
    right: int
    beside: int | None
    letters: int
    wide_letters: int


PAPER = Sheet(WIDTH, RIGHT, 412, 92, 46)
SCREEN = Sheet(WIDTH, 336, 352, 74, 43)
"""The letters of screens are wider than those of paper."""
NARROW = Sheet(332, 318, None, 36, 21)
"""As wide as a telephone leaves it, unit for pixel, so that nothing is moved sideways or shrinks."""
TICKS = (0, 50, 100)


def lesson_svg(
    title: str, rows: Sequence[Row], colours: Mapping[str, str] = LIGHT, sheet: Sheet = PAPER
) -> str:
    """Rows as a self-contained SVG, as wide as its sheet (units) and as high as they need, with a title and,
    as its description, the same in words.

    Names come from outside: they are escaped, and signs that paper cannot print stand as their number.
    """
    marks: list[str] = []
    down, group = 24, ""
    for row in rows:
        if row.group != group:
            group = row.group
            down += GAP // 2
            for line in _lines(group, sheet):
                marks.append(_text(LEFT, down + 11, line, colours["ink"], weight="bold"))
                down += LINE
            down += GAP // 5
        for line in _lines(row.what, sheet):
            marks.append(_text(LEFT, down + 11, line, colours["ink"]))
            down += LINE
        marks.append(_row(row, down + DOT_LINE / 2, colours, sheet))
        down += DOT_LINE
        if sheet.beside is None:
            marks.append(_text(LEFT, down + 13, _counts(row), colours["ink"]))
            down += LINE + GAP // 2
        down += GAP
    height = down + 4
    story = escape("; ".join(words_of(row) for row in rows))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {sheet.width} {height}" width="{sheet.width}" '
        f'height="{height}" role="img" font-family="\'Libertinus Serif\', serif" font-size="13">'
        f"<title>{escape(printable(title))}</title><desc>{story}</desc>"
        f'<rect width="{sheet.width}" height="{height}" fill="{colours["ground"]}"/>'
        f"{_axis(colours, sheet)}{''.join(marks)}</svg>"
    )


def words_of(row: Row) -> str:
    """A row in words, as the picture's description has it."""
    name = f"{row.group}, {row.what}" if row.group else row.what
    return f"{printable(name)}: {_counts(row)}"


def _counts(row: Row) -> str:
    return f"{row.proportion.words()}{'' if row.enough else ', too few to say'}"


def _lines(text: str, sheet: Sheet) -> list[str]:
    said = printable(text)
    if 0 < len(said) <= sheet.wide_letters and said.isprintable() and said.strip() == said:
        return [said]  # short enough in any letters: most are
    wide = sum(one.isupper() or not one.isascii() for one in said)
    return textwrap.wrap(said, sheet.wide_letters if 4 * wide > len(said) else sheet.letters) or [""]


def _at(share: float, sheet: Sheet) -> float:
    return LEFT + (sheet.right - LEFT) * share


def _axis(colours: Mapping[str, str], sheet: Sheet) -> str:
    return "".join(
        _text(_at(tick / 100, sheet), 14, f"{tick} %", colours["slate"], anchor=_ANCHORS.get(tick, "middle"))
        for tick in TICKS
    )


_ANCHORS = {0: "start", 100: "end"}


def _row(row: Row, middle: float, colours: Mapping[str, str], sheet: Sheet) -> str:
    low, high = (_at(one, sheet) for one in row.proportion.interval)
    dot = _at(row.proportion.share, sheet)
    strong = colours["teal"] if row.enough else colours["slate"]
    dashes = "" if row.enough else ' stroke-dasharray="4 3"'
    fill = strong if row.enough else colours["ground"]
    ticks = "".join(f"M{_at(tick / 100, sheet):g} {middle - 8:g}v16" for tick in TICKS)
    beside = "" if sheet.beside is None else _text(sheet.beside, middle + 4, _counts(row), colours["ink"])
    return (
        f'<path d="{ticks}M{LEFT} {middle:g}H{sheet.right}" stroke="{colours["sand"]}" stroke-width="1"/>'
        f'<path d="M{low:.1f} {middle:g}H{high:.1f}" stroke="{strong}" stroke-width="2"{dashes}/>'
        f'<path d="M{low:.1f} {middle - 5:g}v10M{high:.1f} {middle - 5:g}v10" stroke="{strong}" '
        f'stroke-width="2"/>'
        f'<circle cx="{dot:.1f}" cy="{middle:g}" r="4.5" fill="{fill}" stroke="{strong}" stroke-width="2"/>'
        f"{beside}"
    )


def _text(
    across: float, down: float, words: str, colour: str, anchor: str = "start", weight: str = "normal"
) -> str:
    return (
        f'<text x="{across:g}" y="{down:g}" fill="{colour}" text-anchor="{anchor}" '
        f'font-weight="{weight}">{escape(words)}</text>'
    )
