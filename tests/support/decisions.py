"""The mathematics of deciding what to do next, apart from drives and boxes.

Sources: D. Heckerman, J. S. Breese, K. Rommelse, Communications of the ACM 38(3) (1995): with one fault,
independent costs and perfect repairs, the cheapest order is by falling chance over cost (the abstract was
read, the formula is from memory). H. Raiffa, Decision Analysis (1968): what a test is worth is what deciding
after it gains over deciding now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def by_chance_over_cost(chances: Sequence[float], costs: Sequence[float]) -> tuple[int, ...]:
    """The order of repairs of which one will help, by falling chance over cost; what costs nothing first.

    Raises:
        ValueError: not as many costs as chances, or a negative one.
    """
    _require(chances, costs)
    ratios = [chance / cost if cost else np.inf for chance, cost in zip(chances, costs, strict=True)]
    return tuple(sorted(range(len(ratios)), key=lambda one: (-ratios[one], one)))


def expected_cost(chances: Sequence[float], costs: Sequence[float], order: Sequence[int]) -> float:
    """What repairs tried in this order cost on average, each being paid for while none before it helped.

    Args:
        chances: of each repair being the one that helps.

    Raises:
        ValueError: as `by_chance_over_cost`.
    """
    _require(chances, costs)
    total, left = 0.0, 1.0
    for one in order:
        total += left * costs[one]
        left -= chances[one]
    return total


def _require(chances: Sequence[float], costs: Sequence[float]) -> None:
    if len(chances) != len(costs) or any(one < 0 for one in (*chances, *costs)):
        raise ValueError("each repair needs a chance and a cost, neither below 0")


@dataclass(frozen=True, slots=True)
class TestValue:
    """What a test is worth to a decision.

    Args:
        without: the best expected gain of deciding now.
        with_test: the expected gain of deciding by its result, its own cost not counted.
        certain: the same if the state were known.
        results: (results), how likely each is.
        posteriors: (results, states).
    """

    without: float
    with_test: float
    certain: float
    results: Floats
    posteriors: Floats

    @property
    def information(self) -> float:
        """The expected value of the test's information: the most it may cost."""
        return self.with_test - self.without

    @property
    def perfect_information(self) -> float:
        """What knowing the state would be worth."""
        return self.certain - self.without


def value_of_test(prior: Floats, likelihood: Floats, gains: Floats) -> TestValue:
    """What a test is worth.

    Args:
        prior: (states).
        likelihood: (states, results), each row adding up to 1.
        gains: (choices, states), what each choice brings in each state.

    Raises:
        ValueError: shapes that do not fit, or a prior or row that does not add up to 1.
    """
    if likelihood.shape[0] != prior.size or gains.shape[1] != prior.size:
        raise ValueError("prior, likelihood and gains are not of the same states")
    if not np.isclose(prior.sum(), 1.0) or not np.allclose(likelihood.sum(axis=1), 1.0):
        raise ValueError("chances do not add up to 1")
    joint = prior[:, None] * likelihood
    results = joint.sum(axis=0)
    posteriors = np.divide(joint, results, out=np.zeros_like(joint), where=results > 0).T
    best = (posteriors @ gains.T).max(axis=1)
    return TestValue(
        float((gains @ prior).max()),
        float(results @ best),
        float(prior @ gains.max(axis=0)),
        results,
        posteriors,
    )
