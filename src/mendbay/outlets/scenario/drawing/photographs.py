"""The studio's photographs: pots on a table, boards of test tiles, bowls from above.

Everything is computed; nothing is taken from a picture. The same seed and number give the same bytes.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
from PIL import Image

from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.drawing.bowls import draw_bowl
from mendbay.outlets.scenario.drawing.glazes import Floats
from mendbay.outlets.scenario.drawing.pots import draw_pots
from mendbay.outlets.scenario.drawing.surroundings import plane
from mendbay.outlets.scenario.drawing.tiles import draw_tiles

PHOTO_SIZE = (1600, 1200)


@dataclass(frozen=True, slots=True)
class Photograph:
    """What one photograph shows: `tiles`, `above`, or the kind of the first pot; and when it was taken, in
    seconds since 1970."""

    subject: str
    number: int
    taken_at: int


def draw_photograph(photograph: Photograph, seed: int) -> bytes:
    """The photograph as JPEG with its date in EXIF."""
    chance = np.random.default_rng([seed, photograph.number])
    if photograph.subject == "tiles":
        picture = draw_tiles(photograph.number, chance)
    elif photograph.subject == "above":
        picture = draw_bowl(chance)
    else:
        picture = draw_pots(photograph.subject, chance)
    return _developed(picture, photograph, chance)


def _developed(picture: Floats, photograph: Photograph, chance: np.random.Generator) -> bytes:
    """Lens, film and file: edges darker, a little off white, grain, JPEG."""
    warmth = np.float32(chance.uniform(-0.035, 0.05))
    exposure = np.float32(chance.uniform(1.08, 1.26))
    toned = picture * _vignette()[..., None] * (exposure * np.array([1 + warmth, 1, 1 - warmth], np.float32))
    toned = np.clip(toned, 0, None)
    toned = toned * (1 + toned * 0.16) / (1 + toned * toned * 0.22)  # a soft shoulder instead of clipping
    small = Image.fromarray((np.clip(toned, 0, 1) * 255 + 0.5).astype(np.uint8))
    large = np.asarray(small.resize(PHOTO_SIZE, Image.Resampling.LANCZOS)).astype(np.int16)
    grain = np.roll(_grain(), chance.integers(0, 1600, 2), (0, 1))
    finished = Image.fromarray(np.clip(large + grain, 0, 255).astype(np.uint8))
    out = io.BytesIO()
    finished.save(out, "JPEG", quality=95, subsampling=0, exif=_exif(photograph))
    return out.getvalue()


@lru_cache(maxsize=1)
def _grain() -> np.ndarray[tuple[int, ...], np.dtype[np.int16]]:
    generator = np.random.default_rng(5)
    common = generator.normal(0, 2.7, (PHOTO_SIZE[1], PHOTO_SIZE[0], 1))
    own = generator.normal(0, 0.9, (PHOTO_SIZE[1], PHOTO_SIZE[0], 3))
    return np.rint(common + own).astype(np.int16)


@lru_cache(maxsize=1)
def _vignette() -> Floats:
    x, y = plane()
    return 1 - np.float32(0.24) * ((x - 0.5) ** 2 * 1.7 + (y - 0.375) ** 2 * 2.2) / np.float32(0.7)


def _exif(photograph: Photograph) -> Image.Exif:
    taken = datetime.fromtimestamp(photograph.taken_at, UTC).strftime("%Y:%m:%d %H:%M:%S")
    exif = Image.Exif()
    exif[0x010E] = f"{story.STUDIO}, {photograph.subject} {photograph.number:03d}"  # ImageDescription
    exif[0x0132] = taken  # DateTime
    exif[0x013B] = story.OWNER  # Artist
    exif.get_ifd(0x8769)[0x9003] = taken  # DateTimeOriginal
    return exif
