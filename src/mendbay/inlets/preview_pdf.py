"""A page of a PDF to a small picture made anew. Runs only in the process that makes previews.

The typesetter draws it: it can put a page of a PDF onto a page of its own. What it gives goes the way of any
picture.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import typst

from mendbay.inlets import preview_picture
from mendbay.jobs.preview_port import MadePicture, NoPreview

SHEET = """#set page(width: 612pt, height: 842pt, margin: 0pt, fill: white)
#image(bytes(json("pdf.json")), format: "pdf", page: {}, width: 100%, height: 100%, fit: "contain")
"""
"""A sheet on which A4 and Letter fit, whatever size the page says it has."""
PIXELS_PER_INCH = 130.0
"""Letters of eight points can be read."""
HARDLY = 2.0
"""As coarse as that a page is drawn of which only is asked whether it is there."""


def made(data: bytes, page: int, side: int) -> MadePicture | NoPreview:
    """The page (the first is 1) as a picture of at most `side` pixels, or why there is none. `pictures` is
    the page, or the next one where there is a next."""
    numbers = json.dumps(list(data)).encode()
    drawn = _drawn(numbers, page, PIXELS_PER_INCH)
    if drawn is None:
        if page > 1 and _drawn(numbers, 1, HARDLY) is not None:
            return NoPreview(f"There is no page {page} that can be drawn", beyond=True)
        return NoPreview("This page cannot be drawn: the file is damaged, or no PDF")
    shown = preview_picture.made(drawn, side)
    if isinstance(shown, NoPreview):
        return replace(shown, next_step="")
    goes_on = _drawn(numbers, page + 1, HARDLY) is not None
    return replace(shown, pictures=page + goes_on)


def _drawn(numbers: bytes, page: int, pixels_per_inch: float) -> bytes | None:
    sheet: Any = {"main.typ": SHEET.format(page).encode(), "pdf.json": numbers}
    fonts = typst.Fonts(include_system_fonts=False)
    try:
        found: Any = typst.compile(sheet, font_paths=fonts, format="png", ppi=pixels_per_inch)
    except (typst.TypstError, RuntimeError):
        return None
    return bytes(found[0] if isinstance(found, list) else found)
