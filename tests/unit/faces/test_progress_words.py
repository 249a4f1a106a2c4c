"""The line that changes while drives are read."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.core.span import Span
from mendbay.faces.cli.progress_words import drives_line
from mendbay.jobs.events import Phase, ReadingProgress

READING = ReadingProgress(
    bay="1",
    phase=Phase.REST,
    now=Span(209_000_000, 209_000_512),
    read_bytes=120_000_000,
    refused_bytes=29_696,
    aim_bytes=268_435_456,
    bytes_per_second=98_700_000.0,
    seconds_left=1.5,
)
RETRYING = replace(
    READING,
    read_bytes=268_435_456 - 25_600,
    refused_bytes=25_600,
    bytes_per_second=260.0,
    seconds_left=62.0,
    retrying_sectors=50,
    tries_left=75,
)
WIDTH = 79


def plain(text: str) -> str:
    return text.replace("\u2009", " ")


def test_a_drive_that_is_read() -> None:
    said = plain(drives_line([(READING, 0.0)], WIDTH))
    assert said == "bay 1, the rest: 44.7 %, at 209 MB, 98.7 MB/s, 2 s left, 29.7 kB refused"
    whole = replace(READING, phase=Phase.WHOLE)
    assert plain(drives_line([(whole, 0.0)], WIDTH)).startswith("bay 1, reading: 44.7 %, at 209 MB")
    assert "at 209 MB" not in plain(drives_line([(READING, 0.0)], 70)), "the place goes first"


def test_retries_are_called_so_with_what_is_left_of_them() -> None:
    said = plain(drives_line([(RETRYING, 0.0)], WIDTH))
    assert said == "bay 1, the rest: retrying 50 sectors, about 75 tries left, 1 min 02 s"
    assert plain(drives_line([(replace(RETRYING, tries_left=1), 0.0)], WIDTH)).count("about 1 try left") == 1


@pytest.mark.parametrize("width", [30, 40, 50, 60, 79])
@pytest.mark.parametrize("event", [READING, RETRYING], ids=["reading", "retrying"])
def test_a_narrow_terminal_gets_fewer_figures_and_no_half_ones(event: ReadingProgress, width: int) -> None:
    whole = plain(drives_line([(event, 0.0)], 200)).split(", ")
    for told in ([(event, 0.0)], [(event, 0.0), (replace(event, bay="2"), 0.0)]):
        said = drives_line(told, width)
        assert len(said) <= width or ", " not in said.removeprefix("bay 1, ").removeprefix("bays 1+2, ")
    assert set(plain(drives_line([(event, 0.0)], width)).split(", ")) <= set(whole)


def test_two_halves_that_share_a_task_are_told_as_one() -> None:
    """150 MB of 200 MB were read, 100 from one half and 50 from the other."""
    first = replace(
        READING,
        read_bytes=100_000_000,
        refused_bytes=0,
        aim_bytes=150_000_000,
        elsewhere_bytes=50_000_000,
        bytes_per_second=6e6,
        is_shared=True,
    )
    second = replace(
        first,
        bay="2",
        read_bytes=50_000_000,
        aim_bytes=100_000_000,
        elsewhere_bytes=100_000_000,
        bytes_per_second=4e6,
    )
    said = plain(drives_line([(first, 0.0), (second, 0.0)], WIDTH))
    assert said == "bays 1+2, the rest: 75.0 %, 1: 6.00 MB/s, 2: 4.00 MB/s, 5 s left"


def test_drives_that_are_read_each_for_itself_are_added_up() -> None:
    first = replace(READING, read_bytes=50, refused_bytes=0, aim_bytes=100, seconds_left=20.0)
    second = replace(first, bay="2", read_bytes=100, seconds_left=0.0)
    said = plain(drives_line([(first, 0.0), (second, 60.0)], WIDTH))
    assert said == "bays 1+2, the rest: 75.0 %, 1: 98.7 MB/s, 20 s left", "one that ended has no speed"
