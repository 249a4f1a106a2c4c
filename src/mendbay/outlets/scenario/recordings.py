"""The studio's large files: films through the kiln's spyhole, voice notes, and a scan left uncompressed."""

from __future__ import annotations

import io
import struct
import wave
from pathlib import Path

import numpy as np
from PIL import Image

from mendbay.outlets.scenario.drawing.glazes import Floats, cloud, look_up, step
from mendbay.outlets.scenario.drawing.tiles import draw_tiles

FILM_SIZE = (640, 480)
FRAMES_A_SECOND = 12
SOUND_RATE = 16_000


def write_film(path: Path, seed: int, frames: int, peak: int) -> None:
    """Writes a time-lapse of a firing as AVI with a JPEG for every frame.

    Args:
        peak: the kiln's highest temperature in degrees Celsius, which sets the colour of the glow.
    """
    scene = _Spyhole(seed)
    pictures = []
    for frame in range(frames):
        share = frame / max(frames - 1, 1)
        degrees = 450 + (peak - 450) * np.sin(min(share * 1.25, 1.0) * np.pi / 2)
        pictures.append(scene.frame(frame, float(degrees)))
    path.write_bytes(_avi(pictures))


def write_voice_note(path: Path, seed: int, seconds: int) -> None:
    """Writes a WAV (16 bits, mono) that sounds like someone murmuring beside a kiln's fan."""
    chance = np.random.default_rng([seed, 77])
    count = seconds * SOUND_RATE
    time = np.arange(count, dtype=np.float32) / np.float32(SOUND_RATE)
    pitch = np.interp(time, np.arange(seconds * 4) / 4, chance.uniform(95, 165, seconds * 4)).astype(
        np.float32
    )
    phase = np.cumsum(pitch) * np.float32(2 * np.pi / SOUND_RATE)
    loud = np.interp(time, np.arange(seconds * 8) / 8, chance.choice([0.0, 0.1, 0.8, 1.0], seconds * 8))
    voice = (np.sin(phase) + np.float32(0.5) * np.sin(2 * phase) + np.float32(0.3) * np.sin(5 * phase)) * loud
    fan = np.float32(0.25) * chance.standard_normal(count, dtype=np.float32)
    sound = np.clip((voice * np.float32(0.18) + fan * np.float32(0.12)) * 32767, -32767, 32767).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(SOUND_RATE)
        file.writeframes(sound.tobytes())


def write_scan(path: Path, seed: int) -> None:
    """Writes a tile board as an uncompressed PPM of 2000 by 1500 pixels."""
    drawn = draw_tiles(seed, np.random.default_rng([seed, 4]))
    small = Image.fromarray((np.clip(drawn, 0, 1) * 255).astype(np.uint8))
    large = np.asarray(small.resize((2000, 1500), Image.Resampling.BICUBIC)).astype(np.int16)
    grain = np.random.default_rng([seed, 5]).integers(-3, 4, large.shape[:2], dtype=np.int16)[..., None]
    pixels = np.clip(large + grain, 0, 255).astype(np.uint8)
    path.write_bytes(b"P6\n2000 1500\n255\n" + pixels.tobytes())


class _Spyhole:
    """What the camera sees through the hole: bricks round it, glowing ware and a flickering flame inside."""

    def __init__(self, seed: int) -> None:
        chance = np.random.default_rng([seed, 9])
        y, x = np.mgrid[0 : FILM_SIZE[1], 0 : FILM_SIZE[0]].astype(np.float32)
        x, y = (x - 320) / 240, (y - 240) / 240
        out = np.hypot(x, y * np.float32(1.05))
        self.hole = 1 - step(0.60, 0.64, out)
        self.rim = np.exp(-(((out - np.float32(0.66)) / np.float32(0.09)) ** 2)) * (1 - self.hole)
        self.ware: Floats = np.zeros_like(x)
        for place in np.linspace(-0.42, 0.42, 4):
            wide, high = chance.uniform(0.09, 0.13), chance.uniform(0.25, 0.5)
            body = step(
                0.0, 0.03, wide * (0.8 + 0.35 * np.sin((y + 0.1) * 5 + place * 9)) - np.abs(x - place)
            )
            self.ware = np.maximum(
                self.ware, body * step(0.32 - high, 0.34 - high, y) * (1 - step(0.30, 0.32, y))
            )
        self.shelf = step(0.30, 0.33, y) * (1 - step(0.38, 0.40, y))
        brick = look_up(cloud(12, 40), x, y, 260, int(chance.integers(900)))
        self.brick = np.float32(0.10) + np.float32(0.10) * (brick - np.float32(0.5))
        self.flame = cloud(20, 6, 4)
        self.noise = chance.normal(0, 4.0, (FILM_SIZE[1], FILM_SIZE[0], 1)).astype(np.float32)

    def frame(self, number: int, degrees: float) -> bytes:
        """One picture as JPEG."""
        glow = _glow(degrees)
        flame = np.roll(self.flame, (-37 * number, 11 * number), (0, 1))[: FILM_SIZE[1], : FILM_SIZE[0]]
        inside = np.float32(0.55) + np.float32(0.7) * flame
        inside = inside * (1 - np.float32(0.42) * self.ware) * (1 - np.float32(0.55) * self.shelf)
        picture = (self.hole * inside + self.rim * np.float32(0.35))[..., None] * glow
        picture = picture + ((1 - self.hole) * self.brick)[..., None] * np.array([1, 0.85, 0.75], np.float32)
        noise = np.roll(self.noise, (131 * number, 57 * number), (0, 1))
        pixels = np.clip(picture * np.float32(235) + noise, 0, 255).astype(np.uint8)
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "JPEG", quality=90)
        return out.getvalue()


def _glow(degrees: float) -> Floats:
    """The colour of the inside of a kiln, dull red at 600 to yellow-white at 1280."""
    steps = [450, 600, 800, 1000, 1150, 1300]
    channels = (
        [0.03, 0.22, 0.62, 0.95, 1.1, 1.2],
        [0.01, 0.03, 0.12, 0.38, 0.66, 0.92],
        [0.01, 0.02, 0.03, 0.08, 0.26, 0.55],
    )
    return np.array([np.interp(degrees, steps, one) for one in channels], np.float32)


def _avi(pictures: list[bytes]) -> bytes:
    """Motion JPEG in an AVI file with its old-style index (RIFF chunks, from memory)."""
    largest = max(map(len, pictures))
    wide, high = FILM_SIZE
    main = struct.pack(
        "<14I",
        1_000_000 // FRAMES_A_SECOND,
        largest * FRAMES_A_SECOND,
        0,
        0x10,
        len(pictures),
        0,
        1,
        largest,
        wide,
        high,
        0,
        0,
        0,
        0,
    )
    stream = struct.pack(
        "<4s4sIHHIIIIIIII4H",
        b"vids",
        b"MJPG",
        0,
        0,
        0,
        0,
        1,
        FRAMES_A_SECOND,
        0,
        len(pictures),
        largest,
        0,
        0,
        0,
        0,
        wide,
        high,
    )
    form = struct.pack("<IiiHH4sIiiII", 40, wide, high, 1, 24, b"MJPG", wide * high * 3, 0, 0, 0, 0)
    lists = _list(b"strl", _chunk(b"strh", stream) + _chunk(b"strf", form))
    body, index, at = [], [], 4
    for picture in pictures:
        body.append(_chunk(b"00dc", picture))
        index.append(struct.pack("<4sIII", b"00dc", 0x10, at, len(picture)))
        at += len(body[-1])
    movie = _list(b"movi", b"".join(body))
    parts = _list(b"hdrl", _chunk(b"avih", main) + lists) + movie + _chunk(b"idx1", b"".join(index))
    return _chunk(b"RIFF", b"AVI " + parts)


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def _list(kind: bytes, content: bytes) -> bytes:
    return _chunk(b"LIST", kind + content)
