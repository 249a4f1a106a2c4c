"""A checkpoint that anybody may have written is opened in order or refused in order, whatever it says."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mendbay.core.errors import DamagedCheckpoint
from mendbay.core.source import Identity
from mendbay.core.span import Span
from mendbay.outlets.checkpoint import checkpoint_path
from mendbay.outlets.image_file import ImageFile

SIZE, SECTOR = 1 << 20, 512
SOUND = {"kind": "drive", "name": "d", "size_bytes": SIZE, "sector_bytes": SECTOR}

anything = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(),
    st.text(max_size=6),
    st.binary(max_size=6),
)
places = st.one_of(st.sampled_from([0, SECTOR, 262144, SIZE - SECTOR, SIZE, SIZE + SECTOR, 7]), anything)
runs = st.one_of(st.sampled_from([0, 1, 2, 3]), anything)
outcomes = st.one_of(st.sampled_from(["given", "refused", "hung", "waived", "again", "doubted"]), anything)
texts = st.one_of(st.just(""), st.just("EIO"), anything)
figures = st.one_of(st.just(0.5), st.none(), anything)
row = st.tuples(runs, places, places, outcomes, texts, figures, texts, texts, figures, texts)
difference = st.tuples(places, places, runs, runs, texts)
run = st.tuples(st.one_of(st.integers(1, 3), st.integers(-2, 0)), texts, texts, texts, texts, texts)
size = st.one_of(st.sampled_from([0, -1, 1, 512, SIZE, 2**63, 10**40, True, 512.0]), st.text(max_size=3))
identity = st.one_of(
    st.just(SOUND),
    st.builds(lambda sector: {**SOUND, "sector_bytes": sector}, size),
    st.builds(lambda physical: {**SOUND, "physical_bytes": physical}, size),
    st.builds(lambda serial: {**SOUND, "serial": serial}, size),
    st.recursive(anything.filter(lambda one: not isinstance(one, bytes)), st.lists, max_leaves=4),
)
SOUND_ROW = (1, 0, SECTOR, "refused", "EIO", 0.5, "", "", None, b"")

LOOSE = """
DROP TABLE reading; DROP TABLE difference; DROP TABLE run;
CREATE TABLE run (id INTEGER PRIMARY KEY, adapter, source, started_at, taken_from, bench);
CREATE TABLE reading (id INTEGER PRIMARY KEY,
    run_id, start, stop, outcome, error, seconds, at, trouble, celsius, digests);
CREATE TABLE difference (id INTEGER PRIMARY KEY, start, stop, first_run, second_run, at);
"""


def made(folder: Path, said: object, runs: object, rows: object, unlike: object) -> Path:
    path = folder / "bay-1.img"
    ImageFile.create(path, Identity("drive", "d", SIZE, SECTOR)).close()
    with closing(sqlite3.connect(checkpoint_path(path))) as log:
        log.executescript("PRAGMA journal_mode = MEMORY; PRAGMA synchronous = OFF;" + LOOSE)
        log.execute("UPDATE meta SET value = ? WHERE key = 'identity'", (json.dumps(said),))
        log.executemany("INSERT OR IGNORE INTO run VALUES (?, ?, ?, ?, ?, ?)", runs)
        log.executemany("INSERT INTO reading VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        log.executemany("INSERT INTO difference VALUES (NULL, ?, ?, ?, ?, ?)", unlike)
        log.commit()
    return path


def look_at(path: Path) -> bool:
    """Everything that is ever asked of an image; whether it was taken for sound."""
    try:
        image = ImageFile.reopen(path, writable=False)
    except DamagedCheckpoint:
        return False
    try:
        known = {one.number for one in image.runs()}
        assert image.coverage().size_bytes == SIZE
        assert image.coverage_here().size_bytes == SIZE
        assert {one.run for one in image.refusals()} <= known
        assert set(image.given_by_run()) <= known
        assert {number for _, number in image.provenance(Span(0, SIZE))} <= known
        assert {number for one in image.differences() for number in (one.first_run, one.second_run)} <= known
        try:
            assert all(one.is_held_by(image.take(one.span)) in (True, False, None) for one in image.claims())
            image.digest()
        except DamagedCheckpoint:
            return False
        return True
    finally:
        image.close()


@given(
    identity,
    st.lists(run, max_size=3),
    st.lists(row, max_size=4),
    st.lists(difference, max_size=2),
)
@example({**SOUND, "sector_bytes": 0}, [(1, "", "", "", "", "")], [SOUND_ROW], [])
@example(SOUND, [], [SOUND_ROW], [])
@example(SOUND, [(0, "", "", "", "", "")], [(0, 0, 512, "given", "", 0.5, "", "", None, b"")], [])
@example(SOUND, [(1, "", "", "", "", "")], [SOUND_ROW], [(0, 512, 1, 2, "")])
@settings(max_examples=100, deadline=None)
def test_whatever_a_checkpoint_says_it_is_opened_or_refused(
    said: object, runs: object, rows: object, unlike: object
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        look_at(made(Path(folder), said, runs, rows, unlike))


@pytest.mark.parametrize(
    ("said", "rows", "unlike", "sound"),
    [
        (SOUND, [SOUND_ROW], [(0, 512, 1, 1, "")], True),
        ({**SOUND, "sector_bytes": 0}, [SOUND_ROW], [], False),
        ({**SOUND, "sector_bytes": 512.0}, [SOUND_ROW], [], False),
        (SOUND, [(2, *SOUND_ROW[1:])], [], False),
        (SOUND, [SOUND_ROW], [(0, 512, 1, 2, "")], False),
        (SOUND, [(*SOUND_ROW[:5], None, *SOUND_ROW[6:])], [], False),
    ],
)
def test_what_cannot_be_true_is_refused_and_nothing_else(
    tmp_path: Path, said: object, rows: object, unlike: object, sound: bool
) -> None:
    assert look_at(made(tmp_path, said, [(1, "", "", "", "", "")], rows, unlike)) is sound


def test_a_text_that_is_none_is_refused(tmp_path: Path) -> None:
    path = made(tmp_path, SOUND, [(1, "", "", "", "", "")], [SOUND_ROW], [])
    with closing(sqlite3.connect(checkpoint_path(path))) as log:
        log.execute("UPDATE reading SET error = CAST(x'ff' AS TEXT)")
        log.commit()
    assert not look_at(path)
