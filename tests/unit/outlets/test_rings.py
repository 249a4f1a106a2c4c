"""The picture of a drive says what its coverage says, band by band."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.handback.facts import BayFacts
from mendbay.handback.words import size
from mendbay.outlets.rings import (
    LIGHT,
    ORDER,
    SLIVER,
    bands_of,
    drive_rings,
    rings_svg,
    shares_drawn,
    swatch_svg,
)
from support.handback_sample import bays


@st.composite
def drives(draw: st.DrawFn) -> BayFacts:
    size = draw(st.integers(1, 400))
    spans = st.lists(st.tuples(st.integers(0, size), st.integers(0, size)), max_size=6).map(
        lambda pairs: SpanSet(Span(min(pair), max(pair)) for pair in pairs)
    )
    starts = np.array(sorted(draw(st.sets(st.integers(0, size - 1), max_size=6))), np.int64)
    coverage = Coverage(size, 1, draw(spans), starts, np.full(starts.size, 2, np.int64), draw(spans))
    return BayFacts(
        "1",
        "",
        "",
        coverage,
        other_half=draw(spans),
        older=draw(spans),
        wanted=draw(spans),
        left=draw(spans) & coverage.unread,
    )


@given(drives(), st.integers(1, 20))
def test_bands_count_every_byte_once_in_its_condition(bay: BayFacts, count: int) -> None:
    """Against a plain count byte by byte."""
    bands = bands_of(bay, count)
    assert bands[0].span.start == 0
    assert bands[-1].span.stop == bay.size_bytes
    for band in bands:
        naive = dict.fromkeys(ORDER, 0)
        for at in range(band.span.start, band.span.stop):
            if at in bay.coverage.read:
                word = "older" if at in bay.older else "other" if at in bay.other_half else "read"
            else:
                word = next(
                    (name for name in ("refused", "waived") if at in getattr(bay.coverage, name)),
                    "left" if at in bay.left else "unread",
                )
            naive[word] += 1
        assert dict(zip(ORDER, band.given, strict=True)) == naive


@given(st.tuples(*[st.integers(0, 10**12)] * len(ORDER)))
def test_arcs_fill_the_ring_and_nothing_present_vanishes(given_bytes: tuple[int, ...]) -> None:
    drawn = shares_drawn(given_bytes)
    for part, share in zip(given_bytes, drawn, strict=True):
        assert (share == 0) is (part == 0)
        assert share == 0 or share >= SLIVER - 1e-9
    if sum(given_bytes):
        assert sum(drawn) == pytest.approx(1)


@given(drives())
def test_the_picture_is_sound_xml_with_a_text_equivalent(bay: BayFacts) -> None:
    root = ElementTree.fromstring(rings_svg(bay, "k", LIGHT, needle_at=bay.size_bytes))
    space = "{http://www.w3.org/2000/svg}"
    ids = {one.get("id") for one in root.iter() if one.get("id")}
    assert set((root.get("aria-labelledby") or "").split()) <= ids
    story = root.find(f"{space}desc")
    assert story is not None
    assert story.text is not None
    assert all(band.words() in story.text for band in bands_of(bay))
    used = set(re.findall(r"url\(#([^)]+)\)", ElementTree.tostring(root, encoding="unicode")))
    assert used <= ids


def test_hostile_labels_stay_text() -> None:
    bay = BayFacts('<script>"&', "", "", Coverage(10, 1))
    assert "<script>" not in rings_svg(bay, "k")
    ElementTree.fromstring(rings_svg(bay, "k"))


def test_two_pictures_on_one_page_share_no_ids() -> None:
    pictures = [rings_svg(bay, f"drive{at}") for at, bay in enumerate(bays())]
    first, second = (set(re.findall(r'id="([^"]+)"', one)) for one in pictures)
    assert first
    assert not first & second


def test_colours_are_variables_on_a_page_and_values_on_paper() -> None:
    bay = bays()[1]
    assert "#" not in re.sub(r"url\(#[^)]+\)", "", rings_svg(bay, "k"))
    assert "var(" not in rings_svg(bay, "k", LIGHT)
    assert "<pattern" in swatch_svg("refused", "k", LIGHT, alone=True)
    assert "<pattern" not in swatch_svg("refused", "k")


@given(drives(), st.data())
def test_a_range_is_cut_as_the_drive_is(bay: BayFacts, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, bay.size_bytes - 1))
    within = Span(start, data.draw(st.integers(start + 1, bay.size_bytes)))
    bands = bands_of(bay, within=within)
    assert bands[0].span.start == within.start
    assert bands[-1].span.stop == within.stop
    assert all(one.span.stop == other.span.start for one, other in pairwise(bands))
    assert all(one.span.length and sum(one.given) == one.span.length for one in bands)
    whole = np.array([one.given for one in bands_of(bay, bay.size_bytes)])[within.start : within.stop]
    assert tuple(whole.sum(axis=0)) == tuple(np.array([one.given for one in bands]).sum(axis=0))


@given(drives(), st.data())
def test_a_range_as_a_picture_shows_the_needle_only_where_it_is(bay: BayFacts, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, bay.size_bytes - 1))
    within = Span(start, data.draw(st.integers(start + 1, bay.size_bytes)))
    at = data.draw(st.integers(0, bay.size_bytes - 1))
    found = drive_rings(bay, "k", needle_at=at, within=within, link=lambda span: f'/x?a={span.start}&b="')
    drawn = ElementTree.fromstring(found.svg)
    links = [one.get("href") for one in drawn.iter() if one.tag.endswith("}a")]
    assert links == [f'/x?a={band.span.start}&b="' for band in found.bands]
    assert ("being read" in found.svg) is (at in within)


def test_the_legend_names_the_signs_that_are_drawn() -> None:
    half = Span(0, 6_000)
    bay = BayFacts("1", "", "", Coverage(12_000, 1), wanted=SpanSet([half]))
    found = drive_rings(bay, "k", needle_at=7_000)
    assert [words for _, words in found.legend] == ["unread", "holds wanted files", "being read now"]
    assert [one.holds_wanted for one in found.bands] == [True] * 6 + [False] * 6
    other = drive_rings(bay, "k", needle_at=7_000, within=Span(0, 512))
    assert "being read now" not in [words for _, words in other.legend]


def test_what_is_drawn_larger_than_it_is_is_told_with_its_figure() -> None:
    whole = Span(0, 12_000_000)

    def larger(waived: int) -> str:
        gone = SpanSet([Span(0, waived)])
        none = np.zeros(0, np.int64)
        return drive_rings(
            BayFacts("1", "", "", Coverage(12_000_000, 1, SpanSet([whole]) - gone, none, none, gone)), "k"
        ).larger

    assert larger(0) == ""
    assert larger(1_000_000) == ""
    assert f"waived, {size(2_000)} of {size(12_000_000)}." in larger(2_000)
    assert "read," not in larger(2_000)
