"""An office document to the beginning of its text. Runs only in the process that makes previews.

Known are the open kinds of ISO/IEC 29500. By what the file holds, never by its name, it is decided which it
is.
"""

from __future__ import annotations

from mendbay.core.span import SpanSet
from mendbay.inlets import office_sheets
from mendbay.inlets.office_bounds import within
from mendbay.inlets.office_parts import MAIN, related, relations, root
from mendbay.inlets.office_zip import Archive
from mendbay.jobs.preview_port import MadeDocument, NoPreview

BESIDE = "Its verdict stands beside it."
SHEETS = "xl/workbook.xml"
"""The main part as all call it who write one, for where the relation to it is lost."""


def made(data: bytes, holes: SpanSet) -> MadeDocument | NoPreview:
    """The beginning of a document as text, or why there is none.

    Args:
        holes: bytes of it that are missing; nothing that is shown rests on them.
    """
    try:
        document = _of(Archive(data, holes))
    except MemoryError:
        return NoPreview("The document needs more memory than making a preview may use", BESIDE)
    if document is None:
        return NoPreview("It is no office document of a kind that is known here", BESIDE, is_other=True)
    return within(document)


def _of(archive: Archive) -> MadeDocument | None:
    main = related(relations(archive, ""), MAIN)
    found = root(archive, main) if main else ""
    if found == "workbook":
        return office_sheets.spreadsheet(archive, main)
    if SHEETS in archive or any(one.startswith("xl/worksheets/") for one in archive.names()):
        return office_sheets.spreadsheet(archive, SHEETS)
    return None
