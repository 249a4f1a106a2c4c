"""The printed comparison and its file."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from imaging_yield.models import draw
from imaging_yield.report import Run, tables, write_csv
from imaging_yield.simulate import play


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    return [
        Run(policy, model, seed, "reporting", play(policy, draw(model, seed, "reporting", 1 << 16)))
        for model in ("first-tenth", "weak-head")
        for seed in (1, 2)
        for policy in ("skips", "skips-16384", "ours")
    ]


def test_tables_fit_80_columns_and_compare_drive_by_drive(runs: list[Run]) -> None:
    printed = tables(runs)
    assert max(map(len, printed.splitlines())) <= 80
    row = next(line for line in printed.splitlines() if line.startswith("weak-head   ours"))
    pairs = {(run.seed, run.policy): run.outcome for run in runs if run.model == "weak-head"}
    shares = [100 * pairs[seed, "ours"].value / pairs[seed, "ours"].bound for seed in (1, 2)]
    won = [100 * (pairs[seed, "ours"].value - pairs[seed, "skips"].value) for seed in (1, 2)]
    assert row.split()[2] == f"{sum(shares) / 2:.1f}"
    assert row.split()[6] == f"{sum(won) / 2:.2f}"
    assert "nan" not in printed


def test_losses_and_what_is_left_add_up_to_what_lacks_of_the_bound(runs: list[Run]) -> None:
    row = tables(runs).splitlines()[-1].split()
    ours = [run.outcome for run in runs if run.model == "weak-head" and run.policy == "ours"]
    lacks = sum(one.bound - one.value for one in ours) / 2
    assert row[0] == "ours"
    assert sum(map(float, row[1:])) == pytest.approx(100 * lacks, abs=0.05)


def test_the_file_has_one_row_a_run(runs: list[Run], tmp_path: Path) -> None:
    write_csv(tmp_path / "yield.csv", runs)
    text = (tmp_path / "yield.csv").read_bytes()
    assert text.count(b"\r\n") == len(runs) + 1
    rows = list(csv.DictReader(text.decode().splitlines()))
    assert [float(row["value"]) for row in rows] == [run.outcome.value for run in runs]
