"""Lists as CSV (RFC 4180) that a spreadsheet may open without running anything in them."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

_FORMULA = re.compile(r"[\s']*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
"""What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"), full-width forms included."""

Cell = str | int | float | None


def csv_bytes(head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """A list with its head, UTF-8, lines ended by CR LF.

    A text that a spreadsheet could take for a formula begins with an apostrophe, and control characters in it
    become spaces. Numbers stay as they are; None is an empty cell.
    """
    made = io.StringIO(newline="")
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([_safe(cell) for cell in row] for row in rows)
    return made.getvalue().encode()


def _safe(cell: Cell) -> str:
    if cell is None:
        return ""
    if not isinstance(cell, str):
        return str(cell)
    marked = f"'{cell}" if _FORMULA.match(cell) else cell
    return "".join(one if one.isprintable() else " " for one in marked)
