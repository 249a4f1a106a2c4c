import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.outlets.scenario.geometry import Geometry, Level

K = 1024


def test_a_mirror_member_holds_the_whole_volume_three_mebibytes_in():
    geometry = Geometry(Level.MIRROR, 1024 * K)
    spans = SpanSet([Span(5, 9)])
    assert (
        geometry.on_drive(0, spans)
        == geometry.on_drive(1, spans)
        == SpanSet([Span(3072 * K + 5, 3072 * K + 9)])
    )
    assert geometry.drive_bytes == (3072 + 1024 + 1024) * K


def test_stripe_chunks_alternate():
    """Chunk c lies on member c % 2 in row c // 2 (Linux kernel, drivers/md/raid0.c)."""
    geometry = Geometry(Level.STRIPE, 1024 * K)
    third_chunk = SpanSet([Span(2 * 64 * K, 3 * 64 * K)])
    assert geometry.on_drive(0, third_chunk) == SpanSet([Span((3072 + 64) * K, (3072 + 128) * K)])
    assert not geometry.on_drive(1, third_chunk)
    across = SpanSet([Span(64 * K - 1, 64 * K + 1)])
    assert geometry.on_drive(0, across) == SpanSet([Span((3072 + 64) * K - 1, (3072 + 64) * K)])
    assert geometry.on_drive(1, across) == SpanSet([Span(3072 * K, 3072 * K + 1)])


@pytest.mark.parametrize("level", list(Level))
def test_there_and_back(level):
    geometry = Geometry(level, 1024 * K)
    spans = SpanSet([Span(0, 7), Span(100 * K, 700 * K), Span(1024 * K - 3, 1024 * K)])
    parts = [geometry.on_volume(bay, geometry.on_drive(bay, spans)) for bay in (0, 1)]
    assert parts[0] | parts[1] == spans
    if level is Level.STRIPE:
        assert not parts[0] & parts[1]


def test_what_lies_outside_the_data_area_is_no_part_of_the_volume():
    geometry = Geometry(Level.STRIPE, 1024 * K)
    assert not geometry.on_volume(0, SpanSet([Span(0, 3072 * K), Span(3584 * K, geometry.drive_bytes)]))


def test_a_volume_that_is_no_whole_row_is_refused():
    with pytest.raises(ValueError, match="whole number of rows"):
        Geometry(Level.STRIPE, 1000 * K)
