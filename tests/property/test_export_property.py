"""Whatever was typed comes out of an export as it went in."""

from __future__ import annotations

import csv
import io
import json

from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.export import coverage_csv, events_csv, notes_lines
from mendbay.case.personal import RULINGS, Fate, remaining
from mendbay.case.records import Event
from mendbay.core.coverage import Coverage
from mendbay.core.note import Note, NoteKind
from mendbay.core.span import Span, SpanSet

AT = "2026-11-25T07:10:00Z"
TEXTS = st.text(st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from('\n",=;'), max_size=40)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | TEXTS,
    lambda deeper: st.lists(deeper, max_size=3) | st.dictionaries(TEXTS, deeper, max_size=3),
    max_leaves=8,
)


@given(st.lists(st.tuples(TEXTS, st.dictionaries(TEXTS, TEXTS, max_size=3)), max_size=5))
def test_events_read_back_as_they_were(said: list[tuple[str, dict[str, str]]]) -> None:
    data = events_csv([Event(AT, "note", text, facts) for text, facts in said]).decode()
    rows = list(csv.reader(io.StringIO(data, newline="")))
    assert [(row[2], json.loads(row[3])) for row in rows[1:]] == said


@given(st.lists(st.tuples(st.sampled_from(NoteKind), JSON), max_size=4))
def test_notes_read_back_as_they_were(said: list[tuple[NoteKind, object]]) -> None:
    notes = [
        Note(1, "", kind, "case", AT, "Ada", json.dumps(body), at) for at, (kind, body) in enumerate(said)
    ]
    lines = notes_lines(notes).decode().split("\n")
    assert lines.pop() == ""
    assert [(one["kind"], one["body"]) for one in map(json.loads, lines)] == said


@given(
    st.lists(st.integers(0, 99), max_size=12),
    st.lists(st.integers(0, 99), max_size=12),
    st.lists(st.integers(0, 99), max_size=40),
)
def test_the_coverage_has_every_byte_once(read: list[int], waived: list[int], theirs: list[int]) -> None:
    def spans(sectors: list[int]) -> SpanSet:
        return SpanSet(Span.at(one * 512, 512) for one in sectors)

    coverage = Coverage(100 * 512, 512, spans(read), waived=spans(waived))
    left = spans(theirs) & coverage.unread
    rows = list(csv.DictReader(io.StringIO(coverage_csv(coverage, left).decode(), newline="")))
    bounds = [(int(one["start"]), int(one["stop"])) for one in rows]
    assert [start for start, _ in bounds] == [0, *(stop for _, stop in bounds[:-1])]
    assert bounds[-1][1] == 100 * 512
    unread = coverage.unread - left
    for name, meant in (
        ("read", coverage.read),
        ("waived", coverage.waived),
        ("left", left),
        ("unread", unread),
    ):
        shares = [int(one["stop"]) - int(one["start"]) for one in rows if one["condition"] == name]
        assert sum(shares) == meant.total_bytes


@given(
    st.sampled_from(NoteKind),
    st.dictionaries(TEXTS, JSON, max_size=4),
    TEXTS.filter(lambda one: len(one) > 6),
)
def test_no_member_that_is_not_named_survives(kind: NoteKind, body: dict[str, object], secret: str) -> None:
    ruling = RULINGS[kind]
    named = {*ruling.whole, *ruling.emptied}
    full = {key: one for key, one in body.items() if key not in named} | dict.fromkeys(ruling.emptied, secret)
    left = remaining(Note(1, "", kind, "case", AT, "Ada", json.dumps({**full, "other": secret}), 1))
    assert (left is None) is (ruling.fate is not Fate.REDUCED)
    if left is not None:
        assert set(json.loads(left.body)) == set(ruling.emptied)
        assert secret not in json.loads(left.body).values()
