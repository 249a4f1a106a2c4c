"""Where the pots stand and how light comes: the picture's plane, the wall, the table, the window."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from mendbay.outlets.scenario.drawing.glazes import Floats, blend, cloud, look_up, specks, step

DRAWN_SIZE = (1000, 750)
"""What is drawn, before it is enlarged: lens blur of its own, and a third of the work."""
LIGHT = np.array([-0.56, 0.56, 0.61], np.float32)


@lru_cache(maxsize=1)
def plane() -> tuple[Floats, Floats]:
    """x from 0 to 1 and y from 0 to 0.75 of the drawn picture."""
    y, x = np.mgrid[0 : DRAWN_SIZE[1], 0 : DRAWN_SIZE[0]].astype(np.float32)
    return x / np.float32(DRAWN_SIZE[0]), y / np.float32(DRAWN_SIZE[0])


def room(chance: np.random.Generator) -> Floats:
    """A plain wall above a table, shape (750, 1000, 3)."""
    x, y = plane()
    wall = np.asarray(
        [(0.66, 0.64, 0.60), (0.50, 0.52, 0.54), (0.73, 0.69, 0.62), (0.36, 0.35, 0.345)][chance.integers(4)],
        np.float32,
    )
    glow = np.float32(1.12) - np.float32(0.55) * np.hypot(x - 0.2, (y - 0.2) * 0.9)
    plaster = look_up(cloud(11, 8), x, y, 620, int(chance.integers(1000))) - np.float32(0.5)
    picture = wall * (glow * (1 + np.float32(0.05) * plaster))[..., None]
    edge = np.float32(chance.uniform(0.44, 0.5))
    depth = np.clip((y - edge) / (np.float32(0.75) - edge), 0, 1)
    board = table(x, y, edge, depth, chance)
    board = board * (np.float32(0.98) - np.float32(0.3) * x + np.float32(0.12) * depth)[..., None]
    return blend(picture, board, step(-0.004, 0.012, y - edge))


def table(x: Floats, y: Floats, edge: np.float32, depth: Floats, chance: np.random.Generator) -> Floats:
    """A wooden board, a linen cloth, or a kiln shelf; all in the perspective of a low camera."""
    shift = int(chance.integers(1000))
    far = 1 / (np.float32(0.45) + depth)
    along = (x - np.float32(0.5)) * far
    kind = int(chance.integers(3))
    if kind == 0:
        grain = look_up(cloud(17, 64), along * np.float32(0.22), far * np.float32(1.3), 760, shift)
        rings = look_up(cloud(11, 8), along * np.float32(0.12), far * np.float32(0.8), 420, shift)
        shade = np.float32(0.72) + np.float32(0.34) * (grain - 0.5) + np.float32(0.35) * (rings - 0.5)
        return np.asarray([0.60, 0.43, 0.29], np.float32) * (shade + 0.2)[..., None]
    if kind == 1:
        weave = look_up(cloud(16, 160, 2), along, far, 900, shift) - np.float32(0.5)
        folds = look_up(cloud(11, 8), along, far, 240, shift) - np.float32(0.5)
        return (
            np.asarray([0.78, 0.75, 0.69], np.float32)
            * (0.98 + np.float32(0.14) * weave + 0.18 * folds)[..., None]
        )
    wash = look_up(cloud(12, 40), along, far, 420, shift) - np.float32(0.5)
    grit = look_up(specks(14), along, far, 700, shift)
    shelf = np.asarray([0.70, 0.66, 0.60], np.float32) * (0.98 + np.float32(0.22) * wash)[..., None]
    return blend(shelf, (0.40, 0.30, 0.22), np.float32(0.5) * grit)


def box(value: Floats, low: float, high: float, soft: float) -> Floats:
    """1 between the bounds, falling to 0 over `soft` outside."""
    return step(low - soft, low + soft, value) * (1 - step(high - soft, high + soft, value))
