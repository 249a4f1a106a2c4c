"""How well a picture was taken, in figures, and what to do better next time.

Each figure is measured where it matters, at the writing that was found, and over the whole picture where
none was. The limits were set on drawn pictures spoilt in known ways (`benchmarks/pictures.py` prints how
often they name the right fault); they have no other source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from mendbay.board.sighting import Corners, PictureFault, Trouble
from mendbay.inlets import photo_geometry as geometry
from mendbay.inlets.photo_codes import MATRIX, SQUARE, Code, Codes
from mendbay.inlets.photo_geometry import Pixels, Quads
from mendbay.inlets.photo_text import Line


@dataclass(frozen=True, slots=True)
class Figures:
    """What was measured.

    Args:
        brightness: the 99th percentile of grey, 0 to 255.
        contrast: median over the writing of the span between its ink and its ground, in steps of grey.
        glare: the share of the scene that is lit to white in one patch without any edge, 0 to 1.
        glare_place: the largest such patch; None if there is none.
        edge: over how many pixels an edge of the writing rises, median; of the sharpest edges if there is no
            writing. 0 if there are no edges.
        height: of the writing in pixels, the median over its lines; 0 without writing.
        lowest: the tenth percentile of the same.
        lean: by how many degrees lines that are parallel in the scene, or square to each other, are not so
            in the picture; a square code seen shorter than wide counts as if it leant by as much.
        extent: the share of the picture within which its strong edges lie, 0 to 1.
        weak: the share of characters read with less than 0.8 confidence; 1 without writing.
    """

    brightness: float
    contrast: float
    glare: float
    glare_place: Quads | None
    edge: float
    height: float
    lowest: float
    lean: float
    extent: float
    weak: float
    lines: int
    codes: int
    unread: int
    side: int
    """The longer side of the picture in pixels."""


def measure(grey: Pixels, lines: Sequence[Line], codes: Codes) -> Figures:
    """Measures a grey picture (rows, columns) in which these lines and codes were found."""
    quads = np.stack([one.quad for one in lines]) if lines else geometry.NO_QUADS
    places = [*quads, *(one.quad for one in codes.read), *codes.unread]
    glare, glare_place = _glare(grey, np.array(places) if places else geometry.NO_QUADS)
    heights = geometry.sizes(quads)[1] * INK_OF_PLACE
    spans, edges = _at_writing(grey, quads)
    characters = np.array([sure for one in lines for sure in one.characters])
    return Figures(
        brightness=float(np.percentile(grey, 99)),
        contrast=float(np.median(spans)) if spans.size else 0.0,
        glare=glare,
        glare_place=glare_place,
        edge=float(np.median(edges)) if edges.size else _sharpest(grey),
        height=float(np.median(heights)) if heights.size else 0.0,
        lowest=float(np.percentile(heights, 10)) if heights.size else 0.0,
        lean=max(_lean(grey, quads), _lean_of_codes(codes.read)),
        extent=_extent(grey),
        weak=float((characters < 0.8).mean()) if characters.size else 1.0,
        lines=len(lines),
        codes=len(codes.read),
        unread=len(codes.unread) + len(codes.squares),
        side=max(grey.shape),
    )


ENOUGH = 5
"""Places from which on what they surround counts as the scene; the rest of the picture is of no account."""

INK_OF_PLACE = 0.62
"""Height of capitals as a share of the height of the place the finder gives: it adds a margin."""

MOST_MEASURED = 60

COMPASS = [(float(np.cos(turn)), float(np.sin(turn))) for turn in np.arange(8) * np.pi / 8]


def _at_writing(grey: Pixels, quads: Quads) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Span of grey and rise of the edges, in steps and pixels, for each line."""
    spans, edges = [], []
    for quad in quads[:MOST_MEASURED]:
        crop = geometry.cut_out(grey, quad).astype(np.float32)
        if min(crop.shape) < 6:
            continue
        span, edge = _rise(crop)
        spans.append(span)
        edges.append(edge)
    return np.array(spans), np.array(edges)


def _rise(crop: NDArray[np.float32]) -> tuple[float, float]:
    """The span of grey in a crop and over how many pixels its steepest edges rise by that much. A moving hand
    blurs one way only, so the slopes are taken along eight directions and the flattest of them counts."""
    calm = cv2.GaussianBlur(crop, (0, 0), 0.7)
    low, high = np.percentile(calm, [3, 97])
    span = float(high - low)
    across = (calm[1:-1, 2:] - calm[1:-1, :-2]) / 2
    down = (calm[2:, 1:-1] - calm[:-2, 1:-1]) / 2
    slopes = [float(np.percentile(np.abs(across * x + down * y), 99)) for x, y in COMPASS]
    return span, span / max(min(slopes), 0.05)


def _sharpest(grey: Pixels) -> float:
    """The rise of the sharper of the picture's strong edges, in pixels, along the direction in which they are
    least sharp; 0 without strong edges."""
    calm = cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)
    across, down = (cv2.Sobel(calm, cv2.CV_32F, x, 1 - x) / 8 for x in (1, 0))
    window = np.ones((41, 41), np.uint8)
    span = cv2.dilate(calm, window) - cv2.erode(calm, window)
    strong = span > max(0.5 * float(np.percentile(span, 99)), 8)
    if np.count_nonzero(strong) < 500:
        return 0.0
    across, down, span = across[strong], down[strong], span[strong]
    slopes = [float(np.percentile(np.abs(across * x + down * y) / span, 98)) for x, y in COMPASS]
    return 1 / max(min(slopes), 0.01)


def _glare(grey: Pixels, places: Quads) -> tuple[float, Quads | None]:
    """The share of the scene that shines, and where most; the scene is what surrounds all places, or all."""
    small = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    side = max(round(min(small.shape) / 28) | 1, 5)
    white = (small >= WHITE).astype(np.uint8)
    patches = cv2.morphologyEx(white, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    count, _, figures, _ = cv2.connectedComponentsWithStats(patches)
    scene = np.ones_like(small)
    if len(places) >= ENOUGH:
        scene[:] = 0
        hull = cv2.convexHull((places.reshape(-1, 2) / 4).astype(np.int32))
        cv2.fillConvexPoly(scene, hull, 1)
        scene = cv2.dilate(scene, np.ones((31, 31), np.uint8))
    patches = np.minimum(patches, scene)
    if count < 2 or not patches.any():
        return 0.0, None
    best = int(np.argmax(figures[1:, cv2.CC_STAT_AREA])) + 1
    left, top, width, height = (int(figures[best, at]) * 4 for at in range(4))
    place = np.array(
        [[left, top], [left + width, top], [left + width, top + height], [left, top + height]], float
    )
    return float(patches.sum() / scene.sum()), place


def _lean(grey: Pixels, quads: Quads) -> float:
    """How far straight edges are from being parallel and square, in degrees.

    Long straight edges are sorted into those along the text and those across it. Edges that are parallel in
    the scene meet somewhere in a picture taken from the side: their angle then changes steadily over the
    picture, and both kinds are no longer square to each other. The worst of the three is returned.
    """
    scale = min(1.0, 1000 / max(grey.shape))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    found = cv2.createLineSegmentDetector().detect(cv2.GaussianBlur(small, (0, 0), 0.8))[0]
    if found is None:
        return 0.0
    ends = found.reshape(-1, 4).astype(np.float64)
    vectors = ends[:, 2:] - ends[:, :2]
    lengths = np.hypot(*vectors.T)
    long = lengths > 0.035 * max(small.shape)
    ends, vectors, lengths = ends[long], vectors[long], lengths[long]
    if len(ends) < 6:
        return 0.0
    directions = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0]))
    if len(quads):
        axis = geometry.common_line(geometry.angles(quads), geometry.sizes(quads)[0])
    else:
        axis = geometry.common_line(directions, lengths)
    middle = (ends[:, :2] + ends[:, 2:]) / 2
    spread = float(np.ptp(middle, axis=0).max())
    along = _family(directions, axis, 16)
    rest = ~_family(directions, axis, 20)
    other = geometry.common_line(directions[rest], lengths[rest] ** 2)
    across = rest & _family(directions, other, 20)
    if across.sum() < 3 or along.sum() < 3:
        return 0.0
    meet, square = [], []
    for chosen, base in ((along, axis), (across, other)):
        off = (directions[chosen] - base + 90) % 180 - 90
        side = np.radians(base + 90)
        place = middle[chosen] @ np.array([np.cos(side), np.sin(side)])
        slope, centre = _fitted(place, off, lengths[chosen])
        meet.append(abs(slope) * spread)
        square.append(base + centre)
    lean = abs((square[1] - square[0]) % 180 - 90)
    return float(max(*meet, lean))


def _lean_of_codes(codes: Sequence[Code]) -> float:
    """The same figure from the corners of square codes, which tell more than any other place."""
    worst = 0.0
    for one in codes:
        if one.standard not in MATRIX:
            continue
        quad = one.quad[None]
        across = float(geometry.angles(np.roll(quad, -1, axis=1))[0] - geometry.angles(quad)[0])
        lean = abs(across % 180 - 90)
        if one.standard in SQUARE:
            wide, high = (float(part[0]) for part in geometry.sizes(quad))
            lean = max(lean, 90 - 2 * float(np.degrees(np.arctan(min(wide, high) / max(wide, high, 1e-9)))))
        worst = max(worst, lean)
    return worst


def _extent(grey: Pixels) -> float:
    small = cv2.GaussianBlur(
        cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (0, 0), 1.0
    )
    slope = cv2.magnitude(cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1))
    rows, columns = np.nonzero(slope > max(0.3 * float(np.percentile(slope, 99.9)), 1.0))
    if not rows.size:
        return 0.0
    sides = [float(np.diff(np.percentile(one, [1, 99]))[0]) for one in (rows, columns)]
    return sides[0] * sides[1] / small.size


def _family(directions: NDArray[np.float64], axis: float, within: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs((directions - axis + 90) % 180 - 90) < within)


def _fitted(
    place: NDArray[np.float64], angle: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[float, float]:
    """Slope and value in the middle of a straight line through angles over places, outliers left out in
    three rounds."""
    slope, centre, middle = 0.0, float(np.median(angle)), float(np.average(place, weights=weight))
    used = weight**2
    for allowed in (30.0, 12.0, 6.0, 4.0):
        kept = np.where(np.abs(angle - centre - slope * (place - middle)) < allowed, used, 0)
        if np.count_nonzero(kept) < 3:
            break
        middle = float(np.average(place, weights=kept))
        centre = float(np.average(angle, weights=kept))
        away = place - middle
        variance = float((kept * away**2).sum())
        slope = float((kept * away * (angle - centre)).sum() / variance) if variance > 1e-9 else 0.0
    return slope, centre


WHITE = 251
"""Grey from which on a place counts as lit to white."""

DARK_BELOW = 22.0
FAINT_BELOW = 15.0
GLARE_ABOVE = 0.006
SOFT_ABOVE = 5.5
SOFT_SHARE = 0.16
SOFTER_SHARE = 0.2
SOFTER_ABOVE = 4.2
SMALLEST_SHARE = 0.28
"""Limit on the share of an edge in the height of the smallest writing, where edges are over SOFTER_ABOVE."""
SOFTEST_SHARE = 0.3
SOFT_SIDE = 2000
"""Longer side in pixels of the pictures the limits on edges are for; in larger ones edges may be as much
wider, unless they take up SOFTEST_SHARE of the writing."""
SMALL_BELOW = 9.0
SMALLEST_BELOW = 7.2
LEAN_ABOVE = 30.0
WITHOUT_WRITING_SOFT = 10.0
"""Where no writing was found, edges must be this soft for blur to be the reason."""
EXTENT_BELOW = 0.2
"""Share of the picture that something without legible writing must cover not to be too far away."""
WEAK_ABOVE = 0.08

ADVICE = {
    PictureFault.DARK: "Photograph it again in more light, from a lamp at the side rather than the flash.",
    PictureFault.GLARE: "Photograph it again without flash, lit from the side, so that nothing shines.",
    PictureFault.BLURRED: "Photograph it again with the phone held or propped still, and let it focus first.",
    PictureFault.SMALL: "Photograph it again from nearer, so that the label or board fills the picture.",
    PictureFault.OBLIQUE: "Photograph it again square on, with the phone level over the middle of it.",
    PictureFault.CROWDED: "Photograph it again in parts, so that each picture holds fewer codes.",
    PictureFault.EMPTY: "Photograph the label or the board itself, near enough that its writing can be read.",
}


def judge(figures: Figures, unread: Quads) -> tuple[Trouble, ...]:
    """The faults of a picture, worst first; none if what is missing from its sightings can be taken as not
    being there.

    A picture in which nothing is over its limit but bars or many characters could not be read has the fault
    that comes nearest to its limit; `unread` are those bars (n, 4, 2).
    """
    found = figures.lines + figures.codes > 0
    closeness = _closeness(figures)
    over = sorted((one for one in closeness if closeness[one] > 1), key=lambda one: -closeness[one])
    if not found and not over:
        return (_trouble(PictureFault.EMPTY, figures, None),)
    troubles = [_trouble(one, figures, None) for one in over]
    if not figures.unread and (figures.weak <= WEAK_ABOVE or over):
        return tuple(troubles)
    nearest = over[0] if over else max(closeness, key=lambda one: closeness[one])
    for patch in unread[:3]:
        troubles.append(_trouble(nearest, figures, patch, "bars here could not be read, "))
    if figures.unread > len(unread):
        troubles.append(_trouble(nearest, figures, None, "a square code could not be read, "))
    if not troubles:
        share = round(100 * figures.weak)
        troubles.append(_trouble(nearest, figures, None, f"{share} % of the characters are uncertain, "))
    return tuple(troubles)


def crowded(codes: Codes) -> tuple[Trouble, ...]:
    """The trouble of a picture with more codes than are taken, if it has."""
    if not codes.beyond:
        return ()
    taken = len(codes.read)
    measured = f"{taken + codes.beyond} codes were read, of which {taken} are taken"
    return (Trouble(PictureFault.CROWDED, measured, ADVICE[PictureFault.CROWDED]),)


def _closeness(figures: Figures) -> dict[PictureFault, float]:
    """How near each figure comes to its limit: above 1 it is over it."""
    dark = DARK_BELOW / max(figures.brightness, 1.0)
    if figures.lines:
        dark = max(dark, FAINT_BELOW / max(figures.contrast, 0.5))
        share = figures.edge / figures.height
        # of the same scene more pixels make wider edges, but no softer picture
        edge = figures.edge / max(1.0, figures.side / SOFT_SIDE)
        soft = max(
            min(edge / SOFT_ABOVE, share / SOFT_SHARE),
            min(edge / SOFTER_ABOVE, share / SOFTER_SHARE),
            min(edge / SOFTER_ABOVE, figures.edge / figures.lowest / SMALLEST_SHARE),
            min(figures.edge / SOFTER_ABOVE, share / SOFTEST_SHARE),
        )
        small = max(SMALL_BELOW / figures.height, SMALLEST_BELOW / figures.lowest)
        if figures.lines < ENOUGH and figures.extent > 0:
            # from afar only the largest writing is found, and its height says nothing of the rest
            small = max(small, EXTENT_BELOW / figures.extent)
    else:
        soft = figures.edge / WITHOUT_WRITING_SOFT
        small = EXTENT_BELOW / figures.extent if figures.extent > 0 and soft <= 1 else 0.0
    return {
        PictureFault.DARK: dark,
        PictureFault.GLARE: figures.glare / GLARE_ABOVE,
        PictureFault.BLURRED: soft,
        PictureFault.SMALL: small,
        PictureFault.OBLIQUE: figures.lean / LEAN_ABOVE,
    }


def _trouble(fault: PictureFault, figures: Figures, place: Quads | None, before: str = "") -> Trouble:
    measured = {
        PictureFault.DARK: f"brightness {figures.brightness:.0f} of at least {DARK_BELOW:.0f} "
        f"(white is 255), contrast of the writing {figures.contrast:.0f} of at least {FAINT_BELOW:.0f}",
        PictureFault.GLARE: f"{100 * figures.glare:.1f} % lit to white, of at most {100 * GLARE_ABOVE:.1f} %",
        PictureFault.BLURRED: f"the edges of the writing are {figures.edge:.0f} pixels wide; sharp ones "
        f"are at most {SOFT_ABOVE:.0f}",
        PictureFault.SMALL: f"writing {figures.height:.0f} pixels high, the smallest "
        f"{figures.lowest:.0f}, of at least {SMALL_BELOW:.0f} and {SMALLEST_BELOW:.0f}"
        if figures.lines
        else f"what there is covers {100 * figures.extent:.0f} % of the picture, of at least "
        f"{100 * EXTENT_BELOW:.0f} %",
        PictureFault.OBLIQUE: f"edges lean by {figures.lean:.0f} degrees, of at most {LEAN_ABOVE:.0f}",
        PictureFault.EMPTY: "no code and no writing found",
    }[fault]
    if fault is PictureFault.GLARE and place is None:
        place = figures.glare_place
    return Trouble(fault, before + measured, ADVICE[fault], None if place is None else as_corners(place))


def as_corners(quad: Quads) -> Corners:
    """A quad as the record has it, to a tenth of a pixel."""
    one, two, three, four = ((round(float(x), 1), round(float(y), 1)) for x, y in quad)
    return one, two, three, four
