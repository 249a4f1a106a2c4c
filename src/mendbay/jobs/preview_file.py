"""What a file on a case's volume, or a picture kept with the case, looks like, without handing it out.

Files are read from the images, never from a drive, and only as much of them as a preview takes. By its bytes
alone it is decided what a file is. Nothing is written down: a look changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

from mendbay.core.errors import Interrupted, NoSuchItem, SourceChanged
from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.source import DOUBTS, Gap, Mark, Marked, Reading
from mendbay.core.span import Span, SpanSet
from mendbay.files.text_preview import MOST_BYTES, HexPreview, PartKind, TextPreview, preview_of
from mendbay.files.tree import Entry, FileSystem, Kind, Layout
from mendbay.files.verdict import DOUBT_WORDS, file_readings, is_undescribed
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import case_pictures
from mendbay.jobs.document_shown import (
    ARCHIVE,
    DocumentPreview,
    document_notes,
    document_shown,
    is_document,
)
from mendbay.jobs.halves_compared import open_case_volume
from mendbay.jobs.list_files import FileLine, entry_at, judged
from mendbay.jobs.picture_files import ending_of, is_picture
from mendbay.jobs.ports import never
from mendbay.jobs.preview_port import DOCUMENT_BYTES, PICTURE_BYTES, MadePicture, NoPreview, Previews
from mendbay.jobs.read_pictures import kept_pictures
from mendbay.jobs.remembered import remembered
from mendbay.jobs.volume import OpenVolume, case_images, sources_of

CHUNK_BYTES = 1 << 20
NO_KIND = "There is no preview of this kind of file; its verdict stands beside it."
MORE_PICTURES = "The file holds {} pictures; the first is shown."


Shown = MadePicture | DocumentPreview | TextPreview | HexPreview | NoPreview


@dataclass(frozen=True, slots=True)
class FilePreview:
    """What can be seen of a file.

    Args:
        line: the file with its verdict.
        shown: a picture made anew, the beginning of a document's text, the first lines, the first bytes, or
            why there is nothing to see.
        looked_bytes: how many bytes of the file, from its start, the preview rests on.
        missing_bytes: how many of these are not there.
        notes: what is missing or doubtful of what is shown, in sentences.
    """

    line: FileLine
    shown: Shown
    looked_bytes: int = 0
    missing_bytes: int = 0
    notes: tuple[str, ...] = ()


def preview_file(
    bench: Bench,
    previews: Previews,
    case: int,
    file: bytes | Entry,
    *,
    large: bool = False,
    bays: tuple[str, ...] = (),
) -> FilePreview:
    """What a file on a case's volume looks like. What is read of it is held against the digests noted when
    the drives gave it.

    Args:
        previews: what makes pictures small; many may be asked for at once.
        file: its path, or its entry as a listing of the same reading gave it, which saves finding it.
        large: a picture of at most 1600 pixels on a side; else of 320.
        bays: look at the drives of these alone; at all without one.

    Raises:
        NoSuchCase: there is no such case, or it has no image.
        NothingWanted: there is no such path.
        CannotAssemble, NoFileSystem: the images hold no volume that can be read.
        ToolMissing: it is a picture or an office document, and the libraries for pictures are not installed.
    """
    of = bench.ledger.case(case)
    with case_images(bench, of, bays) as stores:
        volume = open_case_volume(bench, case, sources_of(stores, check=True))
        return preview_on(volume, previews, case, file, large=large, stop=bench.stop)


def preview_on(
    volume: OpenVolume,
    previews: Previews,
    case: int,
    file: bytes | Entry,
    *,
    large: bool = False,
    stop: Callable[[], bool] = never,
) -> FilePreview:
    """The same on a volume that is open already, as for many files in a row. One thread at a time.

    Args:
        stop: whether nobody waits for it any more.

    Raises:
        Interrupted: nobody did.
        NothingWanted: there is no such path.
        ToolMissing: it is a picture or an office document, and the libraries for pictures are not installed.
    """
    system = volume.system
    entry = file if isinstance(file, Entry) else entry_at(system, case, file)
    if entry.kind is not Kind.FILE:
        what = "no file" if entry.kind is Kind.OTHER else f"a {entry.kind}, and no file"
        return FilePreview(FileLine(entry, None), NoPreview(f"This is {what}."))
    if is_undescribed(entry):
        return FilePreview(judged(volume, entry), NoPreview("Nothing but the name of this file is there."))
    layout = system.layout(entry)
    seen = _beginning(system, layout, MOST_BYTES, stop)
    if is_picture(seen.data) and layout.size_bytes <= PICTURE_BYTES:
        seen = _beginning(system, layout, PICTURE_BYTES, stop)
    elif seen.data.startswith(ARCHIVE) and layout.size_bytes <= DOCUMENT_BYTES:
        seen = _beginning(system, layout, DOCUMENT_BYTES, stop)
    return _shown(previews, judged(volume, entry), layout, seen, large, stop)


def _beginning(system: FileSystem, layout: Layout, most_bytes: int, stop: Callable[[], bool]) -> Reading:
    """The first bytes of a file, in bytes of the file."""
    data = bytearray()
    gaps: list[Gap] = []
    marks: list[Marked] = []
    for part in file_readings(system.source, layout, min(CHUNK_BYTES, most_bytes)):
        data += part.data
        gaps += part.gaps
        marks += part.marks
        if len(data) >= most_bytes:
            break
        if stop():
            raise Interrupted("Stopped while the file was looked at.", "Ask for it again.")
    return Reading(Span(0, len(data)), bytes(data), tuple(gaps), tuple(marks))


def _shown(
    previews: Previews,
    line: FileLine,
    layout: Layout,
    seen: Reading,
    large: bool,
    stop: Callable[[], bool],
) -> FilePreview:
    missing = seen.missing()
    notes = list(_notes(seen, missing))
    shown: Shown
    if not layout.size_bytes:
        shown = NoPreview("The file is empty.")
    elif missing.total_bytes == len(seen.data):
        shown = NoPreview("Nothing of the beginning of this file is there.")
    elif is_picture(seen.data):
        shown = _picture(previews, layout, seen, large, stop)
        if isinstance(shown, MadePicture):
            notes += _picture_notes(shown, missing)
    elif (document := _document(previews, layout, seen, missing, stop)) is not None:
        shown = document
        if isinstance(shown, DocumentPreview):
            notes += document_notes(shown, bool(missing))
    else:
        if missing.overlaps(Span(0, 16)):
            notes.append("Its first bytes are missing, which tell what kind of file it is.")
        shown = preview_of(seen.data, missing, layout.size_bytes)
        notes += _text_notes(shown, ending_of(seen.data))
    return FilePreview(line, shown, len(seen.data), missing.total_bytes, tuple(notes))


def _picture(
    previews: Previews, layout: Layout, seen: Reading, large: bool, stop: Callable[[], bool]
) -> MadePicture | NoPreview:
    if layout.size_bytes > PICTURE_BYTES:
        return NoPreview(
            f"The picture has {bytes_text(layout.size_bytes)}; of at most {bytes_text(PICTURE_BYTES)} a "
            "preview is made.",
            "Its verdict stands beside it.",
        )
    return previews.picture(seen.data, large=large, stop=stop)


def _document(
    previews: Previews, layout: Layout, seen: Reading, missing: SpanSet, stop: Callable[[], bool]
) -> DocumentPreview | NoPreview | None:
    """What is shown of an office document; None of what is none."""
    if not is_document(seen.data):
        return None
    if layout.size_bytes > DOCUMENT_BYTES:
        return NoPreview(
            f"The document has {bytes_text(layout.size_bytes)}; of at most {bytes_text(DOCUMENT_BYTES)} "
            "the text is shown.",
            "Its verdict stands beside it.",
        )
    made = previews.document(seen.data, missing, stop=stop)
    if isinstance(made, NoPreview):
        return None if made.is_other else made
    return document_shown(made)


def _notes(seen: Reading, missing: SpanSet) -> list[str]:
    said = []
    if missing:
        said.append(
            f"{count_text(missing.total_bytes)} of the {count_text(len(seen.data))} bytes looked at are "
            "missing."
        )
    for mark in DOUBTS:
        marked = seen.marked(mark)
        if marked:
            said.append(f"{count_text(marked.total_bytes)} bytes {DOUBT_WORDS[mark]}.")
    older = seen.marked(Mark.POSSIBLY_OLDER)
    if older:
        said.append(
            f"{count_text(older.total_bytes)} bytes come from the half that fell behind and may be older."
        )
    return said


def _picture_notes(made: MadePicture, missing: SpanSet) -> list[str]:
    said = []
    if missing:
        said.append("Where bytes are missing, and behind it, the picture may be grey, shifted or wrong.")
    if made.is_partial:
        said.append("The picture breaks off or is damaged: what could be had of it is shown.")
    if made.pictures > 1:
        said.append(MORE_PICTURES.format(made.pictures))
    return said


def _text_notes(shown: TextPreview | HexPreview, ending: str) -> list[str]:
    if isinstance(shown, HexPreview):
        return [NO_KIND]
    said = []
    if ending:
        said.append(NO_KIND)
    if shown.is_guess:
        said.append(
            f"It is shown as {shown.coding}, which is a guess: letters other than plain ones may be wrong."
        )
    if any(part.kind is PartKind.ESCAPE for line in shown.lines for part in line.parts):
        said.append("Bytes that are no character, and signs that are not seen, are shown by their numbers.")
    if shown.goes_on:
        said.append("The file goes on behind what is shown.")
    return said


def preview_kept(
    bench: Bench, previews: Previews, case: int, kept_path: str, *, sha256_hex: str = "", large: bool = False
) -> MadePicture | NoPreview:
    """What a picture kept with a case looks like: one of the case as a whole, or one of a bay that was not
    withdrawn.

    Args:
        kept_path: its place in the case's folder, as the lists of pictures have it; anything else in that
            folder is not looked at.
        sha256_hex: of the picture that is meant; empty for whichever is kept there now.

    Raises:
        NoSuchCase: there is no such case.
        NoSuchItem: no such picture is kept with it, or another than the one that is meant.
        SourceChanged: its file is gone or no longer holds what was kept.
        ToolMissing: the libraries for pictures are not installed.
    """
    of = remembered(bench, case)
    kept = {one.kept.path: one.kept.sha256 for one in case_pictures(bench, case)}
    bay = _bay_of(kept_path)
    if bay in {one.bay for one in bench.ledger.bays(case)}:
        kept |= kept_pictures(bench, case, bay)
    if kept_path not in kept:
        raise NoSuchItem(
            f"Case {case} has no picture {kept_path[:80]!r}.",
            f"mendbay case picture {case} and mendbay board show {case} list those it has.",
        )
    if sha256_hex not in ("", kept[kept_path]):  # its name was given to another since
        raise NoSuchItem(
            f"{kept_path} of case {case} is another picture than the one that is meant.",
            f"mendbay case picture {case} and mendbay board show {case} list those it has.",
        )
    data = bytearray()
    for part in bench.files.read(of, kept_path):
        data += part
        if len(data) > PICTURE_BYTES:
            break
    if sha256(data).hexdigest() != kept[kept_path]:
        raise SourceChanged(
            f"{kept_path} of case {case} no longer holds what was kept.",
            f"Bring it back from a backup; it must have SHA-256 {kept[kept_path]}.",
        )
    return previews.picture(bytes(data), large=large)


def _bay_of(kept_path: str) -> str:
    """The bay whose pictures lie in a folder by this name; empty if it is none."""
    folder, _, rest = kept_path.partition("/")
    return rest.partition("/")[0].removeprefix("bay-") if folder == "photos" else ""
