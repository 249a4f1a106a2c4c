"""Labels for donor stock: what is printed can be read back by another reader than the one that drew it."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pypdf
import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import LARGEST_NUMBER, Condition, Kind, StockItem, label_text, number_in_label
from mendbay.core.errors import UsageError
from mendbay.outlets.label_sheet import LABELS_PER_SHEET
from mendbay.outlets.stock_labels import LabelJob, labels_pdf, labels_pictures
from mendbay.outlets.typesetting import Paper


def items(*numbers: int) -> list[StockItem]:
    return [
        StockItem(
            number,
            Kind.DRIVE if number % 2 else Kind.BOARD,
            BoardDescription(board_number="BX-4471-02", revision="B", model="AL20-HX4"),
            own_id="A-17",
            location=f"shelf {number % 7}",
            condition=Condition.DAMAGED if number % 3 == 0 else Condition.TESTED_GOOD,
        )
        for number in numbers
    ]


def codes_in(png: bytes) -> list[str]:
    """The QR codes of a sheet, read by OpenCV's own detector, label by label as a person would scan them."""
    sheet = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert sheet is not None
    reader, found = cv2.QRCodeDetector(), []
    height, width = sheet.shape
    for row in np.array_split(np.arange(height // 25, height * 24 // 25), 8):
        for column in np.array_split(np.arange(width // 26, width * 25 // 26), 3):
            text, _, _ = reader.detectAndDecode(sheet[np.ix_(row, column)])
            found += [text] if text else []
    return found


@pytest.mark.parametrize("paper", list(Paper))
def test_another_reader_reads_every_code(paper: Paper) -> None:
    numbers = [*range(1, 20), 123, 999_999, 1_000_000, 123_456_789, LARGEST_NUMBER]
    (sheet,) = labels_pictures(LabelJob(items(*numbers), paper), 200)
    assert codes_in(sheet) == [f"mendbay:stock:{number:06d}" for number in numbers]


def test_codes_survive_black_and_white_and_a_coarse_printer() -> None:
    (sheet,) = labels_pictures(LabelJob(items(123)), 120)
    grey = cv2.imdecode(np.frombuffer(sheet, np.uint8), cv2.IMREAD_GRAYSCALE)
    colour = cv2.imdecode(np.frombuffer(sheet, np.uint8), cv2.IMREAD_COLOR)
    assert grey is not None
    assert colour is not None
    assert np.all(colour == colour[:, :, :1]), "something is printed in colour"
    hard = np.where(grey < 128, 0, 255).astype(np.uint8)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(hard)
    assert text == "mendbay:stock:000123"


def test_the_writing_and_the_pages() -> None:
    made = labels_pdf(LabelJob(items(*range(1, 31)), skip=3))
    pages = pypdf.PdfReader(io.BytesIO(made)).pages
    assert len(pages) == 2
    assert [round(float(one)) for one in pages[0].mediabox[2:]] == [595, 842]
    first, second = (page.extract_text() for page in pages)
    assert all(word in first for word in ("000021", "A-17", "BX-4471-02", "shelf 6", "Damaged", "rev B"))
    assert "000022" not in first
    assert "000022" in second
    assert "21 of 30 labels, page 1 of 2" in first
    assert labels_pdf(LabelJob(items(*range(1, 31)), skip=3)) == made
    letter = pypdf.PdfReader(io.BytesIO(labels_pdf(LabelJob(items(1), Paper.LETTER)))).pages[0]
    assert [round(float(one)) for one in letter.mediabox[2:]] == [612, 792]


def test_a_sheet_begun_is_used_up() -> None:
    (sheet,) = labels_pictures(LabelJob(items(5), skip=LABELS_PER_SHEET - 1), 100)
    grey = cv2.imdecode(np.frombuffer(sheet, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    height, width = grey.shape
    assert grey[: height * 4 // 5].min() == 255
    assert grey[:, : width * 3 // 5].min() == 255
    assert grey.min() < 50


def test_hostile_and_long_texts_stay_inside_their_label() -> None:
    odd = StockItem(
        3,
        Kind.BOARD,
        BoardDescription(board_number='#"]' + "X" * 190, revision="*" * 100),
        own_id="\\" * 60,
        location="$sum$ #pagebreak() 青木 " + "y" * 150,
    )
    bare = StockItem(4, Kind.BOARD, BoardDescription())
    (sheet,) = labels_pictures(LabelJob([odd, *items(7), bare]), 150)
    assert codes_in(sheet) == [label_text(3), label_text(7), label_text(4)]
    text = pypdf.PdfReader(io.BytesIO(labels_pdf(LabelJob([odd, bare])))).pages[0].extract_text()
    assert "#pagebreak()" in text
    assert "U+9752" in text
    assert "board number" in text


def test_label_texts() -> None:
    assert label_text(123) == "mendbay:stock:000123"
    for number in (1, 123, 10**6, LARGEST_NUMBER):
        assert number_in_label(f" {label_text(number)}\n") == number
    for text in ("", "123", "mendbay:stock:12", "mendbay:stock:000000", "mendbay:stock:-00012", "x" * 99):
        assert number_in_label(text) is None
    assert number_in_label(f"mendbay:stock:{LARGEST_NUMBER + 1}") is None


@pytest.mark.parametrize(
    ("numbers", "skip"), [((), 0), ((0,), 0), ((1,), LABELS_PER_SHEET), ((1,), -1), (range(1, 2002), 0)]
)
def test_jobs_that_cannot_be_printed(numbers: tuple[int, ...], skip: int) -> None:
    with pytest.raises(UsageError):
        LabelJob(items(*numbers), skip=skip)
