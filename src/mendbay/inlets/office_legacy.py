"""A binary office document, a compound file, to what it says of itself and the beginning of its text. Runs
only in the process that makes previews."""

from __future__ import annotations

from dataclasses import replace

from mendbay.core.span import SpanSet
from mendbay.inlets import office_doc, office_ppt, office_xls
from mendbay.inlets.office_about import about
from mendbay.inlets.office_cfb import Compound
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, NoPreview

LOCKED = "EncryptedPackage"
"""The stream that holds a document of the newer kinds that is locked with a password ([MS-OFFCRYPTO])."""
KINDS = (
    (office_doc.STREAM, DocumentKind.TEXT, office_doc.text_document),
    (office_xls.STREAM, DocumentKind.SHEETS, office_xls.spreadsheet),
    (office_xls.OLDER, DocumentKind.SHEETS, office_xls.spreadsheet),
    (office_ppt.STREAM, DocumentKind.SLIDES, office_ppt.slides),
)
"""By the stream that holds what is written in it."""


def document(data: bytes, holes: SpanSet) -> MadeDocument | NoPreview | None:
    """What can be shown of it; None if it is no office document."""
    compound = Compound(data, holes)
    if LOCKED in compound:
        return NoPreview("The document is locked with a password, so that its text cannot be had")
    for stream, kind, make in KINDS:
        if stream in compound:
            found = make(compound)
            if isinstance(found, NoPreview):
                return found
            made = found or MadeDocument(kind, (), 0, is_partial=not compound.is_whole)
            said = about(compound)
            pieces = (said, *made.pieces) if said is not None else made.pieces
            partial = made.is_partial or not compound.is_whole
            return replace(made, pieces=pieces, is_partial=partial, is_legacy=True)
    return None
