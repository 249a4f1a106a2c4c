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
SELF_CHECKING = {"Code 39", "ITF"}
"""Standards without a check character of their own: a misread bar mostly gives no text, not a wrong one."""
WITHOUT_CHECK = 0.95
SHORTEST = {"Code 39": 4, "Code 93": 4, "ITF": 8, "Code 128": 3}
"""Characters below which a linear code is taken for bars that happen to fit."""

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


@dataclass(frozen=True, slots=True)
class Code:
    """One code read: `quad` (4, 2) in the picture, in reading order."""

    text: str
    standard: str
    confidence: float
    quad: Quads


@dataclass(frozen=True, slots=True)
class Codes:
    """What was read, and the places of bars that were not, as quads (n, 4, 2)."""

    read: list[Code]
    unread: Quads


def find_codes(grey: Pixels) -> Codes:
    """Everything in a grey picture (rows, columns). Codes are told apart by text and place."""
    found: list[Code] = []
    _add(found, _decoded(grey))
    for part, offset, scale in _closer(grey):
        _add(found, (_moved(one, 1 / scale, offset) for one in _decoded(part)))
    patches = bars(grey)
    unread = []
    for patch in patches:
        if _covered(patch, found):
            continue
        reading = _insisted(grey, patch)
        if reading is not None:
            _add(found, [reading])
        else:
            unread.append(patch)
    return Codes(found[:MOST_CODES], np.array(unread) if unread else geometry.NO_QUADS)


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


def bars(grey: Pixels) -> Quads:
    """Places that look like a linear code, their first side along the code, largest first, at most 24.

    Edges are summed up in blocks as a structure tensor; a place of bars is a patch of strong
    edges that all point one way and whose profile goes up and down at least 28 times.
    """
    block = max(BLOCK, round(max(grey.shape) / 250))
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
    flat = geometry.cut_out(grey, place).astype(np.float32)
    rows = flat.shape[0]
    profile = flat[rows // 4 : max(3 * rows // 4, rows // 4 + 1)].mean(axis=0)
    swing = np.diff(cv2.GaussianBlur(profile[None], (0, 0), 0.8)[0])
    steep = np.abs(swing) > max(float(np.abs(swing).max()) * 0.12, 1.0)
    signs = np.sign(swing[steep])
    return int(np.count_nonzero(np.diff(signs))) + 1 >= FEWEST_EDGES


def _covered(patch: Quads, found: list[Code]) -> bool:
    if not found:
        return False
    boxes = np.stack([_grown(one.quad) for one in found])
    return float(geometry.shared(geometry.boxes(patch[None])[0], boxes).max()) > 0.3


def _insisted(grey: Pixels, patch: Quads) -> Code | None:
    """Tries one place of bars upright, enlarged, in several ways."""
    along = patch[1] - patch[0]
    wide = np.array(
        [patch[0] - along * 0.08, patch[1] + along * 0.08, patch[2] + along * 0.08, patch[3] - along * 0.08]
    )
    flat = geometry.cut_out(grey, wide)
    scale = min(3.0, max(1.0, 1800 / flat.shape[1]))
    for enlarged in (_resized(flat, scale), _averaged(flat, scale)):
        for tried in (enlarged, sharpened(enlarged, 2.0 * scale, 2.0), sharpened(enlarged, 4.0 * scale, 3.0)):
            for binarizer in (zxingcpp.Binarizer.LocalAverage, zxingcpp.Binarizer.GlobalHistogram):
                for one in _decoded(np.pad(tried, 20, mode="edge"), binarizer):
                    quad = patch if one.quad[0, 0] < one.quad[1, 0] else np.roll(patch, 2, axis=0)
                    return Code(one.text, one.standard, one.confidence, quad)
    return None


def _averaged(flat: Pixels, scale: float) -> Pixels:
    """Bars averaged over the middle of their height, which takes out noise that no single line survives."""
    rows = flat.shape[0]
    line = flat[rows // 4 : max(3 * rows // 4, rows // 4 + 1)].mean(axis=0, keepdims=True)
    spread = line - line.min()
    stretched = (spread * (255 / max(float(spread.max()), 1.0))).astype(np.uint8)
    return _resized(np.repeat(stretched, 40, axis=0), scale)
