"""Barcodes in a picture: those that can be read, and places that look like bars but could not be.

The whole picture is tried first as it is, then twice as large and sharpened or, if it is large already, in
sharpened tiles. What still looks like bars then (`photo_bars.py`) is cut out, set upright, enlarged and tried
with every way the library knows of telling black from white, and last as one line with blur taken back. A
square code of which only the frame was made out is tried again in the picture drawn out, as if it were seen
less from the side.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from mendbay.board.sighting_text import UNFIT
from mendbay.inlets import photo_bars
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

LONGEST_TEXT = 2000
MOST_CODES = 64
"""Codes taken from one picture; of more, how many is told."""
MOST_INSISTED = 20
"""Places of bars tried in every way; a picture with more of them shows no label."""
WHOLE_PIXELS = 4_500_000
"""Pictures up to this size are doubled whole."""
TILE = 1400
TILE_OVERLAP = 400


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
    square codes of which one was recognised but not read, nobody knows where; `beyond` is how many more were
    read than are taken."""

    read: list[Code]
    unread: Quads
    squares: tuple[str, ...] = ()
    beyond: int = 0


def find_codes(grey: Pixels) -> Codes:
    """Everything in a grey picture (rows, columns). Codes are told apart by text and place."""
    found: list[Code] = []
    _add(found, _decoded(grey))
    for part, offset, scale in _closer(grey):
        _add(found, (_moved(one, 1 / scale, offset) for one in _decoded(part)))
    unread: list[Quads] = []
    insisted = 0
    for patch in _patches(grey):
        if _covered(patch, found) or any(_within(one, patch.mean(axis=0)) for one in unread):
            continue
        insisted += 1
        reading = _insisted(grey, patch) if insisted <= MOST_INSISTED else None
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
    places = np.array(unread) if unread else geometry.NO_QUADS
    return Codes(found[:MOST_CODES], places, squares, max(0, len(found) - MOST_CODES))


def _patches(grey: Pixels) -> Iterator[Quads]:
    """Places of bars at the scale of the picture, then, if it may be doubled, those it was too coarse for."""
    yield from photo_bars.bars(grey)
    if grey.size <= WHOLE_PIXELS:
        doubled = _resized(grey, 2.0)
        for patch in photo_bars.bars(doubled, photo_bars.BLOCK):
            if not photo_bars.is_pins(doubled, patch):
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
    for one in answers:  # the library gives 255 at most
        standard = str(one.format)
        text = readable(one.text).strip()
        if not one.valid or not text or len(text) < SHORTEST.get(standard, 1) or len(text) > LONGEST_TEXT:
            continue
        place = one.position
        corners = (place.top_left, place.top_right, place.bottom_right, place.bottom_left)
        quad = np.array([(corner.x, corner.y) for corner in corners], np.float64)
        yield Code(text, standard, WITHOUT_CHECK if standard in SELF_CHECKING else 1.0, quad)


def readable(text: str) -> str:
    """A text with all that cannot be shown made visible, one for one: the separators some codes carry become
    the signs Unicode has for them (U+2400 and on), what has no such sign U+FFFD."""
    return UNFIT.sub(lambda found: _sign(found[0]), text)


def _sign(unfit: str) -> str:
    return chr(0x2400 + ord(unfit)) if ord(unfit) < 0x20 else "␡" if unfit == "\x7f" else "\ufffd"


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
    line = photo_bars.averaged(photo_bars.tightened(flat))
    seen: dict[tuple[str, str], int] = {}
    for width in BLURS:
        for noise in NOISES:
            picture = np.repeat(_stretched(photo_bars.deblurred(line, width, noise))[None], 40, axis=0)
            for binarizer in BINARIZERS:
                for one in _decoded(np.pad(picture, ((0, 0), (40, 40)), mode="edge"), binarizer):
                    key = (one.standard, one.text)
                    seen[key] = seen.get(key, 0) + 1
                    if one.standard in WELL_CHECKED or (seen[key] >= AGREEING and len(seen) == 1):
                        return _at(one, patch)
    return None


def _stretched(line: NDArray[np.float64]) -> Pixels:
    low, high = np.percentile(line, [2, 98])
    return np.asarray(np.clip((line - low) * (255 / max(float(high - low), 1e-6)), 0, 255), np.uint8)
