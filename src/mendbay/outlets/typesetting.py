"""Setting a paper: a template and its data go in, a PDF or pictures of its pages come out.

Only the fonts built into the typesetter are used, unless others are handed in, and no time is written, so the
same data gives the same bytes on every machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, Literal

import typst

from mendbay.core.errors import MendbayError


class Paper(StrEnum):
    """Paper of office printers."""

    A4 = "A4"
    LETTER = "Letter"


PAGES_MM = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}
"""Width and height in millimetres: ISO 216, ANSI/ASME Y14.1."""


def typeset(
    sheet: Mapping[str, bytes],
    what: str,
    instead: str = "Report this with the message above.",
    *,
    form: Literal["pdf", "png"] = "pdf",
    pixels_per_inch: int = 150,
    fonts: typst.Fonts | None = None,
) -> list[bytes]:
    """Sets a paper.

    Args:
        sheet: the template as `main.typ`, and every file it reads, by name.
        what: the paper at the beginning of a sentence, for the message.
        instead: what to do if it cannot be set.
        fonts: those to be used; the built-in ones alone if left out.

    Returns:
        The PDF alone, or one PNG for each page.

    Raises:
        MendbayError: the typesetter refused, which is a defect here.
    """
    fonts = fonts or typst.Fonts(include_system_fonts=False)
    options: dict[str, Any] = {"ppi": float(pixels_per_inch)} if form == "png" else {"timestamp": 0}
    try:
        made: Any = typst.compile(dict(sheet), font_paths=fonts, format=form, **options)
    except typst.TypstError as error:
        raise MendbayError(f"{what} could not be set: {error}.", instead) from error
    return [bytes(one) for one in made] if isinstance(made, list) else [bytes(made)]
