"""A look at a log that reads on from the last one says what a look at all of it says, or reads all of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.errors import DamagedCheckpoint
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.jobs.log_memory import LogMemory
from mendbay.outlets import log_seen
from mendbay.outlets.checkpoint import Checkpoint
from mendbay.outlets.image_file import ImageFile

SECTOR, SECTORS = 512, 16
SIZE = SECTOR * SECTORS


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "bay-1.img"
    ImageFile.create(path, Identity("drive", "d", SIZE, SECTOR)).close()
    add(path, "run", 0, 1)
    add(path, "given", 0, 4)
    add(path, "refused", 5, 6)
    return path


@pytest.fixture
def read_from(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """After which row each look read on; 0 where it read all."""
    asked: list[int] = []
    rows = Checkpoint.rows

    def noted(log: Checkpoint, after: int = 0) -> object:
        asked.append(after)
        return rows(log, after)

    monkeypatch.setattr(Checkpoint, "rows", noted)
    return asked


def add(path: Path, what: str, first: int, last: int) -> None:
    image = ImageFile.reopen(path)
    span = Span(first * SECTOR, last * SECTOR)
    image._run = len(image.runs())
    match what:
        case "run":
            image.begin_run(f"adapter {image._run}", "/dev/x")
        case "given":
            image.keep(span, memoryview(bytes([7]) * span.length), 0.5)
        case "refused":
            image.note(Attempt(span, Outcome.REFUSED, memoryview(b""), 0.5, "EIO"))
        case "waived":
            image.waive(SpanSet([span]))
        case "doubted":
            image.doubt(SpanSet([span]), "for a reason")
    image.close()


def said(path: Path, memory: LogMemory | None = None) -> tuple[object, ...]:
    image = ImageFile.reopen(path, writable=False, memory=memory)
    try:
        return image.coverage(), image.refusals(), image.runs(), tuple(image.refused_here().tolist())
    finally:
        image.close()


places = st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 4)).map(lambda two: (two[0], sum(two)))
steps = st.tuples(st.sampled_from(["given", "refused", "refused", "waived", "doubted", "run"]), places)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.lists(steps, max_size=3), max_size=5))
def test_a_look_says_what_a_look_at_all_of_it_says(
    tmp_path_factory: pytest.TempPathFactory, parts: list[list[tuple[str, tuple[int, int]]]]
) -> None:
    path, memory = tmp_path_factory.mktemp("look") / "bay-1.img", LogMemory()
    ImageFile.create(path, Identity("drive", "d", SIZE, SECTOR)).close()
    add(path, "run", 0, 1)
    for part in parts:
        for what, (first, last) in part:
            add(path, what, first, min(last, SECTORS))
        assert said(path, memory) == said(path)


def test_a_look_reads_only_what_is_new(image: Path, read_from: list[int]) -> None:
    memory = LogMemory()
    said(image, memory)
    said(image, memory)
    assert read_from == [0]  # nothing is new: no row is read
    add(image, "given", 8, 9)
    read_from.clear()
    said(image, memory)
    assert read_from == [2]


def change(statement: str) -> Callable[[Path], None]:
    def changed(path: Path) -> None:
        log = sqlite3.connect(path.with_suffix(".coverage"))
        log.execute(statement)
        log.commit()
        log.close()

    return changed


@pytest.mark.parametrize(
    "meanwhile",
    [
        change(f"UPDATE reading SET stop = {3 * SECTOR}, digests = x'' WHERE id = 1"),
        change("UPDATE reading SET error = 'ENODATA' WHERE id = 2"),
        change("DELETE FROM reading WHERE id = 1"),
        change("DELETE FROM reading"),
        change("UPDATE run SET adapter = 'another'"),
        lambda path: add(path, "doubted", 1, 2),
    ],
    ids=["another place", "another word", "a row less", "no rows", "another run", "a doubt"],
)
def test_what_is_not_as_it_was_is_read_anew(
    image: Path, read_from: list[int], meanwhile: Callable[[Path], None]
) -> None:
    memory = LogMemory()
    said(image, memory)
    meanwhile(image)
    read_from.clear()
    found = said(image, memory)
    assert read_from == [0]
    assert found == said(image)


def test_another_file_in_its_place_is_read_anew(image: Path, read_from: list[int]) -> None:
    memory, log = LogMemory(), image.with_suffix(".coverage")
    said(image, memory)
    log.with_suffix(".copy").write_bytes(log.read_bytes())
    log.with_suffix(".copy").replace(log)
    said(image, memory)
    assert read_from == [0, 0]


def test_all_is_read_anew_once_in_a_while(
    image: Path, read_from: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    memory = LogMemory()
    said(image, memory)
    monkeypatch.setattr(log_seen, "ANEW_SECONDS", 0.0)
    said(image, memory)
    assert read_from == [0, 0]


def test_a_new_row_that_cannot_be_true_is_told(image: Path) -> None:
    memory = LogMemory()
    said(image, memory)
    change(
        "INSERT INTO reading (run_id, start, stop, outcome, error, seconds, at)"
        f" VALUES (1, 0, {SIZE + SECTOR}, 'given', '', 0.0, '')"
    )(image)
    with pytest.raises(DamagedCheckpoint, match="speaks of bytes"):
        said(image, memory)


def test_an_image_that_is_written_to_reads_all_of_its_log(image: Path, read_from: list[int]) -> None:
    memory = LogMemory()
    said(image, memory)
    read_from.clear()
    add(image, "given", 8, 9)
    assert read_from[0] == 0
