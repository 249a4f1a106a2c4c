"""However an ext volume is damaged, the reader answers: no exception, no endless walk, no unbounded read."""

from __future__ import annotations

import random
import time
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mendbay.core.source import Lack, Mark
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.tree import Kind
from mendbay.files.verdict import file_outlook, file_readings, judge
from support.ext_images import SMALL_RECIPES, small_image
from support.ext_journals import HandJournal
from support.sources import MemorySource

PATIENCE_SECONDS = 20
READ_AT_MOST = 64 << 20
"""How much of one file is read; a damaged size can claim far more, all of it sparse."""


@cache
def metadata_bytes(recipe: str) -> Int64s:
    """Every byte of the image that describes files."""
    fs = open_ext(MemorySource(small_image(recipe)))
    assert fs is not None
    return np.concatenate([np.arange(span.start, span.stop) for span in fs.metadata()])


def use_everything(source: MemorySource) -> None:
    """Does with a volume all that the rest of the program does, and checks what must hold of any answer."""
    fs = open_ext(source)
    if fs is None:
        return
    whole = Span(0, source.size_bytes)
    assert whole.covers(fs.metadata().hull())
    entries = list(fs.walk(nameless=True))
    assert entries[0].path == b""
    numbers = [entry.path for entry in entries if entry.kind is Kind.FOLDER and not entry.problems]
    assert len(set(numbers)) == len(numbers)
    for entry in entries:
        layout = fs.layout(entry)
        at = 0
        for extent in layout.extents:
            assert at <= extent.file_span.start < extent.file_span.stop <= layout.size_bytes
            at = extent.file_span.stop
        assert layout.size_bytes >= 0
        assert layout.unmapped.hull().stop <= layout.size_bytes
        assert layout.inline is None or len(layout.inline) == layout.size_bytes
        judge(entry, layout, file_outlook(fs.source, layout))
        done = 0
        for reading in file_readings(fs.source, layout):
            done += reading.span.length
            if done > READ_AT_MOST:
                break


@pytest.mark.slow
@pytest.mark.parametrize("recipe", SMALL_RECIPES)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32), flips=st.integers(1, 100))
def test_flipped_metadata_never_stops_the_reader(recipe: str, seed: int, flips: int) -> None:
    noise = random.Random(seed)
    data = bytearray(small_image(recipe))
    places = metadata_bytes(recipe)
    for _ in range(flips):
        data[int(places[noise.randrange(places.size)])] = noise.randrange(256)
    began = time.monotonic()
    use_everything(MemorySource(bytes(data)))
    assert time.monotonic() - began < PATIENCE_SECONDS


@pytest.mark.slow
@pytest.mark.parametrize("recipe", SMALL_RECIPES)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32), holes=st.integers(1, 60))
def test_unreadable_and_older_metadata_never_stop_the_reader(recipe: str, seed: int, holes: int) -> None:
    noise = random.Random(seed)
    places = metadata_bytes(recipe)
    spans = [Span.at(int(places[noise.randrange(places.size)]) // 512 * 512, 512) for _ in range(2 * holes)]
    source = MemorySource(
        small_image(recipe),
        gaps={Lack.REFUSED: SpanSet(spans[:holes])},
        marks={Mark.POSSIBLY_OLDER: SpanSet(spans[holes:])},
    )
    use_everything(source)


@cache
def image_in_use() -> tuple[bytes, int]:
    """An image whose journal waits to be replayed, and the byte at which that journal begins."""
    data = bytearray(small_image("ext4"))
    hand = HandJournal(length=200, features=0x13)
    fs = open_ext(MemorySource(bytes(data)))
    assert fs is not None
    homes = [span.start // 1024 for span in fs.metadata().widen(1024)]
    for number in range(12):
        chosen = homes[number % len(homes) :][:9]
        copies = [(home, bytes(data[home * 1024 : (home + 1) * 1024])) for home in chosen]
        hand.transaction(copies, revoked=tuple(homes[: number % 3]))
    first = hand.on_image(data)
    return bytes(data), first * 1024


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32), flips=st.integers(1, 40), holes=st.integers(0, 4))
def test_a_flipped_or_unreadable_journal_never_stops_the_reader(seed: int, flips: int, holes: int) -> None:
    noise = random.Random(seed)
    image, first = image_in_use()
    data = bytearray(image)
    for _ in range(flips):
        block = first + noise.randrange(150) * 1024
        data[block + noise.randrange(noise.choice((0x60, 1024)))] = noise.randrange(256)
    lost = SpanSet(Span.at(first + noise.randrange(150) * 1024, 1024) for _ in range(holes))
    use_everything(MemorySource(bytes(data), gaps={Lack.REFUSED: lost}))
