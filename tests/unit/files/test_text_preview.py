"""The beginning of a file as text or as bytes, and that nothing in it acts on whoever shows it."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.span import Span, SpanSet
from mendbay.files import text_preview
from mendbay.files.text_preview import (
    MOST_COLUMNS,
    MOST_LINES,
    ROW_BYTES,
    Coding,
    HexPreview,
    HexRow,
    Part,
    PartKind,
    TextPreview,
    hex_rows,
    preview_of,
)

TEXT, ESCAPE, MISSING = PartKind.TEXT, PartKind.ESCAPE, PartKind.MISSING


def text_of(data: bytes, *gaps: tuple[int, int]) -> TextPreview:
    shown = preview_of(data, SpanSet(Span(*one) for one in gaps), len(data))
    assert isinstance(shown, TextPreview)
    return shown


def told(shown: TextPreview) -> list[str]:
    """Lines with escapes in angles and gaps as the number of bytes."""
    forms = {TEXT: "{0.text}", ESCAPE: "<{0.text}>", MISSING: "[{0.missing_bytes}]"}
    return ["".join(forms[part.kind].format(part) for part in line.parts) for line in shown.lines]


@pytest.mark.parametrize(
    ("data", "coding", "is_guess", "lines"),
    [
        (b"one\ntwo\r\nthree\rfour", Coding.UTF_8, False, ["one", "two", "three", "four"]),
        (b"one\n\ntwo\n", Coding.UTF_8, False, ["one", "", "two"]),
        ("größe 日本".encode(), Coding.UTF_8, False, ["größe 日本"]),
        (b"\xef\xbb\xbfgr\xc3\xb6\xff", Coding.UTF_8, False, ["grö<\\xff>"]),
        ("größe\n\U0001f600".encode("utf-16"), Coding.UTF_16_LE, False, ["größe", "\U0001f600"]),
        (b"\xfe\xff\x00a\xd8\x00\x00b\x00", Coding.UTF_16_BE, False, ["a<\\u{d800}>b<\\x00>"]),
        (b"gr\xf6\xdfe \x80 \x81", Coding.WINDOWS_1252, True, ["größe € <\\x81>"]),
        (b"\xb0C", Coding.WINDOWS_1252, True, ["°C"]),
        ("a\u202eb\u200bc\ufdd0".encode(), Coding.UTF_8, False, ["a<\\u{202e}>b<\\u{200b}>c<\\u{fdd0}>"]),
        (b"a\x1b[31mred\tend", Coding.UTF_8, False, ["a<\\u{001b}>[31mred\tend"]),
        (b"\\x1b <script>", Coding.UTF_8, False, ["\\x1b <script>"]),
    ],
)
def test_text_is_decoded_and_what_cannot_be_shown_is_escaped(
    data: bytes, coding: Coding, is_guess: bool, lines: list[str]
) -> None:
    shown = text_of(data)
    assert (shown.coding, shown.is_guess, shown.goes_on) == (coding, is_guess, False)
    assert told(shown) == lines


def test_what_is_missing_stands_in_its_place_and_decides_nothing() -> None:
    data = "größe\nglasur\nende".encode()
    assert told(text_of(data, (3, 8))) == ["gr<\\xc3>[5]glasur", "ende"]  # half an ö, and the end of the line
    assert told(text_of(data, (0, 3))) == ["[3]<\\xb6>ße", "glasur", "ende"]
    assert text_of(data, (3, 8)).coding is Coding.UTF_8
    wide = "ab\ncd".encode("utf-16")
    assert told(text_of(wide, (5, 7))) == ["a<\\x62>[2]<\\x00>cd"]
    nothing = text_of(bytes(3000), (0, 3000))
    assert (told(nothing), nothing.coding) == (["[3000]"], None)


def test_lines_and_columns_are_bounded_and_more_is_told() -> None:
    long = text_of(b"x" * (MOST_COLUMNS + 1) + b"\ny")
    assert [line.is_cut for line in long.lines] == [True, False]
    assert (len(told(long)[0]), told(long)[1], long.goes_on) == (MOST_COLUMNS, "y", True)
    assert not text_of(b"x\n" * MOST_LINES).goes_on
    many = text_of(b"x\n" * MOST_LINES + b"y")
    assert (len(many.lines), many.goes_on) == (MOST_LINES, True)
    begun = preview_of(b"begun", SpanSet(), 6)
    assert begun.goes_on


@pytest.mark.parametrize(
    "data", [bytes(range(256)), b"PK\3\4\0\0", b"\x7fELF\2", b"text\0text", b"\1" + b"a" * 99]
)
def test_what_is_no_text_is_shown_in_rows(data: bytes) -> None:
    shown = preview_of(data, SpanSet([Span(1, 2)]), len(data))
    assert isinstance(shown, HexPreview)
    assert shown.rows[0].cells[1] == ""
    assert shown.rows[0].shown[1] == " "
    assert len(shown.rows) == -(-len(data) // ROW_BYTES)


def test_a_row_is_sixteen_bytes_with_what_is_printable() -> None:
    rows = list(hex_rows(b"PK\3\4<b>\x7f\xff" + b"." * 8, SpanSet([Span(102, 103)]), start=100))
    cells = ("50", "4b", "", "04", "3c", "62", "3e", "7f", "ff", *["2e"] * 7)
    assert rows == [HexRow(100, cells, "PK .<b>.." + "." * 7), HexRow(116, ("2e",), ".")]


def test_noise_after_a_mark_of_utf_16_is_no_text() -> None:
    assert isinstance(preview_of(b"\xff\xfe" + bytes(600), SpanSet(), 602), HexPreview)


HOSTILE = st.one_of(
    st.binary(max_size=600),
    st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.text(max_size=200).map(lambda text: b"\xff\xfe" + text.encode("utf-16-le", "surrogatepass")),
    st.text("ab\r\n\t\u202e\u2066\ufeff\x1b\0é", max_size=200).map(lambda text: text.encode()),
    st.lists(st.sampled_from([b"\xff", b"\xc3", b"\xa4", b"a", b"\n"]), max_size=99).map(b"".join),
)
GAPS = st.lists(st.tuples(st.integers(0, 600), st.integers(0, 80)), max_size=5)


@given(HOSTILE, GAPS)
def test_nothing_shown_can_act_and_every_gap_is_counted(data: bytes, gaps: list[tuple[int, int]]) -> None:
    missing = SpanSet(Span.at(*one) for one in gaps)
    here = missing.clip(Span(0, len(data)))
    shown = preview_of(data, missing, len(data))
    if isinstance(shown, HexPreview):
        assert sum(cell == "" for row in shown.rows for cell in row.cells) == (
            here.clip(Span(0, text_preview.HEX_BYTES)).total_bytes
        )
        for row in shown.rows:
            assert all(one.isascii() and one.isprintable() for one in row.shown)
        return
    assert sum(part.missing_bytes for line in shown.lines for part in line.parts) == here.total_bytes
    for line in shown.lines:
        texts = [part.text for part in line.parts]
        assert sum(map(len, texts)) <= MOST_COLUMNS
        assert all(
            part.text.isascii() and part.text.isprintable() for part in line.parts if part.kind is ESCAPE
        )
        for one in "".join(part.text for part in line.parts if part.kind is TEXT):
            kind = unicodedata.category(one)
            assert (
                one in "\t\u200c\u200d" or kind not in ("Cc", "Cf", "Cs", "Zl", "Zp") or one.isprintable()
            ), one
            assert unicodedata.bidirectional(one) not in (
                *("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"),
            )
            assert ord(one) & 0xFFFE != 0xFFFE


@given(HOSTILE, GAPS)
def test_what_is_missing_decides_nothing(data: bytes, gaps: list[tuple[int, int]]) -> None:
    missing = SpanSet(Span.at(*one) for one in gaps)
    other = bytearray(data)
    for span in missing.clip(Span(0, len(data))):
        other[span.start : span.stop] = b"\xee" * span.length
    assert preview_of(data, missing, len(data)) == preview_of(bytes(other), missing, len(data))


@given(st.text(st.characters(categories=("L", "N", "P", "Zs")), max_size=MOST_COLUMNS))
def test_plain_text_is_shown_as_it_is(text: str) -> None:
    found = [part for line in text_of(text.encode()).lines for part in line.parts]
    plain = "".join(one.text for one in found if one.kind is TEXT)
    assert plain == text_preview._NOT_SHOWN.sub("", text)
    assert [one for one in found if one.kind is MISSING] == []
    assert all(isinstance(one, Part) for one in found)


@pytest.mark.parametrize("cut", range(10))
def test_a_character_cut_by_the_end_of_what_is_looked_at_is_left_out(cut: int) -> None:
    whole = "ö日\U0001f600".encode()
    shown = preview_of(b"text" + whole[:cut], SpanSet(), 1000)
    assert isinstance(shown, TextPreview)
    assert told(shown) == ["text" + whole[:cut].decode("utf-8", "ignore")]
    assert not shown.is_guess
