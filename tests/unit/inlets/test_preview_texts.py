"""The text of letters, slides and open documents: whole, damaged and hostile ones."""

from __future__ import annotations

from collections.abc import Callable
from zipfile import ZIP_STORED

import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.inlets import office_bounds, preview_office, preview_wire
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, NoPreview
from support.office_files import OFFICE, archive, package, relations

WORD = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
DRAWING = "http://schemas.openxmlformats.org/drawingml/2006/main"
SHOW = "http://schemas.openxmlformats.org/presentationml/2006/main"
OPEN = "urn:oasis:names:tc:opendocument:xmlns"


def letter(body: str, packing: int = 8) -> bytes:
    text = f'<w:document xmlns:w="{WORD}" xmlns:mc="urn:m"><w:body>{body}</w:body></w:document>'
    return package("word/document.xml", {"word/document.xml": text}, packing)


def paragraph(text: str) -> str:
    return f"<w:p><w:r><w:t>{text}</w:t></w:r></w:p>"


def show(*slides: str, order: tuple[int, ...] = ()) -> bytes:
    numbers = order or tuple(range(1, len(slides) + 1))
    listed = "".join(f'<p:sldId id="{255 + one}" r:id="rId{one}"/>' for one in numbers)
    parts: dict[str, str | bytes] = {
        "ppt/presentation.xml": f'<p:presentation xmlns:p="{SHOW}" xmlns:r="{OFFICE}">'
        f"<p:sldIdLst>{listed}</p:sldIdLst></p:presentation>",
        "ppt/_rels/presentation.xml.rels": relations(
            {f"rId{one}": ("slide", f"slides/slide{one}.xml") for one in numbers}
        ),
    }
    for number, text in enumerate(slides, 1):
        lines = "".join(f"<a:p><a:r><a:t>{one}</a:t></a:r></a:p>" for one in text.split("|"))
        parts[f"ppt/slides/slide{number}.xml"] = (
            f'<p:sld xmlns:p="{SHOW}" xmlns:a="{DRAWING}"><p:spTree>{lines}</p:spTree></p:sld>'
        )
    return package("ppt/presentation.xml", parts)


def open_document(kind: str, body: str, packing: int = 8, manifest: str = "") -> bytes:
    spaces = "".join(
        f' xmlns:{one}="{OPEN}:{one}:1.0"' for one in ("office", "text", "table", "drawing", "presentation")
    )
    content = (
        f'<office:document-content{spaces} xmlns:draw="{OPEN}:drawing:1.0">'
        "<office:automatic-styles><table/></office:automatic-styles>"
        f"<office:body><office:{kind}>{body}</office:{kind}></office:body></office:document-content>"
    )
    return archive(
        {
            "mimetype": f"application/vnd.oasis.opendocument.{kind}",
            "content.xml": content,
            "META-INF/manifest.xml": f'<m:manifest xmlns:m="{OPEN}:manifest:1.0">{manifest}</m:manifest>',
        },
        packing,
    )


def shown(data: bytes, *holes: tuple[int, int]) -> MadeDocument:
    found = preview_office.made(data, SpanSet(Span(*one) for one in holes))
    assert isinstance(found, MadeDocument), found
    assert preview_wire.document_answer_of(preview_wire.answered(found)) == found
    return found


def lines(made: MadeDocument, piece: int = 0) -> list[str | None]:
    return [row.cells[0] for row in made.pieces[piece].rows]


# ---------------------------------------------------------------------- letters and slides


def test_a_letter_gives_its_paragraphs_in_order() -> None:
    body = (
        paragraph("Grüße &amp; &lt;b&gt;")
        + "<w:p><w:pPr><w:tabs><w:tab w:val='left' w:pos='9'/></w:tabs></w:pPr>"
        "<w:r><w:t>left</w:t><w:tab/><w:t>right</w:t><w:br/><w:t>below</w:t><w:br w:type='page'/></w:r></w:p>"
        "<w:p/><w:p><w:r><w:t> </w:t></w:r></w:p>"
        "<w:p><w:ins><w:r><w:t>kept</w:t></w:r></w:ins><w:del><w:r><w:delText>gone</w:delText></w:r></w:del>"
        "<w:moveFrom><w:r><w:t>moved</w:t></w:r></w:moveFrom><w:r><w:instrText>PAGE</w:instrText></w:r></w:p>"
        "<w:tbl><w:tr><w:tc>" + paragraph("in a table") + "</w:tc></w:tr></w:tbl>"
        "<w:p><w:r><mc:AlternateContent><mc:Choice>" + paragraph("box") + "</mc:Choice>"
        "<mc:Fallback>"
        + paragraph("box")
        + "</mc:Fallback></mc:AlternateContent><w:t>after</w:t></w:r></w:p>"
    )
    made = shown(letter(body))
    assert (made.kind, made.is_partial, made.pieces[0].goes_on) == (DocumentKind.TEXT, False, False)
    assert lines(made) == ["Grüße & <b>", "left\tright\nbelow", "kept", "in a table", "box", "after"]


def test_slides_are_told_in_the_order_they_are_shown() -> None:
    made = shown(show("First|line", "Second", "", order=(2, 1, 3)))
    assert (made.kind, made.count) == (DocumentKind.SLIDES, 3)
    assert [lines(made, one) for one in range(3)] == [["Second"], ["First", "line"], []]
    many = shown(show(*["x"] * (office_bounds.MOST_SLIDES + 5)))
    assert (many.count, len(many.pieces)) == (office_bounds.MOST_SLIDES + 5, office_bounds.MOST_SLIDES)


def test_the_other_edition_of_the_standard_is_read_alike() -> None:
    body = paragraph("strict").replace("w:", "x:")
    text = f'<x:document xmlns:x="http://purl.oclc.org/ooxml/wordprocessingml/main">{body}</x:document>'
    kind = "http://purl.oclc.org/ooxml/officeDocument/relationships/officeDocument"
    data = archive(
        {
            "[Content_Types].xml": "<Types/>",
            "_rels/.rels": f'<Relationships><Relationship Id="a" Type="{kind}" Target="/odd/main.xml"/>'
            "</Relationships>",
            "odd/main.xml": text,
        }
    )
    assert lines(shown(data)) == ["strict"]


def test_without_the_relations_the_usual_names_are_tried() -> None:
    for data, part in (
        (letter(paragraph("kept")), "word/document.xml"),
        (show("kept"), "ppt/slides/slide1.xml"),
    ):
        at = data.index(b"_rels/.rels") - 30
        made = shown(data, (at, at + 40))
        assert part.encode() in data
        assert (lines(made), made.is_partial) == (["kept"], True)


# ---------------------------------------------------------------------- open documents


def test_an_open_text_gives_its_paragraphs() -> None:
    body = (
        "<text:tracked-changes><text:p>struck out</text:p></text:tracked-changes>"
        "<text:h>Title</text:h><text:p>two<text:s text:c='3'/>words<text:tab/>x<text:line-break/>"
        "<text:span>y</text:span><text:note><text:note-body><text:p>foot</text:p></text:note-body></text:note>"
        "<office:annotation><text:p>remark</text:p></office:annotation>z</text:p>"
        "<table:table><table:table-row><table:table-cell><text:p>cell</text:p></table:table-cell>"
        "</table:table-row></table:table>"
    )
    made = shown(open_document("text", body))
    assert (made.kind, made.is_partial) == (DocumentKind.TEXT, False)
    assert lines(made) == ["Title", "two   words\tx\nyz", "cell"]


def test_an_open_sheet_gives_its_rows_in_their_places() -> None:
    body = (
        "<table:table table:name='Öfen'><table:table-column/>"
        "<table:table-row table:number-rows-repeated='3'><table:table-cell/></table:table-row>"
        "<table:table-row><table:table-cell table:number-columns-repeated='2'/>"
        "<table:table-cell office:value-type='float' office:value='1.5'><text:p>1,50 EUR</text:p>"
        "</table:table-cell>"
        "<table:table-cell office:value-type='date' office:date-value='2026-03-02'/>"
        "<table:table-cell table:number-columns-repeated='2'><text:p>a</text:p><text:p>b</text:p>"
        "<office:annotation><text:p>remark</text:p></office:annotation></table:table-cell></table:table-row>"
        "<table:table-row table:number-rows-repeated='1048572'><table:table-cell/></table:table-row>"
        "</table:table><table:table table:name='Full'><table:table-row table:number-rows-repeated='9999999'>"
        "<table:table-cell table:number-columns-repeated='99999'><text:p>x</text:p></table:table-cell>"
        "</table:table-row></table:table>" + "<table:table table:name='More'/>" * 100
    )
    made = shown(open_document("spreadsheet", body))
    assert (made.kind, made.count, len(made.pieces)) == (DocumentKind.SHEETS, 102, office_bounds.MOST_NAMED)
    first, full, *rest = made.pieces
    assert (first.name, first.columns, first.goes_on) == ("Öfen", (3, 4, 5, 6), False)
    assert [(row.number, row.cells) for row in first.rows] == [
        (4, ("1,50 EUR", "2026-03-02", "a\nb", "a\nb"))
    ]
    assert (len(full.rows), len(full.columns), full.goes_on) == (
        office_bounds.MOST_ROWS,
        office_bounds.MOST_COLUMNS,
        True,
    )
    assert [one.is_read for one in rest[:5]] == [True] * 4 + [False]


def test_open_slides_give_what_they_say_without_notes() -> None:
    aside = "<presentation:notes><text:p>aside</text:p></presentation:notes>"
    page = "<draw:page><text:p>{0}</text:p>" + aside + "</draw:page>"
    made = shown(open_document("presentation", "".join(map(page.format, range(30)))))
    assert (made.kind, made.count, len(made.pieces)) == (DocumentKind.SLIDES, 30, office_bounds.MOST_SLIDES)
    assert [lines(made, one) for one in range(3)] == [["0"], ["1"], ["2"]]


def test_a_document_locked_with_a_password_is_told() -> None:
    lock = "<m:file-entry m:full-path='content.xml'><m:encryption-data/></m:file-entry>"
    found = preview_office.made(open_document("text", "", manifest=lock), SpanSet())
    assert isinstance(found, NoPreview)
    assert "password" in found.what
    assert not found.is_other


def test_of_other_open_documents_nothing_is_shown() -> None:
    for data in (
        open_document("drawing", "<draw:page><text:p>x</text:p></draw:page>"),
        archive({"content.xml": "<other/>"}),
        archive({"META-INF/manifest.xml": "<x/>", "a.class": b"\xca\xfe"}),
    ):
        found = preview_office.made(data, SpanSet())
        assert isinstance(found, NoPreview)
        assert found.is_other


# ---------------------------------------------------------------------- hostile and damaged ones

MADE: dict[str, Callable[[str], bytes]] = {
    "letter": lambda text: letter(paragraph(text)),
    "slides": lambda text: show(text),
    "open text": lambda text: open_document("text", f"<text:p>{text}</text:p>"),
    "open slides": lambda text: open_document(
        "presentation", f"<draw:page><text:p>{text}</text:p></draw:page>"
    ),
    "open sheet": lambda text: open_document(
        "spreadsheet",
        "<table:table><table:table-row><table:table-cell>"
        f"<text:p>{text}</text:p></table:table-cell></table:table-row></table:table>",
    ),
}


@pytest.mark.parametrize("kind", MADE)
def test_text_has_bounds_and_comes_out_as_it_is(kind: str) -> None:
    assert lines(shown(MADE[kind]("&lt;script&gt;\u202e"))) == ["<script>\u202e"]
    (long,) = lines(shown(MADE[kind]("x" * 100_000)))
    assert long is not None
    assert len(long) <= office_bounds.PARAGRAPH_LETTERS
    assert long.endswith("…")
    deep = "<q>" * 5000
    made = preview_office.made(MADE[kind](f"before{deep}after"), SpanSet())
    assert isinstance(made, MadeDocument)
    assert made.is_partial
    assert lines(made) in ([], ["before"])


@pytest.mark.parametrize("kind", MADE)
def test_paragraphs_without_end_have_bounds(kind: str) -> None:
    closing = {"letter": "</w:t></w:r></w:p><w:p><w:r><w:t>", "slides": "|"}.get(kind, "</text:p><text:p>")
    made = shown(MADE[kind](closing.join(["x" * 900] * 3000)))
    assert sum(len(cell or "") for one in made.pieces for row in one.rows for cell in row.cells) <= 200_000
    assert len(made.pieces[0].rows) <= office_bounds.MOST_PARAGRAPHS
    if kind != "open sheet":
        assert made.pieces[0].goes_on


@pytest.mark.parametrize("kind", MADE)
def test_broken_off_or_with_a_hole_anywhere_nothing_is_made_up(kind: str) -> None:
    data = MADE[kind]("kiln")
    for at in range(len(data)):
        holed = data[:at] + b"\xa5" * 9 + data[at + 9 :]
        for found in (
            preview_office.made(data[:at], SpanSet()),
            preview_office.made(holed[: len(data)], SpanSet([Span(at, min(at + 9, len(data)))])),
        ):
            if isinstance(found, MadeDocument):
                for number in range(len(found.pieces)):
                    assert all("kiln".startswith(one or "?") for one in lines(found, number))


@pytest.mark.parametrize("kind", MADE)
def test_any_byte_changed_is_told_or_changes_nothing(kind: str) -> None:
    data = MADE[kind]("kiln")
    whole = shown(data)
    for at in range(len(data)):
        found = preview_office.made(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :], SpanSet())
        assert isinstance(found, NoPreview) or found.is_partial or found.is_wrong or found == whole, at


def test_what_stands_before_a_hole_is_shown() -> None:
    body = "".join(paragraph(f"number {one}") for one in range(50))
    data = letter(body, ZIP_STORED)
    at = data.index(b"number 30")
    made = shown(data, (at, at + 5))
    assert lines(made) == [f"number {one}" for one in range(30)]
    assert (made.is_partial, made.pieces[0].goes_on) == (True, True)


def test_a_document_type_is_refused() -> None:
    entity = '<!DOCTYPE w [<!ENTITY a "{}">]>'.format("ha" * 10)
    text = f'{entity}<w:document xmlns:w="{WORD}">{paragraph("&a;")}</w:document>'
    made = shown(package("word/document.xml", {"word/document.xml": text}))
    assert (lines(made), made.is_partial) == ([], True)
