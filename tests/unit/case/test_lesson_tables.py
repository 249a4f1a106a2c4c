"""What outcomes and swaps teach: counted as they are, and not read for more than they say."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.lessons import (
    ALL_DRIVES,
    DAYS,
    GIVEN,
    Axis,
    Ended,
    Measured,
    Swapped,
    Table,
    spreads_of,
    table_of_cases,
    table_of_swaps,
    went_well,
)
from mendbay.case.outcome import DataBack, End

ENDINGS = st.tuples(st.sampled_from(list(map(str, End))), st.sampled_from(list(map(str, DataBack))))


def counts(table: Table) -> dict[tuple[str, str], tuple[int, int]]:
    return {(row.group, row.what): (row.proportion.good, row.proportion.counted) for row in table.rows}


def cases(kind: str, good: int, bad: int) -> list[Ended]:
    return [
        Ended(0, kind, "handed back", "all" if at < good else "none", frozenset()) for at in range(good + bad)
    ]


@pytest.mark.parametrize(
    ("end", "data", "well"),
    [
        ("handed back", "all", True),
        ("handed back", "most", True),
        ("handed back", "part", False),
        ("sent on", "all", True),
        ("sent on", "none", False),
        ("given back", "none", False),
        ("repaired", "not asked for", True),
        ("given back", "not asked for", False),
        ("declined", "none", None),
        ("enquiry answered", "not asked for", None),
    ],
)
def test_what_going_well_means(end: str, data: str, well: bool | None) -> None:
    assert went_well(end, data) is well


def test_rows_count_each_case_once_in_each_level_it_has() -> None:
    both = Ended(
        *(1, "two-bay box", "handed back", "all", frozenset({"the heads", "the fan"}), False),
        *(frozenset({"TB-4471"}), frozenset({"ALdd", "Tarn"})),
        frozenset({("Sound?", "clicks"), ("Sound?", "silent")}),
    )
    other = Ended(2, "", "handed back", "none", frozenset(), True, frozenset(), frozenset({"ALdd"}))
    declined = Ended(3, "drive", "declined", "none", frozenset({"the heads"}), True)
    every = [both, other, declined]
    families = table_of_cases(Axis.FAMILY, every)
    assert counts(families) == {
        ("Board", "TB-4471"): (1, 1),
        ("Board", "not known"): (0, 1),
        ("Family", "ALdd"): (1, 2),
        ("Family", "Tarn"): (1, 1),
    }
    assert (families.counted, families.left_out) == (2, 1)
    assert "several rows" in families.remarks[-1]
    faults = table_of_cases(Axis.FAULT, every)
    assert counts(faults) == {("", "the fan"): (1, 1), ("", "the heads"): (1, 1), ("", "not found"): (0, 1)}
    assert "not sure in 1 case" in " ".join(faults.remarks)
    assert counts(table_of_cases(Axis.SYMPTOM, every)) == {
        ("Sound?", "clicks"): (1, 1),
        ("Sound?", "silent"): (1, 1),
    }
    assert counts(table_of_cases(Axis.KIND, every)) == {("", "two-bay box"): (1, 1), ("", "not said"): (0, 1)}


def test_few_cases_are_kept_apart_and_never_compared() -> None:
    table = table_of_cases(Axis.KIND, [*cases("drive", 4, 0), *cases("board swap", 0, 4)])
    assert [row.enough for row in table.rows] == [False, False]
    assert table.remarks == ()


def test_what_overlaps_is_said_not_to_be_told_apart() -> None:
    table = table_of_cases(Axis.KIND, [*cases("drive", 4, 1), *cases("board swap", 3, 3)])
    assert all(row.enough for row in table.rows)
    assert table.remarks == ("The two rows with 5 or more cannot be told apart: their intervals overlap.",)
    table = table_of_cases(
        Axis.KIND, [*cases("drive", 4, 1), *cases("board swap", 3, 3), *cases("board repair", 0, 40)]
    )
    said = " ".join(table.remarks)
    assert "Drive did better than board repair: their intervals do not overlap." in said
    assert "The other pairs cannot be told apart" in said
    assert "3 pairs were compared" in said


def swap(worked: bool, **levels: str) -> Swapped:
    return Swapped("board swap", tuple(levels.items()), worked)


def test_swaps_by_the_level_of_each_attribute() -> None:
    table = table_of_swaps(
        [
            swap(True, revision="same", site="unknown", firmware="unknown"),
            swap(False, revision="same", site="unknown", firmware="same"),
            swap(False, revision="different", site="unknown", firmware="unknown"),
        ]
    )
    assert counts(table) == {
        ("board swap: revision", "same"): (1, 2),
        ("board swap: revision", "different"): (0, 1),
        ("board swap: firmware", "unknown"): (1, 2),
        ("board swap: firmware", "same"): (0, 1),
    }
    assert "left out: board swap: site." in " ".join(table.remarks)
    assert table_of_swaps([]).rows == table_of_swaps([]).remarks == ()


@given(st.lists(ENDINGS, max_size=40))
def test_no_case_is_lost(endings: Sequence[tuple[str, str]]) -> None:
    every = [Ended(at, "drive", *one, frozenset()) for at, one in enumerate(endings)]
    table = table_of_cases(Axis.KIND, every)
    assert table.counted + table.left_out == len(every)
    assert sum(row.proportion.counted for row in table.rows) == table.counted
    ended = table_of_cases(Axis.ENDING, every)
    for group in ("End", "Data"):
        rows = [row.proportion for row in ended.rows if row.group == group]
        assert sum(one.good for one in rows) == len(every)
        assert {one.counted for one in rows} <= {len(every)}


def test_spreads_over_all_drives_and_each_family() -> None:
    measured = [
        Measured(DAYS, frozenset({"ALdd"}), 3.0),
        Measured(DAYS, frozenset({"ALdd", "Tarn"}), 10.0),
        Measured(DAYS, frozenset(), 4.0),
        Measured(GIVEN, frozenset({"Tarn"}), 99.5),
    ]
    found = {(one.measure, one.family): one for one in spreads_of(measured)}
    every = found[DAYS, ALL_DRIVES]
    assert (every.counted, every.median, every.least, every.most) == (3, 4.0, 3.0, 10.0)
    assert (found[DAYS, "ALdd"].counted, found[DAYS, "ALdd"].median) == (2, 6.5)
    assert next(iter(found)) == (DAYS, ALL_DRIVES)
    assert found[GIVEN, "Tarn"].unit == "%"
