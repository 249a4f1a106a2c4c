"""A catalogue against a plain tree of objects that is gone through entry by entry."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from dataclasses import dataclass, field

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from mendbay.files.catalogue import Catalogue, Query, View
from mendbay.files.catalogue_build import natural_key
from mendbay.files.catalogue_names import fold
from mendbay.files.catalogue_rows import Flag
from mendbay.files.tree import Entry, Kind
from mendbay.files.verdict import Verdict
from mendbay.files.wanted import MOST_DEEP, matcher, plain_parts
from support.catalogues import catalogue_of, entry

LETTERS = [
    "a",
    "o",
    "\u00f6",
    "\u0308",
    "\u212b",
    "A",
    "b",
    "1",
    "02",
    ".",
    "ß",
    "ı",
    "İ",
    "ſ",
    "K",
    "é",
    "\n",
    "\udcff",
    "ss",
    "i",
    "k",
    "-",
    "[",
]
NAMES = st.lists(st.sampled_from(LETTERS), min_size=1, max_size=4).map(
    lambda parts: "".join(parts).encode("utf-8", "surrogateescape")
)
SOUND_NAMES = NAMES.filter(lambda name: name not in (b".", b".."))
PATTERN_LETTERS = [*LETTERS, "*", "?", "/", "**/", "**"]
PATTERNS = st.lists(st.sampled_from(PATTERN_LETTERS), min_size=1, max_size=6).map("".join)


@dataclass
class Thing:
    """A file or folder of the plain tree."""

    entry: Entry
    verdict: Verdict | None
    inside: list[Thing] = field(default_factory=list)


@st.composite
def trees(draw: st.DrawFn) -> list[Thing]:
    """The top, and the top of what no folder leads to; no two folders of one name stand in one folder."""
    tops = [Thing(entry(b"", Kind.FOLDER), None), Thing(entry(b"", Kind.FOLDER, named=False), None)]
    folders = list(tops)
    for _ in range(draw(st.integers(0, 25))):
        above = draw(st.sampled_from(folders))
        name = draw(SOUND_NAMES)
        kind = draw(st.sampled_from([Kind.FILE, Kind.FILE, Kind.FOLDER, Kind.LINK]))
        path = above.entry.path + b"/" + name if above.entry.path else name
        if kind is Kind.FOLDER and any(
            one.entry.path == path and one.entry.kind is Kind.FOLDER for one in above.inside
        ):
            continue
        one = entry(path, kind, size=draw(st.integers(0, 2**62 - 1)), named=above.entry.named)
        verdict = draw(st.sampled_from(list(Verdict))) if kind is Kind.FILE else None
        thing = Thing(one, verdict)
        above.inside.append(thing)
        if kind is Kind.FOLDER:
            folders.append(thing)
    return tops


def below(thing: Thing) -> list[Thing]:
    """Everything below a thing, in the order of the tree."""

    def key(one: Thing) -> tuple[bool, bytes, bytes]:
        name = one.entry.path.rpartition(b"/")[2]
        return one.entry.kind is not Kind.FOLDER, natural_key(fold(name)), name

    found = []
    for one in sorted(thing.inside, key=key):
        found += [one, *below(one)]
    return found


def made(tops: list[Thing]) -> tuple[Catalogue, dict[int, Thing]]:
    """The catalogue of a tree, and its things by the numbers they must have."""
    root, nameless = tops
    given_in_order = [root, *below(root), *below(nameless)]
    rows = catalogue_of(
        [one.entry for one in given_in_order], [one.verdict for one in given_in_order if one.verdict]
    )
    things = dict(enumerate(below(root), 1))
    hidden = below(nameless)
    if hidden:  # their own folder stands last of all in the root
        assert rows.nameless_top == len(things) + 1
        things |= dict(enumerate(hidden, len(things) + 2))
    assert len(rows) == len(things) + 1 + bool(hidden)
    return rows, things


@settings(max_examples=60, deadline=None)
@given(trees())
def test_every_entry_has_its_row_and_its_path(tops: list[Thing]) -> None:
    rows, things = made(tops)
    for number, thing in things.items():
        row = rows.row(number)
        assert rows.path(number) == thing.entry.path
        assert (row.kind, row.verdict) == (thing.entry.kind, thing.verdict)
        assert row.size_bytes == thing.entry.size_bytes
        found = rows.number_of(thing.entry.path)
        assert found is not None
        assert rows.path(found) == thing.entry.path


@settings(max_examples=60, deadline=None)
@given(trees(), st.data())
def test_a_view_shows_what_stands_in_open_folders(tops: list[Thing], data: st.DataObject) -> None:
    rows, _ = made(tops)
    numbers = st.frozensets(st.integers(-2, len(rows) + 2), max_size=12)
    view = View(data.draw(numbers), data.draw(numbers))
    seen = []

    def show(folder: int, whole: bool) -> None:
        for child in range(folder + 1, len(rows)):
            if rows.columns.parent[child] != folder:
                continue
            seen.append(child)
            if whole or child in view.opened or child in view.everything:
                show(child, whole or child in view.everything)

    show(0, 0 in view.everything)
    assert rows.visible(view).tolist() == seen
    first, count = data.draw(st.integers(0, len(seen) + 1)), data.draw(st.integers(0, 9))
    window = rows.window(view, first, count)
    assert [one.number for one in window.rows] == seen[first : first + count]
    assert window.total == len(seen)
    for number in seen:
        assert rows.place_in(view, number) == seen.index(number)
    for number in range(1, len(rows)):
        assert rows.place_in(rows.opened_to(View(), number), number) is not None


@settings(max_examples=300, deadline=None)
@given(trees(), st.lists(PATTERNS, min_size=1, max_size=2))
def test_wishes_select_what_they_select_of_the_entries(tops: list[Thing], patterns: list[str]) -> None:
    rows, things = made(tops)
    if any(not one.strip().strip("/") for one in patterns):
        return
    test = matcher(patterns)
    expected = [number for number, one in sorted(things.items()) if test(one.entry.path)]
    assert [one for one in rows.wanted(patterns).tolist() if one] == expected
    assert (0 in rows.wanted(patterns).tolist()) == test(b"")


DEEP_LETTERS = ["a", "b", "1", "*", "?", "/", "**/", "**", "a**", "**b"]
DEEP = st.lists(st.sampled_from(DEEP_LETTERS), max_size=8).map("".join)


@settings(max_examples=400, deadline=None)
@given(trees(), DEEP)
def test_stars_that_lead_through_folders_beside_letters_select_as_wishes_do(
    tops: list[Thing], pattern: str
) -> None:
    if not pattern.strip("/") or pattern.count("**") > MOST_DEEP:
        return
    rows, things = made(tops)
    test = matcher([pattern])
    found = rows.wanted([pattern]).tolist()
    assert [one for one in found if one] == [
        number for number, one in sorted(things.items()) if test(one.entry.path)
    ]
    assert len(plain_parts(pattern)) <= 2**MOST_DEEP


@settings(max_examples=200, deadline=None)
@given(
    trees(),
    st.lists(st.one_of(NAMES, st.just(b"a"), st.just(b"i")), max_size=2),
    st.sets(st.sampled_from(Verdict)),
)
def test_a_search_finds_names_that_hold_the_words(
    tops: list[Thing], words: list[bytes], verdicts: set[Verdict]
) -> None:
    rows, things = made(tops)
    text = " ".join(one.decode("utf-8", "surrogateescape") for one in words)
    folded = [fold(one.encode("utf-8", "surrogateescape")) for one in text.split()]

    def holds(number: int, word: bytes) -> bool:
        above = [*rows.above(number), number]
        return any(word in fold(things[one].entry.path.rpartition(b"/")[2]) for one in above if one in things)

    expected = [
        number
        for number, one in sorted(things.items())
        if all(holds(number, word) for word in folded) and (not verdicts or one.verdict in verdicts)
    ]
    assert rows.search(Query(text, frozenset(verdicts))).tolist() == expected


@settings(max_examples=100, deadline=None)
@given(trees(), st.data())
def test_sums_are_those_of_the_files_below(tops: list[Thing], data: st.DataObject) -> None:
    rows, things = made(tops)
    chosen = data.draw(st.lists(st.sampled_from(sorted(things) or [0]), max_size=4))
    files = {
        number: one
        for number, one in things.items()
        if one.verdict and {*rows.above(number), number} & set(chosen)
    }
    told = rows.sums(chosen)
    counts = Counter(one.verdict for one in files.values())
    for verdict in Verdict:
        bytes_of = sum(one.entry.size_bytes for one in files.values() if one.verdict is verdict)
        assert told.files[verdict] == counts[verdict]
        assert told.size_bytes[verdict] == min(bytes_of, 2**62 - 1)
    for number, thing in things.items():
        if thing.entry.kind is Kind.FOLDER:
            assert rows.row(number).sums == rows.sums([number])


@settings(max_examples=300, deadline=None)
@given(
    st.lists(SOUND_NAMES, min_size=1, max_size=12, unique=True),
    st.lists(st.sampled_from([*LETTERS, "*", "?"]), min_size=1, max_size=5).map("".join),
)
def test_a_pattern_over_names_is_exact(names: list[bytes], pattern: str) -> None:
    if "**" in pattern or not pattern.strip():
        return
    rows = catalogue_of([entry(one) for one in names])
    found = {rows.path(int(one)) for one in rows._names.matching(pattern)}
    letters = unicodedata.normalize("NFC", pattern)
    expression = "".join({"*": "[^/]*", "?": "[^/]"}.get(one) or re.escape(one) for one in letters)
    compiled = re.compile(expression, re.IGNORECASE | re.DOTALL)
    texts = {one: unicodedata.normalize("NFC", one.decode("utf-8", "surrogateescape")) for one in names}
    assert found == {one for one, text in texts.items() if compiled.fullmatch(text)}


def test_letters_that_patterns_take_for_the_same_fold_to_the_same() -> None:
    for code in range(0x110000):
        letter = chr(code)
        if 0xD800 <= code < 0xE000:
            continue
        for other in {letter.lower(), letter.upper(), letter.casefold(), letter.title()}:
            if len(other) == 1 and re.fullmatch(re.escape(letter), other, re.IGNORECASE):
                assert fold(letter.encode()) == fold(other.encode()), (letter, other)


@pytest.mark.parametrize("word", ["a", "ab", "b.", "zz"])
def test_a_word_that_stands_everywhere_is_found_as_one_that_is_rare(word: str) -> None:
    names = [b"%d-ab.%d" % (at, at % 7) for at in range(6000)]
    rows = catalogue_of([entry(one) for one in names])
    expected = {one for one in names if word.encode() in one}
    assert {rows.path(int(one)) for one in rows.search(Query(word))} == expected
    assert not np.any(rows.columns.flags[rows.search(Query(word))] & int(Flag.GATHERED))
