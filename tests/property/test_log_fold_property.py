"""What a log amounts to against its plain meaning, row by row; and that its cost grows with the rows."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mendbay.core import span as spans
from mendbay.core.source import Identity
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.outlets.checkpoint import Checkpoint, Row
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.log_fold import fold

PLACES = 24

places = st.tuples(st.integers(0, PLACES), st.integers(0, PLACES)).filter(lambda two: two[0] < two[1])
outcomes = st.sampled_from(["given", "given", "doubted", "doubted", "refused", "hung", "waived", "again"])
logs = st.lists(st.tuples(outcomes, places), max_size=30)


def rows_of(log: Iterable[tuple[str, tuple[int, int]]]) -> list[Row]:
    return [Row(1, *place, outcome, str(at), 0.0, "") for at, (outcome, place) in enumerate(log)]


def row_by_row(rows: Iterable[Row]) -> tuple[set[int], set[int], list[Row]]:
    """The places given and waived, and the refusals that stand, after one row after the other."""
    read: set[int] = set()
    waived: set[int] = set()
    refused: list[Row] = []
    for row in rows:
        here = set(range(row.start, row.stop))
        match row.outcome:
            case "given":
                read |= here
            case "waived":
                waived |= here
            case "doubted":
                read -= here
                refused = [one for one in refused if not here >= set(range(one.start, one.stop))]
            case "refused" | "hung":
                refused.append(row)
    return read, waived, refused


def held(found: SpanSet) -> set[int]:
    return {at for one in found for at in range(one.start, one.stop)}


@settings(max_examples=400)
@given(logs)
@example([("refused", (2, 6)), ("doubted", (2, 4)), ("doubted", (4, 6))])
@example([("refused", (2, 6)), ("doubted", (0, 9)), ("refused", (2, 6)), ("given", (3, 4))])
@example([("given", (0, 9)), ("doubted", (2, 4)), ("given", (3, 12)), ("doubted", (11, 20))])
def test_a_log_amounts_to_what_its_rows_say_one_after_the_other(
    log: list[tuple[str, tuple[int, int]]],
) -> None:
    rows = rows_of(log)
    amounts = fold(rows)
    read, waived, refused = row_by_row(rows)
    assert held(amounts.given) == read
    assert held(amounts.waived) == waived
    assert amounts.refused == refused


SECTOR = 512


def work_of_opening(path: Path, doubts: int, monkeypatch: pytest.MonkeyPatch) -> int:
    """Spans that are sorted anew, and comparisons of a span with a set, while an image is opened whose log
    has so many refusals, given reads and doubts, by turns."""
    size = 4 * SECTOR * doubts
    ImageFile.create(path, Identity("drive", "d", size, SECTOR)).close()
    log = Checkpoint.open(path, writable=True)
    log.begin_run("", "", "", "", "")
    rows: list[Row] = []
    for at in range(0, size, 4 * SECTOR):
        rows.append(Row(1, at + SECTOR, at + 2 * SECTOR, "refused", "EIO", 0.5, ""))
        rows.append(Row(1, at, at + SECTOR, "given", "", 0.5, ""))
        rows.append(Row(1, at, at + SECTOR, "doubted", "", 0.0, ""))
    log.append(rows)
    log.close()
    work = 0
    normal, covers = spans._normal, SpanSet.covers

    def sorted_anew(starts: Int64s, stops: Int64s) -> tuple[Int64s, Int64s]:
        nonlocal work
        work += starts.size
        return normal(starts, stops)

    def compared(one: SpanSet, other: Span) -> bool:
        nonlocal work
        work += 1
        return covers(one, other)

    with monkeypatch.context() as patch:
        patch.setattr(spans, "_normal", sorted_anew)
        patch.setattr(SpanSet, "covers", compared)
        image = ImageFile.reopen(path, writable=False)
    assert not image.coverage().read
    assert len(image.refusals()) == doubts
    image.close()
    return work


def test_opening_an_image_costs_as_its_rows_are_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    few = work_of_opening(tmp_path / "few.img", 50, monkeypatch)
    many = work_of_opening(tmp_path / "many.img", 500, monkeypatch)
    assert 500 < many < 12 * few
