"""The text of spreadsheets: what is shown of whole ones, of damaged ones, and what hostile ones cannot do."""

from __future__ import annotations

import io
from datetime import date, datetime, time
from zipfile import ZIP_STORED, ZipFile

import openpyxl
import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.inlets import office_bounds, office_xml, office_zip, preview_office, preview_wire
from mendbay.inlets.office_dates import as_date, is_date_form
from mendbay.jobs.document_shown import document_notes, document_shown
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, NoPreview
from support.office_files import SHEET, archive, package, workbook, workbook_parts

NOTHING = SpanSet()
ROW = '<row r="1"><c r="A1" t="inlineStr"><is><t>one</t></is></c><c r="B1"><v>2</v></c></row>'


def shown(data: bytes, *holes: tuple[int, int]) -> MadeDocument:
    found = preview_office.made(data, SpanSet(Span(*one) for one in holes))
    assert isinstance(found, MadeDocument), found
    assert preview_wire.document_answer_of(preview_wire.answered(found)) == found
    return found


def cells(made: MadeDocument, piece: int = 0) -> list[tuple[str | None, ...]]:
    return [row.cells for row in made.pieces[piece].rows]


def saved(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_workbook_of_another_writer_is_read_as_it_was_written() -> None:
    book = openpyxl.Workbook()
    book.active.title = "Grüße & <more>"
    book.active.append(["text", 3, 1.5, True, None, "last"])
    book.active.append([datetime(2026, 3, 2, 9, 30), date(2026, 3, 2), time(7, 5), "=A1&B1"])
    book.active.append([])
    book.active["C9"] = "far\ndown"
    other = book.create_sheet("Second")
    other.sheet_state = "hidden"
    for number in range(office_bounds.MOST_ROWS + 1):
        other.append([number])
    book.create_sheet("Empty")
    for number in range(office_bounds.MOST_READ):
        book.create_sheet(f"More {number}").append(["x"])
    made = shown(saved(book))
    first, second, empty, *rest = made.pieces
    assert (made.kind, made.count, made.is_partial, made.has_dates) == (
        DocumentKind.SHEETS,
        9,
        False,
        True,
    )
    assert (first.name, first.columns, first.goes_on) == ("Grüße & <more>", (1, 2, 3, 4, 6), False)
    assert [row.number for row in first.rows] == [1, 2, 9]
    assert cells(made) == [
        ("text", "3", "1.5", "TRUE", "last"),
        ("2026-03-02 09:30", "2026-03-02", "07:05", "=A1&B1", ""),
        ("", "", "far\ndown", "", ""),
    ]
    assert (second.is_hidden, second.goes_on, len(second.rows)) == (True, True, office_bounds.MOST_ROWS)
    assert (empty.rows, empty.goes_on) == ((), False)
    assert [one.is_read for one in rest] == [True] * 3 + [False] * 3
    assert [one.name for one in rest][-1] == "More 5"


def test_texts_kept_apart_are_found_and_how_they_are_spoken_is_left_out() -> None:
    rows = '<row><c t="s"><v>1</v></c><c t="s"><v>0</v></c><c t="s"><v>7</v></c></row>'
    strings = "<si><t>first</t></si><si><r><t>two </t></r><r><t>parts</t></r><rPh><t>aside</t></rPh></si>"
    made = shown(workbook(rows, strings=strings))
    assert cells(made) == [("two parts", "first", None)]
    assert made.is_partial  # the eighth text is not there
    assert not shown(workbook(rows.replace(">7<", ">0<"), strings=strings)).is_partial


@pytest.mark.parametrize(
    ("form", "is_date"),
    [
        ("yyyy-mm-dd", True),
        ("[$-407]d. mmmm yyyy;@", True),
        ("h:mm", True),
        ("mm:ss.0", True),
        ("[h]:mm", False),
        ("General", False),
        ("0.00", False),
        ('0 "days"', False),
        ("[Red]0.0", False),
        (r"0\d", False),
        ("#,##0.00_d", False),
    ],
)
def test_only_what_is_plainly_a_day_or_a_time_is_taken_for_one(form: str, is_date: bool) -> None:
    assert is_date_form(form) is is_date


@pytest.mark.parametrize(
    ("value", "is_1904", "told"),
    [
        ("61", False, "1900-03-01"),
        ("60", False, ""),
        ("0.5", False, "12:00"),
        ("46083.9999999", False, "2026-03-03"),
        ("46083.25", False, "2026-03-02 06:00"),
        ("44621.25", True, "2026-03-02 06:00"),
        ("0", True, "00:00"),
        ("2958465.9999999", False, ""),
        ("2958465", False, "9999-12-31"),
        ("-1", False, ""),
        ("1e400", False, ""),
        ("nan", False, ""),
        ("words", False, ""),
    ],
)
def test_days_are_counted_as_the_sheet_counts_them(value: str, is_1904: bool, told: str) -> None:
    assert as_date(value, is_1904) == told


def test_a_day_counted_from_1904_and_one_of_a_style_of_the_sheet_s_own() -> None:
    rows = '<row><c s="1"><v>44621</v></c><c s="0"><v>44621</v></c><c s="9"><v>44621</v></c></row>'
    styles = (
        '<numFmts><numFmt numFmtId="170" formatCode="dd/mm/yy"/></numFmts>'
        '<cellStyleXfs><xf numFmtId="14"/></cellStyleXfs>'
        '<cellXfs><xf numFmtId="0"/><xf numFmtId="170"/></cellXfs>'
    )
    made = shown(workbook(rows, styles=styles, head='<workbookPr date1904="1"/>'))
    assert cells(made) == [("2026-03-02", "44621", "44621")]


def test_numbers_keep_what_was_stored_to_fifteen_digits() -> None:
    values = ("68.09999999999999", "123456789012345678", "1e-7", "0.1", "-9.800000000000001")
    rows = "<row>" + "".join(f"<c><v>{one}</v></c>" for one in values) + "</row>"
    assert cells(shown(workbook(rows))) == [("68.1", "123456789012345678", "1e-7", "0.1", "-9.8")]


def test_what_a_cell_says_comes_out_as_text_however_hostile() -> None:
    said = "&lt;script&gt;alert(1)&lt;/script&gt;\u202e"
    made = shown(workbook(f'<row><c t="str"><v>{said}</v></c></row>', name="&quot;&gt;&lt;b"))
    assert cells(made) == [("<script>alert(1)</script>\u202e",)]
    assert made.pieces[0].name == '"><b'


def test_what_is_shown_has_bounds() -> None:
    wide = "<row>" + "".join(f"<c><v>{one}</v></c>" for one in range(100)) + "</row>"
    (piece,) = shown(workbook(wide)).pieces
    assert (len(piece.columns), piece.goes_on) == (office_bounds.MOST_COLUMNS, True)
    long = shown(workbook(f'<row><c t="str"><v>{"x" * 5000}</v></c></row>'))
    assert cells(long) == [("x" * (office_bounds.CELL_LETTERS - 1) + "…",)]
    many = "".join(f'<sheet name="s{one}" r:id="rId1"/>' for one in range(500))
    parts = workbook_parts(ROW)
    parts["xl/workbook.xml"] = str(parts["xl/workbook.xml"]).replace("</sheets>", many + "</sheets>")
    made = shown(package("xl/workbook.xml", parts))
    assert (made.count, len(made.pieces)) == (501, office_bounds.MOST_NAMED)


def test_a_part_outside_the_archive_is_never_asked_for() -> None:
    parts = workbook_parts(ROW)
    for target in ("../../../etc/passwd", "/etc/passwd", "file:///etc/passwd", "http://localhost/x"):
        away = str(parts["xl/_rels/workbook.xml.rels"]).replace("worksheets/sheet1.xml", target)
        made = shown(package("xl/workbook.xml", {**parts, "xl/_rels/workbook.xml.rels": away}))
        assert (made.pieces[0].rows, made.is_partial) == ((), True)


# ---------------------------------------------------------------------- hostile ones


def bombs() -> dict[str, bytes]:
    deep = "<x>" * 100_000
    entity = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    inside = workbook_parts(ROW)
    sheet = str(inside["xl/worksheets/sheet1.xml"])
    outside = '<!DOCTYPE x SYSTEM "file:///etc/passwd" [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    part = "xl/worksheets/sheet1.xml"
    blanks = sheet.replace("<row", " " * (office_zip.MEMBER_BYTES + 5) + "<row", 1)
    token = sheet.replace("<row", f'<y z="{"q" * (2 * office_xml.TOKEN_BYTES)}"/><row', 1)
    return {
        "deep": package("xl/workbook.xml", {**inside, part: sheet.replace("<row", deep + "<row")}),
        "entities": package("xl/workbook.xml", {**inside, part: entity + sheet.replace("one", "&b;")}),
        "outside": package("xl/workbook.xml", {**inside, part: outside + sheet.replace("one", "&a;")}),
        "ratio": package("xl/workbook.xml", {**inside, part: blanks}),
        "token": package("xl/workbook.xml", {**inside, part: token}, ZIP_STORED),
        "coding": package(
            "xl/workbook.xml", {**inside, part: '<?xml version="1.0" encoding="idna"?>' + sheet}
        ),
    }


@pytest.mark.parametrize("kind", ["deep", "entities", "outside", "ratio", "token", "coding"])
def test_of_what_is_made_to_harm_nothing_is_shown(kind: str) -> None:
    made = shown(bombs()[kind])
    assert (made.pieces[0].rows, made.pieces[0].goes_on, made.is_partial) == ((), True, True)


def test_texts_kept_apart_without_end_are_not_read_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = '<row><c t="s"><v>0</v></c><c t="s"><v>9999999</v></c></row>'
    monkeypatch.setattr(office_xml, "MOST_ELEMENTS", 100_000)
    made = shown(workbook(rows, strings="<si><t>a</t></si>" * 200_000))
    assert (cells(made), made.is_partial) == ([("a", None)], True)
    monkeypatch.setattr(office_xml, "MOST_ELEMENTS", 50)
    assert shown(workbook(rows, strings="<si><t>a</t></si>" * 100)).is_partial


def test_members_without_end_are_not_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(office_zip, "MOST_MEMBERS", 20)
    parts = {**workbook_parts(ROW), **{f"m{one}": b"" for one in range(100)}}
    made = shown(package("xl/workbook.xml", parts))
    assert (cells(made), made.is_partial) == ([("one", "2")], True)


def test_all_members_together_have_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(office_zip, "TOTAL_BYTES", 1500)
    assert shown(workbook(ROW + ROW * 2000, packing=ZIP_STORED)).is_partial


def test_what_is_no_office_document_is_told_apart() -> None:
    locked = bytearray(workbook(ROW))
    for data in (
        b"",
        b"PK\x03\x04",
        archive({"letter.txt": "words"}),
        archive({"[Content_Types].xml": "<Types/>", "other.xml": "<other/>"}),
        package("visio/document.xml", {"visio/document.xml": "<drawing/>"}),
        package("xl/workbook.bin", {"xl/workbook.bin": b"\x83\x01\x00"}),
        bytes(locked[:40]),
    ):
        found = preview_office.made(data, NOTHING)
        assert isinstance(found, NoPreview)
        assert found.is_other


# ---------------------------------------------------------------------- damaged ones


@pytest.fixture(scope="module")
def small() -> bytes:
    return workbook('<row><c t="s"><v>0</v></c><c><v>42</v></c></row>' + ROW, strings="<si><t>kiln</t></si>")


def known(found: MadeDocument | NoPreview) -> None:
    """Nothing but what the whole document says."""
    if isinstance(found, NoPreview):
        return
    for piece in found.pieces:
        assert {cell for row in piece.rows for cell in row.cells} <= {"kiln", "42", "one", "2", "", None}


def test_broken_off_at_any_byte_it_shows_what_came_before(small: bytes) -> None:
    rows = set()
    for stop in range(len(small)):
        found = preview_office.made(small[:stop], NOTHING)
        known(found)
        if isinstance(found, MadeDocument):
            assert found.is_partial
            rows.add(sum(len(one.rows) for one in found.pieces))
    assert rows >= {0, 2}


def test_with_a_hole_at_any_byte_nothing_is_made_up(small: bytes) -> None:
    for start in range(len(small) - 1):
        holed = small[:start] + b"\xa5" * 8 + small[start + 8 :]
        known(preview_office.made(holed[: len(small)], SpanSet([Span(start, min(start + 8, len(small)))])))


def test_any_byte_changed_is_told_or_changes_nothing(small: bytes) -> None:
    whole = shown(small)
    for at in range(len(small)):
        for value in (small[at] ^ 0xFF, small[at] ^ 1):
            data = small[:at] + bytes([value]) + small[at + 1 :]
            found = preview_office.made(data, NOTHING)
            assert preview_wire.document_answer_of(preview_wire.answered(found)) == found
            # what was changed is told, or changed nothing that is shown
            assert isinstance(found, NoPreview) or found.is_partial or found.is_wrong or found == whole, at


def test_rows_before_a_hole_are_shown_and_those_behind_are_not() -> None:
    rows = "".join(f"<row><c><v>{number}</v></c></row>" for number in range(30))
    data = workbook(rows, packing=ZIP_STORED)
    at = data.index(b"<v>20</v>")
    made = shown(data[:at] + bytes(40) + data[at + 40 :], (at, at + 40))
    assert [one for (one,) in cells(made)] == [str(number) for number in range(20)]
    assert (made.is_partial, made.pieces[0].goes_on) == (True, True)


def test_a_member_that_does_not_agree_with_its_checksum_is_told() -> None:
    data = workbook(ROW, packing=ZIP_STORED).replace(b"<t>one</t>", b"<t>oxe</t>")
    made = shown(data)
    assert (made.is_wrong, made.is_partial, made.pieces[0].is_wrong) == (True, False, True)
    apart = workbook('<row><c t="s"><v>0</v></c></row>', strings="<si><t>one</t></si>", packing=ZIP_STORED)
    made = shown(apart.replace(b"<t>one</t>", b"<t>oxe</t>"))
    assert (made.is_wrong, made.pieces[0].is_wrong) == (True, False)


def test_the_list_of_sheets_may_be_lost() -> None:
    parts = workbook_parts(ROW)
    del parts["xl/workbook.xml"]
    made = shown(package("xl/workbook.xml", parts))
    assert (cells(made), made.pieces[0].name, made.is_partial) == ([("one", "2")], "", True)


def test_members_written_without_their_sizes_are_found_without_the_list() -> None:
    class Unseekable(io.BytesIO):
        def seekable(self) -> bool:
            return False

        def seek(self, *given: int) -> int:
            raise io.UnsupportedOperation

        def tell(self) -> int:
            raise io.UnsupportedOperation

    out = Unseekable()
    with ZipFile(out, "w", 8) as file:
        for name, text in workbook_parts(ROW).items():
            file.writestr(name, text)
    data = out.getvalue()
    assert cells(shown(data)) == [("one", "2")]
    made = shown(data[: data.index(b"PK\x01\x02")])
    assert (cells(made), made.is_partial) == ([("one", "2")], True)


def test_a_document_in_which_no_sheet_is_named_is_no_nonsense() -> None:
    made = shown(package("xl/workbook.xml", {"xl/workbook.xml": f'<workbook xmlns="{SHEET}"/>'}))
    assert (made.kind, made.pieces, made.count) == (DocumentKind.SHEETS, (), 0)
    notes = document_notes(document_shown(made), False)
    assert "No sheets were found in it." in notes
    assert not any(one.startswith("It has") for one in notes)
