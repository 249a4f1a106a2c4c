"""Bowls and plates seen from above."""

from __future__ import annotations

import numpy as np

from mendbay.outlets.scenario.drawing.glazes import (
    GLAZES,
    Floats,
    blend,
    cloud,
    glaze_colour,
    look_up,
    step,
)
from mendbay.outlets.scenario.drawing.surroundings import DRAWN_SIZE, LIGHT, box, plane, table


def draw_bowl(chance: np.random.Generator) -> Floats:
    """The inside of a bowl or plate: rim breaking, rings of the thrower's fingers, the pool in the middle.

    Returns:
        Red, green, blue between 0 and about 1, shape (750, 1000, 3).
    """
    x, y = plane()
    shift = int(chance.integers(1000))
    picture = table(x, y, np.float32(0), y * np.float32(0.4) + np.float32(0.45), chance)
    picture = picture * (np.float32(1.12) - np.float32(0.4) * x - np.float32(0.1) * y)[..., None]
    radius = np.float32(chance.uniform(0.27, 0.325))
    cx, cy = np.float32(0.5 + chance.uniform(-0.03, 0.03)), np.float32(0.375 + chance.uniform(-0.01, 0.01))
    flat = np.float32(chance.uniform(0.94, 1.0))
    dx, dy = (x - cx) / radius, (y - cy) / (radius * flat)
    shade = np.hypot(dx - np.float32(0.10), dy - np.float32(0.09))
    picture *= (1 - np.float32(0.62) * (1 - step(0.86, 1.16, shade)))[..., None]
    out = np.hypot(dx, dy)
    angle = np.arctan2(dy, dx)
    first, second = (GLAZES[i] for i in chance.choice(len(GLAZES), 2, replace=False))
    rings = np.sin(out * np.float32(70) - angle) * np.float32(0.05) * step(0.1, 0.3, out)
    pool = 1 - step(0.12, 0.5, out)
    thickness = np.float32(0.5) + np.float32(0.5) * pool - np.float32(0.75) * step(0.955, 1.0, out) + rings
    colour = glaze_colour(first, thickness, dx * np.float32(0.5), dy * np.float32(0.5), shift)
    if chance.random() < 0.6:
        wave = look_up(cloud(19, 16, 2), np.cos(angle) * 0.2, np.sin(angle) * 0.2, 640, shift) - np.float32(
            0.5
        )
        line = np.float32(chance.uniform(0.5, 0.75)) - wave * np.float32(0.5)
        over = step(-0.01, 0.015, out - line)
        heavy = thickness + np.float32(0.4) * np.exp(-(((out - line - 0.02) / np.float32(0.04)) ** 2))
        colour = blend(colour, glaze_colour(second, heavy, dx * 0.5, dy * 0.5, shift + 60), over)
    slope = step(0.25, 0.7, out) * (1 - step(0.93, 1.0, out)) * np.float32(0.75) + rings * 0.35
    nx, ny = -dx / np.maximum(out, 1e-3) * slope, dy / np.maximum(out, 1e-3) * slope
    nz = np.sqrt(np.clip(1 - nx * nx - ny * ny, 0.05, 1))
    light = np.float32(0.38) + np.float32(0.98) * np.clip(nx * LIGHT[0] + ny * LIGHT[1] + nz * LIGHT[2], 0, 1)
    mirror_x, mirror_y = 2 * nz * nx, 2 * nz * ny
    window = box(mirror_x, -0.86, -0.34, 0.04) * box(mirror_y, 0.1, 0.82, 0.05)
    window *= (
        1
        - np.float32(0.8) * box(mirror_x, -0.61, -0.59, 0.015)
        - np.float32(0.8) * box(mirror_y, 0.44, 0.46, 0.015)
    )
    lip = np.exp(-(((out - np.float32(0.975)) / np.float32(0.012)) ** 2)) * np.clip(
        np.float32(0.5) - dx * 0.5 - dy * 0.5, 0, 1
    )
    shine = np.float32(first.gloss**2) * np.float32(0.6) * np.clip(window, 0, 1) + np.float32(0.3) * lip
    lit = colour * light[..., None] + shine[..., None]
    return blend(picture, lit, np.clip((1 - out) * radius * DRAWN_SIZE[0] + 0.5, 0, 1))
