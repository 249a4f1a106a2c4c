"""An image file against a model that knows every sector: kept, kept again, refused, doubted, reopened."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.outlets.image_file import ImageFile

SECTOR = 4096
IN_BLOCK = BLOCK_BYTES // SECTOR
SECTORS = 2 * IN_BLOCK + 3
SIZE = SECTORS * SECTOR - 1536
"""The last sector is a part of one, as of an image file of odd length."""
PLACES = sorted(
    {0, 1, 2, 5, IN_BLOCK - 1, IN_BLOCK, IN_BLOCK + 1, 2 * IN_BLOCK, SECTORS - 2, SECTORS - 1, SECTORS}
)
"""Borders of blocks and what lies beside them; elsewhere nothing new can happen."""

ranges = st.tuples(st.sampled_from(PLACES), st.sampled_from(PLACES)).filter(lambda two: two[0] < two[1])
steps = st.lists(
    st.tuples(
        st.sampled_from(["keep", "refuse", "doubt", "run", "commit", "reopen"]), ranges, st.integers(0, 1)
    ),
    max_size=12,
)


def content(version: int) -> bytes:
    """What the drive gives: in version 1, every third sector is another than in version 0."""
    return b"".join(
        bytes([1 + number % 200 + (version if number % 3 == 0 else 0)]) * SECTOR for number in range(SECTORS)
    )[:SIZE]


class Model:
    """Every sector: what was given, in which run, and how often it was refused since it was last doubted."""

    def __init__(self) -> None:
        self.bytes: dict[int, bytes] = {}
        self.run: dict[int, int] = {}
        self.tries: dict[int, int] = {}
        self.unlike: set[tuple[int, int, int]] = set()

    def keep(self, first: int, last: int, version: int, run: int) -> None:
        for number in range(first, last):
            data = content(version)[number * SECTOR : (number + 1) * SECTOR]
            if number not in self.bytes:
                self.bytes[number], self.run[number] = data, run
            elif self.bytes[number] != data:
                self.unlike.add((number, self.run[number], run))

    def doubt(self, spans: SpanSet) -> None:
        for number in range(SECTORS):
            if number * SECTOR in spans:
                self.bytes.pop(number, None)
                self.run.pop(number, None)
                self.tries.pop(number, None)


def span_of(first: int, last: int) -> Span:
    return Span(first * SECTOR, min(last * SECTOR, SIZE))


def agrees(image: ImageFile, model: Model) -> None:
    coverage = image.coverage()
    assert coverage.read == SpanSet(span_of(number, number + 1) for number in model.bytes)
    for number, data in model.bytes.items():
        assert image.take(span_of(number, number + 1)) == data
    for number in range(SECTORS):
        expected = 0 if number in model.bytes else model.tries.get(number, 0)
        assert coverage.tries_at(number * SECTOR) == expected
    runs = {number: run for span, run in image.provenance(Span(0, SIZE)) for number in numbers(span)}
    assert runs == model.run
    claims = list(image.claims())
    assert SpanSet(one.span for one in claims) == coverage.read
    assert sum(one.span.length for one in claims) == coverage.read.total_bytes
    assert all(one.is_held_by(image.take(one.span)) for one in claims)
    found = {
        (number, one.first_run, one.second_run) for one in image.differences() for number in numbers(one.span)
    }
    assert found == model.unlike


def numbers(span: Span) -> range:
    return range(span.start // SECTOR, -(-span.stop // SECTOR))


@settings(max_examples=60, deadline=None)
@given(steps)
def test_an_image_says_what_the_model_says(drawn: list[tuple[str, tuple[int, int], int]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bay-1.img"
        image = ImageFile.create(path, Identity("simulated drive", "drive", SIZE, SECTOR))
        run, model = image.begin_run("adapter", "drive"), Model()
        for what, (first, last), version in drawn:
            span = span_of(first, last)
            if what == "keep":
                image.keep(span, memoryview(content(version))[span.start : span.stop], 0.1)
                model.keep(first, last, version, run)
            elif what == "refuse":
                single = span_of(first, first + 1)
                image.note(Attempt(single, Outcome.REFUSED, memoryview(b""), 1.0, "EIO"))
                model.tries[first] = model.tries.get(first, 0) + 1
            elif what == "doubt":
                widened = image.doubt(SpanSet([span]), "a reason")
                assert (image.coverage().read & SpanSet([span])).total_bytes == 0
                model.doubt(widened)
            elif what == "commit":
                image.commit_soon()
            else:
                if what == "reopen":
                    image.close()
                    image = ImageFile.reopen(path)
                run = image.begin_run(f"adapter {version}", "drive")
        agrees(image, model)
        image.close()
        again = ImageFile.reopen(path, writable=False)
        agrees(again, model)
        again.close()
