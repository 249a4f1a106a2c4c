"""Real photographs and published drawings of barcodes, read by the same code as a customer's pictures.

The packages carry no files of expected texts. What counts as right therefore comes from elsewhere: for the
photographs of linear codes, the digits printed below the bars, copied down by eye; for their square codes,
whose text nobody can see, only the standard, since their error correction does not yield a wrong text; for
the drawings, the texts that the packages' own tests and file names state.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from mendbay.inlets import photo_codes
from mendbay.inlets.photo_picture import decode
from support.corpora import corpus_or_skip

PRINTED = {
    "android-1/fail-2.jpg": ("EAN-13", "0854818000116"),
    "android-1/fail-3.jpg": ("EAN-13", "0854818000116"),
    "android-1/fail-4.jpg": ("QR Code", ""),
    "android-1/qrcode-1.jpg": ("QR Code", ""),
    "android-1/qrcode-2.jpg": ("QR Code", ""),
    "android-1/qrcode-3.jpg": ("QR Code", ""),
    "android-1/qrcode-4.jpg": ("QR Code", ""),
    "android-1/upca-1.jpg": ("EAN-13", "0890444000335"),
    "android-1/upca-2.jpg": ("EAN-13", "0890444000335"),
    "android-1/upca-3.jpg": ("EAN-13", "0890444000335"),
    "android-1/fail-1.jpg": ("EAN-13", "0049000042566"),
    "android-2/code128-1.png": ("Code 128", "Code 128"),
    "android-2/code39-1.png": ("Code 39", "429250"),
    "android-2/datamatrix-1.png": ("Data Matrix", ""),
    "android-2/ean13-1.png": ("EAN-13", "9780201310054"),
    "android-2/itf-1.png": ("ITF", "05012345678900"),
    "android-2/pdf417-1.png": ("PDF417", ""),
    "android-2/qrcode-1.png": ("QR Code", ""),
    "android-2/upca-1.png": ("EAN-13", "0073333531084"),
}
"""Photographs and what is printed in them; twelve digits of a UPC-A are an EAN-13 that begins with 0
(GS1 General Specifications, 5.2). `fail-1` is overexposed so that half of its bars are gone."""

READ_FLOOR = 18
"""Of the 19 photographs, as measured with zxing-cpp 3.1."""

CODELESS = ("android-2/fail-1.png", "android-2/fail-2.png", "android-2/fail-3.png")
"""Photographs of a carpet, a mesh and a wall of lamps."""

PUBLISHED = {
    # pyzbar 0.1.9, pyzbar/tests/test_pyzbar.py
    "small/code128.png": {("Code 128", "Foramenifera"), ("Code 128", "Rana temporaria")},
    "small/code128_null_character.png": {("Code 128", "Hello␀Goodbye")},
    "small/qrcode.png": {("QR Code", "Thalassiodracon")},
    "small/qrcode_rotated.png": {("QR Code", "Thalassiodracon")},
    "small/empty.png": set(),
    # zbar 0.23.93: the names of the files say the standard, all digits count down from 9
    "examples/code-39.png": {("Code 39", "ZBAR-9876543210")},
    "examples/code-93.png": {("Code 93", "ZBAR-9876543210")},
    "examples/ean-8.png": {("EAN-8", "98765430")},
    "examples/ean-13.png": {("EAN-13", "9789876543217")},
    "examples/i2-5.png": {("ITF", "9876543210")},
}


@pytest.fixture(scope="module")
def corpus() -> Path:
    return corpus_or_skip("barcodes")


def found(path: Path) -> set[tuple[str, str]]:
    pixels = decode(path.read_bytes()).pixels
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    return {(one.standard, one.text) for one in photo_codes.find_codes(grey).read}


def test_photographs_are_read_as_printed(corpus: Path) -> None:
    read, wrong = [], []
    for name, (standard, text) in PRINTED.items():
        for seen in found(corpus / "photos" / name):
            right = seen[0] == standard and text in ("", seen[1])
            (read if right else wrong).append(name)
    missed = sorted(set(PRINTED) - set(read))
    print(f"\nphotographs read: {len(set(read))} of {len(PRINTED)}, wrongly {len(wrong)}; missed: {missed}")
    assert wrong == []
    assert len(set(read)) >= READ_FLOOR


@pytest.mark.parametrize("name", CODELESS)
def test_nothing_is_read_where_there_is_no_code(corpus: Path, name: str) -> None:
    assert found(corpus / "photos" / name) == set()


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_drawings_give_their_published_texts(corpus: Path, name: str) -> None:
    assert found(corpus / name) == PUBLISHED[name]
