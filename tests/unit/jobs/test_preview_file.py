"""What a file on the images looks like: by its bytes, with what is missing told, and nothing written down."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self
from zipfile import ZIP_STORED

import pytest
from PIL import Image

from mendbay.core.errors import NoSuchItem, NothingWanted, SourceChanged
from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.text_preview import HexPreview, PartKind, TextPreview
from mendbay.files.verdict import Verdict
from mendbay.jobs import preview_file as preview_job
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import keep_pictures, take_picture_back
from mendbay.jobs.document_shown import DocumentPreview
from mendbay.jobs.list_files import list_files
from mendbay.jobs.ports import never
from mendbay.jobs.preview_file import FilePreview, preview_file, preview_kept
from mendbay.jobs.preview_port import MadeDocument, MadePicture, NoPreview
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pictures import read_pictures, withdraw_picture
from mendbay.jobs.take_in import take_in
from mendbay.jobs.volume import case_images
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.shop_files import ShopFolder
from mendbay.wiring import open_bench, previews
from support.board_bench import ToldPictures, bench_with_case, starting
from support.ext_images import make
from support.office_files import archive, workbook
from support.open_picture import as_file, noted_jpeg, opened
from support.sources import MemorySource

SECRET = b"kept by the camera alone"


class Asked:
    """Makes one small picture of everything, and remembers what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[bytes, bool]] = []

    def picture(
        self, data: bytes, *, large: bool = False, stop: Callable[[], bool] = never
    ) -> MadePicture | NoPreview:
        self.asked.append((data, large))
        return MadePicture(b"made", "image/png", 1, 1, 2, 2, pictures=3)

    def page(self, pdf: bytes, number: int, *, stop: Callable[[], bool] = never) -> MadePicture | NoPreview:
        raise AssertionError(number)

    def document(
        self, data: bytes, holes: SpanSet, *, stop: Callable[[], bool] = never
    ) -> MadeDocument | NoPreview:
        self.asked.append((data, False))
        return NoPreview("", is_other=True)

    def close(self) -> None: ...

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


PHOTO = noted_jpeg(Image.linear_gradient("L").convert("RGB").resize((900, 700)), SECRET)
LONG_BOOK = workbook("".join(f"<row><c><v>{one}</v></c></row>" for one in range(900)), packing=ZIP_STORED)
FILES = {
    "photo.txt": PHOTO,
    "letter.jpg": "Grüße\nan die Töpferei".encode(),
    "old.txt": b"Gr\xfc\xdfe",
    "sheet.ods": b"PK\x03\x04\x14\0\0\0" + bytes(200),
    "paper": b"%PDF-1.4\nwords only",
    "empty": b"",
    "long.txt": b"line\n" * 90_000,
    "cut.jpg": PHOTO[: len(PHOTO) // 2],
    "holed.txt": b"begin\n" + b"middle\n" * 4000 + b"end",
    "spoilt.txt": b"spoilt " * 900,
    "folder/inside.txt": b"inside",
    "log.dat": workbook('<row r="2"><c r="B2" t="str"><v>Ofen \u202eein</v></c><c r="C2"><v>7</v></c></row>'),
    "holed.xlsx": LONG_BOOK,
    "other.xlsx": archive({"[Content_Types].xml": "<Types/>"}),
}
HOLE = 4096


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A bench whose case 1 has one drive, read, with a file system of a few files."""
    folder = tmp_path_factory.mktemp("previews")
    for name, data in FILES.items():
        place = folder / "tree" / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
    (folder / "tree" / "link").symlink_to("photo.txt")
    drive = make(
        folder / "drive.img", 16, ("-t", "ext4", "-b", "4096", "-O", "^has_journal"), folder / "tree"
    )
    with open_bench(folder / "home") as made:
        take_in(made, "Quillmere Pottery")
        refused = places_on(drive, b"holed.txt", HOLE) | places_on(drive, b"holed.xlsx", HOLE)
        write_drive(folder / "drive.toml", drive, Faults(refused), seed=1, serial="S1")
        read_drive(made, 1, DriveAt("1", f"unsteady:{folder / 'drive.toml'}"))
        yield made


def places_on(drive: Path, name: bytes, start: int = 0) -> SpanSet:
    """Where a file lies from a byte of it on, on a drive whose file system begins at its first byte."""
    system = open_ext(MemorySource(drive.read_bytes()))
    assert system is not None
    entry = system.find(name)
    assert entry is not None
    found = []
    for extent in system.layout(entry).extents:
        wanted = extent.file_span.clip(Span(start, entry.size_bytes))
        assert extent.volume_start is not None
        found.append(wanted.shift(extent.volume_start - extent.file_span.start))
    return SpanSet(one.widen(512) for one in found if one.length)


def look(bench: Bench, name: str, *, large: bool = False) -> tuple[FilePreview, Asked]:
    asked = Asked()
    return preview_file(bench, asked, 1, name.encode(), large=large), asked


def words(shown: object) -> str:
    assert isinstance(shown, TextPreview)
    return "\n".join("".join(part.text for part in line.parts) for line in shown.lines)


def test_bytes_and_not_names_tell_a_picture_from_a_text(bench: Bench) -> None:
    found, asked = look(bench, "photo.txt", large=True)
    assert asked.asked == [(PHOTO, True)]
    assert isinstance(found.shown, MadePicture)
    assert (found.looked_bytes, found.missing_bytes) == (len(PHOTO), 0)
    assert found.notes == ("The file holds 3 pictures; the first is shown.",)
    assert found.line.judgement is not None
    assert found.line.judgement.verdict is Verdict.WHOLE
    letter, asked = look(bench, "letter.jpg")
    assert (words(letter.shown), letter.notes, asked.asked) == ("Grüße\nan die Töpferei", (), [])


def test_what_is_doubtful_or_has_no_preview_is_said(bench: Bench) -> None:
    assert any("Windows-1252, which is a guess" in one for one in look(bench, "old.txt")[0].notes)
    sheet = look(bench, "sheet.ods")[0]
    assert isinstance(sheet.shown, HexPreview)
    assert any("no preview of this kind" in one for one in sheet.notes)
    assert any("no preview of this kind" in one for one in look(bench, "paper")[0].notes)
    assert look(bench, "empty")[0].shown == NoPreview("The file is empty.")
    long = look(bench, "long.txt")[0]
    assert long.looked_bytes < len(FILES["long.txt"])
    assert "The file goes on behind what is shown." in long.notes


def test_what_is_no_file_or_not_there_is_told(bench: Bench) -> None:
    for name, kind in (("folder", "folder"), ("link", "link"), ("", "folder")):
        shown = look(bench, name)[0].shown
        assert isinstance(shown, NoPreview)
        assert kind in shown.what
    for name in ("nothing", "folder/../photo.txt", "folder/inside.txt/more"):
        with pytest.raises(NothingWanted):
            look(bench, name)


def test_an_entry_of_a_listing_needs_no_search(bench: Bench) -> None:
    for line in list_files(bench, 1).lines:
        by_path = preview_file(bench, Asked(), 1, line.entry.path)
        assert preview_file(bench, Asked(), 1, line.entry) == by_path


def test_a_look_writes_nothing_down(bench: Bench) -> None:
    before = bench.ledger.events(1), bench.ledger.custody(1)
    for name in FILES:
        look(bench, name)
    assert (bench.ledger.events(1), bench.ledger.custody(1)) == before


def test_a_real_pool_makes_a_picture_without_what_the_camera_noted(bench: Bench) -> None:
    with previews() as pool:
        whole = preview_file(bench, pool, 1, b"photo.txt")
        cut = preview_file(bench, pool, 1, b"cut.jpg", large=True)
    assert isinstance(whole.shown, MadePicture)
    assert SECRET not in whole.shown.data
    assert opened(whole.shown.data).size == (320, 249)
    assert isinstance(cut.shown, MadePicture)
    assert any("breaks off" in one for one in cut.notes)


def test_a_spreadsheet_is_shown_as_text_whatever_it_is_called(bench: Bench) -> None:
    with previews() as pool:
        found = preview_file(bench, pool, 1, b"log.dat")
    assert isinstance(found.shown, DocumentPreview)
    (piece,) = found.shown.pieces
    assert (piece.letters, [row.number for row in piece.rows]) == (("B", "C"), [2])
    assert "".join(part.text for part in piece.title.parts) == "Glazes"
    assert [(part.kind, part.text) for part in piece.rows[0].cells[0].parts] == [
        (PartKind.TEXT, "Ofen "),
        (PartKind.ESCAPE, "\\u{202e}"),
        (PartKind.TEXT, "ein"),
    ]
    assert any("shown by their numbers" in one for one in found.notes)
    assert not any("damaged" in one for one in found.notes)


def test_of_a_spreadsheet_with_bytes_missing_only_what_is_proven_is_shown(bench: Bench) -> None:
    with previews() as pool:
        found = preview_file(bench, pool, 1, b"holed.xlsx")
    assert isinstance(found.shown, DocumentPreview)
    assert found.missing_bytes == len(LONG_BOOK) - HOLE
    (piece,) = found.shown.pieces
    values = ["".join(part.text for part in row.cells[0].parts) for row in piece.rows]
    assert values == [str(number) for number in range(len(values))]
    assert values
    assert any("bytes looked at are missing" in one for one in found.notes)
    assert any("missing or damaged, so that more may belong here" in one for one in found.notes)


def test_an_archive_that_is_no_document_is_shown_in_rows(bench: Bench) -> None:
    found, asked = look(bench, "other.xlsx")
    assert asked.asked == [(FILES["other.xlsx"], False)]
    assert isinstance(found.shown, HexPreview)
    assert any("no preview of this kind" in one for one in found.notes)


def test_a_document_larger_than_is_read_is_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(preview_job, "DOCUMENT_BYTES", 500)
    found, asked = look(bench, "holed.xlsx")
    assert isinstance(found.shown, NoPreview)
    assert "The document has" in found.shown.what
    assert not asked.asked


def test_bytes_that_were_refused_stand_as_missing(bench: Bench) -> None:
    found = look(bench, "holed.txt")[0]
    assert isinstance(found.shown, TextPreview)
    size = len(FILES["holed.txt"])
    gaps = [part.missing_bytes for line in found.shown.lines for part in line.parts if part.missing_bytes]
    assert gaps == [found.missing_bytes]
    assert found.missing_bytes == size - HOLE
    assert any(f"of the {count_text(size)} bytes looked at are missing" in one for one in found.notes)
    assert found.line.judgement is not None
    assert found.line.judgement.verdict is Verdict.HOLED


def test_bytes_changed_in_the_image_are_told(bench: Bench) -> None:
    with case_images(bench, bench.ledger.case(1)) as stores:
        image = stores["1"].path
    before = image.read_bytes()
    with image.open("r+b") as file:
        file.seek(before.index(FILES["spoilt.txt"]))
        file.write(b"other")
    try:
        found = look(bench, "spoilt.txt")[0]
    finally:
        image.write_bytes(before)
    assert any("the image no longer holds what the drive gave" in one for one in found.notes)
    assert found.line.judgement is not None
    assert found.line.judgement.verdict is Verdict.UNPROVEN


def case_pictures_in(folder: Path) -> list[Path]:
    made = []
    for number, name in enumerate(("desk.png", "label.png")):
        made.append(folder / name)
        made[-1].write_bytes(as_file(Image.new("RGB", (40 + number, 30)), "PNG"))
    return made


def test_only_pictures_on_the_case_s_own_lists_are_made(tmp_path: Path) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        take_in(bench, "Another Shop")
        desk, label = case_pictures_in(tmp_path)
        ((kept,), _) = keep_pictures(bench, 1, [desk])
        shop = ShopFolder(tmp_path / "home")
        seen = ToldPictures({label.read_bytes(): ("S/N AH4K-20719C",)})
        read_pictures(bench, shop, starting(seen), 1, "1", [label])
        asked = Asked()
        of_bay = "photos/bay-1/label.png"
        preview_kept(bench, asked, 1, kept.kept.path)
        preview_kept(bench, asked, 1, of_bay, large=True)
        assert asked.asked == [(desk.read_bytes(), False), (label.read_bytes(), True)]
        folder = bench.images.folder(bench.ledger.case(1))
        (folder / "pictures" / "stray.png").write_bytes(desk.read_bytes())
        for path in (
            "pictures/stray.png",
            "../ledger.sqlite3",
            str(folder / kept.kept.path),
            f"./{kept.kept.path}",
            f"photos/bay-1/../../{kept.kept.path}",
            "photos/bay-2/label.png",
            "photos/bay-/label.png",
            "",
        ):
            with pytest.raises(NoSuchItem):
                preview_kept(bench, asked, 1, path)
        with pytest.raises(NoSuchItem):
            preview_kept(bench, asked, 2, kept.kept.path)
        withdraw_picture(bench, shop, 1, "1", "label.png", "another drive")
        take_picture_back(bench, 1, kept.kept.path, "by mistake")
        for path in (of_bay, kept.kept.path):
            with pytest.raises(NoSuchItem):
                preview_kept(bench, asked, 1, path)


def test_another_picture_than_the_one_that_is_meant_is_not_shown(tmp_path: Path) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        desk, label = case_pictures_in(tmp_path)
        ((kept, other), _) = keep_pictures(bench, 1, [desk, label])
        asked = Asked()
        preview_kept(bench, asked, 1, kept.kept.path, sha256_hex=kept.kept.sha256)
        for meant in (other.kept.sha256, kept.kept.sha256[:-1], "0"):
            with pytest.raises(NoSuchItem, match="another picture"):
                preview_kept(bench, asked, 1, kept.kept.path, sha256_hex=meant)
        assert asked.asked == [(desk.read_bytes(), False)]


def test_a_kept_picture_that_was_changed_is_not_shown(tmp_path: Path) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        desk, _ = case_pictures_in(tmp_path)
        ((kept,), _) = keep_pictures(bench, 1, [desk])
        place = bench.images.folder(bench.ledger.case(1)) / kept.kept.path
        place.chmod(0o644)
        place.write_bytes(b"other")
        with pytest.raises(SourceChanged):
            preview_kept(bench, Asked(), 1, kept.kept.path)
        place.unlink()
        with pytest.raises(SourceChanged):
            preview_kept(bench, Asked(), 1, kept.kept.path)
