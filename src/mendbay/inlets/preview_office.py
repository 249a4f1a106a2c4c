"""An office document to the beginning of its text. Runs only in the process that makes previews.

Known are the open kinds of ISO/IEC 29500 and ISO/IEC 26300, and the binary ones before them
(`office_legacy.py`). By what the file holds, never by its name, it is
decided which it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from mendbay.core.span import SpanSet
from mendbay.inlets import office_legacy, office_odf
from mendbay.inlets.office_bounds import within
from mendbay.inlets.office_parts import MAIN, related, relations, root
from mendbay.inlets.office_sheets import spreadsheet
from mendbay.inlets.office_text import slides, text_document
from mendbay.inlets.office_xml import Enough, Taker, take
from mendbay.inlets.office_zip import Archive
from mendbay.jobs.preview_port import COMPOUND, MadeDocument, NoPreview

BESIDE = "Its verdict stands beside it."
OTHER = "It is no office document of a kind that is known here"
MANIFEST = "META-INF/manifest.xml"
BY_ROOT = {"workbook": spreadsheet, "document": text_document, "presentation": slides}
"""By the first element of the main part."""
BY_NAME = (
    ("xl/worksheets/", "xl/workbook.xml", spreadsheet),
    ("word/document.xml", "word/document.xml", text_document),
    ("ppt/slides/slide", "ppt/presentation.xml", slides),
)
"""How parts and the main one are called by all who write them, for where the relation to it is lost."""


def made(data: bytes, holes: SpanSet) -> MadeDocument | NoPreview:
    """The beginning of a document as text, or why there is none.

    Args:
        holes: bytes of it that are missing; nothing that is shown rests on them.
    """
    try:
        if data.startswith(COMPOUND):
            return _legacy(data, holes)
        archive = Archive(data, holes)
        if _is_locked(archive):
            return NoPreview("The document is locked with a password, so that its text cannot be had", BESIDE)
        document = _of(archive)
    except MemoryError:
        return NoPreview("The document needs more memory than making a preview may use", BESIDE)
    if document is None:
        return NoPreview(OTHER, BESIDE, is_other=True)
    return replace(within(document), is_wrong=bool(archive.wrong))


def _legacy(data: bytes, holes: SpanSet) -> MadeDocument | NoPreview:
    found = office_legacy.document(data, holes)
    if found is None:
        return NoPreview(OTHER, BESIDE, is_other=True)
    if isinstance(found, NoPreview):
        return replace(found, next_step=BESIDE)
    return within(found)


def _of(archive: Archive) -> MadeDocument | None:
    if office_odf.CONTENT in archive:
        return office_odf.document(archive)
    main = related(relations(archive, ""), MAIN)
    make = BY_ROOT.get(root(archive, main)) if main else None
    if make is not None:
        return make(archive, main)
    for begin, main, make in BY_NAME:
        if any(one.startswith(begin) for one in archive.names()):
            return make(archive, main)
    return None


class _Locks(Taker):
    is_locked = False

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "encryption-data":
            self.is_locked = True
            raise Enough


def _is_locked(archive: Archive) -> bool:
    """Whether a document of ISO/IEC 26300 says that its parts are encrypted (part 2, packages)."""
    locks = _Locks()
    if MANIFEST in archive:
        take(archive, MANIFEST, locks)
    return locks.is_locked
