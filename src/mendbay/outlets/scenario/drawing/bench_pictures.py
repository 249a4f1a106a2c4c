"""Telephone pictures of the demo's drives: their labels and both sides of their boards, with real codes.

Drawn flat first, then photographed: from a little aside, with uneven light, lens blur, grain and JPEG.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import zxingcpp
from PIL import Image, ImageDraw, ImageFilter, ImageFont

Colour = tuple[int, int, int]

LABEL_SIZE = (1500, 1040)
BOARD_SIZE = (1500, 1000)
CANVAS_SIZE = (2000, 1500)
SOLDER_MASK = (22, 84, 58)
SILK = (226, 230, 220)
COPPER = (34, 104, 70)
PACKAGE = (38, 38, 40)
LASER = (168, 166, 160)
CHIPS = ((560, 300, 900, 640), (1010, 560, 1260, 790), (190, 600, 420, 760), (150, 130, 560, 260))
"""Where nothing else may lie on a board: its chips and its number (left, top, right, bottom)."""


@dataclass(frozen=True, slots=True)
class LabelText:
    """What is printed on a drive's label; the serial and model also as codes."""

    maker: str
    model: str
    serial: str
    capacity: str
    sectors: int
    firmware: str
    made: str
    site: str
    board: str


@dataclass(frozen=True, slots=True)
class BoardText:
    """What stands on a drive's board: silk screen, and the markings of its three chips."""

    number: str
    revision: str
    controller: Sequence[str]
    motor_driver: Sequence[str]
    rom: Sequence[str]
    burnt: bool = False


@dataclass(frozen=True, slots=True)
class Shot:
    """How a picture was taken: turn in degrees, how far aside (share of the width), blur in pixels,
    exposure, and whether a lamp is mirrored in it."""

    turn: float = 0.0
    aside: float = 0.03
    blur: float = 0.8
    exposure: float = 1.0
    glare: bool = False


def label_picture(text: LabelText, shot: Shot, seed: int) -> bytes:
    """The label of a drive, as a telephone takes it: a JPEG."""
    return _photographed(_on_bench(_label(text), (118, 121, 124)), shot, seed)


def board_front_picture(text: BoardText, shot: Shot, seed: int) -> bytes:
    """The side of a board with its chips, as JPEG."""
    return _photographed(_on_bench(_board_front(text), (96, 84, 70)), shot, seed)


def board_back_picture(text: BoardText, shot: Shot, seed: int) -> bytes:
    """The side of a board that shows outwards: contacts, number and revision; as JPEG."""
    return _photographed(_on_bench(_board_back(text), (96, 84, 70)), shot, seed)


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _label(text: LabelText) -> Image.Image:
    image = Image.new("RGB", LABEL_SIZE, (236, 235, 229))
    pen = ImageDraw.Draw(image)
    ink = (24, 24, 26)
    pen.rounded_rectangle((8, 8, LABEL_SIZE[0] - 9, LABEL_SIZE[1] - 9), 26, outline=(160, 160, 156), width=4)
    pen.rectangle((8, 60, LABEL_SIZE[0] - 9, 190), fill=(44, 74, 80))
    pen.text((70, 78), text.maker, font=_font(84), fill=(240, 238, 230))
    pen.text((1050, 88), text.capacity, font=_font(72), fill=(240, 238, 230))
    rows = (
        ("Model", text.model),
        ("S/N", text.serial),
        ("LBA", str(text.sectors)),
        ("Firmware", text.firmware),
        ("Date", text.made),
        ("Site", text.site),
        ("Board", text.board),
    )
    for at, (caption, value) in enumerate(rows):
        y = 226 + at * 74
        pen.text((70, y + 8), caption, font=_font(38), fill=(90, 90, 92))
        pen.text((270, y), value, font=_font(50), fill=ink)
    _paste_code(image, zxingcpp.Code128, text.serial, (70, 790), scale=4, height=120)
    pen.text((150, 924), text.serial, font=_font(44), fill=ink)
    _paste_code(image, zxingcpp.DataMatrix, f"{text.model};{text.serial};{text.firmware}", (1110, 640), 12)
    pen.text((870, 250), "5 V  0.65 A    12 V  0.72 A", font=_font(38), fill=ink)
    pen.text((870, 320), "Do not cover the breather hole.", font=_font(30), fill=ink)
    pen.text((870, 370), "Invented for practice. Not a real drive.", font=_font(30), fill=ink)
    return image


def _paste_code(
    image: Image.Image,
    kind: zxingcpp.BarcodeFormat,
    text: str,
    at: tuple[int, int],
    scale: int,
    height: int = 0,
) -> None:
    modules = np.array(zxingcpp.create_barcode(text, kind).to_image(scale=1))
    code = Image.fromarray(modules)
    tall = height or modules.shape[0] * scale
    image.paste(code.resize((modules.shape[1] * scale, tall), Image.Resampling.NEAREST).convert("RGB"), at)


def _board_blank(chance: np.random.Generator) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    image = Image.new("RGB", BOARD_SIZE, SOLDER_MASK)
    pen = ImageDraw.Draw(image)
    for _ in range(150):
        x, y = (int(v) for v in chance.integers((0, 0), BOARD_SIZE))
        length, bend = int(chance.integers(40, 360)), int(chance.integers(-90, 90))
        pen.line(((x, y), (x + length, y), (x + length + abs(bend), y + bend)), fill=COPPER, width=4)
    for x, y in ((50, 50), (1450, 50), (50, 950), (1450, 950), (760, 40)):
        pen.ellipse((x - 26, y - 26, x + 26, y + 26), fill=(190, 180, 150), outline=(150, 140, 110), width=3)
        pen.ellipse((x - 12, y - 12, x + 12, y + 12), fill=(30, 26, 22))
    return image, pen


def _board_front(text: BoardText) -> Image.Image:
    chance = np.random.default_rng(77)
    image, pen = _board_blank(chance)
    _chip(image, (560, 300), (340, 340), text.controller, 46, legs=13)
    _chip(image, (1010, 560), (250, 230), text.motor_driver, 38, legs=9)
    _chip(image, (190, 600), (230, 160), text.rom, 30, legs=4)
    for at in range(26):
        x, y = (int(v) for v in chance.integers((80, 100), (1400, 900)))
        if not any(_within(x, y, chip) for chip in CHIPS):
            pen.rectangle((x, y, x + 34, y + 18), fill=(150, 128, 96) if at % 3 else (40, 40, 42))
    for name, x in (("D1", 1240), ("D2", 1330)):
        pen.rectangle((x, 190, x + 60, 250), fill=(34, 34, 36))
        pen.rectangle((x, 200, x + 8, 240), fill=(180, 180, 178))
        pen.text((x + 8, 152), name, font=_font(30), fill=SILK)
    if text.burnt:
        soot = Image.new("L", BOARD_SIZE, 0)
        ImageDraw.Draw(soot).ellipse((1250, 120, 1480, 330), fill=190)
        image.paste((14, 12, 10), (0, 0), soot.filter(ImageFilter.GaussianBlur(30)))
    pen.text((150, 130), text.number, font=_font(56), fill=SILK)
    pen.text((150, 200), text.revision, font=_font(44), fill=SILK)
    return image


def _within(x: int, y: int, place: tuple[int, int, int, int]) -> bool:
    left, top, right, bottom = place
    return left - 60 < x < right + 30 and top - 50 < y < bottom + 40


def _chip(
    image: Image.Image,
    at: tuple[int, int],
    size: tuple[int, int],
    lines: Sequence[str],
    height: int,
    legs: int,
) -> None:
    pen = ImageDraw.Draw(image)
    x, y = at
    wide, tall = size
    for leg in range(legs):
        middle = x + wide * (2 * leg + 1) // (2 * legs)
        pen.rectangle((middle - 7, y - 18, middle + 7, y + tall + 18), fill=(186, 186, 182))
    pen.rectangle((x, y, x + wide, y + tall), fill=PACKAGE)
    pen.ellipse((x + 12, y + 12, x + 30, y + 30), fill=(64, 64, 66))
    step = int(height * 1.35)
    top = y + (tall - step * len(lines)) // 2
    for row, line in enumerate(lines):
        left = x + (wide - int(pen.textlength(line, font=_font(height)))) // 2
        pen.text((left, top + row * step), line, font=_font(height), fill=LASER)


def _board_back(text: BoardText) -> Image.Image:
    chance = np.random.default_rng(78)
    image, pen = _board_blank(chance)
    for row in range(3):
        for column in range(8):
            x, y = 230 + column * 46, 380 + row * 60
            pen.rectangle((x, y, x + 28, y + 40), fill=(206, 184, 120))
    for at in range(4):
        pen.rectangle((1060 + at * 70, 430, 1100 + at * 70, 520), fill=(206, 184, 120))
    pen.text((480, 760), text.number, font=_font(72), fill=SILK)
    pen.text((480, 850), text.revision, font=_font(52), fill=SILK)
    _paste_code(image, zxingcpp.DataMatrix, f"{text.number} {text.revision}", (1150, 640), 10)
    return image


def _on_bench(item: Image.Image, bench: Colour) -> Image.Image:
    canvas = Image.new("RGB", CANVAS_SIZE, bench)
    canvas.paste(item, ((CANVAS_SIZE[0] - item.width) // 2, (CANVAS_SIZE[1] - item.height) // 2))
    return canvas


def _photographed(scene: Image.Image, shot: Shot, seed: int) -> bytes:
    chance = np.random.default_rng(seed)
    wide, tall = scene.size
    turned = scene.rotate(shot.turn, Image.Resampling.BICUBIC, fillcolor=scene.getpixel((3, 3)))
    a = shot.aside
    quad = (a * wide, a * tall * 0.6, 0, tall, wide * (1 - a * 0.4), tall * (1 - a), wide, 0)
    seen = turned.transform(scene.size, Image.Transform.QUAD, quad, Image.Resampling.BICUBIC)
    seen = seen.filter(ImageFilter.GaussianBlur(shot.blur))
    picture = np.asarray(seen).astype(np.float32) / 255
    y, x = np.mgrid[0:tall, 0:wide].astype(np.float32)
    light = 1.06 - 0.3 * np.hypot(x / wide - 0.35, (y / tall - 0.4) * 0.8)
    picture *= (light * shot.exposure)[..., None]
    if shot.glare:
        spot = np.exp(-(((x - 0.45 * wide) / (0.2 * wide)) ** 2) - ((y - 0.5 * tall) / (0.2 * tall)) ** 2)
        picture += (1.6 * spot)[..., None]
    picture += chance.normal(0, 0.012, picture.shape[:2]).astype(np.float32)[..., None]
    finished = Image.fromarray((np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8))
    out = io.BytesIO()
    finished.save(out, "JPEG", quality=88)
    return out.getvalue()
