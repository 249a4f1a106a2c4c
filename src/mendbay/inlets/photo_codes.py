"""Barcodes in a picture: those that can be read, and places that look like bars but could not be.

The whole picture is tried first as it is, then twice as large and sharpened or, if it is large already, in
sharpened tiles. What still looks like bars then, a patch whose edges all point one way, is cut out, set
upright, enlarged and tried with every way the library knows of telling black from white.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from mendbay.inlets import photo_geometry as geometry
from mendbay.inlets.photo_geometry import Pixels, Quads

FORMATS = zxingcpp.barcode_formats_from_str(
    "Code128,Code39,Code93,EAN13,EAN8,UPCA,UPCE,ITF,DataMatrix,QRCode,MicroQRCode,Aztec,PDF417"
)
"""Those found on drives, boards, boxes and their cartons. Codes with weak checks that none of these carry are
left out, because they are also read where there are none."""

SQUARE = {"QR Code", "Micro QR Code", "Aztec"}
MATRIX = SQUARE | {"Data Matrix"}
FRAMED = ("QR Code", "Data Matrix")
"""Square codes whose frame alone tells them from anything else."""
STRETCH = 1.8
"""By how much a picture with such a code unread is drawn out; a tilt of 56 degrees shortens by as much."""
SELF_CHECKING = {"Code 39", "ITF"}
"""Standards without a check character of their own: a misread bar mostly gives no text, not a wrong one."""
WELL_CHECKED = {"Code 128", "Code 93"}
"""Linear standards with check characters that let one misread text in a hundred or fewer pass."""
WITHOUT_CHECK = 0.95
SHORTEST = {"Code 39": 4, "Code 93": 4, "ITF": 8, "Code 128": 3}
"""Characters below which a linear code is taken for bars that happen to fit."""

BINARIZERS = (zxingcpp.Binarizer.LocalAverage, zxingcpp.Binarizer.GlobalHistogram)
BLURS = (0.7, 1.0, 1.3, 1.6, 2.0, 2.4, 2.9, 3.5)
NOISES = (0.0005, 0.003, 0.02)
"""Standard deviations of blur in pixels that are taken back, and shares of noise allowed for (own choice)."""
AGREEING = 2
LINE_SCALE = 4
MOST_SLANT = 0.4
"""By how much of their height bars may slant, to either side."""
FINE_BLOCK = 4

LONGEST_TEXT = 2000
MOST_CODES = 64
WHOLE_PIXELS = 4_500_000
"""Pictures up to this size are doubled whole."""
TILE = 1400
TILE_OVERLAP = 400

BLOCK = 8
"""Least side in pixels of the blocks in which bars are looked for; 1/250 of the picture in larger ones."""
ONE_WAY = 0.72
"""How much more of the edges in a patch of bars must point along one axis than along the other, 0 to 1."""
FEWEST_EDGES = 28
"""A linear code of four characters has at least this many edges; the pins of a chip mostly have fewer."""
MOST_PATCHES = 24
FLATTEST = 1 / 15
EVEN = 0.2
"""Height of a linear code's bars as a share of its length, and spread of the distances between its edges as a
share of their mean, below which it is taken for a row of pins (set on drawn boards and labels)."""


@dataclass(frozen=True, slots=True)
class Code:
    """One code read: `quad` (4, 2) in the picture, in reading order."""

    text: str
    standard: str
    confidence: float
    quad: Quads


@dataclass(frozen=True, slots=True)
class Codes:
    """What was read, and the places of bars that were not, as quads (n, 4, 2); `squares` are standards of
    square codes of which one was recognised but not read, nobody knows where."""

    read: list[Code]
    unread: Quads
    squares: tuple[str, ...] = ()


def find_codes(grey: Pixels) -> Codes:
    """Everything in a grey picture (rows, columns). Codes are told apart by text and place."""
    found: list[Code] = []
    _add(found, _decoded(grey))
    for part, offset, scale in _closer(grey):
        _add(found, (_moved(one, 1 / scale, offset) for one in _decoded(part)))
    unread: list[Quads] = []
    for patch in _patches(grey):
        if _covered(patch, found) or any(_within(one, patch.mean(axis=0)) for one in unread):
            continue
        reading = _insisted(grey, patch)
        if reading is not None:
            _add(found, [reading])
        else:
            unread.append(patch)
    squares = _unread_squares(grey, found)
    if squares:
        for stretched, back in _stretched_ways(grey):
            _add(found, (_mapped(one, back) for one in _decoded(stretched) if one.standard in squares))
        squares = tuple(one for one in squares if all(other.standard != one for other in found))
    unread = [one for one in unread if not _covered(one, found)]
    return Codes(found[:MOST_CODES], np.array(unread) if unread else geometry.NO_QUADS, squares)


def _patches(grey: Pixels) -> Iterator[Quads]:
    """Places of bars at the scale of the picture, then, if it may be doubled, those it was too coarse for."""
    yield from bars(grey)
    if grey.size <= WHOLE_PIXELS:
        doubled = _resized(grey, 2.0)
        for patch in bars(doubled, BLOCK):
            if not _is_pins(doubled, patch):
                yield patch / 2


def _unread_squares(grey: Pixels, found: list[Code]) -> tuple[str, ...]:
    """Standards of which the library made out a code's frame, but not its cells, and none was read."""
    answers = zxingcpp.read_barcodes(np.ascontiguousarray(grey), formats=FORMATS, return_errors=True)
    seen = {
        str(one.format)
        for one in answers
        if not one.valid and one.error is not None and one.error.type == zxingcpp.ErrorType.Format
    }
    read = {one.standard for one in found}
    return tuple(one for one in FRAMED if one in seen and one not in read)


def _stretched_ways(grey: Pixels) -> Iterator[tuple[Pixels, NDArray[np.float64]]]:
    """The picture drawn out along four directions, as if seen less from the side, and how places map back
    (2 x 3)."""
    rows, columns = grey.shape
    for degrees in (0, 45, 90, 135):
        turn = np.radians(degrees)
        along = np.array([np.cos(turn), np.sin(turn)])
        forward = np.eye(2) + (STRETCH - 1) * np.outer(along, along)
        corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]]) @ forward.T
        low = corners.min(axis=0)
        size = tuple(int(part) for part in np.ceil(np.ptp(corners, axis=0)))
        matrix = np.hstack([forward, -low[:, None]])
        drawn = cv2.warpAffine(
            grey, matrix, (size[0], size[1]), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        back = np.linalg.inv(forward)
        yield np.asarray(drawn, np.uint8), np.hstack([back, (back @ low)[:, None]])


def _mapped(one: Code, matrix: NDArray[np.float64]) -> Code:
    return Code(one.text, one.standard, one.confidence, one.quad @ matrix[:, :2].T + matrix[:, 2])


def _closer(grey: Pixels) -> Iterator[tuple[Pixels, NDArray[np.float64], float]]:
    """Parts of the picture sharpened for a second look: pixels, the part's place and its scale."""
    rows, columns = grey.shape
    if grey.size <= WHOLE_PIXELS:
        yield sharpened(_resized(grey, 2.0)), np.zeros(2), 2.0
        return
    for tile in geometry.tiles(rows, columns, TILE, TILE_OVERLAP):
        part = grey[tile]
        if part.std() > 4:
            yield sharpened(part), np.array([tile[1].start, tile[0].start], np.float64), 1.0


def _resized(grey: Pixels, scale: float) -> Pixels:
    way = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=way), np.uint8)


def sharpened(grey: Pixels, radius: float = 2.0, amount: float = 1.2) -> Pixels:
    """The picture with its edges made steeper (unsharp mask)."""
    soft = cv2.GaussianBlur(grey, (0, 0), radius)
    return np.asarray(cv2.addWeighted(grey, 1 + amount, soft, -amount, 0), np.uint8)


def _decoded(grey: Pixels, binarizer: zxingcpp.Binarizer = zxingcpp.Binarizer.LocalAverage) -> Iterator[Code]:
    answers = zxingcpp.read_barcodes(
        np.ascontiguousarray(grey), formats=FORMATS, text_mode=zxingcpp.TextMode.Plain, binarizer=binarizer
    )
    for one in answers[:MOST_CODES]:
        standard = str(one.format)
        text = readable(one.text).strip()
        if not one.valid or not text or len(text) < SHORTEST.get(standard, 1) or len(text) > LONGEST_TEXT:
            continue
        place = one.position
        corners = (place.top_left, place.top_right, place.bottom_right, place.bottom_left)
        quad = np.array([(corner.x, corner.y) for corner in corners], np.float64)
        yield Code(text, standard, WITHOUT_CHECK if standard in SELF_CHECKING else 1.0, quad)


def readable(text: str) -> str:
    """Control characters made visible, one for one: the separators some codes carry become the signs Unicode
    has for them (U+2400 and on)."""
    return "".join(
        chr(0x2400 + ord(one)) if ord(one) < 0x20 else "␡" if one == "\x7f" else one for one in text
    )


def _moved(one: Code, scale: float, offset: NDArray[np.float64]) -> Code:
    return Code(one.text, one.standard, one.confidence, one.quad * scale + offset)


def _add(found: list[Code], more: Iterable[Code]) -> None:
    """Adds what is not there yet; the same text at another place is another code."""
    for one in more:
        same = [other for other in found if other.text == one.text and other.standard == one.standard]
        if same:
            others = geometry.boxes(np.stack([other.quad for other in same]))
            if float(geometry.shared(_grown(one.quad), others).max()) > 0.2:
                continue
        found.append(one)


def _grown(quad: Quads) -> NDArray[np.float64]:
    """The bounding box with a margin: the quad of a linear code may be a line."""
    box = geometry.boxes(quad[None])[0]
    margin = 0.1 * max(box[2] - box[0], box[3] - box[1])
    return np.asarray(box + np.array([-margin, -margin, margin, margin]))


def bars(grey: Pixels, block: int = 0) -> Quads:
    """Places that look like a linear code, their first side along the code, largest first, at most 24, found
    in blocks of so many pixels.

    Edges are summed up in blocks as a structure tensor; a place of bars is a patch of strong
    edges that all point one way and whose profile goes up and down at least 28 times.
    """
    block = block or max(BLOCK, round(max(grey.shape) / 250))
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.8)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    xx, yy, xy = (_blocks(one, block) for one in (across * across, down * down, across * down))
    total = xx + yy
    limit = max(float(np.percentile(total, 99)) * 0.08, 150.0)
    # a single line, such as a frame beside the code, is at most two blocks wide and goes in the opening
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (3, 3))
    filled = cv2.morphologyEx((total > limit).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    strong = cv2.morphologyEx(filled, cv2.MORPH_OPEN, kernel)
    xx, yy, xy = (np.asarray(cv2.blur(one, (3, 3)), np.float32) for one in (xx, yy, xy))
    one_way = np.hypot(xx - yy, 2 * xy) / np.maximum(xx + yy, 1e-6)
    mask = ((one_way > ONE_WAY) & (strong > 0)).astype(np.uint8)
    count, labels, figures, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    largest = np.argsort(-figures[1:, cv2.CC_STAT_AREA])[:MOST_PATCHES] + 1
    places = []
    for number in largest[: count - 1]:
        place = _place(labels == number, xx, yy, xy, block)
        if place is not None and _has_bars(grey, place):
            places.append(place)
    return np.array(places) if places else geometry.NO_QUADS


def _blocks(values: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    rows, columns = (side // block for side in values.shape)
    cut = values[: rows * block, : columns * block].reshape(rows, block, columns, block)
    return np.asarray(cut.mean(axis=(1, 3)), np.float32)


def _place(
    chosen: NDArray[np.bool_],
    xx: NDArray[np.float32],
    yy: NDArray[np.float32],
    xy: NDArray[np.float32],
    block: int,
) -> Quads | None:
    """The rectangle around a patch, set along the direction in which its grey changes; None if too small."""
    if chosen.sum() < 12:
        return None
    turn = 0.5 * np.arctan2(2 * xy[chosen].sum(), (xx[chosen] - yy[chosen]).sum())
    along = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-along[1], along[0]])
    rows, columns = np.nonzero(chosen)
    points = np.stack([columns, rows], axis=1) * block + block / 2
    a, s = points @ along, points @ side
    # seen from the side the bars lean: their ends then run along a line that is not square to them
    lean = float(np.cov(a, s)[0, 1] / max(float(a.var()), 1e-9))
    low_a, high_a = np.percentile(a, [1, 99]) + np.array([-block, block])
    low_s, high_s = np.percentile(s - lean * a, [4, 96]) + np.array([-block / 2, block / 2])
    if high_s - low_s < 12 or high_a - low_a < 60 or high_a - low_a < 1.2 * (high_s - low_s):
        return None
    ends = [(low_a, low_s), (high_a, low_s), (high_a, high_s), (low_a, high_s)]
    return np.array([at * along + (lean * at + off) * side for at, off in ends])


def _has_bars(grey: Pixels, place: Quads) -> bool:
    """Whether the grey along the place goes up and down often enough, the same way over its height."""
    return len(_edges_along(grey, place)) + 1 >= FEWEST_EDGES


def _edges_along(grey: Pixels, place: Quads) -> NDArray[np.int64]:
    """Where the grey along the middle of a place turns from rising to falling or back, in pixels."""
    flat = geometry.cut_out(grey, place).astype(np.float32)
    rows = flat.shape[0]
    profile = flat[rows // 4 : max(3 * rows // 4, rows // 4 + 1)].mean(axis=0)
    swing = np.diff(cv2.GaussianBlur(profile[None], (0, 0), 0.8)[0])
    steep = np.flatnonzero(np.abs(swing) > max(float(np.abs(swing).max()) * 0.12, 1.0))
    return np.asarray(steep[np.flatnonzero(np.diff(np.sign(swing[steep])))])


def _is_pins(grey: Pixels, place: Quads) -> bool:
    """Whether what looks like bars is a row of a chip's pins: low for its length, or evenly spaced."""
    wide, high = (float(part[0]) for part in geometry.sizes(place[None]))
    gaps = np.diff(_edges_along(grey, place))
    return high < FLATTEST * wide or float(gaps.std()) < EVEN * float(gaps.mean())


def _covered(patch: Quads, found: list[Code]) -> bool:
    """Whether a code that was read lies there. Upright boxes would not do: those of two slanting codes one
    below the other overlap."""
    middle = patch.mean(axis=0)
    return any(
        _overlap(patch, one.quad) > 0.3 or _within(patch, one.quad.mean(axis=0)) or _within(one.quad, middle)
        for one in found
    )


def _overlap(one: Quads, other: Quads) -> float:
    """The area two places share, as a share of the smaller one's."""
    hulls = [cv2.convexHull(quad.astype(np.float32)) for quad in (one, other)]
    least = min(cv2.contourArea(hull) for hull in hulls)
    if least < 1:
        return 0.0
    return float(cv2.intersectConvexConvex(hulls[0], hulls[1])[0]) / least


def _within(quad: Quads, point: NDArray[np.float64]) -> bool:
    hull = cv2.convexHull(quad.astype(np.float32))
    return cv2.pointPolygonTest(hull, (float(point[0]), float(point[1])), measureDist=False) >= 0


def _insisted(grey: Pixels, patch: Quads) -> Code | None:
    """Tries one place of bars upright, enlarged, in several ways."""
    along = patch[1] - patch[0]
    wide = np.array(
        [patch[0] - along * 0.08, patch[1] + along * 0.08, patch[2] + along * 0.08, patch[3] - along * 0.08]
    )
    flat = geometry.cut_out(grey, wide)
    scale = min(3.0, max(1.0, 1800 / flat.shape[1]))
    enlarged = _resized(flat, scale)
    for tried in (enlarged, sharpened(enlarged, 2.0 * scale, 2.0), sharpened(enlarged, 4.0 * scale, 3.0)):
        for binarizer in BINARIZERS:
            for one in _decoded(np.pad(tried, 20, mode="edge"), binarizer):
                return _at(one, patch)
    return _unblurred(flat, patch)


def _at(one: Code, patch: Quads) -> Code:
    """A code read from the flat cut of a patch, at its place in the picture."""
    quad = patch if one.quad[0, 0] < one.quad[1, 0] else np.roll(patch, 2, axis=0)
    return Code(one.text, one.standard, one.confidence, quad)


def _unblurred(flat: Pixels, patch: Quads) -> Code | None:
    """Reads the bars as one line, averaged over their height, with blur of several widths taken back.

    The averaging leaves so little noise that this much sharpening does not drown in it. A standard with no
    check character, or only a check digit, counts when two such tries agree and none says otherwise: a wrong
    width may make other bars of it.
    """
    line = _averaged(_tightened(flat))
    seen: dict[tuple[str, str], int] = {}
    for width in BLURS:
        for noise in NOISES:
            picture = np.repeat(_stretched(_deblurred(line, width, noise))[None], 40, axis=0)
            for binarizer in BINARIZERS:
                for one in _decoded(np.pad(picture, ((0, 0), (40, 40)), mode="edge"), binarizer):
                    key = (one.standard, one.text)
                    seen[key] = seen.get(key, 0) + 1
                    if one.standard in WELL_CHECKED or (seen[key] >= AGREEING and len(seen) == 1):
                        return _at(one, patch)
    return None


def _tightened(flat: Pixels) -> Pixels:
    """The cut of a patch without what lies above and below its bars, whose ends may slope; the cut itself if
    they are not found."""
    smooth = cv2.GaussianBlur(flat, (0, 0), 0.6)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    if min(flat.shape) < 4 * FINE_BLOCK:
        return flat
    xx, yy = (cv2.blur(_blocks(one * one, FINE_BLOCK), (5, 1)) for one in (across, down))
    strong = xx > 0.15 * float(np.percentile(xx, 95))
    upright = ((xx > 3 * yy) & strong).astype(np.uint8)
    mask = cv2.morphologyEx(upright, cv2.MORPH_CLOSE, np.ones((1, 5), np.uint8))
    count, labels, figures, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 2:
        return flat
    chosen = labels == int(np.argmax(figures[1:, cv2.CC_STAT_AREA])) + 1
    columns = np.flatnonzero(chosen.sum(axis=0) >= 2)
    if columns.size < 8:
        return flat
    tops = chosen[:, columns].argmax(axis=0)
    bottoms = len(chosen) - chosen[::-1, columns].argmax(axis=0)
    margin = max(round(0.08 * np.ptp(columns)), 2)
    ends = np.array([columns[0] - margin, columns[-1] + 1 + margin], np.float64)
    top, bottom = (
        _line_at(np.asarray(columns + 0.5, np.float64), edge.astype(np.float64), ends)
        for edge in (tops, bottoms)
    )
    if float((bottom - top).min()) < 2:
        return flat
    quad = np.array([(ends[0], top[0]), (ends[1], top[1]), (ends[1], bottom[1]), (ends[0], bottom[0])])
    return geometry.cut_out(flat, quad * FINE_BLOCK)


def _line_at(
    places: NDArray[np.float64], values: NDArray[np.float64], wanted: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A straight line through values, those far from it left out, at the wanted places."""
    kept = np.ones(len(places), bool)
    fit = np.array([0.0, float(np.median(values))])
    for allowed in (6.0, 2.0, 1.0):
        if np.count_nonzero(kept) < 4:
            break
        fit = np.polyfit(places[kept], values[kept], 1)
        kept = np.abs(np.polyval(fit, places) - values) <= allowed
    return np.asarray(np.polyval(fit, wanted))


def _averaged(flat: Pixels) -> NDArray[np.float64]:
    """The grey along the bars, averaged over the middle of their height, LINE_SCALE steps to the pixel.

    Bars that do not stand quite upright would smear each other: of many slants the one is taken under which
    the average has the steepest edges.
    """
    rows, columns = flat.shape
    middle = flat[rows // 8 : max(7 * rows // 8, rows // 8 + 1)].astype(np.float64)
    offsets = np.linspace(-0.5, 0.5, len(middle))
    at = np.arange(columns * LINE_SCALE) / LINE_SCALE
    places = np.arange(columns)
    best, steepest = np.empty(0), -1.0
    reach = max(round(MOST_SLANT * rows * 2), 8)
    for slant in np.arange(-reach, reach + 1) / 2:
        shifted = [np.interp(at + slant * by, places, row) for by, row in zip(offsets, middle, strict=True)]
        line = np.mean(shifted, axis=0)
        steepness = float(np.square(np.diff(line)).sum())
        if steepness > steepest:
            best, steepest = line, steepness
    return best


def _deblurred(line: NDArray[np.float64], width: float, noise: float) -> NDArray[np.float64]:
    """The line with a Gaussian blur of `width` pixels taken back by Wiener's filter, `noise` the share of
    the noise in the power."""
    edge = 16 * LINE_SCALE
    padded = np.pad(line, edge, mode="edge")
    frequency = np.fft.rfftfreq(len(padded))
    blur = np.exp(-2 * (np.pi * frequency * width * LINE_SCALE) ** 2)
    sharp = np.fft.irfft(np.fft.rfft(padded) * blur / (blur**2 + noise), len(padded))
    return np.asarray(sharp[edge:-edge])


def _stretched(line: NDArray[np.float64]) -> Pixels:
    low, high = np.percentile(line, [2, 98])
    return np.asarray(np.clip((line - low) * (255 / max(float(high - low), 1e-6)), 0, 255), np.uint8)
