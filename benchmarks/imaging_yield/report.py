"""The printed tables and the comma-separated file of a comparison."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from imaging_yield.simulate import PARTS, Outcome, run

NEAR = 0.99
"""Refusals are compared at this share of the value that the fixed skip reaches in the end."""
COLUMNS = (
    "wanted_share",
    "total_share",
    "value",
    "bound",
    "law_bound",
    "wanted_bound",
    "refusals",
    "hours",
    "reads",
    "planner_seconds",
    "died_wanted",
    "died_total",
    "died_hours",
)


RIVAL = "skips"


@dataclass(frozen=True, slots=True)
class Run:
    """One order played against one drive; `until_near` is how many refusals it took to gain `NEAR` of what
    `RIVAL` gained on that drive: infinite if it never did, not a number if the rival was not played."""

    policy: str
    model: str
    seed: int
    params: str
    outcome: Outcome
    until_near: float = math.nan


def runs_of_drive(model: str, seed: int, params: str, policies: Sequence[str]) -> list[Run]:
    """Every order played against one drive.

    Raises:
        KeyError: there is no such order, model or set.
    """
    outcomes = {policy: run(policy, model, seed, params) for policy in policies}
    goal = NEAR * outcomes[RIVAL].value if RIVAL in outcomes else math.nan
    return [
        Run(policy, model, seed, params, one, one.refusals_until(goal)) for policy, one in outcomes.items()
    ]


def tables(runs: Sequence[Run], rival: str = RIVAL) -> str:
    """Every model's table, how each order stands to the bound and to the rival, and where value is lost."""
    models = list(dict.fromkeys(run.model for run in runs))
    policies = list(dict.fromkeys(run.policy for run in runs))
    parts = [_of_model([run for run in runs if run.model == model], policies) for model in models]
    parts.append(_against(runs, models, policies, rival))
    parts.append(_losses(runs, models, policies))
    return "\n\n".join(parts)


def _of_model(runs: Sequence[Run], policies: Sequence[str]) -> str:
    seeds = len({run.seed for run in runs})
    lines = [
        f"{runs[0].model}, {seeds} drives, {runs[0].params}: median, 10th to 90th percentile",
        f"{'':12}{'wanted %':>16}{'all %':>17}{'refusals':>16}{'hours':>16}",
    ]
    for policy in policies:
        some = [run.outcome for run in runs if run.policy == policy]
        cells = (
            _spread([100 * one.wanted_share for one in some], 1, 16),
            _spread([100 * one.total_share for one in some], 1, 17),
            _spread([one.refusals for one in some], 0, 16),
            _spread([one.hours for one in some], 2, 16),
        )
        lines.append(f"{policy:12}" + "".join(cells))
    return "\n".join(lines)


def _spread(values: Sequence[float], places: int, width: int) -> str:
    low, middle, high = np.percentile(values, (10, 50, 90))
    return f"{middle:.{places}f} {low:.{places}f}-{high:.{places}f}".rjust(width)


def _mean(values: Iterable[float], places: int = 1) -> str:
    """Mean and its standard error."""
    some = [value for value in values if math.isfinite(value)]
    if not some:
        return "-"
    error = float(np.std(some, ddof=1)) / math.sqrt(len(some)) if len(some) > 1 else math.nan
    return f"{np.mean(some):.{places}f} ({error:.{places}f})"


def _against(runs: Sequence[Run], models: Sequence[str], policies: Sequence[str], rival: str) -> str:
    lines = [
        "Value as a share of the bound; of that for one who knows the law but not which",
        "sectors luck made bad or weak; and wanted sectors as a share of the most one",
        f"could get who cares for nothing else; won against {rival}: mean (standard error).",
        f"Refusals: until {NEAR:.0%} of what {rival} gains, as a share of those it takes;",
        "median, and in how many drives that value was reached.",
        f"{'':14}{'bound %':>13}{'law %':>13}{'wanted %':>13}{'won %':>14}{'ref.':>6}",
    ]
    for model in models:
        lines.append(model)
        rivals = {run.seed: run for run in runs if run.model == model and run.policy == rival}
        for policy in policies:
            mine = [run for run in runs if run.model == model and run.policy == policy]
            pairs = [(run, rivals[run.seed]) for run in mine if run.seed in rivals]
            won = _mean([100 * (one.outcome.value - other.outcome.value) for one, other in pairs], 2)
            ratios = [one.until_near / max(1.0, other.until_near) for one, other in pairs]
            reached = sum(math.isfinite(ratio) for ratio in ratios)
            middle = float(np.median(ratios)) if ratios else math.nan
            some = [run.outcome for run in mine]
            shares = (
                _mean(100 * one.value / one.bound for one in some),
                _mean(100 * one.value / one.law_bound for one in some),
                _mean(100 * one.wanted_share / one.wanted_bound for one in some),
            )
            lines.append(
                f"  {policy:12}"
                + "".join(f"{share:>13}" for share in shares)
                + f"{won:>14}{f'{100 * middle:.0f}%':>6}{f'{reached}/{len(pairs)}':>7}"
            )
    return "\n".join(lines)


def _losses(runs: Sequence[Run], models: Sequence[str], policies: Sequence[str]) -> str:
    heads = "".join(f"{part:>8}" for part in (*PARTS, "order"))
    lines = [
        "What lacks of the bound, in % of the whole value: time and life spent on each",
        "part, waived one after the other; what then lacks is lost by order and by what",
        "was never read. Mean over drives.",
        f"{'':14}{heads}",
    ]
    for model in models:
        lines.append(model)
        for policy in policies:
            some = [run.outcome for run in runs if run.model == model and run.policy == policy]
            lost = np.mean([one.lost for one in some], axis=0)
            lacks = float(np.mean([one.bound - one.value for one in some]))
            cells = "".join(f"{100 * share:8.2f}" for share in (*lost, lacks - float(lost.sum())))
            lines.append(f"  {policy:12}" + cells)
    return "\n".join(lines)


_LOSSES = tuple(f"lost_{part}" for part in PARTS)
_SECONDS = tuple(f"seconds_{part}" for part in (*PARTS, "transfer"))


def write_csv(path: Path, runs: Sequence[Run]) -> None:
    """Adds one row a run, as RFC 4180 asks: a header if the file is new or empty, lines that end in CRLF."""
    with path.open("a", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        if not file.tell():
            heads = ["model", "params", "seed", "policy", "played", "until_near"]
            rows.writerow([*heads, *COLUMNS, *_LOSSES, *_SECONDS])
        for run in runs:
            one = run.outcome
            facts = [getattr(one, column) for column in COLUMNS]
            heads = [run.model, run.params, str(run.seed), run.policy, one.name, str(run.until_near)]
            rows.writerow([*heads, *facts, *one.lost, *one.spent])


def read_csv(path: Path) -> list[Run]:
    """The runs of a file that `write_csv` wrote; none if there is no such file.

    Raises:
        ValueError: a row is not one of its rows.
    """
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return [_run_of(row) for row in csv.DictReader(file)]


def _run_of(row: dict[str, str]) -> Run:
    try:
        outcome = Outcome(
            **{column: float(row[column]) for column in COLUMNS if column != "reads"},  # type: ignore[arg-type]
            reads=int(row["reads"]),
            lost=tuple(float(row[column]) for column in _LOSSES),
            spent=tuple(float(row[column]) for column in _SECONDS),
            gained=np.empty(0),
            name=row["played"],
        )
        seed, until_near = int(row["seed"]), float(row["until_near"])
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"not a row of this benchmark: {error}") from error
    return Run(row["policy"], row["model"], seed, row["params"], outcome, until_near)
