"""Thrown pots on a table: profiles turned round an upright axis, glazed, lit from a window."""

from __future__ import annotations

import numpy as np

from mendbay.outlets.scenario.drawing.glazes import (
    CLAYS,
    GLAZES,
    Floats,
    blend,
    clay_colour,
    cloud,
    glaze_colour,
    look_up,
    step,
)
from mendbay.outlets.scenario.drawing.surroundings import DRAWN_SIZE, LIGHT, box, plane, room

PROFILES: dict[str, tuple[tuple[float, float], ...]] = {
    # (height, radius) from foot to rim, as shares of the height and of the greatest radius
    "vase": (
        (0, 0.50), (0.03, 0.54), (0.2, 0.80), (0.42, 0.99), (0.58, 0.96), (0.76, 0.66),
        (0.87, 0.42), (0.95, 0.41), (1, 0.50),
    ),
    "bottle": (
        (0, 0.60), (0.03, 0.64), (0.18, 0.92), (0.36, 1.0), (0.52, 0.86), (0.64, 0.52),
        (0.74, 0.27), (0.92, 0.22), (1, 0.31),
    ),
    "mug": (
        (0, 0.84), (0.03, 0.90), (0.15, 0.97), (0.4, 1.0), (0.7, 0.96), (0.93, 0.93),
        (1, 0.96),
    ),
    "bowl": (
        (0, 0.36), (0.07, 0.38), (0.12, 0.46), (0.3, 0.70), (0.55, 0.88), (0.8, 0.97),
        (1, 1.0),
    ),
    "jar": (
        (0, 0.62), (0.03, 0.67), (0.2, 0.88), (0.45, 1.0), (0.68, 0.98), (0.86, 0.80),
        (0.93, 0.66), (1, 0.69),
    ),
    "beaker": (
        (0, 0.62), (0.03, 0.66), (0.3, 0.78), (0.6, 0.86), (0.85, 0.93), (1, 1.0),
    ),
}  # fmt: skip
TALLNESS = {"vase": 1.35, "bottle": 1.55, "mug": 0.98, "bowl": 0.56, "jar": 1.02, "beaker": 1.18}
"""Height over greatest width."""


def draw_pots(kind_first: str, chance: np.random.Generator) -> Floats:
    """One to three pots on a table before a plain wall, lit from a window on the left; the first is of that
    kind (a key of `PROFILES`).

    Returns:
        Red, green, blue between 0 and about 1, shape (750, 1000, 3).
    """
    picture = room(chance)
    kinds = list(PROFILES)
    count = int(chance.choice([1, 1, 2, 3]))
    for place in range(count):
        kind = kind_first if place == 0 else str(chance.choice(kinds))
        half_width = chance.uniform(0.165, 0.205) if count == 1 else chance.uniform(0.112, 0.138)
        half_width *= {"bottle": 0.72, "vase": 0.85, "bowl": 1.2}.get(kind, 1.0)
        centre = 0.5 + (place - (count - 1) / 2) * 0.295 + chance.uniform(-0.02, 0.02)
        foot = 0.625 + chance.uniform(-0.012, 0.03)
        _pot(picture, kind, centre, foot, half_width, chance)
    return picture


def _pot(
    picture: Floats, kind: str, centre: float, foot: float, half_width: float, chance: np.random.Generator
) -> None:
    """Paints one thrown pot with its shadow, seen from a little above."""
    height = 2 * half_width * TALLNESS[kind] * chance.uniform(0.92, 1.08)
    _shadow(picture, kind, centre, foot, half_width, height)
    pot = _Pot(kind, centre, foot, half_width, height, chance)
    if kind == "mug":
        pot.paint_handle(picture)
    pot.paint(picture)


def _shadow(picture: Floats, kind: str, centre: float, foot: float, half_width: float, height: float) -> None:
    x, y = plane()
    base = half_width * PROFILES[kind][0][1]
    across = (x - np.float32(centre)) / np.float32(base)
    down = (y - np.float32(foot + 0.004)) / np.float32(base * 0.30)
    contact = np.exp(-np.clip(across**2 + down**2, 0, 40) * np.float32(0.9)) * np.float32(0.75)
    reach = np.float32(base + height * 0.30)
    along = (x - np.float32(centre) - reach * np.float32(0.75)) / reach
    down = (y - np.float32(foot - 0.008) + (x - np.float32(centre)) * np.float32(0.10)) / np.float32(
        half_width * 0.34
    )
    cast = np.exp(-np.clip(along**2 + down**2, 0, 40) * np.float32(1.3)) * np.float32(0.5)
    on_table = step(-0.02, 0.05, y - np.float32(0.45))
    picture *= (1 - np.clip(contact + cast, 0, 0.86) * on_table)[..., None]


class _Pot:
    """One pot: a profile turned round an upright axis, its glazes, and how light falls on it."""

    TILT = np.float32(0.17)
    """How far down the near side of a circle lies in the picture, as a share of its radius."""

    def __init__(
        self,
        kind: str,
        centre: float,
        foot: float,
        half_width: float,
        height: float,
        chance: np.random.Generator,
    ) -> None:
        knots = np.array(PROFILES[kind], np.float64)
        knots[1:-1, 1] *= chance.uniform(0.96, 1.04, len(knots) - 2)
        self.heights = np.linspace(0, 1, 256)
        self.radii = _smooth(knots[:, 0], knots[:, 1], self.heights)
        self.slopes = np.gradient(self.radii, self.heights)
        self.kind = kind
        self.centre, self.foot, self.half_width, self.height = map(
            np.float32, (centre, foot, half_width, height)
        )
        self.shift = int(chance.integers(900))
        first, second = chance.choice(len(GLAZES), 2, replace=False)
        self.glaze, self.second = GLAZES[first], GLAZES[second]
        self.inside = GLAZES[chance.choice([first, 11, 0, 5])]
        self.clay = CLAYS[chance.integers(len(CLAYS))]
        self.bare = float(chance.uniform(0.05, 0.13)) if kind != "bowl" else float(chance.uniform(0.12, 0.2))
        self.dipped = float(chance.uniform(0.38, 0.72)) if chance.random() < 0.65 else 0.0
        self.rings = float(chance.uniform(0.15, 0.8))

    def paint(self, picture: Floats) -> None:
        """The inside first, then the outer wall over it."""
        rows, columns, x, y = self._window(1.02)
        here = picture[rows, columns]
        rim = np.float32(self.radii[-1]) * self.half_width
        ex = (x - self.centre) / rim
        ey = (y - (self.foot - self.height)) / (rim * self.TILT)
        near = np.hypot(ex, ey)
        within = step(0.0, 1.0, (1 - near) * rim * DRAWN_SIZE[0] * self.TILT + 0.5)
        here[...] = blend(here, self._inside(ex, ey, near), within)
        up, u = self._surface(x, y)
        radius = self._at(self.radii, up)
        px = DRAWN_SIZE[0]
        cover = np.clip((1 - np.abs(u)) * radius * self.half_width * px * 0.8 + 0.3, 0, 1)
        cover *= np.clip((1 - up) * self.height * px + 0.5, 0, 1) * np.clip(up * self.height * px + 0.5, 0, 1)
        here[...] = blend(here, self._wall(np.clip(up, 0, 1), np.clip(u, -1, 1)), cover.astype(np.float32))

    def paint_handle(self, picture: Floats) -> None:
        """A pulled handle on the right: a bent round strap."""
        x, y = plane()
        middle_x = self.centre + self.half_width * np.float32(0.98)
        middle_y = self.foot - self.height * np.float32(0.52)
        ring_x = (x - middle_x) / (self.half_width * np.float32(0.52))
        ring_y = (y - middle_y) / (self.height * np.float32(0.31))
        offset = (np.hypot(ring_x, ring_y) - 1) * self.half_width * np.float32(0.5)
        thick = self.half_width * np.float32(0.105)
        across = np.clip(offset / thick, -1, 1)
        angle = np.arctan2(ring_y, ring_x)
        nx, ny = np.cos(angle) * across, -np.sin(angle) * across
        colour = glaze_colour(
            self.glaze,
            np.float32(0.62) - np.abs(across) ** 3 * np.float32(0.5),
            angle * 0.3,
            offset * 8,
            self.shift,
        )
        shaded = self._lit(colour, nx, ny, np.sqrt(1 - across**2), np.float32(self.glaze.gloss))
        cover = np.clip((thick - np.abs(offset)) * DRAWN_SIZE[0] + 0.5, 0, 1) * (ring_x > -0.25)
        picture[...] = blend(picture, shaded, cover.astype(np.float32))

    def _window(self, room: float) -> tuple[slice, slice, Floats, Floats]:
        """The part of the picture the pot can touch, with its coordinates."""
        px = DRAWN_SIZE[0]
        spill = self.half_width * self.TILT * np.float32(1.2) + np.float32(0.01)
        top, bottom = self.foot - self.height * np.float32(room) - spill, self.foot + spill
        left, right = (
            self.centre - self.half_width * np.float32(1.1),
            self.centre + self.half_width * np.float32(1.1),
        )
        rows = slice(max(int(top * px), 0), min(int(bottom * px) + 1, DRAWN_SIZE[1]))
        columns = slice(max(int(left * px), 0), min(int(right * px) + 1, px))
        x, y = plane()
        return rows, columns, x[rows, columns], y[rows, columns]

    def _at(self, column: np.ndarray[tuple[int, ...], np.dtype[np.float64]], up: Floats) -> Floats:
        return np.interp(up, self.heights, column).astype(np.float32)

    def _surface(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """For each pixel the height on the near wall and the place across it (-1 to 1).

        A circle of the wall shows as an ellipse, so the height depends on the radius there, which depends
        on the height: three rounds settle it for every profile used.
        """
        across = (x - self.centre) / self.half_width
        flat = (self.foot - y) / self.height
        up = flat
        for _ in range(3):
            radius = np.maximum(self._at(self.radii, up), np.float32(1e-3))
            u = across / radius
            front = np.sqrt(np.clip(1 - u * u, 0, 1))
            up = flat + self.TILT * radius * front * self.half_width / self.height
        return up, u

    def _wall(self, up: Floats, u: Floats) -> Floats:
        around = np.arcsin(u)
        slope = self._at(self.slopes, up) * self.half_width / self.height
        wave = np.sin(up * np.float32(95) + np.sin(around + self.shift)) * np.float32(0.05 * self.rings)
        slope = slope + wave
        length = np.sqrt(1 + slope * slope)
        front = np.sqrt(1 - u * u)
        side = around * np.float32(0.5)
        colour, gloss = self._covered(up, side, wave)
        return self._lit(colour, u / length, -slope / length, front / length, gloss, ground=up)

    def _covered(self, up: Floats, side: Floats, wave: Floats) -> tuple[Floats, Floats]:
        """Clay, the first glaze, and the second dipped over it from the rim, with their edges."""
        edge = look_up(cloud(18, 12, 3), side, np.zeros_like(up), 640, self.shift) - np.float32(0.5)
        thickness = np.float32(0.62) - np.float32(0.75) * np.exp(-(((1 - up) / np.float32(0.022)) ** 2))
        line = np.float32(self.bare) + edge * np.float32(0.03)
        roll = np.exp(-(((up - line) / np.float32(0.022)) ** 2))
        thickness = (
            thickness + np.float32(0.35) * roll + wave * np.float32(2.4) - np.float32(0.1) * (up - 0.5)
        )
        colour = glaze_colour(self.glaze, thickness, side, up, self.shift)
        gloss = np.full_like(up, self.glaze.gloss)
        if self.dipped:
            drip = look_up(cloud(19, 16, 2), side, np.zeros_like(up), 640, self.shift + 40) - np.float32(0.35)
            low = np.float32(self.dipped) + edge * np.float32(0.12)
            low = low - np.clip(drip, 0, 1) ** 2 * np.float32(0.7 * self.second.run)
            over = step(-0.006, 0.012, up - low)
            heavy = thickness + np.float32(0.45) * np.exp(
                -(((up - low - np.float32(0.02)) / np.float32(0.035)) ** 2)
            )
            colour = blend(colour, glaze_colour(self.second, heavy, side, up, self.shift + 99), over)
            gloss = gloss + (np.float32(self.second.gloss) - gloss) * over
        glazed = step(-0.004, 0.004, up - line)
        return blend(clay_colour(self.clay, side, up, self.shift), colour, glazed), gloss * glazed

    def _inside(self, ex: Floats, ey: Floats, near: Floats) -> Floats:
        """What shows through the mouth: the far wall, darker the narrower the pot, and the rim itself."""
        narrow = np.float32(self.radii[-1] / TALLNESS[self.kind])
        depth = np.clip((ey + 1) * np.float32(0.5), 0, 1)
        colour = glaze_colour(self.inside, np.full_like(ex, 0.6), ex * 0.3, ey * 0.1, self.shift + 5)
        light = (
            np.clip(np.float32(0.9) * narrow, 0.12, 0.85)
            * (np.float32(1.12) - depth * np.float32(0.75))
            * (1 + 0.3 * ex)
        )
        shaded = colour * light[..., None]
        lip = step(0.86, 0.95, near)
        edge = glaze_colour(
            self.second if self.dipped else self.glaze, np.full_like(ex, 0.14), ex, ey * 0.1, self.shift
        )
        return blend(shaded, edge * (np.float32(1.0) - np.float32(0.25) * ex)[..., None], lip)

    def _lit(
        self,
        colour: Floats,
        nx: Floats,
        ny: Floats,
        nz: Floats,
        gloss: Floats | np.float32,
        ground: Floats | None = None,
    ) -> Floats:
        """Daylight from the window on the left, light thrown back by the table, the window's mirror image."""
        facing = np.clip(nx * LIGHT[0] + ny * LIGHT[1] + nz * LIGHT[2], 0, 1)
        fill = np.float32(0.30) + np.float32(0.09) * ny + np.float32(0.10) * nz
        light = fill + np.float32(0.95) * facing
        if ground is not None:
            light = light * (np.float32(0.62) + np.float32(0.38) * step(0.0, 0.16, ground))
        mirror_x, mirror_y = 2 * nz * nx, 2 * nz * ny
        window = box(mirror_x, -0.93, -0.55, 0.035) * box(mirror_y, -0.32, 0.62, 0.05)
        window *= (
            1
            - np.float32(0.8) * box(mirror_x, -0.752, -0.738, 0.012)
            - np.float32(0.8) * box(mirror_y, 0.13, 0.16, 0.012)
        )
        strip = box(mirror_x, 0.84, 0.97, 0.05) * box(mirror_y, -0.4, 0.5, 0.1)
        skin = np.float32(0.05) + np.float32(0.55) * (1 - nz) ** 4
        shine = (
            gloss
            * gloss
            * (np.float32(0.75) * np.clip(window, 0, 1) + np.float32(0.2) * strip + np.float32(0.35) * skin)
        )
        dull = (np.float32(0.10) + np.float32(0.25) * gloss) * facing**18
        tint = np.array([0.97, 0.99, 1.0], np.float32)
        lit: Floats = colour * light[..., None] + (shine + dull)[..., None] * tint
        return lit


def _smooth(
    knots: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    values: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    at: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """A curve through the knots without corners: a cubic with slopes from the neighbours."""
    slopes = np.gradient(values, knots)
    left = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(knots) - 2)
    width = knots[left + 1] - knots[left]
    t = (at - knots[left]) / width
    rise = (2 * t**3 - 3 * t**2 + 1) * values[left] + (3 * t**2 - 2 * t**3) * values[left + 1]
    bend = (t**3 - 2 * t**2 + t) * slopes[left] + (t**3 - t**2) * slopes[left + 1]
    made: np.ndarray[tuple[int, ...], np.dtype[np.float64]] = rise + width * bend
    return made
