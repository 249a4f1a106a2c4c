"""The image of a drive as a source, with what its record has against its bytes, alone and under a mirror and
a stripe: marks travel as far as the bytes do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.core.source import Identity, Mark, PartOf, Source
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.imaging.image_source import ImageSource
from mendbay.outlets.image_file import ImageFile
from mendbay.pair.mirror import Half, Mirror
from mendbay.pair.stripe import Stripe, raid0_zones
from support.scripted_drive import numbered
from support.source_contract import check_source

SIZE = 3 * BLOCK_BYTES
DATA = numbered(SIZE // 512)
REFUSED, UNREAD = Span(51_200, 51_712), Span(SIZE - 8192, SIZE)
TWICE = Span(100_352, 101_376)
ROTTEN = Span(BLOCK_BYTES, 2 * BLOCK_BYTES)


@pytest.fixture
def image(tmp_path: Path) -> Iterator[ImageFile]:
    """One refused sector, an end that is unread, two sectors with two answers, and a piece that decayed after
    all was read."""
    path = tmp_path / "bay-1.img"
    made = ImageFile.create(path, Identity("drive", "d", SIZE, 512, serial="K-0113"))
    made.begin_run("Dock", "d")
    for span in (Span(0, REFUSED.start), Span(REFUSED.stop, UNREAD.start)):
        made.keep(span, memoryview(DATA)[span.start : span.stop], 0.1)
    for _ in range(3):
        made.note(Attempt(REFUSED, Outcome.REFUSED, memoryview(b""), 0.1, "EIO"))
    made.begin_run("Cradle", "d")
    made.keep(TWICE, memoryview(bytes(TWICE.length)), 0.1)
    made.close()
    with path.open("r+b") as file:
        file.seek(ROTTEN.start + 7)
        file.write(b"rot")
    found = ImageFile.reopen(path, writable=False)
    yield found
    found.close()


@pytest.mark.parametrize("check", [False, True])
def test_an_image_keeps_the_contract_and_marks_what_its_record_says(image: ImageFile, check: bool) -> None:
    source = ImageSource(image, "1", check=check)
    check_source(source)
    reading = source.read(Span(0, SIZE))
    assert reading.marked(Mark.TWO_ANSWERS) == SpanSet([TWICE])
    assert reading.marked(Mark.NOT_AS_READ) == (SpanSet([ROTTEN]) if check else SpanSet())
    assert source.unsound == (SpanSet([ROTTEN]) if check else SpanSet())


def test_reading_a_byte_of_a_decayed_piece_is_enough_to_know(image: ImageFile) -> None:
    source = ImageSource(image, "1", check=True)
    assert not source.outlook(ROTTEN).marks
    last = Span(ROTTEN.stop - 1, ROTTEN.stop)
    assert source.read(last).marked(Mark.NOT_AS_READ) == SpanSet([last])
    assert source.read(Span(ROTTEN.stop, ROTTEN.stop + 1)).marks == ()


def _alone(one: ImageSource) -> Source:
    return PartOf(one, Span(1024, SIZE), "a part")


def _mirror(one: ImageSource) -> Source:
    return Mirror([Half(one), Half(one)], SIZE, "a mirror")


def _stripe(one: ImageSource) -> Source:
    half = SIZE // 2 // 65_536 * 65_536
    members = [PartOf(one, Span(at, at + half), f"member {at}") for at in (0, half)]
    return Stripe(members, raid0_zones([half, half], 65_536), "a stripe")


@pytest.mark.parametrize("stack", [_alone, _mirror, _stripe])
def test_marks_travel_through_what_stands_on_an_image(image: ImageFile, stack: object) -> None:
    under = ImageSource(image, "1", check=True)
    source: Source = stack(under)  # type: ignore[operator]
    source.read(Span(0, source.size_bytes))  # every piece is looked at
    check_source(source)
    reading = source.read(Span(0, source.size_bytes))
    for mark, spans in ((Mark.TWO_ANSWERS, SpanSet([TWICE])), (Mark.NOT_AS_READ, SpanSet([ROTTEN]))):
        found = reading.marked(mark)
        assert found
        for span in found:
            for origin in source.trace(span):
                assert spans.covers(origin.at), f"{mark} at {origin.at} of the drive"
        reach = SpanSet(origin.at for origin in source.trace(Span(0, source.size_bytes)))
        assert found.total_bytes == (spans & reach).total_bytes
