"""Bars in a picture: places that look like a linear code, and the one line of grey that all bars of a place
share, with blur taken back.

Nothing here knows how codes are read; `photo_codes.py` does.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from mendbay.inlets import photo_geometry as geometry
from mendbay.inlets.photo_geometry import Pixels, Quads

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

LINE_SCALE = 4
MOST_SLANT = 0.4
"""By how much of their height bars may slant, to either side."""
FINE_BLOCK = 4
MOST_ROWS = 120
MOST_COLUMNS = 1600
MOST_SLANTS = 128
"""Rows averaged, columns kept, and slants tried to either side, so that a huge place costs no more time."""


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


def is_pins(grey: Pixels, place: Quads) -> bool:
    """Whether what looks like bars is a row of a chip's pins: low for its length, or evenly spaced."""
    wide, high = (float(part[0]) for part in geometry.sizes(place[None]))
    gaps = np.diff(_edges_along(grey, place))
    return high < FLATTEST * wide or float(gaps.std()) < EVEN * float(gaps.mean())


def tightened(flat: Pixels) -> Pixels:
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


def averaged(flat: Pixels) -> NDArray[np.float64]:
    """The grey along the bars, averaged over the middle of their height, LINE_SCALE steps to the pixel.

    Bars that do not stand quite upright would smear each other: of many slants the one is taken under which
    the average has the steepest edges.
    """
    if flat.shape[1] > MOST_COLUMNS:
        scale = MOST_COLUMNS / flat.shape[1]
        flat = np.asarray(cv2.resize(flat, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    rows, columns = flat.shape
    middle = flat[rows // 8 : max(7 * rows // 8, rows // 8 + 1)].astype(np.float64)
    middle = middle[:: -(-len(middle) // MOST_ROWS)]
    offsets = np.linspace(-0.5, 0.5, len(middle))
    at = np.arange(columns * LINE_SCALE) / LINE_SCALE
    places = np.arange(columns)
    best, steepest = np.empty(0), -1.0
    reach = max(round(MOST_SLANT * rows * 2), 8)
    for slant in np.arange(-reach, reach + 1, -(-reach // MOST_SLANTS)) / 2:
        shifted = [np.interp(at + slant * by, places, row) for by, row in zip(offsets, middle, strict=True)]
        line = np.mean(shifted, axis=0)
        steepness = float(np.square(np.diff(line)).sum())
        if steepness > steepest:
            best, steepest = line, steepness
    return best


def deblurred(line: NDArray[np.float64], width: float, noise: float) -> NDArray[np.float64]:
    """The line with a Gaussian blur of `width` pixels taken back by Wiener's filter, `noise` the share of
    the noise in the power."""
    edge = 16 * LINE_SCALE
    padded = np.pad(line, edge, mode="edge")
    frequency = np.fft.rfftfreq(len(padded))
    blur = np.exp(-2 * (np.pi * frequency * width * LINE_SCALE) ** 2)
    sharp = np.fft.irfft(np.fft.rfft(padded) * blur / (blur**2 + noise), len(padded))
    return np.asarray(sharp[edge:-edge])
