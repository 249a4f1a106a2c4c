"""The picture of a ROM: above, how evenly its bytes are spread, as one curve from the first byte to the last;
below, a line for each region with its words and a bar that stands where the region lies, drawn to scale.

Bars have a texture for each kind of content, so that they differ without colour too; a thin frame on the line
of a region whose bytes stand earlier already shows where.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from xml.sax.saxutils import escape

from mendbay.board.rom_map import Grain, RomMap, Stretch, map_words
from mendbay.outlets.rings import CSS

MOST_ENTROPY = 8.0
MOST_BLOCKS = 4096
LEAST_PERCENT = 0.5
"""A bar is never thinner, else it could not be seen."""
CURVE_HEIGHT, BAR_HEIGHT = 48, 12
_LINE, _TOP, _WORDS, _WIDTH = 20, 18, 530, 420
_MOST_SAID = 40


@dataclass(frozen=True, slots=True)
class RegionDrawn:
    """A line: from which byte to which, what is there in words, and its bar: SVG elements that fill whatever
    they stand in."""

    place: str
    words: str
    bar: str


@dataclass(frozen=True, slots=True)
class RomDrawn:
    """The parts of the picture, as SVG elements.

    Args:
        textures: what the bars are filled with; once on the page, before them.
        curve: for a box of 0 to 100 by 0 to `CURVE_HEIGHT`, stretched to any width.
        curve_words: the same for those who do not see it.
        regions: in the order of their bytes.
        total: a sentence on the whole.
    """

    textures: str
    curve: str
    curve_words: str
    regions: tuple[RegionDrawn, ...]
    total: str


def rom_drawn(rom: RomMap, key: str, colours: Mapping[str, str] = CSS) -> RomDrawn:
    """The parts of the picture, for a page that puts them in their places.

    Args:
        rom: the map; at most 4096 blocks.
        key: letters and digits that no other picture on the page has; they begin its ids.
        colours: names of the palette to colours, as `rings.CSS` (for a page) or `rings.LIGHT` (for paper).

    Raises:
        ValueError: more blocks than can be drawn.
    """
    if rom.grains.size > MOST_BLOCKS:
        raise ValueError(f"a picture has at most {MOST_BLOCKS} blocks; make the map with larger ones")
    *lines, total = map_words(rom)
    regions = []
    for one, line in zip(rom.stretches, lines, strict=True):
        place, _, words = line.partition(": ")
        regions.append(RegionDrawn(place, words, _bar(rom, one, key, colours)))
    least, most = float(rom.entropy.min()), float(rom.entropy.max())
    curve_words = (
        f"Entropy from the first byte on the left to the last on the right, in blocks of {rom.block} bytes: "
        f"between {least:.2f} and {most:.2f} bits a byte"
    )
    return RomDrawn(_textures(key, colours), _curve(rom, colours), curve_words, tuple(regions), total)


def rom_svg(rom: RomMap, key: str, colours: Mapping[str, str] = CSS) -> str:
    """The whole picture as a self-contained SVG element with a title and a description. Arguments and raises
    as `rom_drawn`."""
    drawn = rom_drawn(rom, key, colours)
    below = _TOP + CURVE_HEIGHT + 14
    width, height = _WORDS + _WIDTH + 12, below + _LINE * (len(drawn.regions) + 1) + 6
    lines = "".join(
        f'<text x="6" y="{below + at * _LINE + 11}"><tspan font-family="monospace">{one.place}</tspan>'
        f"  {escape(one.words)}</text>"
        f'<svg x="{_WORDS}" y="{below + at * _LINE}" width="{_WIDTH}" height="{BAR_HEIGHT}">{one.bar}</svg>'
        for at, one in enumerate(drawn.regions)
    )
    said = [f"{one.place}: {one.words}" for one in drawn.regions]
    more = ["and so on"] if len(said) > _MOST_SAID else []
    story = "; ".join([*said[:_MOST_SAID], *more, drawn.total])
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" role="img" aria-labelledby="{key}-title {key}-story" '
        f'font-family="sans-serif" font-size="11" fill="{colours["ink"]}">'
        f'<title id="{key}-title">What the ROM holds, and where</title>'
        f'<desc id="{key}-story">{escape(story)}.</desc>{drawn.textures}'
        f'<text x="6" y="{_TOP + 8}">{MOST_ENTROPY:g} bits a byte</text>'
        f'<text x="6" y="{_TOP + CURVE_HEIGHT}">0 bits a byte</text>'
        f'<svg x="{_WORDS}" y="{_TOP}" width="{_WIDTH}" height="{CURVE_HEIGHT}" '
        f'viewBox="0 0 100 {CURVE_HEIGHT}" preserveAspectRatio="none">{drawn.curve}</svg>{lines}'
        f'<text x="6" y="{height - 8}">{escape(drawn.total)}</text></svg>'
    )


def _textures(key: str, colours: Mapping[str, str]) -> str:
    ground = colours["ground"]
    made = {
        Grain.ZERO: f'<circle cx="2" cy="2" r="0.9" fill="{colours["slate"]}"/>',
        Grain.SPARSE: f'<path d="M0 4L4 0" stroke="{colours["slate"]}" stroke-width="1"/>',
        Grain.PLAIN: f'<path d="M0 2H4" stroke="{colours["ochre"]}" stroke-width="1.8"/>',
        Grain.DENSE: f'<rect width="4" height="4" fill="{colours["plum"]}"/>'
        f'<path d="M2 0V4" stroke="{ground}" stroke-width="0.7"/>',
    }
    patterns = "".join(
        f'<pattern id="{key}-{grain.name.lower()}" width="4" height="4" patternUnits="userSpaceOnUse">'
        f'<rect width="4" height="4" fill="{ground}"/>{lines}</pattern>'
        for grain, lines in made.items()
    )
    return f"<defs>{patterns}</defs>"


def _paint(grain: Grain, key: str, colours: Mapping[str, str]) -> str:
    if grain is Grain.ERASED:
        return colours["ground"]
    return colours["teal"] if grain is Grain.CODE else f"url(#{key}-{grain.name.lower()})"


def _percent(rom: RomMap, start: int, stop: int) -> tuple[float, float]:
    """Where a range begins, and how much of the ROM it is; seen whole also if it is small and last."""
    wide = max(LEAST_PERCENT, 100 * (stop - start) / rom.size)
    return min(100 * start / rom.size, 100 - wide), wide


def _bar(rom: RomMap, one: Stretch, key: str, colours: Mapping[str, str]) -> str:
    left, wide = _percent(rom, one.start, one.stop)
    middle = BAR_HEIGHT // 2
    twin = ""
    if one.repeats is not None:
        at, long = _percent(rom, one.repeats, one.repeats + one.stop - one.start)
        twin = (
            f'<rect x="{at:.4g}%" y="2.5" width="{long:.4g}%" height="{BAR_HEIGHT - 5}" fill="none" '
            f'stroke="{colours["ink"]}" stroke-width="1"/>'
        )
    return (
        f'<rect y="{middle - 0.5}" width="100%" height="1" fill="{colours["sand"]}"/>{twin}'
        f'<rect x="{left:.4g}%" y="0.5" width="{wide:.4g}%" height="{BAR_HEIGHT - 1}" '
        f'fill="{_paint(one.grain, key, colours)}" stroke="{colours["slate"]}" stroke-width="1"/>'
    )


def _curve(rom: RomMap, colours: Mapping[str, str]) -> str:
    """Flat over each block, as its entropy is of all of it."""
    points = []
    for at, bits in enumerate(rom.entropy.tolist()):
        down = CURVE_HEIGHT - (CURVE_HEIGHT - 2) * bits / MOST_ENTROPY
        start, stop = (min(100.0, 100 * edge * rom.block / rom.size) for edge in (at, at + 1))
        points.append(f"{start:.5g} {down:.4g}L{stop:.5g} {down:.4g}")
    line = "L".join(points)
    return (
        f'<rect width="100" height="{CURVE_HEIGHT}" fill="{colours["ground"]}"/>'
        f'<path d="M0 {CURVE_HEIGHT}L{line}L100 {CURVE_HEIGHT}Z" fill="{colours["sand"]}"/>'
        f'<path d="M{line}" fill="none" stroke="{colours["ink"]}" stroke-width="1.5" '
        'vector-effect="non-scaling-stroke"/>'
    )
