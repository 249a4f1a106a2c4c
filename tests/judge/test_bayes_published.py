"""What answers make of a belief, against published worked examples of Bayes' rule.

The worlds are the examples' own: a prior, and for each question the chances of its answers in each world.
What is tried is the arithmetic of `Belief`, which the shop's tables go through too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from mendbay.triage.belief import Asked, Belief
from mendbay.triage.tables import Answer, Seat, Sign

SAID, SILENT = "said", "silent"


def believed(prior: Sequence[float], said: Mapping[str, Sequence[float]], silent: Sequence[str] = ()) -> Any:
    """The chance of each world once every question was answered.

    Args:
        prior: of each world.
        said: for each question, the chance of the answer `said` in each world.
        silent: the questions answered otherwise.
    """
    answers = tuple(Answer(one, one) for one in (SAID, SILENT))
    signs = {name: Sign(name, Seat.BOX, name, answers, ()) for name in said}
    worlds: Any = SimpleNamespace(
        prior=np.array(prior),
        tables=SimpleNamespace(signs=signs),
        subject=SimpleNamespace(bays=("1",), box=True),
        likelihood=lambda sign, _: np.stack([np.array(said[sign.id]), 1 - np.array(said[sign.id])], axis=1),
    )
    return Belief(worlds, {Asked(name): SILENT if name in silent else SAID for name in said}).weights


# T. Mitchell, Machine Learning (1997), chapter 6: play tennis on a sunny, cool, humid, windy day? On 9 of 14
# days it was. Counts from memory; the result .00529 against .02057, so .7954 against playing, is derived.
def test_a_naive_classifier_says_what_the_textbook_says() -> None:
    chances = {
        "sunny": (2 / 9, 3 / 5),
        "cool": (3 / 9, 1 / 5),
        "humid": (3 / 9, 4 / 5),
        "windy": (3 / 9, 3 / 5),
    }
    played, stayed = believed((9 / 14, 5 / 14), chances)
    assert stayed == pytest.approx(0.7954, abs=5e-5)
    assert stayed / played == pytest.approx(0.02057 / 0.00529, rel=1e-3)


# D. M. Eddy (1982), G. Gigerenzer: a rare disease, a test with hits and false alarms (inputs from memory).
@pytest.mark.parametrize(("hit", "false", "found"), [(0.8, 0.096, 0.07764), (0.792, 0.096, 0.07692)])
def test_a_rare_fault_stays_unlikely_after_one_alarm(hit: float, false: float, found: float) -> None:
    assert believed((0.01, 0.99), {"test": (hit, false)})[0] == pytest.approx(found, abs=1e-5)


# Public drive-stats data set, 6 October 2016 (percentages from memory): one of five signs in 76.7 % of failed
# and 4.2 % of working drives; the posteriors are derived from the two likelihood ratios.
@pytest.mark.parametrize(
    ("prior", "with_sign", "without"),
    [(0.017, 0.2400, 0.00419), (0.05, 0.4901, 0.01264), (0.5, 0.9481, 0.1956)],
)
def test_the_published_signs_of_wear_move_a_prior(prior: float, with_sign: float, without: float) -> None:
    chances = {"records": (0.767, 0.042)}
    assert believed((prior, 1 - prior), chances)[0] == pytest.approx(with_sign, abs=5e-5)
    assert believed((prior, 1 - prior), chances, ("records",))[0] == pytest.approx(without, abs=5e-5)
