"""Sheets of labels, to print on plain paper and cut along the dots.

Each label has a QR code (ISO/IEC 18004, error correction M or better) of a plain text, and some writing
beside it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

import zxingcpp

from mendbay.core.errors import UsageError
from mendbay.outlets.glyphs import printable
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.typesetting import PAGES_MM, Paper, typeset

LABELS_LIMIT = 2_000
"""Labels in one job; about a hundred sheets."""
COLUMNS, ROWS = 3, 8
LABELS_PER_SHEET = COLUMNS * ROWS
_CODE_MM = 25.0
_MARK, _MAIN, _LINE = 12, 40, 30
_MARGIN_MM = (8.0, 12.0)


@dataclass(frozen=True, slots=True)
class Label:
    """One label.

    Args:
        code: the text of its QR code.
        number: what stands in large letters, to be typed where there is no scanner.
        main: what the thing is.
        mark: the thing's other number, if any.
        warning: framed, if any.
        lines: whatever else; empty ones are left out.
    """

    code: str
    number: str
    main: str
    mark: str = ""
    warning: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LabelSheets:
    """What to print.

    Args:
        labels: in this order.
        title: what they are labels of; at the foot of each sheet.
        paper: the size of the sheets.
        skip: how many places of the first sheet are used up already, counted by rows.

    Raises:
        UsageError: no labels or more than `LABELS_LIMIT`, or more places skipped than a sheet has.
    """

    labels: Sequence[Label]
    title: str
    paper: Paper = Paper.A4
    skip: int = 0

    def __post_init__(self) -> None:
        if not 0 < len(self.labels) <= LABELS_LIMIT:
            raise UsageError(f"{len(self.labels)} labels cannot be printed.", f"Print 1 to {LABELS_LIMIT}.")
        if not 0 <= self.skip < LABELS_PER_SHEET:
            raise UsageError(
                f"A sheet does not have {self.skip} places to leave out.",
                f"It has {LABELS_PER_SHEET} in all.",
            )


def sheets_pdf(job: LabelSheets, fonts: OwnFonts | None = None) -> bytes:
    """The sheets as one PDF; its bytes depend on the job and the fonts alone. Signs that no font has are
    shown as Unicode numbers.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
        MendbayError: the typesetter refused, which is a defect here.
    """
    return _typeset(job, "pdf", 0, fonts or OwnFonts())[0]


def sheets_pictures(
    job: LabelSheets, pixels_per_inch: int = 150, fonts: OwnFonts | None = None
) -> list[bytes]:
    """The same sheets as one PNG each, to look at before printing.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
        MendbayError: the typesetter refused, which is a defect here.
    """
    return _typeset(job, "png", pixels_per_inch, fonts or OwnFonts())


def _typeset(
    job: LabelSheets, form: Literal["pdf", "png"], pixels_per_inch: int, fonts: OwnFonts
) -> list[bytes]:
    template = files("mendbay.outlets") / "templates" / "labels.typ"
    sheet = {
        "main.typ": template.read_bytes(),
        "labels.json": json.dumps(_facts(job, fonts), ensure_ascii=False).encode(),
    }
    for at, label in enumerate(job.labels):
        sheet[_code_name(at)] = _code(label)
    return typeset(sheet, "The labels", form=form, pixels_per_inch=pixels_per_inch, fonts=fonts.fonts)


def _facts(job: LabelSheets, fonts: OwnFonts) -> dict[str, Any]:
    written = [text[:most] for label in job.labels for text, most in _writing(label)]
    own, _ = fonts.beside_built_in(written)
    width, height = PAGES_MM[job.paper]
    size = ((width - 2 * _MARGIN_MM[0]) / COLUMNS, (height - 2 * _MARGIN_MM[1]) / ROWS)
    sheets: dict[int, list[tuple[int, dict[str, Any]]]] = {}
    for nth, label in enumerate(job.labels):
        at = nth + job.skip
        sheets.setdefault(at // LABELS_PER_SHEET, []).append((at % LABELS_PER_SHEET, _words(nth, label, own)))
    return {
        "title": job.title,
        "page_mm": (width, height),
        "label_mm": size,
        "margin_mm": _MARGIN_MM,
        "code_mm": _CODE_MM,
        "columns": COLUMNS,
        "count": len(job.labels),
        "sheets": list(sheets.values()),
    }


def _writing(label: Label) -> list[tuple[str, int]]:
    """The mark, the main line, the warning and the other lines, each with how many characters it has room
    for."""
    others = [(one, _LINE) for one in label.lines if one]
    return [(label.mark, _MARK), (label.main, _MAIN), (label.warning, _LINE), *others]


def _words(nth: int, label: Label, own: frozenset[str]) -> dict[str, Any]:
    mark, main, warning, *lines = (_short(text, most, own) for text, most in _writing(label))
    return {
        "code": _code_name(nth),
        "number": label.number,
        "mark": mark,
        "main": main,
        "warning": warning,
        "lines": lines,
    }


def _short(text: str, most: int, own: frozenset[str]) -> str:
    shown = printable(text, own)
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"


def _code_name(nth: int) -> str:
    return f"code-{nth}.svg"


def _code(label: Label) -> bytes:
    code = zxingcpp.create_barcode(label.code, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    return str(code.to_svg(add_quiet_zones=True)).encode()
