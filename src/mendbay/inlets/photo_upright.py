"""How large a picture may be, which way up it is shown, and what it looks like without what is see-through.

Runs only in the processes that decode pictures.
"""

from __future__ import annotations

import numpy as np
from PIL import Image

MOST_PIXELS = 120_000_000
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
SIDEWAYS = (5, 6, 7, 8)
"""Those by which width and height change places."""


def orientation(file: Image.Image) -> int:
    """The Exif orientation; 1, which is upright, if there is none."""
    try:
        return int(file.getexif().get(ORIENTATION, 1))
    except Exception:  # a camera's damaged notes do not spoil the picture
        return 1


def opaque(file: Image.Image) -> Image.Image:
    """In red, green and blue; what is see-through lies on white, and 16 bits become 8."""
    if file.mode.startswith("I") or file.mode == "F":
        values = np.asarray(file, np.float64)
        return Image.fromarray(np.clip(values / 256, 0, 255).astype(np.uint8)).convert("RGB")
    if file.mode in ("RGBA", "LA", "PA") or "transparency" in file.info:
        clear = file.convert("RGBA")
        ground = Image.new("RGBA", clear.size, "white")
        return Image.alpha_composite(ground, clear).convert("RGB")
    return file.convert("RGB")
