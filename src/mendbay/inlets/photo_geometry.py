"""Places in a picture: quadrilaterals, the way text runs, and pictures turned upright and cut into tiles.

Arrays of corners have shape (n, 4, 2): four corners in reading order from the top left, each (x, y) in
pixels, x to the right, y downwards. Angles are in degrees, growing clockwise as seen, 0 for text that runs
to the right.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Quads = NDArray[np.float64]

NO_QUADS: Quads = np.empty((0, 4, 2))

SQUARE_ENOUGH = 2.0
"""Pictures that stand within this many degrees of a right angle are turned by whole right angles only, which
costs no sharpness."""


@dataclass(frozen=True)
class Turned:
    """A picture turned upright; `matrix` (2 x 3) maps its places to those of the original."""

    pixels: Pixels
    matrix: NDArray[np.float64]

    def back(self, quads: Quads) -> Quads:
        """The places in the original picture."""
        return quads @ self.matrix[:, :2].T + self.matrix[:, 2]


def turned_upright(pixels: Pixels, angle: float) -> Turned:
    """The picture turned so that text running at `angle` runs to the right. Nothing is cut off."""
    quarters = round(angle / 90)
    rows, columns = pixels.shape[:2]
    if abs(angle - 90 * quarters) <= SQUARE_ENOUGH:
        back = {
            0: [[1, 0, 0], [0, 1, 0]],
            1: [[0, -1, columns - 1], [1, 0, 0]],
            2: [[-1, 0, columns - 1], [0, -1, rows - 1]],
            3: [[0, 1, 0], [-1, 0, rows - 1]],
        }[quarters % 4]
        return Turned(np.ascontiguousarray(np.rot90(pixels, quarters % 4)), np.array(back, np.float64))
    turn = np.radians(angle)
    forward = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]]) @ forward.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    width, height = (int(part) for part in np.ceil(high - low))
    matrix = np.hstack([forward, -low[:, None]])
    moved = cv2.warpAffine(
        pixels, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    inverse = np.hstack([forward.T, (forward.T @ low)[:, None]])
    return Turned(np.asarray(moved, np.uint8), inverse)


def sizes(quads: Quads) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Width along the text and height across it of each quadrilateral, means of opposite sides, in pixels."""
    sides = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2)
    return (sides[:, 0] + sides[:, 2]) / 2, (sides[:, 1] + sides[:, 3]) / 2


def angles(quads: Quads) -> NDArray[np.float64]:
    """The direction in which each one's text runs, -180 to 180 degrees."""
    along = quads[:, 1] + quads[:, 2] - quads[:, 0] - quads[:, 3]
    return np.degrees(np.arctan2(along[:, 1], along[:, 0]))


def lying(quads: Quads) -> Quads:
    """The same places with their first side a long one, so that the text in them runs along it one way or
    the other."""
    width, height = sizes(quads)
    return np.where((height > 1.5 * width)[:, None, None], np.roll(quads, -1, axis=1), quads)


def common_line(directions: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """The direction, modulo 180 degrees and within -90 to 90, that most of the weight shares."""
    if not weights.size or weights.sum() <= 0:
        return 0.0
    apart = np.abs((directions[:, None] - directions[None, :] + 90) % 180 - 90)
    best = int(np.argmax((np.maximum(0, 8 - apart) * weights[None, :]).sum(axis=1)))
    near = apart[best] < 8
    offset = (directions[near] - directions[best] + 90) % 180 - 90
    angle = directions[best] + float(np.average(offset, weights=weights[near]))
    return float((angle + 90) % 180 - 90)


def tiles(rows: int, columns: int, side: int, overlap: int) -> Iterator[tuple[slice, slice]]:
    """Squares of `side` that cover a picture, neighbours sharing at least `overlap` pixels."""
    for top in _starts(rows, side, overlap):
        for left in _starts(columns, side, overlap):
            yield slice(top, min(top + side, rows)), slice(left, min(left + side, columns))


def _starts(length: int, side: int, overlap: int) -> list[int]:
    if length <= side:
        return [0]
    count = -(-(length - overlap) // (side - overlap))
    return [round(at * (length - side) / (count - 1)) for at in range(count)]


def boxes(quads: Quads) -> NDArray[np.float64]:
    """Upright bounding boxes (left, top, right, bottom), shape (n, 4)."""
    return np.hstack([quads.min(axis=1), quads.max(axis=1)])


def shared(one: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much of the smaller of two boxes lies in the other, 0 to 1, for one box against many."""
    least = np.minimum(_areas(one[None]), _areas(others))
    return np.asarray(_common(one, others) / np.maximum(least, 1e-9))


def covered(one: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much of one box lies in each of the others, 0 to 1."""
    return np.asarray(_common(one, others) / max(float(_areas(one[None])[0]), 1e-9))


def _areas(boxes_: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((boxes_[:, 2] - boxes_[:, 0]) * (boxes_[:, 3] - boxes_[:, 1]))


def _common(one: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    width = np.minimum(one[2], others[:, 2]) - np.maximum(one[0], others[:, 0])
    height = np.minimum(one[3], others[:, 3]) - np.maximum(one[1], others[:, 1])
    return np.asarray(np.maximum(width, 0) * np.maximum(height, 0))


def cut_out(pixels: Pixels, quad: Quads, height: int | None = None) -> Pixels:
    """The picture inside one quadrilateral, laid flat; `height` in pixels, or as many as it has."""
    wide, high = (float(part[0]) for part in sizes(quad[None]))
    natural = (max(round(wide), 1), max(round(high), 1))
    aim = natural if height is None else (max(round(wide * height / max(high, 1)), 1), height)
    shrinks = height is not None and natural[1] > 1.5 * height
    first = natural if shrinks else aim
    target = np.array([[0, 0], [first[0], 0], [first[0], first[1]], [0, first[1]]], np.float32)
    matrix = cv2.getPerspectiveTransform(quad.astype(np.float32), target)
    flat = cv2.warpPerspective(pixels, matrix, first, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    if shrinks:
        flat = cv2.resize(flat, aim, interpolation=cv2.INTER_AREA)
    return np.asarray(flat, np.uint8)
