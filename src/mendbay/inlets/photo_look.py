"""One decoded picture looked at: codes, writing, quality, put together as a reading.

Runs only in the process that reads pictures (`photo_child.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from mendbay.board.sighting import How, PictureFault, PictureReading, Sighting, Trouble
from mendbay.inlets import photo_geometry as geometry
from mendbay.inlets.photo_codes import MATRIX, Code, Codes, find_codes, readable
from mendbay.inlets.photo_geometry import Pixels, Quads
from mendbay.inlets.photo_picture import Picture
from mendbay.inlets.photo_quality import as_corners, crowded, judge, measure
from mendbay.inlets.photo_text import SURE, Line, TextReader

LIFTED_BELOW = 90.0
"""Brightness below which a picture is lit up before it is read."""
LONGEST_TEXT = 400
MOST_SIGHTINGS = 700


@dataclass(frozen=True, slots=True)
class Look:
    """What was found in one picture, places in pixels of `grey`."""

    grey: Pixels
    lines: list[Line]
    codes: Codes


def look(pixels: Pixels, reader: TextReader) -> Look:
    """Reads a BGR picture."""
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    bright = _lit(pixels, float(np.percentile(grey, 99)))
    bright_grey = np.asarray(cv2.cvtColor(bright, cv2.COLOR_BGR2GRAY), np.uint8)
    angle = reader.direction(bright)
    lines = reader.read(bright, angle)
    codes = find_codes(bright_grey)
    lines = [one for one in lines if not _is_code(one, codes.read)]
    return Look(grey, lines, replace(codes, unread=_not_writing(codes.unread, lines)))


def _lit(pixels: Pixels, brightness: float) -> Pixels:
    """A dark picture made bright, and smoothed by as much as that brings up its noise."""
    if brightness >= LIFTED_BELOW:
        return pixels
    gain = 220 / max(brightness, 4.0)
    calm = cv2.GaussianBlur(pixels, (0, 0), min(0.4 + gain / 8, 1.5))
    return np.asarray(cv2.convertScaleAbs(calm, alpha=gain), np.uint8)


def _is_code(line: Line, codes: list[Code]) -> bool:
    """Whether what was taken for writing is the pattern of a code that was read."""
    middle = line.quad.mean(axis=0).astype(np.float32)
    for one in codes:
        outline = one.quad.astype(np.float32).reshape(-1, 1, 2)
        inside = cv2.pointPolygonTest(outline, (float(middle[0]), float(middle[1])), measureDist=False) >= 0
        if inside and (one.standard in MATRIX or line.confidence < SURE):
            return True
    return False


def _not_writing(patches: Quads, lines: list[Line]) -> Quads:
    """The places of bars without those that are writing that was read well."""
    sure = [one.quad for one in lines if one.confidence > 0.8 and len(one.text) > 2]
    if not len(patches) or not sure:
        return patches
    boxes = geometry.boxes(np.stack(sure))
    over = [float(geometry.covered(geometry.boxes(patch[None])[0], boxes).max()) for patch in patches]
    return patches[np.array(over) < 0.4]


def reading_of(picture: Picture, name: str, sha256: str, reader: TextReader) -> PictureReading:
    """The reading of one decoded picture; its places are in pixels of the picture as shown. The time is
    left for the caller to fill in."""
    seen = look(picture.pixels, reader)
    troubles = judge(measure(seen.grey, seen.lines, seen.codes), seen.codes.unread) + crowded(seen.codes)
    sightings = [_of_code(one, name, picture.scale) for one in seen.codes.read]
    sightings.extend(_of_line(one, name, picture.scale) for one in seen.lines)
    return PictureReading(
        picture=name,
        sha256=sha256,
        width=picture.width,
        height=picture.height,
        sightings=tuple(sightings[:MOST_SIGHTINGS]),
        troubles=tuple(_in_full(one, picture.scale) for one in troubles),
        usable=not troubles,
        seconds=0.0,
    )


def _in_full(trouble: Trouble, scale: float) -> Trouble:
    if trouble.corners is None:
        return trouble
    return replace(trouble, corners=as_corners(np.array(trouble.corners) / scale))


def _of_code(one: Code, name: str, scale: float) -> Sighting:
    corners = as_corners(one.quad / scale)
    return Sighting(name, one.text, How.BARCODE, one.confidence, corners, code=one.standard)


def _of_line(one: Line, name: str, scale: float) -> Sighting:
    text, sure = readable(one.text[:LONGEST_TEXT]), one.characters[:LONGEST_TEXT]
    return Sighting(name, text, How.TEXT, one.confidence, as_corners(one.quad / scale), characters=sure)


def unusable(
    name: str, sha256: str, measured: str, advice: str, fault: PictureFault = PictureFault.UNUSABLE
) -> PictureReading:
    """The reading of something that is no picture to read, or that could not be read."""
    trouble = Trouble(fault, measured.rstrip("."), advice)
    return PictureReading(name, sha256, 0, 0, (), (trouble,), False, 0.0)
