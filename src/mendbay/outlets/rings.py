"""The picture of a drive: a disc whose outer edge is its first sector and whose inner edge is its last.

Each ring is an equal share of the drive's addresses, and its arc is filled, clockwise from the top, by the
share of it in each condition; the order of conditions is always the same. A condition that is there at
all shows at least as a sliver. Every condition has a texture, so the picture reads in black and white. A
range of a drive is drawn the same way, down to a single sector.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from mendbay.core.coverage import Condition
from mendbay.core.quantity import count_text
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.handback.facts import BayFacts
from mendbay.handback.report import bay_words, capital
from mendbay.handback.words import share, size
from mendbay.jobs.drive_rings_port import DriveRings, RingWords

BANDS = 12
OUTER, INNER, CENTRE = 100.0, 30.0, 110.0
SLIVER = 1 / 60
"""The least share of a ring that a condition present in it is drawn as."""

ORDER = ("read", "other", "older", "left", "refused", "waived", "unread")
WORDS = {
    "read": "read",
    "other": "read, for the other half",
    "older": "read, possibly older",
    "left": "left to the other half",
    "refused": "refused",
    "waived": "waived",
    "unread": "unread",
}

LIGHT: Mapping[str, str] = {
    "ground": "#fbf8f2",
    "ink": "#1e2329",
    "teal": "#0f6b73",
    "plum": "#6a3a78",
    "ochre": "#8a6100",
    "slate": "#59636e",
    "sand": "#ddd3c0",
}
"""The colours for paper; a page gives its own as CSS variables, so that they follow its theme."""

CSS: Mapping[str, str] = {name: f"var(--{name})" for name in LIGHT}


@dataclass(frozen=True, slots=True)
class Band:
    """One ring: the addresses it stands for, and the bytes of it in each condition of `ORDER`.

    Args:
        sector_bytes: of a ring of a mere range, which is told by its sectors; 0 to tell it by its size.
    """

    span: Span
    given: tuple[int, ...]
    sector_bytes: int = 0

    def words(self) -> str:
        """The ring as a sentence."""
        return f"{self.place()}: {self.shares()}"

    def place(self) -> str:
        """Where it lies, in words."""
        if not self.sector_bytes:
            return f"{size(self.span.start)} to {size(self.span.stop)}"
        first, last = self.span.start // self.sector_bytes, (self.span.stop - 1) // self.sector_bytes
        if first == last:
            return f"sector {count_text(first)}"
        return f"sectors {count_text(first)} to {count_text(last)}"

    def shares(self) -> str:
        """The share in each condition that is there, in words."""
        return ", ".join(
            f"{share(part, self.span.length)} {WORDS[name]}"
            for name, part in zip(ORDER, self.given, strict=True)
            if part
        )


def bands_of(bay: BayFacts, count: int = BANDS, within: Span | None = None) -> tuple[Band, ...]:
    """The drive cut into `count` ranges of equal size, from the first sector to the last.

    Args:
        within: only this range of it, cut between sectors: into fewer where it has fewer.
    """
    sector = bay.coverage.sector_bytes if within is not None else 0
    if within is None:
        edges = np.array([bay.size_bytes * at // count for at in range(count + 1)], dtype=np.int64)
    else:
        sectors = max(1, -(-within.length // sector))
        count = min(count, sectors)
        cuts = [within.start + sectors * at // count * sector for at in range(count + 1)]
        edges = np.minimum(np.array(cuts, dtype=np.int64), within.stop)
    coverage = bay.coverage
    older = bay.older & coverage.read
    other = (bay.other_half & coverage.read) - older
    left = bay.left & coverage.unread
    sets = {
        "read": coverage.read - older - other,
        "other": other,
        "older": older,
        "left": left,
        Condition.REFUSED.value: coverage.refused,
        Condition.WAIVED.value: coverage.waived,
        Condition.UNREAD.value: coverage.unread - left,
    }
    columns = [_bytes_between(sets[name], edges) for name in ORDER]
    return tuple(
        Band(Span(int(edges[at]), int(edges[at + 1])), tuple(int(column[at]) for column in columns), sector)
        for at in range(count)
    )


def _bytes_between(spans: SpanSet, edges: Int64s) -> Int64s:
    """How many bytes of the set lie between each two neighbouring edges; shape (edges - 1,)."""
    if not spans:
        return np.zeros(edges.size - 1, dtype=np.int64)
    before = np.concatenate((np.zeros(1, np.int64), np.cumsum(spans.stops - spans.starts)))
    count = np.searchsorted(spans.starts, edges, side="right")  # spans begun at or before each edge
    last = np.maximum(count - 1, 0)
    into_last = np.clip(edges - spans.starts[last], 0, spans.stops[last] - spans.starts[last])
    upto: Int64s = np.where(count > 0, before[last] + into_last, 0)
    return np.diff(upto)


def shares_drawn(given: tuple[int, ...]) -> tuple[float, ...]:
    """The share of a ring each condition is drawn as: proportional, but none below `SLIVER` unless absent."""
    total = sum(given)
    if total == 0:
        return tuple(0.0 for _ in given)
    raised = [max(part / total, SLIVER) if part else 0.0 for part in given]
    surplus = sum(raised) - 1
    room = sum(one - SLIVER for one in raised if one > SLIVER)
    return tuple(
        one - surplus * (one - SLIVER) / room if one > SLIVER and room > 0 else one for one in raised
    )


def drive_rings(
    bay: BayFacts,
    key: str,
    *,
    needle_at: int | None = None,
    within: Span | None = None,
    link: Callable[[Span], str] | None = None,
) -> DriveRings:
    """The picture of a drive, or of a range of it, for a page that has our colours as CSS variables.

    Args:
        link: where the ring of a range leads.
    """
    bands = bands_of(bay, within=within)
    there = [name for at, name in enumerate(ORDER) if any(band.given[at] for band in bands)]
    legend = [(swatch_svg(name, key), WORDS[name]) for name in there]
    if any(bay.wanted.overlaps(one.span) for one in bands):
        legend.append((_sign_svg(WANTED_SIGN), "holds wanted files"))
    if needle_at is not None and (within is None or needle_at in within):
        legend.append((_sign_svg(NEEDLE_SIGN), "being read now"))
    return DriveRings(
        rings_svg(bay, key, CSS, needle_at, within, link),
        tuple(RingWords(one.span, one.place(), one.shares(), bay.wanted.overlaps(one.span)) for one in bands),
        tuple(legend),
        _larger(bands),
    )


def _larger(bands: Sequence[Band]) -> str:
    """Of which conditions a ring shows more than there is, with the figures; empty for none."""
    whole = sum(one.span.length for one in bands)
    found = [
        f"{WORDS[name]}, {size(sum(one.given[at] for one in bands))} of {size(whole)}"
        for at, name in enumerate(ORDER)
        if any(0 < one.given[at] < SLIVER * sum(one.given) for one in bands)
    ]
    if not found:
        return ""
    return f"Drawn larger than it is, so that it can be seen: {'; '.join(found)}."


WANTED_SIGN = '<path d="M6 1V11" stroke="var(--ink)" stroke-width="2.2"/>'
NEEDLE_SIGN = (
    '<path d="M11 1L4 8" stroke="var(--ink)" stroke-width="1.2"/><circle cx="4" cy="8" r="2.2" '
    'fill="var(--ink)"/>'
)


def _sign_svg(inside: str) -> str:
    """A sign of the picture that is no condition, for its legend."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 12 12" width="12" height="12" class="swatch" '
        f'aria-hidden="true">{inside}</svg>'
    )


def rings_svg(
    bay: BayFacts,
    key: str,
    colours: Mapping[str, str] = CSS,
    needle_at: int | None = None,
    within: Span | None = None,
    link: Callable[[Span], str] | None = None,
) -> str:
    """The picture as a self-contained SVG element, 220 units square, with a title and a description.

    Args:
        bay: the drive.
        key: letters and digits that no other picture on the page has; they begin its ids.
        colours: `CSS` for a web page that defines the variables, `LIGHT` for paper.
        needle_at: the byte now being read, drawn as a needle from the rim; None for none.
        within: only this range of it.
        link: where the ring of a range leads; the picture is then a group of links, else one picture.
    """
    bands = bands_of(bay, within=within)
    step = (OUTER - INNER) / len(bands)
    rings = []
    for at, band in enumerate(bands):
        outer = OUTER - at * step
        ring = _ring(band, outer, outer - step + 0.8, key, colours)
        rings.append(ring if link is None else _linked(ring, link(band.span), band))
    wanted = _wanted(bay, bands, step, colours)
    shown = within or Span(0, bay.size_bytes)
    is_here = needle_at is not None and (within is None or needle_at in within)
    needle = _needle(shown, needle_at, colours) if is_here and needle_at is not None else ""
    part = "the drive" if within is None else "a range of the drive"
    title = escape(f"{capital(bay_words(bay.bay))}: how far {part} was read")
    story = escape("; ".join(band.words() for band in bands))
    role = "img" if link is None else "group"
    ink = colours["ink"]
    edges = "".join(
        f'<circle cx="110" cy="110" r="{radius:g}" fill="none" stroke="{ink}" stroke-width="0.8"/>'
        for radius in (OUTER + 2, INNER - 4)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 220 220" width="220" height="220" '
        f'class="rings" role="{role}" aria-labelledby="{key}-title {key}-story">'
        f'<title id="{key}-title">{title}</title><desc id="{key}-story">From the outer edge (first sector) '
        f"to the inner edge (last sector): {story}.</desc>"
        f"{_textures(key, colours)}{''.join(rings)}{edges}{wanted}{needle}</svg>"
    )


def _linked(ring: str, url: str, band: Band) -> str:
    """A ring that leads somewhere; the same links stand in the table, so the keyboard passes it by."""
    words = escape(band.words(), {'"': "&quot;"})
    return f'<a href="{escape(url, {chr(34): "&quot;"})}" tabindex="-1" aria-label="{words}">{ring}</a>'


def _textures(key: str, colours: Mapping[str, str]) -> str:
    """The textures of the conditions as patterns; `read` and `unread` are plain."""
    ground, plum, ochre = colours["ground"], colours["plum"], colours["ochre"]
    ink, slate, teal = colours["ink"], colours["slate"], colours["teal"]
    made = (
        _pattern(key, "other", 4, plum, f'<path d="M0 1H4M0 3H4" stroke="{ground}" stroke-width="0.7"/>'),
        _pattern(
            key, "older", 6, ground, f'<path d="M0 1.5H4M2 4.5H6" stroke="{ochre}" stroke-width="1.5"/>'
        ),
        _pattern(key, "left", 6, ground, f'<path d="M3 0V6" stroke="{teal}" stroke-width="0.8"/>'),
        _pattern(
            key, "refused", 3, ground, f'<path d="M0 1.5H3M1.5 0V3" stroke="{ink}" stroke-width="1"/>', 45
        ),
        _pattern(key, "waived", 4, ground, f'<circle cx="2" cy="2" r="0.9" fill="{slate}"/>'),
    )
    return f"<defs>{''.join(made)}</defs>"


def _pattern(key: str, name: str, unit: int, back: str, lines: str, turned: int = 0) -> str:
    turn = f' patternTransform="rotate({turned})"' if turned else ""
    return (
        f'<pattern id="{key}-{name}" width="{unit}" height="{unit}" patternUnits="userSpaceOnUse"{turn}>'
        f'<rect width="{unit}" height="{unit}" fill="{back}"/>{lines}</pattern>'
    )


def swatch_svg(name: str, key: str, colours: Mapping[str, str] = CSS, alone: bool = False) -> str:
    """A small square in the texture of a condition of `ORDER`; the word stands beside it.

    Args:
        key: that of a picture on the same page, whose textures it uses.
        alone: it is a file of its own and brings its textures with it.
    """
    textures = _textures(key, colours) if alone else ""
    fill, edge = _paint(name, key, colours), colours["slate"]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 12 12" width="12" height="12" class="swatch" '
        f'aria-hidden="true">{textures}'
        f'<rect x="0.5" y="0.5" width="11" height="11" fill="{fill}" stroke="{edge}"/></svg>'
    )


def _paint(name: str, key: str, colours: Mapping[str, str]) -> str:
    plain = {"read": colours["teal"], "unread": colours["sand"]}
    return plain.get(name, f"url(#{key}-{name})")


def _ring(band: Band, outer: float, inner: float, key: str, colours: Mapping[str, str]) -> str:
    arcs, turned = [], 0.0
    for name, part in zip(ORDER, shares_drawn(band.given), strict=True):
        if part > 0:
            edge = (
                f' stroke="{colours["slate"]}" stroke-width="0.4"'
                if name in ("waived", "refused", "older", "left")
                else ""
            )
            arcs.append(
                f'<path d="{_arc(outer, inner, turned, turned + part)}" fill="{_paint(name, key, colours)}"'
                f' fill-rule="evenodd"{edge}/>'
            )
            turned += part
    return f"<g><title>{escape(band.words())}</title>{''.join(arcs)}</g>"


def _arc(outer: float, inner: float, start: float, stop: float) -> str:
    """A ring segment from share `start` to share `stop` of a turn, clockwise from the top."""
    if stop - start > 0.9995:
        return "".join(
            f"M{CENTRE:g} {CENTRE - r:g}A{r:g} {r:g} 0 1 1 {CENTRE:g} {CENTRE + r:g}"
            f"A{r:g} {r:g} 0 1 1 {CENTRE:g} {CENTRE - r:g}Z"
            for r in (round(outer, 2), round(inner, 2))
        )
    large = int(stop - start > 0.5)
    (a, b), (c, d) = _point(outer, start), _point(outer, stop)
    (e, f), (g, h) = _point(inner, stop), _point(inner, start)
    return (
        f"M{a:.2f} {b:.2f}A{outer:.2f} {outer:.2f} 0 {large} 1 {c:.2f} {d:.2f}"
        f"L{e:.2f} {f:.2f}A{inner:.2f} {inner:.2f} 0 {large} 0 {g:.2f} {h:.2f}Z"
    )


def _point(radius: float, turn: float) -> tuple[float, float]:
    angle = 2 * math.pi * turn
    return CENTRE + radius * math.sin(angle), CENTRE - radius * math.cos(angle)


def _wanted(bay: BayFacts, bands: tuple[Band, ...], step: float, colours: Mapping[str, str]) -> str:
    """A tick at the top of each ring that holds wanted bytes."""
    ticks = []
    for at, band in enumerate(bands):
        if bay.wanted.overlaps(band.span):
            radius = OUTER - (at + 0.5) * step
            (a, b), (c, d) = _point(radius - step * 0.4, 0), _point(radius + step * 0.4, 0)
            ticks.append(f"M{a:.2f} {b:.2f}L{c:.2f} {d:.2f}")
    if not ticks:
        return ""
    path = "".join(ticks)
    return (
        f'<g><title>rings that hold wanted files</title><path d="{path}" stroke="{colours["ground"]}" '
        f'stroke-width="5"/><path d="{path}" stroke="{colours["ink"]}" stroke-width="2.2"/></g>'
    )


def _needle(shown: Span, at: int, colours: Mapping[str, str]) -> str:
    into = min(max(at - shown.start, 0), shown.length)
    radius = OUTER - (OUTER - INNER) * into / max(shown.length, 1)
    (a, b), (c, d) = _point(OUTER + 8, 0.125), _point(radius, 0.125)
    return (
        f'<g><title>being read: {escape(size(at))}</title><path d="M{a:.2f} {b:.2f}L{c:.2f} {d:.2f}" '
        f'stroke="{colours["ink"]}" stroke-width="1.2"/><circle cx="{c:.2f}" cy="{d:.2f}" r="2.2" '
        f'fill="{colours["ink"]}"/></g>'
    )
