"""The glazes of the demo's photographs: how a recipe's colour follows its thickness and its faults.

All colours are red, green, blue between 0 and 1. Surfaces are looked up at (around, up) coordinates so
that the same recipe covers pots, bowls and flat tiles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

Floats = npt.NDArray[np.floating[Any]]
Colour = tuple[float, float, float]
TEXTURE = 1024


@dataclass(frozen=True, slots=True)
class Glaze:
    """One recipe. `thin`, `body` and `thick` are its colours by thickness; `gloss`, `speckle`, `crackle`,
    `uneven` and `run` are between 0 and 1."""

    name: str
    thin: Colour
    body: Colour
    thick: Colour
    gloss: float = 0.8
    speckle: float = 0.2
    speck: Colour = (0.22, 0.14, 0.09)
    crackle: float = 0.0
    uneven: float = 0.5
    run: float = 0.4


GLAZES = (
    Glaze(
        "Pale celadon", (0.74, 0.75, 0.66), (0.60, 0.70, 0.62), (0.36, 0.55, 0.50), 0.95, 0.08, crackle=0.6
    ),
    Glaze("Temmoku", (0.50, 0.25, 0.10), (0.13, 0.075, 0.05), (0.045, 0.03, 0.028), 0.95, 0.05, uneven=0.6),
    Glaze("Chun blue", (0.55, 0.52, 0.50), (0.45, 0.56, 0.66), (0.66, 0.76, 0.84), 0.85, 0.15, uneven=0.8),
    Glaze("Orange shino", (0.66, 0.33, 0.15), (0.84, 0.67, 0.52), (0.93, 0.88, 0.80), 0.45, 0.45, uneven=0.9),
    Glaze("Oxblood", (0.70, 0.62, 0.54), (0.45, 0.09, 0.07), (0.24, 0.03, 0.04), 0.95, 0.05, uneven=0.6),
    Glaze("Oatmeal matt", (0.62, 0.50, 0.38), (0.80, 0.75, 0.66), (0.86, 0.83, 0.76), 0.15, 0.9, uneven=0.3),
    Glaze(
        "Ash run", (0.50, 0.42, 0.26), (0.47, 0.49, 0.28), (0.29, 0.37, 0.24), 0.8, 0.35, uneven=0.9, run=1.0
    ),
    Glaze("Deep cobalt", (0.24, 0.28, 0.42), (0.085, 0.13, 0.34), (0.04, 0.055, 0.20), 0.9, 0.12),
    Glaze(
        "Rutile straw",
        (0.53, 0.35, 0.19),
        (0.74, 0.60, 0.37),
        (0.66, 0.66, 0.58),
        0.6,
        0.4,
        uneven=0.95,
        run=0.7,
    ),
    Glaze("Copper green", (0.30, 0.33, 0.24), (0.16, 0.38, 0.30), (0.06, 0.24, 0.22), 0.85, 0.1, crackle=0.3),
    Glaze("Slate satin", (0.42, 0.36, 0.31), (0.30, 0.32, 0.34), (0.23, 0.26, 0.29), 0.3, 0.3),
    Glaze("Snow liner", (0.82, 0.76, 0.68), (0.91, 0.89, 0.85), (0.95, 0.945, 0.93), 0.75, 0.3, crackle=0.15),
)

CLAYS: tuple[Colour, ...] = ((0.62, 0.50, 0.39), (0.70, 0.62, 0.53), (0.46, 0.31, 0.22), (0.55, 0.40, 0.29))


def step(low: float, high: float, value: Floats) -> Floats:
    """0 below `low`, 1 above `high`, smooth between."""
    at = np.clip((value - low) / (high - low), 0, 1)
    risen: Floats = (at * at * (3 - 2 * at)).astype(np.float32)
    return risen


def blend(first: Floats | Colour, second: Floats | Colour, share: Floats) -> Floats:
    """`first` where `share` is 0, `second` where it is 1."""
    start = np.asarray(first, np.float32)
    return start + (np.asarray(second, np.float32) - start) * share[..., None]


@lru_cache(maxsize=16)
def cloud(seed: int, cells: int, octaves: int = 4) -> Floats:
    """A smooth texture of values around 0.5, mostly between 0 and 1; shape (1024, 1024)."""
    generator = np.random.default_rng([seed, cells, octaves])
    total = np.zeros((TEXTURE, TEXTURE), np.float32)
    weight, norm = 1.0, 0.0
    for octave in range(octaves):
        side = min(cells << octave, TEXTURE)
        grid = generator.random((side, side), dtype=np.float32)
        grid = np.pad(grid, ((0, 1), (0, 1)), mode="wrap")
        grown = Image.fromarray(grid).resize((TEXTURE, TEXTURE), Image.Resampling.BICUBIC)
        # each octave starts elsewhere, or the borders of their cells would add up to a visible grid
        moved = np.roll(np.asarray(grown), generator.integers(0, TEXTURE, 2), (0, 1))
        total += np.float32(weight) * (moved - np.float32(0.5))
        norm += weight
        weight *= 0.5
    return total * np.float32(1.8 / norm) + np.float32(0.5)


@lru_cache(maxsize=4)
def specks(seed: int, count: int = 5000) -> Floats:
    """Iron spots of several sizes, 0 to 1; shape (1024, 1024)."""
    generator = np.random.default_rng([seed, count])
    made = np.zeros((TEXTURE, TEXTURE), np.float32)
    sizes = (generator.pareto(2.2, count) + 0.7).clip(0.7, 3.6)
    places = generator.integers(4, TEXTURE - 5, (count, 2))
    strength = generator.uniform(0.35, 1.0, count)
    rows, columns = np.mgrid[-4:5, -4:5]
    distance = np.hypot(rows, columns).astype(np.float32)
    for (row, column), size, strong in zip(places.tolist(), sizes.tolist(), strength.tolist(), strict=True):
        dot = np.clip(size - distance + 0.5, 0, 1) * np.float32(strong)
        here = made[row - 4 : row + 5, column - 4 : column + 5]
        np.maximum(here, dot, out=here)
    return made


def look_up(texture: Floats, around: Floats, up: Floats, scale: float, shift: int) -> Floats:
    """The texture's value at each place; `scale` is texture pixels for one unit of either coordinate.

    It is laid on askew, so that no pattern of the texture runs along an edge of the piece.
    """
    cosine, sine = np.float32(0.83 * scale), np.float32(0.56 * scale)
    columns = (around * cosine - up * sine).astype(np.int32) + shift
    rows = (around * sine + up * cosine).astype(np.int32) + 3 * shift
    found: Floats = texture.take((rows & (TEXTURE - 1)) * TEXTURE + (columns & (TEXTURE - 1)))
    return found


def glaze_colour(glaze: Glaze, thickness: Floats, around: Floats, up: Floats, shift: int) -> Floats:
    """The colour of a glazed surface, shape (..., 3).

    Args:
        thickness: 0 (breaking over an edge) to 1 (pooled), before the recipe's own unevenness.
        around, up: where on the surface, in units of its height.
        shift: makes each piece differ.
    """
    wide = look_up(cloud(11, 8), around, up * np.float32(0.55), 420, shift) - np.float32(0.5)
    fine = look_up(cloud(12, 40), around, up * np.float32(0.4), 520, shift + 77) - np.float32(0.5)
    uneven = thickness + np.float32(glaze.uneven) * (np.float32(0.75) * wide + np.float32(0.4) * fine)
    colour = blend(glaze.thin, glaze.body, step(0.10, 0.42, uneven))
    colour = blend(colour, glaze.thick, step(0.55, 0.95, uneven))
    if glaze.crackle:
        lines = np.abs(look_up(cloud(13, 24, 2), around, up, 620, shift) - np.float32(0.5))
        colour = blend(
            colour, (0.42, 0.36, 0.28), np.float32(glaze.crackle * 0.55) * (1 - step(0.0, 0.022, lines))
        )
    spots = look_up(specks(14), around, up, 640, shift + 311) * np.float32(0.2 + 0.7 * glaze.speckle)
    sparse = step(0.5 - 0.4 * glaze.speckle, 0.8, look_up(cloud(15, 12), around, up, 500, shift))
    return blend(colour, glaze.speck, spots * np.clip(sparse + np.float32(glaze.speckle), 0, 1))


def clay_colour(clay: Colour, around: Floats, up: Floats, shift: int) -> Floats:
    """The colour of bare fired clay, shape (..., 3)."""
    grain = look_up(cloud(16, 160, 2), around, up, 640, shift) - np.float32(0.5)
    toast = look_up(cloud(11, 8), around, up, 260, shift + 500) - np.float32(0.5)
    base = np.asarray(clay, np.float32) * (1 + np.float32(0.16) * grain + np.float32(0.35) * toast)[..., None]
    return blend(base, (0.2, 0.13, 0.09), np.float32(0.5) * look_up(specks(14), around, up, 640, shift))
