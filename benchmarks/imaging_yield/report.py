"""The printed tables and the comma-separated file of a comparison."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from imaging_yield.simulate import PARTS, Outcome

NEAR = 0.99
"""Refusals are compared at this share of the value that the fixed skip reaches in the end."""
COLUMNS = (
    "wanted_share",
    "total_share",
    "value",
    "bound",
    "band_bound",
    "refusals",
    "hours",
    "reads",
    "planner_seconds",
    "died_wanted",
    "died_total",
    "died_hours",
)


@dataclass(frozen=True, slots=True)
class Run:
    """One order played against one drive."""

    policy: str
    model: str
    seed: int
    params: str
    outcome: Outcome


def tables(runs: Sequence[Run], rival: str = "skips") -> str:
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
        "Value as a share of the bound, and of that for one who does not know which",
        f"sectors of a weak head are weak; won against {rival}: mean (standard error).",
        f"Refusals: until {NEAR:.0%} of what {rival} gains, as a share of those it takes;",
        "median, and in how many drives that value was reached.",
        f"{'model':12}{'policy':12}{'of bound %':>12}{'of bands %':>12}{'won %':>14}{'refusals':>10}"
        f"{'reached':>8}",
    ]
    for model in models:
        rivals = {run.seed: run.outcome for run in runs if run.model == model and run.policy == rival}
        for policy in policies:
            some = {run.seed: run.outcome for run in runs if run.model == model and run.policy == policy}
            pairs = [(one, rivals[seed]) for seed, one in some.items() if seed in rivals]
            won = _mean([100 * (one.value - other.value) for one, other in pairs], 2)
            ratios = [_refusal_ratio(one, other) for one, other in pairs]
            reached = sum(math.isfinite(ratio) for ratio in ratios)
            middle = float(np.median(ratios)) if ratios else math.nan
            lines.append(
                f"{model:12}{policy:12}"
                f"{_mean(100 * one.value / one.bound for one in some.values()):>12}"
                f"{_mean(100 * one.value / one.band_bound for one in some.values()):>12}{won:>14}"
                f"{f'{100 * middle:.0f} %':>10}{f'{reached}/{len(pairs)}':>8}"
            )
    return "\n".join(lines)


def _refusal_ratio(one: Outcome, other: Outcome) -> float:
    goal = NEAR * other.value
    return one.refusals_until(goal) / max(1.0, other.refusals_until(goal))


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


def write_csv(path: Path, runs: Sequence[Run]) -> None:
    """One row a run, as RFC 4180 asks: a header, lines that end in CRLF."""
    losses = [f"lost_{part}" for part in PARTS]
    seconds = [f"seconds_{part}" for part in (*PARTS, "transfer")]
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["model", "params", "seed", "policy", "played", *COLUMNS, *losses, *seconds])
        for run in runs:
            one = run.outcome
            facts = [getattr(one, column) for column in COLUMNS]
            rows.writerow(
                [run.model, run.params, run.seed, run.policy, one.name, *facts, *one.lost, *one.spent]
            )
