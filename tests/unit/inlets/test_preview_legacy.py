"""Binary office documents: what they say of themselves and of what is written in them; whole, damaged and
hostile ones."""

from __future__ import annotations

import base64
import random
import struct
import subprocess
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.inlets import preview_office, preview_wire
from mendbay.inlets.office_cfb import Compound
from mendbay.inlets.preview import PreviewPool
from mendbay.jobs.document_shown import document_notes, document_shown, is_document
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, NoPreview
from support.boxes import tool_or_skip
from support.compound_files import ABOUT, about, compound, letter, record, show

WHOLE = SpanSet()
SAID = about({2: "Glaze — study", 4: "Fern", 14: 3, 12: datetime(2003, 5, 6, 7, 8, tzinfo=UTC)})
LETTER = letter([("First\rSec\x13 LINK x \x14ond\x15\r", False), ("Ωμέγα\x07", True)], extra="a note\r")
SHEETS = zlib.decompress(
    base64.b85decode(
        "c-rk)O=uHA6#iy^k~B1JQd^-FLMT|Z_99*cX;&>;K`hmaB7&x7si9#b!HYd;wFbNhf+xjGp_d-4ErLJTgWfy{6+H-okSKWRN"
        "l@|7W_|N^*QRL>4QRBo-!gCBzWHY6?aZ6m*?qkbD@@LH6j6abs3_SD2$b0br3UXN3M#j4sd{;clI>$dp&>*Q8PM@8@+v6jP|"
        "kM|3TCwzB!Q2VPU8XwvzD2tBMz_+Ng;jc6&l5!f_s#j(9V9fusp|d6Uzt8ooBg^EjL;A61N~uVZj*e-s8scNu`s^nn(&f<~r"
        "}$vI}i^DdYIcE#Yu=?9Zi>nSZk&t~Fu`G;;%{W#*EZ0$OPbr|`{A0AIbe`aI#=>uVPv`;XQ3U={mqMFYlRpA|9?^R%meSDmf"
        "&NIGLBGTD(l1!+7Wr#yhe=~T+JmavzXsqUnKOmfVm(4Fm%0R3hrnaWx{iILorr9(`s^Xh%|p*p8hjbZbA+De7xF3zhyx@y%&"
        "cr7%NOre?e7_W#ZIkPnV<;~IIA>#~N#(AfA-UnOd1Hi^rS%WG!!D|o9?Pj@?<uz_~3+o*$Tj>EP?;2`zl|vKExz43s)X#3lT"
        "Vq?9zMb^^;;|?3{3l}v=`#bxvDTS)#w0rF{gk5m@|r-8=n;4CNIW&XT(~>O2bS$?c9D=0b$z$pmtHfL5oR^U(z%nPBV4|y!W"
        "Yb!EnZf_>`x4fH-gMps_+%&t1jOe{m-;NOTJpcmkgB|Bd!M;d$hvPl@QyckFs2^D3?9zzdY<yTJT6Jv~RAU9&zG~oVtPIL|q"
        "dn3XO;6jVh{*st+GNeE9I;!^hu*aL?)T45qms74no9bpPutQ!4qtN&Z_LN0zRO^jUfk7UelyswsXpLl<6KVx4uo|Ai7KsP`O"
        "3G0c99)*QcdN*CqNv+jz~-?xNn?Y~rupMSXjpZMknPX"
    )
)
"""A spreadsheet of two sheets, the second hidden, as another writer made it (a general library for that kind
of file)."""


def made(data: bytes, holes: SpanSet = WHOLE) -> MadeDocument:
    found = preview_office.made(data, holes)
    assert isinstance(found, MadeDocument), found
    assert preview_wire.document_answer_of(preview_wire.answered(found)) == found
    return found


def rows(document: MadeDocument) -> list[list[str]]:
    return [[one.cells[0] or "" for one in piece.rows] for piece in document.pieces]


@pytest.mark.parametrize("shift", [9, 12])
def test_a_text_says_what_is_written_and_what_it_says_of_itself(shift: int) -> None:
    data = compound({**LETTER, ABOUT: SAID}, shift=shift)
    found = made(data)
    assert (found.kind, found.is_partial, found.is_legacy) == (DocumentKind.TEXT, False, True)
    assert rows(found) == [
        ["Title: Glaze — study", "Author: Fern", "Made: 2003-05-06 07:08 UTC", "Pages: 3"],
        ["First", "Second", "Ωμέγα"],
    ]
    assert [one.is_about for one in found.pieces] == [True, False]
    assert is_document(data)
    notes = " ".join(document_notes(document_shown(found), is_holed=False))
    assert "before 2007" in notes
    assert "proves nothing" in notes
    assert "No texts were found" not in notes


def test_a_spreadsheet_that_another_writer_made_gives_its_sheets() -> None:
    found = made(SHEETS)
    first, hidden = found.pieces
    assert (found.kind, found.count, found.is_partial) == (DocumentKind.SHEETS, 2, False)
    assert (first.name, first.columns, first.goes_on) == ("Kiln log", (1, 2), False)
    assert [(one.number, one.cells) for one in first.rows] == [
        (1, ("Glaze", "°C")),
        (2, ("Celadon, grün", "1234.5")),
        (3, ("Ωμέγα", "-7")),
        (4, ("", "0.25")),
        (5, ("TRUE", "")),
        (6, ("Celadon, grün", "")),
    ]
    assert (hidden.name, hidden.is_hidden, hidden.columns) == ("Hidden", True, (3,))
    notes = " ".join(document_notes(document_shown(found), is_holed=False))
    assert "a day stands as a number of days" in notes


def xls_record(kind: int, body: bytes) -> bytes:
    return struct.pack("<HH", kind, len(body)) + body


def test_texts_of_a_sheet_may_be_parted_within_a_word_and_change_their_letters() -> None:
    shared = struct.pack("<II", 2, 2) + struct.pack("<HB", 6, 0) + b"abc"
    more = b"\x01" + "δεζ".encode("utf-16-le") + struct.pack("<HBH", 2, 8, 1) + b"xy" + bytes(4)
    begin = xls_record(0x0809, struct.pack("<HH", 0x0600, 5) + bytes(12))
    cells = xls_record(0x00FD, struct.pack("<HHHI", 0, 0, 0, 0))
    cells += xls_record(0x00FD, struct.pack("<HHHI", 0, 1, 0, 1))
    cells += xls_record(0x00FD, struct.pack("<HHHI", 0, 2, 0, 9))
    cells += xls_record(
        0x00BD, struct.pack("<HHHIHIH", 1, 0, 0, (-5 << 2 | 2) & 0xFFFFFFFF, 0, 1234 << 2 | 3, 1)
    )
    cells += xls_record(0x0006, struct.pack("<HHH", 2, 0, 0) + b"\0\0\0\0\0\0\xff\xff" + bytes(8))
    cells += xls_record(0x0207, struct.pack("<HB", 3, 0) + b"sum")
    cells += xls_record(0x0205, struct.pack("<HHHBB", 2, 1, 0, 7, 1))
    head = begin + xls_record(0x00FC, shared) + xls_record(0x003C, more)
    named = struct.pack("<IBBBB", len(head) + 4 + 11 + 4, 0, 0, 3, 0) + b"One"
    book = (
        head + xls_record(0x0085, named) + xls_record(0x000A, b"") + begin + cells + xls_record(0x000A, b"")
    )
    found = made(compound({"Workbook": book}))
    assert [one.cells for one in found.pieces[0].rows] == [
        ("abcδεζ", "xy", None),
        ("-5", "12.34", ""),
        ("sum", "#DIV/0!", ""),
    ]


def test_a_presentation_says_its_slides_in_their_order_and_nothing_saved_over() -> None:
    data = compound({**show([("One", "in a box"), ("Two", "grün")], older="OLD"), ABOUT: SAID})
    found = made(data)
    assert (found.kind, found.count, found.is_partial) == (DocumentKind.SLIDES, 2, False)
    assert rows(found)[1:] == [["One", "in a box"], ["Two", "grün"]]
    assert "OLD" not in str(found)


@pytest.mark.parametrize(
    "streams",
    [
        letter([("secret\r", False)], flags=0x0300),
        show([("secret", "")], token=0xF3D1C4DF),
        {"Workbook": xls_record(0x0809, struct.pack("<HH", 0x0600, 5)) + xls_record(0x002F, bytes(6))},
        {"EncryptionInfo": b"x", "EncryptedPackage": b"y"},
    ],
    ids=["text", "slides", "sheets", "a newer document"],
)
def test_a_locked_document_is_told_to_be_locked(streams: Mapping[str, bytes]) -> None:
    found = preview_office.made(compound(streams), WHOLE)
    assert isinstance(found, NoPreview)
    assert "locked with a password" in found.what


@pytest.mark.parametrize(
    "streams",
    [
        letter([("older\r", False)], version=0x0065),
        {"Book": xls_record(0x0809, struct.pack("<HH", 0x0500, 5))},
    ],
    ids=["text", "sheets"],
)
def test_of_older_kinds_only_what_they_say_of_themselves_is_shown(streams: Mapping[str, bytes]) -> None:
    found = made(compound({**streams, ABOUT: SAID}))
    assert [one.is_about for one in found.pieces] == [True]
    notes = " ".join(document_notes(document_shown(found), is_holed=False))
    assert "is kept in a way that is not read here" in notes


def test_a_compound_file_that_is_no_document_is_of_another_kind() -> None:
    found = preview_office.made(compound({"Catalog": b"thumbnails", ABOUT: SAID}), WHOLE)
    assert isinstance(found, NoPreview)
    assert found.is_other


def test_nothing_that_is_shown_rests_on_bytes_that_are_missing() -> None:
    streams = letter([("A".ljust(3000, "a") + "\r" + "B".ljust(3000, "b") + "\r" + "C" * 3000 + "\r", False)])
    whole = compound({**streams, ABOUT: SAID})
    at = whole.index(b"Bbbb") + 600
    data = whole[:at] + b"X" * 512 + whole[at + 512 :]
    found = made(data, SpanSet([Span.at(at, 512)]))
    assert found.is_partial
    assert "X" not in str(found.pieces)
    assert "A" in rows(found)[-1][0]
    assert not any("C" in one for one in rows(found)[-1])
    for first in range(0, len(whole), 512):
        hole = SpanSet([Span.at(first, 512)])
        hidden = whole[:first] + b"X" * 512 + whole[first + 512 :]
        shown = preview_office.made(hidden, hole)
        assert "XX" not in str(shown)


def test_a_chain_that_comes_back_to_itself_ends_there() -> None:
    data = bytearray(compound({"WordDocument": b"w" * 20_000, "Workbook": b"v" * 20_000}))
    (tables,) = struct.unpack_from("<I", data, 76)
    fat = (tables + 1) * 512
    for entry in range(60):
        struct.pack_into("<I", data, fat + 4 * entry, 3)
    compounded = Compound(bytes(data), WHOLE)
    for name in ("WordDocument", "Workbook"):
        assert len(compounded.stream(name).data) <= 4 * 512
    assert not compounded.is_whole


def test_a_size_that_no_file_has_reads_no_more_than_there_is() -> None:
    data = bytearray(compound({"WordDocument": b"w" * 20_000}, shift=12))
    at = data.index("WordDocument".encode("utf-16-le"))
    struct.pack_into("<Q", data, at + 120, 1 << 60)
    found = Compound(bytes(data), WHOLE).stream("WordDocument")
    assert len(found.data) <= len(data)
    assert not found.is_whole


def test_the_tree_of_names_may_lead_in_a_circle() -> None:
    data = bytearray(compound({**LETTER, ABOUT: SAID}))
    at = data.index("1Table".encode("utf-16-le"))
    struct.pack_into("<II", data, at + 68, 1, 2)
    assert rows(made(bytes(data)))[-1] == ["First", "Second", "Ωμέγα"]


def test_streams_of_documents_within_the_document_are_none_of_its_own() -> None:
    """Only what the tree of the root names counts: an embedded text has a stream of the same name."""
    data = bytearray(compound({"Other": b"x", **letter([("embedded\r", False)])}))
    at = data.index("Other".encode("utf-16-le"))
    struct.pack_into("<I", data, at + 72, 0xFFFFFFFF)
    found = preview_office.made(bytes(data), WHOLE)
    assert isinstance(found, NoPreview)
    assert found.is_other


@pytest.mark.parametrize("seed", range(4))
def test_damage_of_any_kind_gives_an_answer_that_passes(seed: int) -> None:
    documents = [
        compound({**LETTER, ABOUT: SAID}),
        compound({**show([("One", "in a box"), ("Two", "more")], older="OLD"), ABOUT: SAID}),
        SHEETS,
    ]
    chance = random.Random(seed)
    for _ in range(60):
        data = bytearray(chance.choice(documents))
        for _ in range(chance.choice((1, 4, 20))):
            at = chance.randrange(8, len(data) - 4)
            data[at : at + 4] = chance.choice((b"\xff" * 4, bytes(4), chance.randbytes(4)))
        found = preview_office.made(bytes(data[: chance.choice((len(data), len(data) // 2))]), WHOLE)
        if isinstance(found, MadeDocument):
            assert preview_wire.document_answer_of(preview_wire.answered(found)) == found


def test_what_our_files_say_of_themselves_is_what_a_general_program_reads(tmp_path: Path) -> None:
    """The program `file` reads compound files on its own, so that what tests write is held against it."""
    program = tool_or_skip("file", "file")
    path = tmp_path / "letter"
    path.write_bytes(compound({**LETTER, ABOUT: about({2: "Glaze study", 4: "Fern", 14: 3})}))
    told = subprocess.run([program, "-b", path], capture_output=True, text=True, check=True).stdout
    assert "Composite Document File V2" in told
    for one in ("Title: Glaze study", "Author: Fern", "Number of Pages: 3"):
        assert one in told
    assert rows(made(path.read_bytes()))[0] == ["Title: Glaze study", "Author: Fern", "Pages: 3"]


def test_a_record_of_slides_that_leads_outside_is_left_out() -> None:
    streams = show([("One", "box")])
    data = streams["PowerPoint Document"]
    cut = data.replace(record(0x0FA8, b"box"), struct.pack("<HHI", 0, 0x0FA8, 1 << 31) + b"box")
    found = made(compound({**streams, "PowerPoint Document": cut}))
    assert found.is_partial
    assert rows(found)[-1][0] == "One"


def test_the_jailed_process_gives_the_same() -> None:
    data = compound({**LETTER, ABOUT: about({2: "Глазурь", 4: "陶"}, 65001)})
    cyrillic = compound({**LETTER, ABOUT: about({2: "Глазурь"}, 1251)})
    with PreviewPool(children=1) as pool:
        found = pool.document(data, WHOLE)
        assert found == made(data)
        assert isinstance(found, MadeDocument)
        assert rows(found)[0] == ["Title: Глазурь", "Author: 陶"]
        assert pool.document(cyrillic, WHOLE) == made(cyrillic)
        assert pool.document(SHEETS, WHOLE) == made(SHEETS)
