"""Boards of glaze test tiles on a kiln shelf, seen from above."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from mendbay.outlets.scenario.drawing.glazes import (
    CLAYS,
    GLAZES,
    Colour,
    Floats,
    Glaze,
    blend,
    clay_colour,
    cloud,
    glaze_colour,
    look_up,
    specks,
    step,
)
from mendbay.outlets.scenario.drawing.surroundings import DRAWN_SIZE, LIGHT, plane


def draw_tiles(board: int, chance: np.random.Generator) -> Floats:
    """Test tiles on a kiln shelf from above: one recipe changed step by step, two glazes crossing.

    Args:
        board: the first part of every tile's number.

    Returns:
        Red, green, blue between 0 and about 1, shape (750, 1000, 3).
    """
    x, y = plane()
    shift = int(chance.integers(1000))
    wash = look_up(cloud(12, 40), x, y, 520, shift) - np.float32(0.5)
    worn = look_up(cloud(11, 8), x, y, 420, shift) - np.float32(0.5)
    shelf = (
        np.asarray([0.74, 0.71, 0.66], np.float32) * (0.95 + np.float32(0.16) * wash + 0.2 * worn)[..., None]
    )
    picture = blend(shelf, (0.45, 0.35, 0.27), np.float32(0.45) * look_up(specks(14), x, y, 760, shift))
    picture *= (np.float32(1.1) - np.float32(0.32) * x - np.float32(0.12) * y)[..., None]
    rows, columns = [(2, 4), (2, 5), (3, 5), (2, 6)][chance.integers(4)]
    wide, high = 0.86 / columns, 0.66 / rows
    first, second = (GLAZES[i] for i in chance.choice(len(GLAZES), 2, replace=False))
    clay = CLAYS[chance.integers(len(CLAYS))]
    for row in range(rows):
        for column in range(columns):
            share = (row * columns + column) / (rows * columns - 1)
            label = f"{board % 40 + 1}{'ABCDEF'[row]}{column + 1}"
            middle = (0.07 + (column + 0.5) * wide, 0.045 + (row + 0.5) * high)
            size = (wide * 0.40, high * 0.43)
            _tile(picture, middle, size, _between(first, second, share), clay, label, chance)
    return picture


def _between(first: Glaze, second: Glaze, share: float) -> Glaze:
    """A recipe part way from one to another."""

    def mix(a: Colour, b: Colour) -> Colour:
        return (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share, a[2] + (b[2] - a[2]) * share)

    def even(a: float, b: float) -> float:
        return a + (b - a) * share

    return Glaze(
        f"{first.name} to {second.name}",
        mix(first.thin, second.thin),
        mix(first.body, second.body),
        mix(first.thick, second.thick),
        even(first.gloss, second.gloss),
        even(first.speckle, second.speckle),
        crackle=even(first.crackle, second.crackle),
        uneven=even(first.uneven, second.uneven),
    )


def _tile(
    picture: Floats,
    middle: tuple[float, float],
    half: tuple[float, float],
    glaze: Glaze,
    clay: Colour,
    label: str,
    chance: np.random.Generator,
) -> None:
    """Paints one tile: a hole to hang it by, relief lines the glaze breaks over, its number in bare clay."""
    px = DRAWN_SIZE[0]
    room = 1.35
    rows = slice(max(int((middle[1] - half[1] * room) * px), 0), int((middle[1] + half[1] * room) * px))
    columns = slice(max(int((middle[0] - half[0] * room) * px), 0), int((middle[0] + half[0] * room) * px))
    x, y = (plane[rows, columns] for plane in plane())
    turn = np.float32(chance.normal(0, 0.02))
    dx, dy = x - np.float32(middle[0]), y - np.float32(middle[1])
    dx, dy = dx + dy * turn, dy - dx * turn
    here = picture[rows, columns]
    inset = _rounded(dx - np.float32(0.007), dy - np.float32(0.009), half, 0.016)
    here *= (1 - np.float32(0.55) * step(-0.014, 0.012, inset))[..., None]
    depth = _rounded(dx, dy, half, 0.014)
    hole = np.hypot(dx, dy + np.float32(half[1] * 0.80)) - np.float32(0.0085)
    along = (dy / np.float32(half[1]) + 1) / 2
    relief = _relief(dx, along, half[0])
    shift = int(chance.integers(900))
    bottom = np.float32(0.80) + (
        look_up(cloud(19, 16, 2), dx, np.zeros_like(dx), 900, shift) - 0.5
    ) * np.float32(0.16)
    thickness = np.float32(0.28) + np.float32(0.45) * along - np.float32(0.55) * relief
    thickness = thickness + np.float32(0.5) * np.exp(-(((along - bottom + 0.02) / np.float32(0.03)) ** 2))
    thickness = thickness - np.float32(0.5) * (1 - step(0.0, 0.011, depth))
    colour = glaze_colour(glaze, thickness, dx * 2, dy * 2, shift)
    glazed = step(-0.004, 0.006, bottom - along) * step(0.015, 0.03, along)
    bare = clay_colour(clay, dx * 2, dy * 2, shift) * _stamped(dx, dy, half, label)[..., None]
    surface = blend(bare, colour, glazed)
    slope_y, slope_x = np.gradient(np.minimum(depth, np.float32(0.012)) + relief * np.float32(0.0035))
    light = 1 + np.clip((-slope_x * LIGHT[0] + slope_y * LIGHT[1]) * -520, -0.5, 0.5)
    shine = (
        np.float32(glaze.gloss**2)
        * glazed
        * np.exp(-(((dx + dy * 0.6 + np.float32(half[0] * 0.5)) / np.float32(0.012)) ** 2))
    )
    lit = surface * (light * np.float32(1.02))[..., None] + (np.float32(0.17) * shine)[..., None]
    lit = blend(lit, (0.10, 0.085, 0.07), 1 - step(-0.0012, 0.0012, hole))
    here[...] = blend(here, lit, np.clip(depth * px + 0.5, 0, 1))


def _rounded(dx: Floats, dy: Floats, half: tuple[float, float], corner: float) -> Floats:
    """How deep inside a rounded rectangle, negative outside."""
    qx = np.abs(dx) - np.float32(half[0] - corner)
    qy = np.abs(dy) - np.float32(half[1] - corner)
    outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0)
    return (np.float32(corner) - outside).astype(np.float32)


def _relief(dx: Floats, along: Floats, half_width: float) -> Floats:
    """Three pressed bands across the tile and a wavy one, as ridges of height 0 to 1."""
    ridges = np.zeros_like(dx)
    for place in (0.42, 0.47, 0.52):
        ridges = np.maximum(ridges, np.exp(-(((along - np.float32(place)) / np.float32(0.009)) ** 2)))
    wave = np.float32(0.64) + np.float32(0.02) * np.sin(dx / np.float32(half_width) * np.float32(9))
    waves: Floats = np.exp(-(((along - wave) / np.float32(0.011)) ** 2))
    return np.maximum(ridges, waves)


def _stamped(dx: Floats, dy: Floats, half: tuple[float, float], label: str) -> Floats:
    """The number pressed into the clay, as factors of light."""
    px = DRAWN_SIZE[0]
    size = max(int(half[1] * px * 0.24), 10)
    mask = Image.new("L", (dx.shape[1], dx.shape[0]), 0)
    place = (dx.shape[1] // 2, dx.shape[0] // 2 + int(half[1] * px * 0.83))
    ImageDraw.Draw(mask).text(place, label, fill=255, font=_font(size), anchor="mm")
    pressed = np.asarray(mask, np.float32) / np.float32(255)
    lit_edge = np.roll(pressed, (1, 1), (0, 1)) - pressed
    factors: Floats = 1 - np.float32(0.6) * pressed + np.float32(0.35) * np.clip(lit_edge, 0, 1)
    return factors


@lru_cache(maxsize=16)
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)
