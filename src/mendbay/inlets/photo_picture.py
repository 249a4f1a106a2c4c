"""Bytes of a picture file to pixels, within limits. Runs only in the process that reads pictures."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass

import numpy as np
from PIL import Image, UnidentifiedImageError

from mendbay.core.errors import PictureUnusable
from mendbay.inlets.photo_geometry import Pixels

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 120_000_000
READ_PIXELS = 16_000_000
"""Larger pictures are read at a smaller scale: a label filling 16 million pixels has 30 or more to the
millimetre."""
LEAST_SIDE = 40
LONGEST_SIDE = 30_000
ORIENTATION = 0x0112
"""Exif tag of how the camera was held."""

TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
"""What makes a picture upright, by the Exif orientation (Exif 2.3, 4.6.4 A, tag 274)."""


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
    turn = TURNS.get(_orientation(file))
    if scale < 1:
        file.draft(
            "RGB", (round(width * scale), round(height * scale))
        )  # JPEG only; never smaller than asked
    shown = _opaque(file)
    if scale < 1:
        shown = shown.resize(
            (round(width * scale), round(height * scale)), Image.Resampling.BOX, reducing_gap=2
        )
    if turn is not None:
        shown = shown.transpose(turn)
        if turn.value >= Image.Transpose.ROTATE_90.value and turn is not Image.Transpose.ROTATE_180:
            width, height = height, width
    return Picture(np.ascontiguousarray(np.asarray(shown, np.uint8)[..., ::-1]), width, height, scale)


def _orientation(file: Image.Image) -> int:
    try:
        return int(file.getexif().get(ORIENTATION, 1))
    except Exception:  # a camera's damaged notes do not spoil the picture
        return 1


def _opaque(file: Image.Image) -> Image.Image:
    """In red, green and blue; what is see-through lies on white, and 16 bits become 8."""
    if file.mode.startswith("I") or file.mode == "F":
        values = np.asarray(file, np.float64)
        return Image.fromarray(np.clip(values / 256, 0, 255).astype(np.uint8)).convert("RGB")
    if file.mode in ("RGBA", "LA", "PA") or "transparency" in file.info:
        clear = file.convert("RGBA")
        ground = Image.new("RGBA", clear.size, "white")
        return Image.alpha_composite(ground, clear).convert("RGB")
    return file.convert("RGB")


def _no_picture(data: bytes) -> PictureUnusable:
    if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"mif1", b"msf1", b"avif", b"hevc"):
        return PictureUnusable(
            "The picture is a HEIF or AVIF file, which is not read",
            "Send it as JPEG, or set the phone's camera to its most compatible format",
        )
    return PictureUnusable("The file is no JPEG, PNG or WebP picture", "Send the picture as JPEG")
