"""Takes the texts of a picture apart into fields: captions, values, and which belongs to which.

A caption stands before its value in the same text (`S/N: K-0113`), or as a text of its own to the left of
it or above it, as labels are commonly printed (common practice, no source). A code may hold several fields
and prefixes of its own. A number broken over two texts is offered as one, too.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot

from mendbay.board.confusable import STROKE
from mendbay.board.fit import LONGEST_NUMBER, Read, read_of
from mendbay.board.number_form import Caption, Kind
from mendbay.board.sighting import Corners, How, Sighting

_MOST_TOKENS = 24
_LONGEST_CODE = 1024
_MOST_IN_RUN = 5
"""Blank-separated words one number can have."""
_MISREAD = {
    "I": "[Il1]",
    "L": "[Ll]",
    "O": "[O0]",
    "S": "[S5]",
    "B": "[B8]",
    "Z": "[Z2]",
    " ": " ?",
    "1": "[1I]",
}
_AFTER_CAPTION = re.compile(r"[ .]?[:#=]? ?")
_BETWEEN_FIELDS = re.compile(r"[\x00-\x1f\x7f;|]+")
_EDGE = " ,:;()*#="


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one text (or of two joined ones) that may hold values, and what its caption says.

    `glued` says that the caption was taken from the value's own first letters, which may be wrong.
    `sightings` are indices into the sightings that were taken apart, `piece` counts the pieces of a code that
    are set apart from each other.
    """

    read: Read
    kinds: tuple[Kind, ...]
    sightings: tuple[int, ...]
    piece: int = 0
    glued: bool = False

    def runs(self) -> list[tuple[int, int, int, int]]:
        """Every run of words that could be one number: first and past-last word, first and past-last
        character."""
        words = [found.span() for found in re.finditer(r"[^ ]+", self.read.symbols)][:_MOST_TOKENS]
        return [
            (first, last + 1, words[first][0], words[last][1])
            for first in range(len(words))
            for last in range(first, min(first + _MOST_IN_RUN, len(words)))
            if words[last][1] - words[first][0] <= LONGEST_NUMBER
        ]


class Captions:
    """Finds captions in texts.

    Args:
        captions: longest first.
    """

    def __init__(self, captions: Sequence[Caption]) -> None:
        self._written = [one for one in captions if not one.in_barcodes]
        self._in_codes = [one for one in captions if one.in_barcodes]
        self._glued = [one for one in self._written if one.glued and len(one.text) > 1]
        branches = "|".join(f"(?P<c{index}>{_loose(one.text)})" for index, one in enumerate(self._written))
        self._pattern = re.compile(rf"(?:(?<=^)|(?<=[ ,(/]))(?:{branches or '(?!)'})(?=\.?[ :#=]|\.?$)")
        self._starts = [(re.compile(_loose(one.text)), one) for one in self._glued]

    def segments(self, sighting: Sighting, index: int) -> tuple[list[Segment], tuple[Kind, ...]]:
        """The segments of a sighting, and the kinds its last caption announces if nothing follows it."""
        found: list[Segment] = []
        waiting: tuple[Kind, ...] = ()
        for number, piece in enumerate(_pieces(sighting)):
            read = read_of(piece)
            place = (index, number)
            kinds: tuple[Kind, ...] = ()
            start = 0
            for match in self._pattern.finditer(read.symbols):
                self._add(found, read, start, match.start(), kinds, place)
                caption = self._written[int(str(match.lastgroup)[1:])]
                start, kinds = match.end(), caption.kinds
                after = _AFTER_CAPTION.match(read.symbols, start)
                start = after.end() if after else start
            followed = self._add(found, read, start, len(read.symbols), kinds, place)
            waiting = () if followed else kinds
            if waiting and found:  # `3907029168 LBA`: the word belongs to what stands before it
                found.append(Segment(read, (), (index,), number, glued=True))
            if kinds == () and start == 0:
                found += self._behind_glued(sighting.how, read, place)
        return found, waiting

    @staticmethod
    def _add(
        found: list[Segment],
        read: Read,
        start: int,
        stop: int,
        kinds: tuple[Kind, ...],
        place: tuple[int, int],
    ) -> bool:
        while start < stop and read.symbols[start] in _EDGE:
            start += 1
        while start < stop and read.symbols[stop - 1] in _EDGE:
            stop -= 1
        if start < stop:
            found.append(Segment(read.cut(start, stop), kinds, place[:1], place[1]))
        return start < stop

    def _behind_glued(self, how: How, read: Read, place: tuple[int, int]) -> Iterable[Segment]:
        """What is left behind a caption or prefix that the value follows at once."""
        if how is How.BARCODE:
            starts = [(len(one.text), one) for one in self._in_codes if read.symbols.startswith(one.text)]
        else:
            matches = [(pattern.match(read.symbols), one) for pattern, one in self._starts]
            starts = [(match.end(), one) for match, one in matches if match]
        for length, caption in starts[:3]:
            rest = read.cut(length, len(read.symbols))
            if len(rest.symbols) >= 3:
                yield Segment(rest, caption.kinds, place[:1], place[1], glued=True)


def _loose(text: str) -> str:
    """A caption as it may be read."""
    return "".join(_MISREAD.get(one, re.escape(one)) for one in text)


def _pieces(sighting: Sighting) -> list[Sighting]:
    """The fields of a code that are set apart by control characters or the like; a text as it is."""
    if sighting.how is not How.BARCODE:
        return [sighting]
    pieces = [one.strip() for one in _BETWEEN_FIELDS.split(sighting.text[:_LONGEST_CODE])][:_MOST_TOKENS]
    return [
        Sighting(sighting.picture, one, sighting.how, sighting.confidence, sighting.corners)
        for one in pieces
        if one
    ]


_SAME_LOOK = str.maketrans("OQDILSBZG" + STROKE, "000115826" + "1")


def look(symbols: str) -> str:
    """A text with lookalikes made the same, without blanks and dashes: two readings of one number mostly
    agree in it."""
    return symbols.replace(" ", "").replace("-", "").translate(_SAME_LOOK)


@dataclass(frozen=True, slots=True)
class _Box:
    """A text's place: middles of its left and right edges, direction of reading, and height."""

    left: tuple[float, float]
    right: tuple[float, float]
    along: tuple[float, float]
    height: float


def _box(corners: Corners) -> _Box | None:
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    left, right = ((ax + dx) / 2, (ay + dy) / 2), ((bx + cx) / 2, (by + cy) / 2)
    wide = hypot(right[0] - left[0], right[1] - left[1])
    height = (hypot(dx - ax, dy - ay) + hypot(cx - bx, cy - by)) / 2
    if not (wide > 0 and height > 0 and wide < 1e7 and height < 1e7):
        return None
    return _Box(left, right, ((right[0] - left[0]) / wide, (right[1] - left[1]) / wide), height)


class Places:
    """Which text stands beside or below which, in the direction they are read in."""

    def __init__(self, sightings: Sequence[Sighting]) -> None:
        self._boxes = [_box(one.corners) for one in sightings]
        self._by_picture: dict[str, list[int]] = {}
        for index, one in enumerate(sightings):
            if one.how is How.TEXT and self._boxes[index] is not None:
                self._by_picture.setdefault(one.picture, []).append(index)
        self._picture = [one.picture for one in sightings]

    def beside(self, index: int, most_gap: float) -> int | None:
        """The next text on the same line, at most `most_gap` heights away, or None."""
        return self._nearest(index, (-0.5, most_gap), (-0.5, 0.5), from_right=True)

    def below(self, index: int) -> int | None:
        """The text on the next line that begins where this one begins, or None."""
        return self._nearest(index, (-2.0, 2.0), (0.6, 2.2), from_right=False)

    def _nearest(
        self, index: int, along: tuple[float, float], across: tuple[float, float], from_right: bool
    ) -> int | None:
        """The nearest text whose left edge lies in a window, in heights of this text, from one of its
        edges."""
        here = self._boxes[index]
        if here is None:
            return None
        x, y = here.right if from_right else here.left
        best: tuple[float, int] | None = None
        for other in self._by_picture.get(self._picture[index], ()):
            there = self._boxes[other]
            if other == index or there is None or not 0.5 < there.height / here.height < 2:
                continue
            dx, dy = (there.left[0] - x) / here.height, (there.left[1] - y) / here.height
            forth = dx * here.along[0] + dy * here.along[1]
            down = dy * here.along[0] - dx * here.along[1]
            if along[0] <= forth <= along[1] and across[0] <= down <= across[1]:
                far = hypot(dx, dy)
                if best is None or far < best[0]:
                    best = (far, other)
        return None if best is None else best[1]
