"""Labels of a case's things: read back by other readers than the one that drew them, and naming nobody."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pypdf
import pytest
import zxingcpp

from mendbay.case.items import LARGEST_CASE, Item, Owner, What, label_text
from mendbay.core.errors import UsageError
from mendbay.outlets.item_labels import item_sheets
from mendbay.outlets.label_sheet import LABELS_PER_SHEET, sheets_pdf, sheets_pictures
from mendbay.outlets.typesetting import PAGES_MM, Paper

MARKS = "M" * 90 + " " + "n" * 100
LONG = Item(LARGEST_CASE, 999, What.ADAPTER, "W" * 200, "b" * 32, MARKS, owner=Owner.LENT)
PLAIN = Item(7, 1, What.DRIVE, bay="1", marks="AL20-HX4 QM-1001")
ODD = Item(7, 2, What.OTHER, '#pagebreak() $x$ "青木" \\', marks="*_`")


def grey(png: bytes) -> np.ndarray:
    sheet = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert sheet is not None
    return np.asarray(sheet)


def label_at(sheet: np.ndarray, paper: Paper, place: int) -> np.ndarray:
    """One label of a sheet, cut out as a person with scissors would."""
    width, height = PAGES_MM[paper]
    down, across = sheet.shape[0] / height, sheet.shape[1] / width
    size = ((width - 16) / 3 * across, (height - 24) / 8 * down)
    top, left = 12 * down + place // 3 * size[1], 8 * across + place % 3 * size[0]
    return sheet[round(top) : round(top + size[1]), round(left) : round(left + size[0])]


@pytest.mark.parametrize("paper", list(Paper))
def test_every_code_is_read_from_its_own_label_at_its_true_size(paper: Paper) -> None:
    items = [PLAIN, LONG, ODD, *(Item(7, number, What.CABLE) for number in range(3, LABELS_PER_SHEET))]
    (sheet,) = sheets_pictures(item_sheets(items, paper), 200)
    for place, one in enumerate(items):
        (code,) = zxingcpp.read_barcodes(label_at(grey(sheet), paper, place))
        assert (code.text, code.format) == (label_text(one), zxingcpp.BarcodeFormat.QRCode)


def test_nothing_overlaps_the_code_and_nothing_leaves_the_label() -> None:
    """Dark points of the writing lie right of the code's quiet zone, and none in the labels around."""
    (sheet,) = sheets_pictures(item_sheets([LONG], skip=4), 200)
    (bare,) = sheets_pictures(item_sheets([Item(LARGEST_CASE, 999, What.OTHER)], skip=4), 200)
    one, other = label_at(grey(sheet), Paper.A4, 4), label_at(grey(bare), Paper.A4, 4)
    code_wide = round(25.5 * one.shape[1] / (194 / 3))
    assert np.array_equal(one[:, :code_wide], other[:, :code_wide])
    assert one[:, code_wide:].min() < 60
    for around in (0, 1, 2, 3, 5, 6, 7, 8):
        inner = label_at(grey(sheet), Paper.A4, around)[4:-4, 4:-4]
        assert inner.min() == 255


def test_the_writing() -> None:
    text = pypdf.PdfReader(io.BytesIO(sheets_pdf(item_sheets([PLAIN, LONG, ODD])))).pages[0].extract_text()
    for words in ("0007-01", "Drive of bay 1", "AL20-HX4 QM-1001", "Lent by the shop", "Case items, 3 of 3"):
        assert words in text
    assert "#pagebreak()" in text


def test_there_must_be_something_to_label() -> None:
    with pytest.raises(UsageError):
        item_sheets([])
