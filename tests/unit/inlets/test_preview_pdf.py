"""Pages of a PDF as pictures, drawn in the child that makes previews."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import typst

from mendbay.inlets.preview import PreviewPool
from mendbay.jobs import preview_port
from mendbay.jobs.preview_port import LARGE_SIDE, MadePicture, NoPreview


@pytest.fixture(scope="module")
def pool() -> Iterator[PreviewPool]:
    with PreviewPool(children=1) as found:
        yield found


def pdf(text: str) -> bytes:
    return bytes(typst.compile(text.encode(), format="pdf", timestamp=0))


def test_pages_are_drawn_and_the_last_one_is_known(pool: PreviewPool) -> None:
    data = pdf('#set page(paper: "a4")\none #pagebreak() two #pagebreak() three')
    for number in (1, 2, 3):
        shown = pool.page(data, number)
        assert isinstance(shown, MadePicture)
        assert max(shown.width, shown.height) <= LARGE_SIDE
        assert shown.height > shown.width
        assert shown.pictures == (number + 1 if number < 3 else 3)
    for number in (4, 5, 2**32 - 1):
        none = pool.page(data, number)
        assert isinstance(none, NoPreview)
        assert none.beyond
        assert f"no page {number}" in none.what


@pytest.mark.parametrize("size", ["width: 200000pt, height: 200000pt", "width: 1pt, height: 9000pt"])
def test_a_page_of_any_size_fits_the_sheet(pool: PreviewPool, size: str) -> None:
    shown = pool.page(pdf(f"#set page({size}, margin: 0pt)\n#rect(width: 100%, height: 100%, fill: red)"), 1)
    assert isinstance(shown, MadePicture)
    assert max(shown.width, shown.height) <= LARGE_SIDE


def test_what_is_no_pdf_or_damaged_has_no_pages(pool: PreviewPool) -> None:
    whole = pdf("x")
    for data in (b"", b"%PDF-1.7\n", b"\xff" * 5000, whole[: len(whole) // 3]):
        for number in (1, 2):
            none = pool.page(data, number)
            assert isinstance(none, NoPreview)
            assert not none.beyond
    assert isinstance(pool.page(whole, 1), MadePicture)


def test_a_pdf_that_is_too_large_is_not_drawn(pool: PreviewPool) -> None:
    found = pool.page(bytes(preview_port.PDF_BYTES + 1), 1)
    assert isinstance(found, NoPreview)
    assert "Keep it as a file" in found.next_step


def test_of_a_page_that_takes_too_long_no_verdict_is_spoken_of() -> None:
    with PreviewPool(children=1, seconds_per_picture=0.001) as hasty:
        found = hasty.page(pdf("late"), 1)
    assert isinstance(found, NoPreview)
    assert "within" in found.what
    assert "verdict" not in found.next_step
    assert "Keep it as a file" in found.next_step


def test_who_no_longer_waits_is_not_kept_waiting(pool: PreviewPool) -> None:
    found = pool.page(pdf("never asked for before"), 1, stop=lambda: True)
    assert isinstance(found, NoPreview)
    assert found.again
