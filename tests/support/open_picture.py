"""Pictures as files, whole, damaged and made to do harm, for tests of what decodes them."""

from __future__ import annotations

import io
import struct
import zlib

from PIL import Image


def as_file(image: Image.Image, kind: str, **more: object) -> bytes:
    """The file of a picture."""
    file = io.BytesIO()
    image.save(file, kind, **more)
    return file.getvalue()


def opened(data: bytes) -> Image.Image:
    """A picture, decoded."""
    image = Image.open(io.BytesIO(data))
    image.load()
    return image


def png_header(width: int, height: int) -> bytes:
    """A PNG that says how large it is, and has nothing behind it but the beginning of its pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(100)))


def noted_jpeg(image: Image.Image, *words: bytes) -> bytes:
    """A JPEG with words in its Exif, its comment, its colour profile and behind its end."""
    exif = Image.Exif()
    exif[0x010E] = words[0].decode()
    data = as_file(image, "JPEG", exif=exif, comment=words[0], icc_profile=words[0] * 9, quality=95)
    return data + words[0]
