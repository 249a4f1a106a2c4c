"""Digests, layers, differences, what is lacking, and adapters' counts against the simplest way to do each."""

from __future__ import annotations

from itertools import pairwise

import google_crc32c
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.coverage import Condition, Coverage
from mendbay.core.layers import topmost
from mendbay.core.span import Span, SpanSet
from mendbay.imaging import block_digests
from mendbay.imaging.block_digests import BLOCK_BYTES, add_digests, digested, is_whole, pieces
from mendbay.imaging.differences import differing
from mendbay.imaging.lacking import LackingRanges, Refusal
from mendbay.imaging.trouble import Trouble

SECTORS = 24
BYTES = 8

spans = st.tuples(st.integers(0, SECTORS), st.integers(0, SECTORS)).map(lambda two: (min(two), max(two)))


@given(st.lists(spans, max_size=20))
def test_topmost_is_the_last_span_laid_at_every_place(laid: list[tuple[int, int]]) -> None:
    found = topmost(laid)
    for place in range(SECTORS):
        over = [index for index, (start, stop) in enumerate(laid) if start <= place < stop]
        assert [index for span, index in found if place in span] == over[-1:]
    assert all(one.stop <= two.start for (one, _), (two, _) in pairwise(found))


@given(
    st.integers(0, 2 * BLOCK_BYTES),
    st.lists(st.integers(1, BLOCK_BYTES + 5), min_size=1, max_size=6),
    st.randoms(use_true_random=False),
)
def test_digests_of_reads_that_follow_each_other_are_those_of_one(
    start: int, lengths: list[int], random: object
) -> None:
    data = bytes(range(256)) * (sum(lengths) // 256 + 1)
    together = bytearray()
    at = start
    for length in lengths:
        add_digests(together, Span(at, at + length), memoryview(data)[at - start : at - start + length])
        at += length
    whole = Span(start, at)
    assert is_whole(together, whole)
    naive = [
        (part, google_crc32c.value(data[part.start - start : part.stop - start])) for part in pieces(whole)
    ]
    assert list(digested(together, whole)) == naive
    assert all(one.start // BLOCK_BYTES == (one.stop - 1) // BLOCK_BYTES for one, _ in naive)
    assert sum(one.length for one, _ in naive) == whole.length


def test_the_digest_is_the_published_crc_32c() -> None:
    """RFC 3720, appendix B.4: 32 bytes of zeros, of ones, and 0 to 31."""
    assert block_digests.digest(bytes(32)) == 0x8A9136AA
    assert block_digests.digest(b"\xff" * 32) == 0x62A8AB43
    assert block_digests.digest(bytes(range(32))) == 0x46DD794E


@given(st.binary(max_size=100), st.lists(st.tuples(st.integers(0, 99), st.integers(1, 255)), max_size=5))
def test_differing_sectors_are_those_with_an_unlike_byte(data: bytes, flips: list[tuple[int, int]]) -> None:
    other = bytearray(data)
    for at, bits in flips:
        if at < len(other):
            other[at] ^= bits
    span = Span(64, 64 + len(data))
    found = differing(span, data, bytes(other), BYTES)
    for first in range(0, len(data), BYTES):
        unlike = data[first : first + BYTES] != other[first : first + BYTES]
        for at in range(first, min(first + BYTES, len(data))):
            assert (64 + at in found) is unlike


refused = st.lists(st.tuples(spans, st.integers(1, 3), st.sampled_from(list(Trouble))), max_size=12)


def as_refusals(drawn: list[tuple[tuple[int, int], int, Trouble]]) -> list[Refusal]:
    return [
        Refusal(Span(a * BYTES, b * BYTES), run, 1.0, "EIO", trouble, f"2026-01-01T00:00:{at:02}Z", float(at))
        for at, ((a, b), run, trouble) in enumerate(drawn)
        if b > a
    ]


@given(spans, refused)
def test_what_is_lacking_names_the_last_refused_read_of_every_sector(
    read: tuple[int, int], drawn: list[tuple[tuple[int, int], int, Trouble]]
) -> None:
    refusals = as_refusals(drawn)
    given_bytes = SpanSet([Span(read[0] * BYTES, read[1] * BYTES)])
    coverage = Coverage.from_log(
        SECTORS * BYTES, BYTES, given_bytes, [(one.span.start, one.span.stop) for one in refusals]
    )
    found = LackingRanges(coverage, refusals, {1: "one", 2: "two", 3: "three"})
    assert SpanSet(one.span for one in found) == coverage.read.complement(Span(0, SECTORS * BYTES))
    assert all(a.span.stop <= b.span.start for a, b in pairwise(found))
    for sector in range(SECTORS):
        at = sector * BYTES
        here = [one for one in found if at in one.span]
        if at in coverage.read:
            assert not here
            continue
        (one,) = here
        assert one.tries == coverage.tries_at(at)
        assert one.condition is (Condition.REFUSED if one.tries else Condition.UNREAD)
        over = [refusal for refusal in refusals if at in refusal.span]
        if not over:
            assert (one.trouble, one.adapter, one.at) == (None, "", "")
            continue
        assert one.trouble is over[-1].trouble
        assert one.adapter == {1: "one", 2: "two", 3: "three"}[over[-1].run]
        assert one.at >= over[-1].at
