"""Barcodes found, places of bars that are not readable, and texts made fit to show."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import zxingcpp

from mendbay.inlets import photo_codes, photo_geometry


def page(standard: str, text: str, module: int = 3, height: int = 80) -> np.ndarray:
    """A code on a white page of 700 by 400, its top left at (100, 100)."""
    made = zxingcpp.create_barcode(text, zxingcpp.barcode_format_from_str(standard))
    cells = np.array(made.to_image(scale=1, add_quiet_zones=False))
    if cells.shape[0] > 40 and standard.startswith("Code"):
        cells = np.repeat(cells[:1], height // module, axis=0)
    drawn = cells.repeat(module, axis=0).repeat(module, axis=1)
    sheet = np.full((400, 700), 230, np.uint8)
    sheet[100 : 100 + drawn.shape[0], 100 : 100 + drawn.shape[1]] = np.where(drawn < 128, 25, 230)
    return sheet


@pytest.mark.parametrize(
    ("standard", "confidence"), [("Code 128", 1.0), ("Code 39", 0.95), ("QR Code", 1.0), ("Data Matrix", 1.0)]
)
@pytest.mark.parametrize("angle", [0, 17, 90, 180])
def test_a_code_is_read_once_where_it_is_whichever_way_it_lies(
    standard: str, confidence: float, angle: float
) -> None:
    turned = photo_geometry.turned_upright(page(standard, "HX4TB20"), angle)
    (code,) = photo_codes.find_codes(turned.pixels).read
    assert (code.text, code.standard, code.confidence) == ("HX4TB20", standard, confidence)
    middle = turned.back(code.quad[None])[0].mean(axis=0)
    drawn = np.argwhere(page(standard, "HX4TB20") < 128)
    assert middle[::-1] == pytest.approx((drawn.min(axis=0) + drawn.max(axis=0)) / 2, abs=25)


def test_bars_that_cannot_be_read_are_told_with_their_place() -> None:
    soft = cv2.GaussianBlur(page("Code 128", "AL20-HX4"), (0, 0), 4.5)
    codes = photo_codes.find_codes(soft)
    assert codes.read == []
    (place,) = codes.unread
    left, top, right, bottom = photo_geometry.boxes(place[None])[0]
    assert (left, top) == pytest.approx((100, 100), abs=25)
    assert right == pytest.approx(np.argwhere(page("Code 128", "AL20-HX4") < 128)[:, 1].max(), abs=25)
    assert bottom - top == pytest.approx(80, abs=30)


def test_bars_too_noisy_for_any_single_line_are_read_by_their_average() -> None:
    noise = np.random.default_rng(4).normal(0, 85, (400, 700))
    noisy = np.clip(page("Code 128", "AL20-HX4").astype(float) + noise, 0, 255).astype(np.uint8)
    assert [one.text for one in photo_codes.find_codes(noisy).read] == ["AL20-HX4"]


def test_nothing_is_read_where_there_is_nothing() -> None:
    noise = np.random.default_rng(5).integers(0, 256, (500, 700), dtype=np.uint8)
    for picture in (noise, cv2.GaussianBlur(noise, (0, 0), 3), np.full((300, 300), 128, np.uint8)):
        codes = photo_codes.find_codes(picture)
        assert (codes.read, len(codes.unread)) == ([], 0)


def test_the_same_text_at_two_places_is_two_codes() -> None:
    sheet = np.vstack([page("Code 128", "SAME-1"), page("Code 128", "SAME-1")])
    assert [one.text for one in photo_codes.find_codes(sheet).read] == ["SAME-1", "SAME-1"]


def test_separators_are_shown_one_for_one() -> None:
    assert photo_codes.readable("[)>\x1e06\x1dA\x04\x7f") == "[)>␞06␝A␄␡"
    (code,) = photo_codes.find_codes(page("Data Matrix", "A1\x1dB2", 5)).read
    assert code.text == "A1␝B2"
