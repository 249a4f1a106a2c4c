"""Pictures as a phone would take them of drive labels, boards and boxes of invented makers, with their truth.

Everything follows from a seed. The scene is drawn flat and clean, then photographed: held at an angle,
turned, lit, blurred, darkened, made noisy and stored as JPEG. Nothing here knows how pictures are read.

`Spoiling` says how a picture is spoilt; `SPOILINGS` has the named ones. `MIXED` grow worse in every way at
once, as hand-held pictures do; the others have one strong fault, so that the advice can be judged.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Pixels = NDArray[np.uint8]
Random = np.random.Generator

PICTURE = (1500, 2000)
"""Rows and columns of a picture as taken."""

FONTS = ("sans", "sans bold", "rounded", "rounded bold", "stroke")
"""Pillow's and OpenCV's built-in fonts; the last is drawn in single strokes as silk screens and lasers do."""

LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
DIGITS = "0123456789"


@dataclass(frozen=True)
class Truth:
    """What is in a picture: texts by the name of their field, and (standard, text) of each code."""

    kind: str
    fields: dict[str, str]
    codes: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Spoiling:
    """How a picture was taken. Lengths are in pixels of the picture, angles in degrees."""

    name: str
    fault: str = ""
    """The fault a good adviser names; empty if the picture should do."""
    tilt: float = 4.0
    fill: float = 0.85
    """Share of the picture's side that the scene covers."""
    light: float = 1.0
    blur: float = 0.5
    """Standard deviation of the blur."""
    motion: float = 0.0
    """Length over which the hand moved."""
    glare: float = 0.0
    """Diameter of the shine, as a share of the scene's height."""
    noise: float = 2.0
    quality: int = 92
    turns: tuple[float, ...] = (0.0, 3.0, -6.0, 11.0, 90.0, 180.0, 184.0, 270.0, 262.0)


MIXED = (
    Spoiling("mixed 0"),
    Spoiling("mixed 1", tilt=14, blur=0.9, noise=4, quality=85),
    Spoiling("mixed 2", tilt=24, blur=1.4, noise=8, quality=70, fill=0.75, light=0.8),
    Spoiling("mixed 3", "any", tilt=35, blur=2.0, noise=13, quality=50, fill=0.55, light=0.6),
)
SINGLE = (
    Spoiling("dark 1", "dark", light=0.16, noise=5),
    Spoiling("dark 2", "dark", light=0.05, noise=6),
    Spoiling("glare 1", "glare", glare=0.35),
    Spoiling("glare 2", "glare", glare=0.8),
    Spoiling("blur 1", "blurred", blur=3.5),
    Spoiling("blur 2", "blurred", blur=8.0),
    Spoiling("motion 1", "blurred", motion=14),
    Spoiling("motion 2", "blurred", motion=36),
    Spoiling("small 1", "small", fill=0.36),
    Spoiling("small 2", "small", fill=0.17),
    Spoiling("oblique 1", "oblique", tilt=52),
    Spoiling("oblique 2", "oblique", tilt=68),
)
SPOILINGS = {one.name: one for one in (*MIXED, *SINGLE)}
KINDS = ("label", "board", "box")


@dataclass(frozen=True)
class Picture:
    """One picture taken: `jpeg` is the file, `truth` what it shows."""

    jpeg: bytes
    truth: Truth
    spoiling: Spoiling
    seed: int

    @property
    def name(self) -> str:
        return f"{self.truth.kind}-{self.spoiling.name.replace(' ', '-')}-{self.seed}.jpg"


def take(kind: str, spoiling: Spoiling | str, seed: int) -> Picture:
    """The picture of one scene, the same for the same arguments."""
    how = SPOILINGS[spoiling] if isinstance(spoiling, str) else spoiling
    random = np.random.default_rng([seed, KINDS.index(kind), *how.name.encode()])
    flat, truth = {"label": draw_label, "board": draw_board, "box": draw_box}[kind](random)
    return Picture(photograph(flat, how, random), truth, how, seed)


# Drawing -----------------------------------------------------------------------------------------------


def written(text: str, height: float, font: str, stretch: float = 1.0) -> NDArray[np.float32]:
    """The ink of a text, 0 to 1; `height` is roughly that of its capitals in pixels."""
    size = max(round(height * 4), 8)
    if font == "stroke":
        scale = size / 22
        (width, rise), drop = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, max(round(size / 9), 1))
        ink = np.zeros((rise + drop + size, width + size), np.uint8)
        place = (size // 2, rise + size // 2)
        cv2.putText(
            ink, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, max(round(size / 9), 1), cv2.LINE_AA
        )
    elif font.startswith("rounded"):
        canvas = np.zeros((size * 3, size * (len(text) + 4), 3), np.uint8)
        weight = 700 if font.endswith("bold") else 400
        cv2.putText(
            canvas, text, (size, size * 2), (255, 255, 255), cv2.FontFace("sans"), round(size * 1.4), weight
        )
        ink = canvas[..., 0]
    else:
        face = ImageFont.load_default(size * 1.4)
        page = Image.new("L", (size * (len(text) + 4), size * 3))
        ImageDraw.Draw(page).text(
            (size, size // 2), text, 255, face, stroke_width=size // 16 if font.endswith("bold") else 0
        )
        ink = np.asarray(page)
    rows, columns = np.nonzero(ink.max(axis=1))[0], np.nonzero(ink.max(axis=0))[0]
    ink = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    shape = (max(round(ink.shape[1] / 4 * stretch), 1), max(round(ink.shape[0] / 4), 1))
    return cv2.resize(ink, shape, interpolation=cv2.INTER_AREA).astype(np.float32) / 255


@dataclass
class Sheet:
    """A flat scene being drawn on; `codes` collects what was put on it."""

    pixels: NDArray[np.float32]
    codes: list[tuple[str, str]] = field(default_factory=list)

    def write(
        self,
        text: str,
        x: float,
        y: float,
        height: float,
        colour: float | tuple[float, ...],
        font: str,
        stretch: float = 1.0,
    ) -> float:
        """Writes with the top left at (x, y); returns where it ends on the right."""
        self.ink(written(text, height, font, stretch), x, y, colour)
        return x + written(text, height, font, stretch).shape[1]

    def ink(self, ink: NDArray[np.float32], x: float, y: float, colour: float | tuple[float, ...]) -> None:
        left, top = round(x), round(y)
        part = self.pixels[top : top + ink.shape[0], left : left + ink.shape[1]]
        amount = ink[: part.shape[0], : part.shape[1], None]
        part *= 1 - amount
        part += amount * np.asarray(colour, np.float32)

    def code(self, standard: str, text: str, x: float, y: float, module: int, height: int = 0) -> None:
        """A code on a white field: `module` wide narrowest bars or squares, a linear one `height` high."""
        made = zxingcpp.create_barcode(text, zxingcpp.barcode_format_from_str(standard))
        cells = np.array(made.to_image(scale=1, add_quiet_zones=False))
        if height:
            cells = np.repeat(cells[:1], height, axis=0).repeat(module, axis=1)
        else:
            cells = cells.repeat(module, axis=0).repeat(module, axis=1)
        margin = 4 * module
        field_ = np.pad(
            cells, ((0, 0) if height else (margin, margin), (margin, margin)), constant_values=255
        )
        self.ink((field_ < 128).astype(np.float32), x, y, 20.0)
        self.codes.append((standard, text))


def _blank(
    rows: int, columns: int, colour: tuple[float, float, float], random: Random, grain: float
) -> Sheet:
    pixels = np.empty((rows, columns, 3), np.float32)
    pixels[:] = colour
    pixels += random.normal(0, grain, (rows, columns, 1)).astype(np.float32)
    return Sheet(pixels)


def _pick(random: Random, letters: str, count: int) -> str:
    return "".join(random.choice(list(letters), count))


def draw_label(random: Random) -> tuple[Pixels, Truth]:
    """The label of an Alder drive: 10 by 7.4 cm at 15 pixels to the millimetre."""
    paper = float(random.uniform(215, 240))
    sheet = _blank(1110, 1500, (paper, paper, paper - float(random.uniform(0, 8))), random, 1.5)
    font = str(random.choice(FONTS[:4]))
    model = f"AL{random.choice([10, 20, 30, 40])}-{_pick(random, LETTERS, 2)}{random.integers(2, 9)}"
    fields = {
        "model": model,
        "serial": f"{_pick(random, LETTERS, 2)}{_pick(random, DIGITS + 'ABCDEFHKRTW', 7)}",
        "firmware": ".".join(
            (_pick(random, LETTERS, 1) + _pick(random, DIGITS, 2), _pick(random, DIGITS + LETTERS, 3))
        ),
        "capacity": f"{random.choice(['1.0', '2.0', '3.0', '4.0'])} TB",
        "date": f"{random.integers(10, 24)}{random.integers(1, 53):02d}",
        "site": f"{_pick(random, LETTERS, 2)}",
    }
    sheet.write("ALDER", 60, 50, 62, 25, "sans bold", 1.2)
    sheet.write(fields["capacity"], 1120, 55, 58, 25, font)
    sheet.write(f"Model: {model}", 60, 180, 36, 25, font)
    sheet.write(f"FW: {fields['firmware']}", 880, 185, 30, 25, font)
    linear = str(random.choice(["Code 128", "Code 39"]))
    sheet.code(linear, fields["serial"], 70, 300, 4 if linear == "Code 128" else 3, 110)
    sheet.write(f"S/N: {fields['serial']}", 60, 440, 34, 25, font)
    sheet.code("Code 128", model, 70, 560, 3, 80)
    sheet.write(f"Date Code: {fields['date']}   Site: {fields['site']}", 60, 680, 26, 25, font)
    square = str(random.choice(["Data Matrix", "QR Code"]))
    sheet.code(square, f"{fields['serial']} {model}", 1150, 290, 9)
    sheet.write("5VDC 0.60A  12VDC 0.45A", 60, 790, 26, 25, font)
    small = "This drive holds data. Do not cover any breathing hole. Handle with care: fragile."
    sheet.write(small, 60, 880, 16, 40, font)
    sheet.write("Opening the case or removing this label ends the warranty", 60, 930, 16, 40, font)
    cv2.rectangle(sheet.pixels, (20, 20), (1480, 1090), (60, 60, 60), 3)
    fields["capacity"] = fields["capacity"].replace(" ", "")
    return _finished(sheet), Truth("label", fields, tuple(sheet.codes))


def draw_box(random: Random) -> tuple[Pixels, Truth]:
    """The rating plate of a Tarn box on its grey back."""
    sheet = _blank(1110, 1500, (92, 94, 98), random, 4)
    dark = bool(random.integers(2))
    plate, ink = (28.0, 215.0) if dark else (226.0, 30.0)
    sheet.pixels[90:1020, 90:1410] = plate
    font = str(random.choice(FONTS[:4]))
    fields = {
        "model": f"TN{random.integers(2, 5)}-{random.integers(100, 999)}",
        "serial": f"T{_pick(random, DIGITS, 4)}{_pick(random, LETTERS, 2)}{_pick(random, DIGITS, 4)}",
        "address": "-".join(_pick(random, "0123456789ABCDEF", 2) for _ in range(6)),
    }
    sheet.write("TARN", 140, 140, 64, ink, "rounded bold", 1.1)
    sheet.write("Two-bay storage box", 520, 160, 34, ink, font)
    sheet.write(f"Model {fields['model']}", 140, 270, 38, ink, font)
    sheet.write(f"S/N {fields['serial']}", 140, 370, 34, ink, font)
    sheet.write(f"MAC {fields['address']}", 140, 460, 30, ink, font)
    sheet.write("Input 12V DC 4.0A", 140, 550, 30, ink, font)
    sheet.pixels[640:980, 120:1380] = 235
    sheet.code("Code 128", fields["serial"], 150, 680, 4, 110)
    sheet.code("QR Code", f"{fields['model']} {fields['serial']}", 1080, 665, 9)
    sheet.write(fields["serial"], 200, 810, 26, 30, font)
    return _finished(sheet), Truth("box", fields, tuple(sheet.codes))


def draw_board(random: Random) -> tuple[Pixels, Truth]:
    """A drive's board: silk-screened number, chips marked by laser, sometimes a sticker with a code."""
    green = [(24, 88, 46), (18, 70, 62), (30, 58, 110), (22, 104, 50)][int(random.integers(4))]
    sheet = _blank(1050, 1500, green, random, 3)
    _tracks(sheet, green, random)
    silk = float(random.uniform(195, 235))
    font = str(random.choice(["stroke", "sans", "rounded"]))
    number = f"TB-{_pick(random, DIGITS[1:], 1)}{_pick(random, DIGITS, 3)}-{_pick(random, DIGITS, 3)}"
    fields = {"board": number, "revision": f"R{random.integers(1, 9)}"}
    sheet.pixels[930:1010, 60:900] = green
    end = sheet.write(number, 80, 945, 40, silk, font)
    sheet.write(fields["revision"], end + 30, 945, 40, silk, font)
    marks = {
        "controller": (f"KL{_pick(random, DIGITS, 4)}{_pick(random, LETTERS, 1)}", 560, 260, 330, 330, 36),
        "driver": (f"MV{_pick(random, DIGITS, 4)}{_pick(random, LETTERS, 2)}", 150, 480, 250, 250, 30),
        "rom": (
            f"W25Q{random.choice(['16', '32', '40', '80'])}{random.choice(['BV', 'CL', 'DW', 'JV'])}",
            1080,
            640,
            210,
            150,
            23,
        ),
    }
    for name, (text, x, y, width, height, size) in marks.items():
        fields[name] = text
        grey = float(random.uniform(95, 150))
        _chip(sheet, x, y, width, height, random)
        sheet.write(text, x + 22, y + height * 0.25, size, grey, "stroke" if random.integers(2) else "sans")
        week = f"{random.integers(10, 24)}{random.integers(1, 53):02d}"
        lot = f"{week} {_pick(random, LETTERS, 2)}{_pick(random, DIGITS, 2)}"
        sheet.write(lot, x + 22, y + height * 0.25 + size * 1.8, size * 0.8, grey, "sans")
    for index in range(8):
        x, y = [
            (470, 300),
            (980, 280),
            (430, 640),
            (960, 560),
            (1330, 660),
            (700, 700),
            (1000, 860),
            (520, 800),
        ][index]
        sheet.write(f"{random.choice(['C', 'R', 'L', 'U'])}{random.integers(1, 99)}", x, y, 16, silk, font)
    if random.integers(2):
        sheet.pixels[150:400, 1140:1440] = 228
        text = f"{_pick(random, DIGITS, 4)} {_pick(random, LETTERS + DIGITS, 8)}"
        sheet.code("Data Matrix", text, 1150, 165, 6)
        fields["sticker"] = text.split()[1]
        sheet.write(fields["sticker"], 1170, 350, 22, 30, "sans")
    return _finished(sheet), Truth("board", fields, tuple(sheet.codes))


def _tracks(sheet: Sheet, green: tuple[int, int, int], random: Random) -> None:
    lighter = tuple(min(part * 1.35 + 8, 255) for part in green)
    for _ in range(70):
        x, y = int(random.integers(0, 1500)), int(random.integers(0, 1050))
        for _ in range(3):
            dx, dy = [(1, 0), (0, 1), (1, 1), (1, -1), (-1, 0)][int(random.integers(5))]
            length = int(random.integers(20, 160))
            end = (x + dx * length, y + dy * length)
            cv2.line(sheet.pixels, (x, y), end, lighter, int(random.integers(2, 6)), cv2.LINE_AA)
            x, y = end
    for _ in range(90):
        place = (int(random.integers(0, 1500)), int(random.integers(0, 1050)))
        cv2.circle(sheet.pixels, place, int(random.integers(4, 9)), (168, 150, 90), -1, cv2.LINE_AA)
    for place in ((60, 60), (1440, 60), (60, 880), (1440, 990)):
        cv2.circle(sheet.pixels, place, 44, (176, 170, 150), -1, cv2.LINE_AA)
        cv2.circle(sheet.pixels, place, 24, (12, 12, 12), -1, cv2.LINE_AA)


def _chip(sheet: Sheet, x: int, y: int, width: int, height: int, random: Random) -> None:
    for at in range(x + 8, x + width - 12, 22):
        cv2.rectangle(sheet.pixels, (at, y - 16), (at + 10, y + height + 16), (176, 178, 180), -1)
    shade = random.uniform(26, 46)
    body = sheet.pixels[y : y + height, x : x + width]
    body[:] = shade + random.normal(0, 3, (height, width, 1))
    cv2.circle(sheet.pixels, (x + 14, y + 14), 6, (70, 70, 70), -1, cv2.LINE_AA)


def _finished(sheet: Sheet) -> Pixels:
    return np.clip(sheet.pixels, 0, 255).astype(np.uint8)


# Taking the picture ------------------------------------------------------------------------------------


def photograph(flat: Pixels, how: Spoiling, random: Random) -> bytes:
    """A JPEG of the flat scene, taken as `how` says."""
    rows, columns = PICTURE
    picture = _table(rows, columns, random)
    transform, scene = _held(flat, how, random)
    size = (columns, rows)
    cover = cv2.warpPerspective(
        np.full(scene.shape[:2], 255, np.uint8), transform, size, flags=cv2.INTER_LINEAR
    )
    seen = cv2.warpPerspective(scene, transform, size, flags=cv2.INTER_LINEAR).astype(np.float32)
    share = (cover.astype(np.float32) / 255)[..., None]
    picture = picture * (1 - share) + seen * share
    picture *= _uneven_light(rows, columns, random)
    if how.glare:
        picture += _shine(cover, how.glare, random)
    if how.motion:
        picture = cv2.filter2D(picture, -1, _motion(how.motion, random))
    if how.blur:
        picture = cv2.GaussianBlur(picture, (0, 0), how.blur)
    picture = np.minimum(picture, 262) * how.light
    picture += random.normal(0, 1, (rows, columns, 3)).astype(np.float32) * how.noise
    file = io.BytesIO()
    Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(file, "JPEG", quality=how.quality)
    return file.getvalue()


def _table(rows: int, columns: int, random: Random) -> NDArray[np.float32]:
    """A bench top: dull, with soft blotches."""
    blotches = random.normal(0, 1, (rows // 50, columns // 50)).astype(np.float32)
    soft = cv2.resize(blotches, (columns, rows), interpolation=cv2.INTER_CUBIC)[..., None]
    return (np.asarray(random.uniform(70, 130, 3), np.float32) + soft * 6).astype(np.float32)


def _held(flat: Pixels, how: Spoiling, random: Random) -> tuple[NDArray[np.float64], Pixels]:
    """The homography from the scene into the picture for a camera tilted by `how.tilt` in some direction,
    and the scene made as small as it comes to be, so that nothing is sampled too thinly."""
    rows, columns = PICTURE
    turn = np.radians(float(random.choice(how.turns)) + float(random.uniform(-1, 1)))
    tilt, direction = np.radians(how.tilt), random.uniform(0, 2 * np.pi)
    height, width = flat.shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    centred = (corners - [width / 2, height / 2]) / max(width, height)
    spun = centred @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    axis = np.array([np.cos(direction), np.sin(direction)])
    across = np.array([-axis[1], axis[0]])
    along, side = spun @ axis, spun @ across
    away = 2.2  # distance of the camera in widths of the scene: an arm's length from a drive
    depth = away + side * np.sin(tilt)
    seen = (np.outer(along, axis) + np.outer(side * np.cos(tilt), across)) * (away / depth)[:, None]
    span = seen.max(axis=0) - seen.min(axis=0)
    scale = how.fill * min(columns / span[0], rows / span[1])
    placed = (seen - (seen.max(axis=0) + seen.min(axis=0)) / 2) * scale
    room = (np.array([columns, rows]) - span * scale) / 2 * 0.8
    placed += np.array([columns, rows]) / 2 + random.uniform(-1, 1, 2) * room
    shrink = min(1.0, 1.5 * scale / max(width, height))
    scene = cv2.resize(flat, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    source = corners * [scene.shape[1] / width, scene.shape[0] / height]
    return cv2.getPerspectiveTransform(source.astype(np.float32), placed.astype(np.float32)), scene


def _uneven_light(rows: int, columns: int, random: Random) -> NDArray[np.float32]:
    x, y = np.meshgrid(np.linspace(-1, 1, columns), np.linspace(-1, 1, rows))
    slope = random.uniform(-0.08, 0.08, 2)
    return (0.92 + slope[0] * x + slope[1] * y).astype(np.float32)[..., None]


def _shine(cover: Pixels, share: float, random: Random) -> NDArray[np.float32]:
    """Light of a lamp mirrored by the scene, around a place within its middle half."""
    rows, columns = np.nonzero(cover)
    box = np.array([columns.min(), rows.min(), columns.max(), rows.max()], np.float64)
    middle = box[:2] + (box[2:] - box[:2]) * random.uniform(0.25, 0.75, 2)
    radius = share * (box[3] - box[1]) / 2
    y, x = np.mgrid[: cover.shape[0], : cover.shape[1]]
    distance = np.hypot(x - middle[0], (y - middle[1]) * random.uniform(0.8, 1.4)) / radius
    return (420 / (1 + np.exp((distance - 1) * 9)) * (cover > 0)).astype(np.float32)[..., None]


def _motion(length: float, random: Random) -> NDArray[np.float32]:
    size = int(length) + 3 | 1
    kernel = np.zeros((size, size), np.float32)
    angle = random.uniform(0, np.pi)
    reach = np.array([np.cos(angle), np.sin(angle)]) * length / 2
    centre = np.array([size // 2, size // 2])
    start, end = (tuple(int(part) for part in np.round(centre + sign * reach)) for sign in (-1, 1))
    cv2.line(kernel, start, end, 1.0, 1, cv2.LINE_AA)
    return kernel / kernel.sum()


def with_spoiling(name: str, **changes: object) -> Spoiling:
    """A named spoiling with some of its figures changed."""
    change: Callable[..., Spoiling] = replace
    return change(SPOILINGS[name], **changes)
