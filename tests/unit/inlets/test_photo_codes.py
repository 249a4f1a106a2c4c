"""Barcodes found, places of bars that are not readable, and texts made fit to show."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import zxingcpp

from mendbay.board import sighting_text
from mendbay.board.sighting import How, PictureFault, PictureReading, Sighting
from mendbay.inlets import photo_bars, photo_codes, photo_geometry, photo_look, photo_quality
from mendbay.inlets.photo_picture import Picture
from mendbay.inlets.photo_text import Line


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


@pytest.mark.parametrize("standard", ["Code 128", "Code 39"])
def test_blur_wider_than_the_narrowest_bars_is_taken_back(standard: str) -> None:
    soft = cv2.GaussianBlur(page(standard, "AL20-HX4", height=240), (0, 0), 2.6)
    noise = np.random.default_rng(6).normal(0, 2, soft.shape)
    soft = np.clip(soft + noise, 0, 255).astype(np.uint8)
    (code,) = photo_codes.find_codes(soft).read
    assert (code.standard, code.text) == (standard, "AL20-HX4")


def test_of_two_slanting_codes_the_one_that_is_not_read_is_told() -> None:
    """Their upright boxes overlap, they themselves do not."""
    sheet = np.vstack([page("Code 128", "FIRST-1")[:220], page("Code 128", "SECOND-2")[70:]])
    bars = np.random.default_rng(8).integers(0, 2, 80).astype(np.uint8).repeat(4)
    sheet[250:330, 100:500] = 230
    sheet[250:330, 100:420] = np.where(bars, 25, 230)
    turned = photo_geometry.turned_upright(sheet, 40)
    codes = photo_codes.find_codes(turned.pixels)
    assert [one.text for one in codes.read] == ["FIRST-1"]
    (place,) = codes.unread
    assert turned.back(place[None])[0].mean(axis=0) == pytest.approx([260, 290], abs=25)


def test_an_even_row_of_pins_is_told_from_bars() -> None:
    place = np.array([[90, 95], [410, 95], [410, 185], [90, 185]], float)
    pins = np.full((400, 700), 60, np.uint8)
    for left in range(100, 400, 9):
        pins[100:180, left : left + 4] = 190
    assert photo_bars.is_pins(pins, place)
    assert not photo_bars.is_pins(page("Code 128", "AL20-HX4"), place)
    assert photo_bars.is_pins(page("Code 128", "AL20-HX4"), place * [1, 0.15] + [0, 100]), "far too low"


def flattened(share: float) -> np.ndarray:
    """A square code on a page turned by 25 degrees and then seen from the side."""
    sheet = photo_geometry.turned_upright(page("QR Code", "TN3-939 T8069UZ1676", 4), 25).pixels
    rows, columns = sheet.shape
    return np.asarray(
        cv2.resize(sheet, (columns, round(rows * share)), interpolation=cv2.INTER_AREA), np.uint8
    )


def test_a_square_code_too_flat_for_the_library_is_read_when_drawn_out() -> None:
    flat = flattened(0.45)
    assert [one.text for one in photo_codes._decoded(flat)] == [], "else this test shows nothing"
    codes = photo_codes.find_codes(flat)
    (code,) = codes.read
    assert (code.text, codes.squares) == ("TN3-939 T8069UZ1676", ())
    dark = np.argwhere(flat < 60)[:, ::-1]
    box = photo_geometry.boxes(code.quad[None])[0]
    assert box == pytest.approx([*dark.min(axis=0), *dark.max(axis=0)], abs=12)


def test_a_square_code_seen_too_flat_to_be_read_is_told() -> None:
    codes = photo_codes.find_codes(flattened(0.3))
    assert (codes.read, codes.squares) == ([], ("QR Code",))


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


@pytest.mark.parametrize("one", ["\x85", "\x9b", "\u2028", "\u202e", "\u2066", "\ud800", "\x00", "\u061c"])
def test_no_text_of_a_code_is_refused_for_its_signs(one: str) -> None:
    """Else a harmless code would make its whole picture unreadable."""
    shown = photo_codes.readable(f"A1{one}B2")
    assert len(shown) == 5
    corner = ((0.0, 0.0),) * 4
    seen = Sighting("a.jpg", shown, How.BARCODE, 1.0, corner, "QR Code")
    reading = PictureReading("a.jpg", "", 1, 1, (seen,), (), True, 0.0)
    assert sighting_text.unpacked(sighting_text.packed(reading), "a.jpg", "") == reading
    raw = sighting_text.packed(replace(reading, sightings=(replace(seen, text=f"A1{one}B2"),)))
    with pytest.raises(sighting_text.NotAReading, match="cannot be shown"):
        sighting_text.unpacked(raw, "a.jpg", "")


def test_a_square_code_that_holds_such_signs_is_read() -> None:
    (code,) = photo_codes.find_codes(page("QR Code", "A1\x85B2\u2028C3\u202eD4", 5)).read
    assert code.text == "A1\ufffdB2\ufffdC3\ufffdD4"


def test_lines_of_writing_are_made_fit_too() -> None:
    line = Line("A1\u202eB2", 0.9, (0.9,) * 5, np.zeros((4, 2)))
    assert photo_look._of_line(line, "a.jpg", 1.0).text == "A1\ufffdB2"


def test_codes_beyond_those_taken_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo_codes, "MOST_CODES", 2)
    sheet = np.vstack([page("QR Code", f"CODE-{number}", 4) for number in range(3)])
    codes = photo_codes.find_codes(sheet)
    assert (len(codes.read), codes.beyond) == (2, 1)
    (trouble,) = photo_quality.crowded(codes)
    assert (trouble.fault, trouble.measured) == (
        PictureFault.CROWDED,
        "3 codes were read, of which 2 are taken",
    )
    assert photo_quality.crowded(replace(codes, beyond=0)) == ()

    class Blind:
        """A reader of writing that finds none."""

        def direction(self, pixels: object) -> float:
            return 0.0

        def read(self, pixels: object, angle: float) -> list[Line]:
            return []

    pixels = cv2.cvtColor(sheet, cv2.COLOR_GRAY2BGR)
    picture = Picture(pixels, sheet.shape[1], sheet.shape[0], 1.0)
    reading = photo_look.reading_of(picture, "a.jpg", "", Blind())  # type: ignore[arg-type]
    assert PictureFault.CROWDED in {one.fault for one in reading.troubles}
    assert not reading.usable
