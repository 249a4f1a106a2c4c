"""Bytes of a picture file to a small picture made anew. Runs only in the process that makes previews."""

from __future__ import annotations

import io
import warnings

from PIL import Image, ImageFile, UnidentifiedImageError

from mendbay.board.sighting_text import UNFIT
from mendbay.inlets.photo_upright import LONGEST_SIDE, MOST_PIXELS, SIDEWAYS, TURNS, opaque, orientation
from mendbay.jobs.preview_port import MadePicture, NoPreview

Image.init()
FORMATS = tuple(
    one for one in ("JPEG", "MPO", "PNG", "WEBP", "GIF", "BMP", "TIFF", "AVIF") if one in Image.OPEN
)
"""Never one whose decoder starts another program or reads another file."""
DRAWN = ("1", "P", "PA", "L", "LA")
"""Modes of drawings, letters and screens, which JPEG would blur."""
PNG_BYTES = 1 << 20
"""A drawing that takes more than this is none, and becomes a JPEG."""
QUALITY = 85
MOST_FRAMES = 100_000
BESIDE = "Its verdict stands beside it."


def made(data: bytes, side: int) -> MadePicture | NoPreview:
    """A picture of at most `side` pixels on its longer side, upright and opaque, or why there is none.

    What breaks off or is damaged is tried once more for what can be had of it.
    """
    Image.MAX_IMAGE_PIXELS = None  # our own limit is checked before anything is decoded
    found: MadePicture | NoPreview = NoPreview("The file is empty")
    for partial in (False, True):
        ImageFile.LOAD_TRUNCATED_IMAGES = partial
        found = _tried(data, side, partial)
        if isinstance(found, MadePicture) or found.again:
            break
    return found


def _tried(data: bytes, side: int, partial: bool) -> MadePicture | NoPreview:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=FORMATS) as file:
                return _small(file, side, partial)
    except UnidentifiedImageError:
        return NoPreview(
            "It begins as no picture that can be shown here, or its beginning is damaged", BESIDE
        )
    except MemoryError:
        return NoPreview("The picture needs more memory than making a preview may use", BESIDE)
    except Exception as trouble:  # hostile bytes: a decoder may raise anything
        why = UNFIT.sub("?", str(trouble))[:120]
        return NoPreview(f"The picture is damaged, so that none of it can be shown: {why}", BESIDE)


def _small(file: Image.Image, side: int, partial: bool) -> MadePicture | NoPreview:
    width, height = file.size
    if width * height > MOST_PIXELS or max(width, height) > LONGEST_SIDE or min(width, height) < 1:
        return NoPreview(
            f"The picture says it has {width} by {height} pixels; at most {MOST_PIXELS // 1_000_000} million "
            f"and {LONGEST_SIDE} on a side are shown",
            BESIDE,
        )
    is_drawn = file.mode in DRAWN and file.format != "JPEG"
    held = orientation(file)
    turn = TURNS.get(held)
    scale = min(1.0, side / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    file.draft("RGB", (size[0] * 2, size[1] * 2))  # JPEG only; never smaller than asked
    file.load()
    shown: Image.Image = file
    if shown.mode in ("1", "P", "PA") or "transparency" in file.info:
        shown = shown.convert("RGBA" if "transparency" in file.info or shown.mode == "PA" else "RGB")
    if shown.mode.startswith("I;"):
        shown = shown.convert("I")  # of either order of bytes, which not every step takes
    if shown.size != size:
        shown = shown.resize(size, Image.Resampling.BOX, reducing_gap=2)
    shown = opaque(shown)
    if turn is not None:
        shown = shown.transpose(turn)
        if held in SIDEWAYS:
            width, height = height, width
    encoded, mime = _encoded(shown, is_drawn)
    count = min(max(int(getattr(file, "n_frames", 1)), 1), MOST_FRAMES) if not partial else 1
    return MadePicture(encoded, mime, *shown.size, width, height, partial, count)


def _encoded(shown: Image.Image, is_drawn: bool) -> tuple[bytes, str]:
    """The pixels as a file of their own: a new picture has no notes, profile or preview to carry over."""
    plain = Image.new("RGB", shown.size)
    plain.paste(shown)
    file = io.BytesIO()
    if is_drawn:
        plain.save(file, "PNG")
        if file.tell() <= PNG_BYTES:
            return file.getvalue(), "image/png"
        file = io.BytesIO()
    plain.save(file, "JPEG", quality=QUALITY)
    return file.getvalue(), "image/jpeg"
