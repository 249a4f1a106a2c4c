"""The picture of a ROM: its blocks row by row, the first byte top left, each in the texture of what it holds.

The height of the bar in a cell is its entropy, so that code and compressed data differ without colour too.
Blocks whose bytes stand earlier already carry a notch; the words below name the ranges.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.sax.saxutils import escape

from mendbay.board.rom_map import Grain, RomMap, map_words
from mendbay.outlets.rings import CSS

COLUMNS = 32
CELL, LEFT, TOP = 9, 52, 6
MOST_ENTROPY = 8.0
_STEP = 18
_MOST_SAID = 40


def rom_svg(rom: RomMap, key: str, colours: Mapping[str, str] = CSS) -> str:
    """The picture as a self-contained SVG element with a title, a description and its own key in words.

    Args:
        rom: the map; at most 4096 blocks.
        key: letters and digits that no other picture on the page has; they begin its ids.
        colours: names of the palette to colours, as `rings.CSS` (for a page) or `rings.LIGHT` (for paper).

    Raises:
        ValueError: more blocks than can be drawn.
    """
    blocks = int(rom.grains.size)
    if blocks > 4096:
        raise ValueError("a picture has at most 4096 blocks; make the map with larger ones")
    rows = -(-blocks // COLUMNS)
    names = list(Grain)
    present = [one for one in names if names.index(one) in set(rom.grains.tolist())]
    has_repeats = rom.repeated_blocks > 0
    body = TOP + rows * CELL + 8
    height = body + _STEP * (-(-(len(present) + has_repeats) // 2)) + 4
    width = LEFT + COLUMNS * CELL + 6
    cells = "".join(
        _cell(rom, at, names[grain], key, colours) for at, grain in enumerate(rom.grains.tolist())
    )
    lines = map_words(rom)
    story = "; ".join(lines[:_MOST_SAID]) + ("; and so on" if len(lines) > _MOST_SAID else "")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" class="rom-map" role="img" aria-labelledby="{key}-title {key}-story" '
        f'font-family="monospace" font-size="8">'
        f'<title id="{key}-title">What the ROM holds, {rom.block} bytes a cell</title>'
        f'<desc id="{key}-story">{escape(story)}.</desc>{_textures(key, colours)}'
        f"{_offsets(rom, rows, colours)}{cells}{_legend(present, has_repeats, body, key, colours)}</svg>"
    )


def _textures(key: str, colours: Mapping[str, str]) -> str:
    ground = colours["ground"]
    made = {
        Grain.ZERO: f'<circle cx="1.5" cy="1.5" r="0.7" fill="{colours["slate"]}"/>',
        Grain.SPARSE: f'<path d="M0 3L3 0" stroke="{colours["slate"]}" stroke-width="0.8"/>',
        Grain.PLAIN: f'<path d="M0 1.5H3" stroke="{colours["ochre"]}" stroke-width="1.3"/>',
        Grain.DENSE: f'<rect width="3" height="3" fill="{colours["plum"]}"/>'
        f'<path d="M1.5 0V3" stroke="{ground}" stroke-width="0.6"/>',
    }
    patterns = "".join(
        f'<pattern id="{key}-{grain.name.lower()}" width="3" height="3" patternUnits="userSpaceOnUse">'
        f'<rect width="3" height="3" fill="{ground}"/>{lines}</pattern>'
        for grain, lines in made.items()
    )
    return f"<defs>{patterns}</defs>"


def _paint(grain: Grain, key: str, colours: Mapping[str, str]) -> str:
    if grain is Grain.ERASED:
        return colours["ground"]
    return colours["teal"] if grain is Grain.CODE else f"url(#{key}-{grain.name.lower()})"


def _cell(rom: RomMap, at: int, grain: Grain, key: str, colours: Mapping[str, str]) -> str:
    left, top = LEFT + at % COLUMNS * CELL, TOP + at // COLUMNS * CELL
    repeats = int(rom.first[at]) != at
    return _drawn(left, top, grain, float(rom.entropy[at]), repeats, key, colours)


def _drawn(
    left: float, top: float, grain: Grain, entropy: float, repeats: bool, key: str, colours: Mapping[str, str]
) -> str:
    inner = CELL - 1
    full = grain in (Grain.ERASED, Grain.ZERO, Grain.SPARSE)
    tall = inner if full else max(2.0, inner * entropy / MOST_ENTROPY)
    frame = (
        f'<rect x="{left:g}" y="{top:g}" width="{inner}" height="{inner}" fill="none" '
        f'stroke="{colours["sand"]}" stroke-width="0.5"/>'
    )
    bar = (
        f'<rect x="{left:g}" y="{top + inner - tall:.4g}" width="{inner}" height="{tall:.3g}" '
        f'fill="{_paint(grain, key, colours)}"/>'
    )
    notch = (
        f'<path d="M{left + inner - 4:g} {top:g}h4v4z" fill="{colours["ink"]}" '
        f'stroke="{colours["ground"]}" stroke-width="0.5"/>'
        if repeats
        else ""
    )
    return bar + frame + notch


def _offsets(rom: RomMap, rows: int, colours: Mapping[str, str]) -> str:
    every = max(1, rows // 8)
    return "".join(
        f'<text x="{LEFT - 5}" y="{TOP + row * CELL + CELL - 2}" text-anchor="end" fill="{colours["slate"]}">'
        f"{row * COLUMNS * rom.block:06X}</text>"
        for row in range(0, rows, every)
    )


def _legend(present: list[Grain], has_repeats: bool, top: int, key: str, colours: Mapping[str, str]) -> str:
    entropies = {Grain.PLAIN: 4.0, Grain.CODE: 6.0, Grain.DENSE: 8.0}
    rows: list[tuple[Grain, bool, str]] = [(one, False, one.value) for one in present]
    if has_repeats:
        rows.append((Grain.ERASED, True, "same bytes as an earlier block"))
    said = []
    for at, (grain, repeats, words) in enumerate(rows):
        left, down = LEFT + at % 2 * 146, top + at // 2 * _STEP
        said.append(_drawn(left, down, grain, entropies.get(grain, 0.0), repeats, key, colours))
        said.append(
            f'<text x="{left + 13}" y="{down + 7}" font-family="sans-serif" fill="{colours["ink"]}">'
            f"{escape(words)}</text>"
        )
    return "".join(said)
