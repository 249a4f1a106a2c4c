"""The printed comparison and its file."""

from __future__ import annotations

import csv
from pathlib import Path

import imaging_yield.report as report
import pytest
from imaging_yield.models import draw
from imaging_yield.report import Run, read_csv, runs_of_drive, tables, write_csv
from imaging_yield.simulate import Outcome, play

POLICIES = ("skips", "skips-16384", "ours")


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    def small(policy: str, model: str, seed: int, params: str) -> Outcome:
        return play(policy, draw(model, seed, params, 1 << 16))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report, "run", small)
        return [
            run
            for model in ("first-tenth", "weak-head")
            for seed in (1, 2)
            for run in runs_of_drive(model, seed, "reporting", POLICIES)
        ]


def test_tables_fit_80_columns_and_compare_drive_by_drive(runs: list[Run]) -> None:
    printed = tables(runs)
    assert max(map(len, printed.splitlines())) <= 80
    against = printed[printed.index("Value as a share") : printed.index("What lacks")]
    row = against[against.index("\nweak-head\n") :].splitlines()[4]
    pairs = {(run.seed, run.policy): run.outcome for run in runs if run.model == "weak-head"}
    shares = [100 * pairs[seed, "ours"].value / pairs[seed, "ours"].bound for seed in (1, 2)]
    won = [100 * (pairs[seed, "ours"].value - pairs[seed, "skips"].value) for seed in (1, 2)]
    assert row.split()[0] == "ours"
    assert row.split()[1] == f"{sum(shares) / 2:.1f}"
    assert row.split()[7] == f"{sum(won) / 2:.2f}"
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


def test_a_report_from_the_file_is_that_from_the_runs(runs: list[Run], tmp_path: Path) -> None:
    path = tmp_path / "yield.csv"
    assert read_csv(path) == []
    for run in runs:  # as they end
        write_csv(path, [run])
    assert tables(read_csv(path)) == tables(runs)
    path.write_text("model,seed\r\nweak-head,1\r\n")
    with pytest.raises(ValueError, match="not a row"):
        read_csv(path)


def test_nobody_has_more_of_what_is_wanted_than_its_bound(runs: list[Run]) -> None:
    for run in runs:
        assert 0 < run.outcome.wanted_share <= run.outcome.wanted_bound + 1e-9 <= 1 + 1e-9
