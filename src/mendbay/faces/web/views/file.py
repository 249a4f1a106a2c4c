"""One file: its verdict with the reasons, where each byte came from, and what it looks like."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mendbay.core.clock import iso_from_epoch
from mendbay.core.errors import NoSuchItem
from mendbay.core.source import Lack
from mendbay.faces import wording
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ShownWork, ask_to_stop, order_work, shown_works
from mendbay.faces.web.fields import flag, line, number
from mendbay.faces.web.files_shown import is_folder_row, packed, usable
from mendbay.faces.web.open_catalogues import Pictures, require_catalogue
from mendbay.faces.web.preview_pool import gate_of, pool_of
from mendbay.faces.web.visit import Visit
from mendbay.files.text_preview import HexPreview, TextPreview
from mendbay.files.tree import Proof
from mendbay.jobs.authority import concern
from mendbay.jobs.document_shown import DocumentPreview
from mendbay.jobs.file_work_options import path_option
from mendbay.jobs.list_files import look_at_file, told_reasons
from mendbay.jobs.preview_file import FilePreview, preview_file
from mendbay.jobs.preview_port import MadePicture, NoPreview
from mendbay.jobs.work_port import WorkKind

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.catalogue_port import KeptCatalogue

BOOK = Book()
SHOWN = 200
"""Pieces and ranges that are listed."""
WHICH = (
    number("number", "Row", required=True, most=1 << 31),
    line("generation", "Listing", required=True, limit=40),
)
LARGE = flag("large", "Large")
PROVEN_BY = {
    Proof.CHECKSUM: "its checksums",
    Proof.STRUCTURE: "all that is said of it agreeing",
    Proof.NONE: "nothing",
}
LACKS = {
    Lack.UNREAD: "not asked for yet",
    Lack.REFUSED: "refused by the drive",
    Lack.WAIVED: "left out on purpose",
    Lack.ABSENT: "no such place at hand",
}
KINDS = {
    MadePicture: "picture",
    DocumentPreview: "document",
    TextPreview: "text",
    HexPreview: "hex",
    NoPreview: "none",
}
MOST_READINGS = 100
"""Readings of files that are looked through for the last one of a file."""


@BOOK.page("/case/{case:int}/file", "file", "One file with its thread of evidence.", WHICH)
def file(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
        kept, path = _which(visit, bench)
        row = kept.catalogue.row(visit.said["number"])
        detail = look_at_file(bench, card.case.number, path)
        is_wanted = kept.catalogue.are_wanted([row.number], usable(card.case.wanted))[0]
        unsettled = concern(bench, card.case.number)
    entry, judgement = detail.line.entry, detail.line.judgement
    opened = packed(kept.catalogue.above(row.number)[1:])
    return Page(
        "file.html",
        {
            "card": card,
            "row": row,
            "path": path,
            "entry": entry,
            "layout": detail.layout,
            "changed": (iso_from_epoch(entry.modified_at) or "never") if entry.is_described else "unknown",
            "judgement": judgement,
            "reasons": told_reasons(detail),
            "verdict": "" if judgement is None else wording.verdict_text(judgement, detail.layout.size_bytes),
            "pieces": detail.pieces[:SHOWN],
            "piece_count": len(detail.pieces),
            "shown": SHOWN,
            "is_folder": is_folder_row(kept.catalogue, row.number),
            "reading": _reading(visit, path),
            "number": row.number,
            "proven_by": PROVEN_BY[entry.proof],
            "lacks": LACKS,
            "is_wanted": is_wanted,
            "concern": unsettled,
            "generation": kept.generation,
            "tree": visit.url("files", {"opened": opened, "generation": kept.generation}),
        },
    )


def _which(visit: Visit, bench: Bench) -> tuple[KeptCatalogue, bytes]:
    """The listing and the raw path of the row that is asked for.

    Raises:
        ChangedMeanwhile: the files were listed anew.
        NoSuchItem: there is no such row, or it is no entry of the drive.
    """
    kept = require_catalogue(visit, bench, visit.said["generation"])
    row = visit.said["number"]
    path = kept.catalogue.path(row) if row < len(kept.catalogue) else b""
    if not path:
        raise NoSuchItem(f"There is no file of number {row}.", "Load the page of the files again.")
    return kept, path


@BOOK.change(
    "/case/{case:int}/file/read",
    "file-read",
    "Orders a file to be read on the images, held against its digests, and the halves of a mirror compared.",
    WHICH,
)
def read(visit: Visit) -> Answer:
    with visit.bench() as bench:
        kept, path = _which(visit, bench)
        order_work(visit, bench, WorkKind.READ_FILE, {"path": path_option(path)})
    query = {"number": visit.said["number"], "generation": kept.generation}
    return visit.go("file", "The file is being read; this page shows how far that is.", query)


@BOOK.page("/case/{case:int}/file/reading", "file-reading", "How far the reading of one file is.", WHICH)
def reading(visit: Visit) -> Answer:
    with visit.bench() as bench:
        kept, path = _which(visit, bench)
    return Page(
        "file_reading.html",
        {"reading": _reading(visit, path), "number": visit.said["number"], "generation": kept.generation},
    )


@BOOK.change(
    "/case/{case:int}/file/stop",
    "file-stop",
    "Stops the reading of a file.",
    (*WHICH, line("work", "Work", required=True)),
)
def stop(visit: Visit) -> Answer:
    ask_to_stop(visit, visit.said["work"], WorkKind.READ_FILE)
    query = {"number": visit.said["number"], "generation": visit.said["generation"]}
    return visit.go("file", "It is told to stop.", query)


def _reading(visit: Visit, path: bytes) -> ShownWork | None:
    """The last reading of a file that was ordered, if any."""
    asked = path_option(path)
    found = shown_works(visit, (WorkKind.READ_FILE,), MOST_READINGS)
    return next((one for one in found if one.order.options.get("path") == asked), None)


# ---------------------------------------------------------------------- what it looks like


@BOOK.page(
    "/case/{case:int}/file/preview",
    "file-preview",
    "What a file looks like: a small picture made anew, its first lines, or its first bytes.",
    (*WHICH, LARGE),
)
def preview(visit: Visit) -> Answer:
    with visit.bench(stop=visit.gone) as bench:
        card = card_of(visit, bench, visit.path["case"])
        kept, path = _which(visit, bench)
        found = _preview(visit, bench, path)
    shown = found.shown
    if isinstance(shown, MadePicture):
        _pictures(visit).put(_key(visit), shown)
    facts = {"card": card, "found": found, "shown": shown, "kind": KINDS[type(shown)], "path": path}
    return Page("file_preview.html", facts | {"said": visit.said, "generation": kept.generation})


@BOOK.page(
    "/case/{case:int}/file/picture",
    "file-picture",
    "A picture made anew of the picture in a file.",
    (*WHICH, LARGE),
)
def picture(visit: Visit) -> Answer:
    def make() -> MadePicture:
        shown = _preview(visit, bench, path).shown
        if not isinstance(shown, MadePicture):
            raise NoSuchItem(
                getattr(shown, "what", "This is no picture."), "Load the page of the file again."
            )
        return shown

    with visit.bench(stop=visit.gone) as bench:
        _, path = _which(visit, bench)
        made = _pictures(visit).of(_key(visit), make)
    if not isinstance(made, MadePicture):
        raise NoSuchItem(made.what, made.next_step or "Load the page of the file again.")
    return Blob(made.data, made.mime)


def _preview(visit: Visit, bench: Bench, path: bytes) -> FilePreview:
    with gate_of(visit.desk).through(visit.gone):  # what is read of the file counts as well
        return preview_file(bench, pool_of(visit.desk), visit.path["case"], path, large=visit.said["large"])


def _pictures(visit: Visit) -> Pictures:
    found: Pictures = visit.desk.keep("pictures", Pictures, of_cases=True)
    return found


def _key(visit: Visit) -> tuple[object, ...]:
    said = visit.said
    return visit.path["case"], said["generation"], said["number"], said["large"]
