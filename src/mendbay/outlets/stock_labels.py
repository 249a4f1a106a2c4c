"""Sheets of labels for donor stock, to print on plain paper and cut along the dots.

Each label has a QR code (ISO/IEC 18004, error correction M or better) with the plain text
`mendbay:stock:000123`, and in writing the item's number, the shop's own id, the board number, the place and
whatever makes the item unfit as a donor.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

import zxingcpp

from mendbay.board.stock import Condition, Kind, StockItem, label_text
from mendbay.core.errors import UsageError
from mendbay.outlets.glyphs import printable
from mendbay.outlets.typesetting import PAGES_MM, Paper, typeset

LABELS_LIMIT = 2_000
"""Labels in one job; about a hundred sheets."""
COLUMNS, ROWS = 3, 8
LABELS_PER_SHEET = COLUMNS * ROWS
_CODE_MM = 25.0
_LINE = 30
_MARGIN_MM = (8.0, 12.0)


@dataclass(frozen=True, slots=True)
class LabelJob:
    """What to print.

    Args:
        items: one label each, in this order; every item must have its number.
        paper: the size of the sheets.
        skip: how many places of the first sheet are used up already, counted by rows.

    Raises:
        UsageError: no items or more than `LABELS_LIMIT`, one without a number, or more places skipped than a
            sheet has.
    """

    items: Sequence[StockItem]
    paper: Paper = Paper.A4
    skip: int = 0

    def __post_init__(self) -> None:
        if not 0 < len(self.items) <= LABELS_LIMIT:
            raise UsageError(f"{len(self.items)} labels cannot be printed.", f"Print 1 to {LABELS_LIMIT}.")
        if not 0 <= self.skip < LABELS_PER_SHEET:
            raise UsageError(
                f"A sheet does not have {self.skip} places to leave out.",
                f"It has {LABELS_PER_SHEET} in all.",
            )
        for item in self.items:
            label_text(item.number)


def labels_pdf(job: LabelJob) -> bytes:
    """The sheets as one PDF; its bytes depend on the job alone.

    Raises:
        MendbayError: the typesetter refused, which is a defect here.
    """
    return _typeset(job, "pdf", 0)[0]


def labels_pictures(job: LabelJob, pixels_per_inch: int = 150) -> list[bytes]:
    """The same sheets as one PNG each, to look at before printing.

    Raises:
        MendbayError: the typesetter refused, which is a defect here.
    """
    return _typeset(job, "png", pixels_per_inch)


def _typeset(job: LabelJob, form: Literal["pdf", "png"], pixels_per_inch: int) -> list[bytes]:
    template = files("mendbay.outlets") / "templates" / "stock_labels.typ"
    sheet = {
        "main.typ": template.read_bytes(),
        "labels.json": json.dumps(_facts(job), ensure_ascii=False).encode(),
    }
    for item in job.items:
        sheet[_code_name(item)] = _code(item)
    return typeset(sheet, "The labels", form=form, pixels_per_inch=pixels_per_inch)


def _facts(job: LabelJob) -> dict[str, Any]:
    width, height = PAGES_MM[job.paper]
    label = ((width - 2 * _MARGIN_MM[0]) / COLUMNS, (height - 2 * _MARGIN_MM[1]) / ROWS)
    sheets: dict[int, list[tuple[int, dict[str, str]]]] = {}
    for at, item in enumerate(job.items, job.skip):
        sheets.setdefault(at // LABELS_PER_SHEET, []).append((at % LABELS_PER_SHEET, _words(item)))
    return {
        "page_mm": (width, height),
        "label_mm": label,
        "margin_mm": _MARGIN_MM,
        "code_mm": _CODE_MM,
        "columns": COLUMNS,
        "count": len(job.items),
        "sheets": list(sheets.values()),
    }


def _words(item: StockItem) -> dict[str, str]:
    of = item.description
    kind = "Donor drive" if item.kind is Kind.DRIVE else ""
    revision = f"rev {of.revision}" if of.revision and "rev" not in of.revision.casefold() else of.revision
    detail = ", ".join(one for one in (kind, revision, of.model if item.kind is Kind.DRIVE else "") if one)
    warning = {Condition.DAMAGED: "Damaged", Condition.ROM_MISSING: "ROM missing"}.get(item.condition, "")
    return {
        "code": _code_name(item),
        "number": f"{item.number:06d}",
        "own_id": _short(item.own_id, 12),
        "board_number": _short(of.board_number or "board number not known", 40),
        "detail": _short(detail, _LINE),
        "location": _short(item.location, _LINE),
        "warning": warning,
    }


def _short(text: str, most: int) -> str:
    shown = printable(text)
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"


def _code_name(item: StockItem) -> str:
    return f"code-{item.number}.svg"


def _code(item: StockItem) -> bytes:
    code = zxingcpp.create_barcode(label_text(item.number), zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    return str(code.to_svg(add_quiet_zones=True)).encode()
