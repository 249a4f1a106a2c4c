"""Bytes of a picture file to pixels, within limits. Runs only in the process that reads pictures."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass

import numpy as np
from PIL import Image, UnidentifiedImageError

from mendbay.core.errors import PictureUnusable
from mendbay.inlets.photo_geometry import Pixels
from mendbay.inlets.photo_upright import LONGEST_SIDE, MOST_PIXELS, TURNS, opaque, orientation

FORMATS = ("JPEG", "PNG", "WEBP")
READ_PIXELS = 16_000_000
"""Larger pictures are read at a smaller scale: a label filling 16 million pixels has 30 or more to the
millimetre."""
LEAST_SIDE = 40


@dataclass(frozen=True, slots=True)
class Picture:
    """A decoded picture: `pixels` (rows, columns, 3) in blue, green, red; `width` and `height` as it is
    shown, Exif orientation applied; `scale` is that of `pixels` against it."""

    pixels: Pixels
    width: int
    height: int
    scale: float


def decode(data: bytes) -> Picture:
    """Decodes a JPEG, PNG or WebP file, upright by its Exif orientation.

    Raises:
        PictureUnusable: another format, damaged or cut short, or too large or small.
        MemoryError: more memory is needed than this process may have.
    """
    Image.MAX_IMAGE_PIXELS = None  # our own limit below is checked before anything is decoded
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=FORMATS) as file:
                return _decoded(file)
    except UnidentifiedImageError:
        raise _no_picture(data) from None
    except (PictureUnusable, MemoryError):
        raise
    except Exception as trouble:  # hostile bytes: a decoder may raise anything
        raise PictureUnusable(
            f"The picture is damaged: {str(trouble)[:120]}", "Send the picture again, or take it again"
        ) from None


def _decoded(file: Image.Image) -> Picture:
    width, height = file.size
    if width * height > MOST_PIXELS or max(width, height) > LONGEST_SIDE:
        raise PictureUnusable(
            f"The picture has {width} by {height} pixels; at most {MOST_PIXELS // 1_000_000} million and "
            f"{LONGEST_SIDE} on a side are taken",
            "Send it at a smaller size",
        )
    if min(width, height) < LEAST_SIDE:
        raise PictureUnusable(
            f"The picture has only {width} by {height} pixels", "Send the picture itself, not a preview of it"
        )
    scale = min(1.0, (READ_PIXELS / (width * height)) ** 0.5)
    turn = TURNS.get(orientation(file))
    if scale < 1:
        file.draft(
            "RGB", (round(width * scale), round(height * scale))
        )  # JPEG only; never smaller than asked
    shown = opaque(file)
    if scale < 1:
        shown = shown.resize(
            (round(width * scale), round(height * scale)), Image.Resampling.BOX, reducing_gap=2
        )
    if turn is not None:
        shown = shown.transpose(turn)
        if turn.value >= Image.Transpose.ROTATE_90.value and turn is not Image.Transpose.ROTATE_180:
            width, height = height, width
    return Picture(np.ascontiguousarray(np.asarray(shown, np.uint8)[..., ::-1]), width, height, scale)


def _no_picture(data: bytes) -> PictureUnusable:
    if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"mif1", b"msf1", b"avif", b"hevc"):
        return PictureUnusable(
            "The picture is a HEIF or AVIF file, which is not read",
            "Send it as JPEG, or set the phone's camera to its most compatible format",
        )
    return PictureUnusable("The file is no JPEG, PNG or WebP picture", "Send the picture as JPEG")
