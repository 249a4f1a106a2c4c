"""Stripe, span and two-member level 10 against models that place one byte at a time."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.pair.raid10 import FAR_2, NEAR_2, OFFSET_2, copy_on, volume_bytes
from mendbay.pair.stripe import Raid0Layout, Stripe, linear_zones, raid0_zones
from support.sources import MemorySource

REASONS = (Lack.UNREAD, Lack.REFUSED, Lack.WAIVED)


def naive_raid0(sizes: list[int], chunk: int, layout: Raid0Layout) -> list[tuple[int, int]]:
    """(member, offset) of every byte, by walking zone after zone, chunk after chunk, byte after byte.

    Linux kernel 6.1, drivers/md/raid0.c: create_strip_zones, find_zone, map_sector.
    """
    used = [size // chunk for size in sizes]
    placed: list[tuple[int, int]] = []
    depth = 0
    while True:
        members = [k for k, chunks in enumerate(used) if chunks > depth]
        if not members:
            return placed
        bottom = min(used[k] for k in members)
        zone_start = len(placed) // chunk
        for turn in range((bottom - depth) * len(members)):
            counted = turn + (zone_start if layout is Raid0Layout.ORIGINAL else 0)
            member = members[counted % len(members)]
            row = depth + turn // len(members)
            placed.extend((member, row * chunk + k) for k in range(chunk))
        depth = bottom


def naive_linear(sizes: list[int], rounding: int) -> list[tuple[int, int]]:
    unit = rounding or 1
    return [(k, at) for k, size in enumerate(sizes) for at in range(size // unit * unit)]


@st.composite
def sets(draw: st.DrawFn) -> tuple[Stripe, list[tuple[int, int]], list[MemorySource]]:
    chunk = draw(st.sampled_from([3, 4, 8, 12]))
    sizes = draw(st.lists(st.integers(0, 9 * chunk + 2), min_size=1, max_size=4))
    if max(sizes) < chunk:
        sizes[0] = chunk
    if draw(st.booleans()):
        layout = draw(st.sampled_from(list(Raid0Layout)))
        zones, model = raid0_zones(sizes, chunk, layout), naive_raid0(sizes, chunk, layout)
    else:
        rounding = draw(st.sampled_from([0, chunk]))
        zones, model = linear_zones(sizes, rounding), naive_linear(sizes, rounding)
    members = []
    for number, size in enumerate(sizes):
        data = bytes((number * 67 + at * 3 + 1) % 251 + 1 for at in range(size))
        gaps = {why: SpanSet(draw(st.lists(spans(size), max_size=2))) for why in REASONS}
        members.append(MemorySource(data, gaps, bay=str(number), sector_bytes=1))
    return Stripe(members, zones, "s"), model, members


def spans(size: int) -> st.SearchStrategy[Span]:
    ends = st.tuples(st.integers(0, size), st.integers(0, size))
    return ends.map(lambda pair: Span(min(pair), max(pair)))


def lack_at(member: MemorySource, offset: int) -> Lack | None:
    return next((why for why, lacking in member.lacking.items() if offset in lacking), None)


def lacks_by_byte(span: Span, gaps: object) -> list[Lack | None]:
    out: list[Lack | None] = [None] * span.length
    for gap in gaps:  # type: ignore[attr-defined]
        for at in range(gap.span.start, gap.span.stop):
            assert out[at - span.start] is None
            out[at - span.start] = gap.why
    return out


@settings(max_examples=400, deadline=None)
@given(sets(), st.data())
def test_stripe_agrees_with_the_naive_model(
    made: tuple[Stripe, list[tuple[int, int]], list[MemorySource]], data: st.DataObject
) -> None:
    stripe, model, members = made
    assert stripe.size_bytes == len(model)
    span = data.draw(spans(len(model) + 5))
    reading = stripe.read(span)
    expected_data = bytearray(span.length)
    expected_lacks: list[Lack | None] = [Lack.ABSENT] * span.length
    for at in range(span.start, min(span.stop, len(model))):
        number, offset = model[at]
        expected_lacks[at - span.start] = lack_at(members[number], offset)
        if expected_lacks[at - span.start] is None:
            expected_data[at - span.start] = members[number].data[offset]
    assert reading.data == bytes(expected_data)
    assert lacks_by_byte(span, reading.gaps) == expected_lacks
    assert stripe.outlook(span).gaps == reading.gaps
    traced = {
        at: (origin.bay, origin.at.start + at - origin.span.start)
        for origin in stripe.trace(span)
        for at in range(origin.span.start, origin.span.stop)
    }
    there = [at for at in range(span.start, span.stop) if expected_lacks[at - span.start] is None]
    assert traced == {at: (str(model[at][0]), model[at][1]) for at in there}


@settings(max_examples=300, deadline=None)
@given(sets(), st.data())
def test_sets_map_both_ways(
    made: tuple[Stripe, list[tuple[int, int]], list[MemorySource]], data: st.DataObject
) -> None:
    stripe, model, members = made
    wanted = SpanSet(data.draw(st.lists(spans(len(model)), max_size=4)))
    places = [model[at] for span in wanted for at in range(span.start, span.stop)]
    back = SpanSet()
    for number in range(len(members)):
        own = SpanSet(Span.at(offset, 1) for member, offset in places if member == number)
        assert stripe.on_member(number, wanted) == own
        back = back | stripe.on_volume(number, own)
    assert back == wanted
    assert {bay: held for bay, held in stripe.needs(wanted).items() if held} == {
        str(number): SpanSet(Span.at(at, 1) for member, at in places if member == number)
        for number in {member for member, _ in places}
    }


@settings(max_examples=60, deadline=None)
@given(sets(), st.data())
def test_one_read_for_each_member_and_zone(
    made: tuple[Stripe, list[tuple[int, int]], list[MemorySource]], data: st.DataObject
) -> None:
    """A read asks each member once for each zone, and for no byte that it does not need."""
    stripe, model, members = made
    span = data.draw(spans(len(model)))
    stripe.read(span)
    zones = sum(zone.span.overlaps(span) for zone in stripe.zones)
    for number, member in enumerate(members):
        needed = [model[at][1] for at in range(span.start, span.stop) if model[at][0] == number]
        asked = [at for read in member.reads for at in range(read.start, read.stop)]
        assert sorted(asked) == sorted(needed)
        assert len([read for read in member.reads if read.length]) <= zones


def naive_copies(layout: int, chunks: int) -> dict[int, list[tuple[int, int]]]:
    """Every (member, chunk) that holds each chunk of a two-member level 10 set.

    Linux kernel 6.1, drivers/md/raid10.c: __raid10_find_phys.
    """
    near, far = layout & 0xFF, layout >> 8 & 0xFF
    is_offset = bool(layout & 1 << 16)
    copies: dict[int, list[tuple[int, int]]] = {}
    stride = chunks // far
    total = (chunks // far) * 2 // near
    for chunk in range(total):
        row, member = divmod(chunk * near, 2)
        at = row * far if is_offset else row
        held = []
        for _ in range(near):
            for turn in range(far):
                step = 1 if is_offset else stride
                held.append(((member + turn * near) % 2, at + turn * step))
            member = (member + 1) % 2
        copies[chunk] = held
    return copies


@given(st.sampled_from([NEAR_2, FAR_2, OFFSET_2]), st.integers(2, 13))
def test_each_member_of_two_holds_a_whole_copy(layout: int, chunks: int) -> None:
    size_chunk = 8
    copies = naive_copies(layout, chunks)
    size = chunks * size_chunk + 5
    members = [np.zeros(size, np.uint8), np.zeros(size, np.uint8)]
    volume = np.random.default_rng(chunks).integers(1, 256, len(copies) * size_chunk, dtype=np.uint8)
    for chunk, held in copies.items():
        for member, at in held:
            part = volume[chunk * size_chunk : (chunk + 1) * size_chunk]
            members[member][at * size_chunk : (at + 1) * size_chunk] = part
    assert volume_bytes(size, size_chunk, layout) == volume.size
    for slot, data in enumerate(members):
        copy = copy_on(slot, MemorySource(data.tobytes()), size, size_chunk, layout, "copy")
        assert copy.size_bytes == volume.size
        assert copy.read(Span(0, volume.size)).data == volume.tobytes()
