"""Any bytes a drive or an adapter may answer with: decoded, or refused by the one documented error."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.imaging.ata_page import NotAPage
from mendbay.imaging.capacity_check import GRAVE, check_size
from mendbay.imaging.identify import parse_identify
from mendbay.imaging.sct import parse_sct_status, parse_temperature_statistics
from mendbay.imaging.sense import parse_sense, trouble_of
from mendbay.imaging.smart import parse_health, records_of
from mendbay.imaging.smart_logs import parse_error_log, parse_self_test_log
from mendbay.imaging.temperature import (
    ASK_LATEST_SECONDS,
    ASK_SOONEST_SECONDS,
    Heat,
    Warmth,
    ask_again_after,
    heat_of,
    limits_for,
)
from support.ata_pages import identity_page

PAGES = st.one_of(st.binary(max_size=520), st.binary(min_size=512, max_size=512))
READERS: list[Callable[[bytes], object]] = [
    parse_error_log,
    parse_self_test_log,
    parse_sct_status,
    parse_temperature_statistics,
]


@pytest.mark.parametrize("read", READERS)
@given(raw=PAGES)
def test_logs_of_any_bytes(read: Callable[[bytes], object], raw: bytes) -> None:
    try:
        read(raw)
    except NotAPage:
        return


@given(
    raw=PAGES,
    start=st.sampled_from([b"", b"\x40\x00", b"\x5a\x04"]),
    label=st.none() | st.integers(1, 30_000),
)
def test_identities_and_sizes_of_any_bytes(raw: bytes, start: bytes, label: int | None) -> None:
    try:
        found = parse_identify((start + raw)[: len(raw)])
    except NotAPage:
        return
    assert all(text.isprintable() and text.isascii() for text in (found.serial, found.model, found.firmware))
    assert found.sectors >= 0
    assert found.physical_bytes >= found.sector_bytes >= 0
    checked = check_size(found, label_gb=label)
    assert checked.said
    assert all(one.sentence for one in checked.said)


@given(data=PAGES, thresholds=st.none() | PAGES, verdict=st.none() | st.booleans())
def test_counters_of_any_bytes(data: bytes, thresholds: bytes | None, verdict: bool | None) -> None:
    try:
        found = parse_health(data, thresholds)
    except NotAPage:
        return
    assert len({one.id for one in found.attributes}) == len(found.attributes) <= 30
    records_of(found, verdict)
    assert found.hours is None or found.hours >= 0
    assert found.celsius is None or -40 <= found.celsius <= 100
    for one in found.attributes:
        assert not (one.is_failing and one.has_failed)
        assert 0 <= one.count <= one.raw_number


@given(
    raw=st.one_of(
        st.binary(max_size=300),
        st.builds(
            lambda first, rest: bytes([first]) + rest,
            st.sampled_from(range(0x70, 0x74)),
            st.binary(max_size=64),
        ),
    ),
    passed=st.booleans(),
)
def test_sense_of_any_bytes(raw: bytes, passed: bool) -> None:
    sense = parse_sense(raw, passed_through=passed)
    if sense is not None:
        trouble_of(sense)
        assert sense.registers is None or 0 <= sense.registers.lba < 1 << 48


@given(sectors=st.integers(0, (1 << 48) - 1))
def test_every_count_of_48_bits_is_read_back(sectors: int) -> None:
    assert parse_identify(identity_page(sectors=sectors)).sectors == sectors


@given(
    sectors=st.integers(0, (1 << 48) - 1),
    words=st.integers(0, 0xFFFFFFFF),
    share=st.integers(0, 15),
    native=st.none() | st.integers(0, 1 << 48),
    seen=st.tuples(st.integers(0, 1 << 62), st.sampled_from([0, 512, 520, 4096])),
    label=st.none() | st.integers(1, 100_000),
)
def test_every_size_is_judged_and_the_gravest_stands_first(
    sectors: int, words: int, share: int, native: int | None, seen: tuple[int, int], label: int | None
) -> None:
    page = identity_page(sectors=sectors, words={106: 0x7000 | share, 117: words & 0xFFFF, 118: words >> 16})
    checked = check_size(parse_identify(page), *seen, native, label)
    grave = [one.verdict in GRAVE for one in checked.said]
    assert grave == sorted(grave, reverse=True)
    assert checked.is_right == (not any(grave))


@given(
    highest=st.none() | st.integers(-128, 127),
    celsius=st.lists(st.none() | st.integers(-40, 120), min_size=1, max_size=8),
    step=st.floats(0.0, 1000.0),
)
def test_a_drive_is_asked_sparingly_and_heat_only_rises_with_degrees(
    highest: int | None, celsius: list[int | None], step: float
) -> None:
    limits = limits_for(highest)
    assert limits.resume < limits.pause < limits.stop
    readings = [Warmth(at * step, one) for at, one in enumerate(celsius)]
    again = ask_again_after(readings, limits)
    assert again is None or ASK_SOONEST_SECONDS <= again <= ASK_LATEST_SECONDS
    order = [Heat.FINE, Heat.WARM, Heat.HOT, Heat.TOO_HOT]
    ranks = [order.index(heat_of(one, limits)) for one in range(-40, 121)]
    assert ranks == sorted(ranks)
