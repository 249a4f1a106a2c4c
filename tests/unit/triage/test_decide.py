"""The decision mathematics against published problems."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from support.decisions import by_chance_over_cost, expected_cost, value_of_test

# D. Heckerman, J. S. Breese, K. Rommelse, CACM 38(3) (1995): the order by p/C is the cheapest. The figures of
# this example are derived from its formula, not printed there.
CHANCES, COSTS = (0.5, 0.3, 0.2), (10.0, 2.0, 5.0)


def test_the_order_by_chance_over_cost_is_the_cheapest_of_all() -> None:
    order = by_chance_over_cost(CHANCES, COSTS)
    assert order == (1, 0, 2)
    every = sorted(round(expected_cost(CHANCES, COSTS, one), 10) for one in permutations(range(3)))
    assert every == [10.0, 10.5, 11.6, 12.0, 13.1, 13.6]
    assert expected_cost(CHANCES, COSTS, order) == pytest.approx(every[0])


def test_what_costs_nothing_comes_first_and_a_negative_cost_is_refused() -> None:
    assert by_chance_over_cost((0.9, 0.1), (1.0, 0.0)) == (1, 0)
    with pytest.raises(ValueError, match="below 0"):
        by_chance_over_cost((0.9,), (-1.0,))
    with pytest.raises(ValueError, match="each repair"):
        expected_cost((0.9,), (), (0,))


# H. Raiffa, Decision Analysis (1968), the oil wildcatter, as in a published model of it (dry, wet, soaking;
# pay 0, 120, 270; drilling 70; test 10; test results none, open, closed). The results are derived.
PRIOR = np.array([0.5, 0.3, 0.2])
TEST = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.3], [0.1, 0.4, 0.5]])
GAINS = np.array([[-70.0, 50.0, 200.0], [0.0, 0.0, 0.0]])


def test_the_oil_wildcatter_is_reproduced() -> None:
    found = value_of_test(PRIOR, TEST, GAINS)
    assert found.without == pytest.approx(20.0)
    assert found.with_test == pytest.approx(32.5)
    assert found.with_test - 10 == pytest.approx(22.5)
    assert found.information == pytest.approx(12.5)
    assert found.perfect_information == pytest.approx(35.0)
    assert found.results == pytest.approx([0.41, 0.35, 0.24])
    rounded = [[0.732, 0.220, 0.049], [0.429, 0.343, 0.229], [0.208, 0.375, 0.417]]
    assert found.posteriors == pytest.approx(np.array(rounded), abs=5e-4)
    assert found.posteriors @ GAINS[0] == pytest.approx([-30.49, 32.86, 87.5], abs=5e-3)


def test_a_test_that_tells_nothing_is_worth_nothing() -> None:
    found = value_of_test(PRIOR, np.full((3, 2), 0.5), GAINS)
    assert found.information == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("prior", "test", "gains"),
    [
        (PRIOR[:2], TEST, GAINS),
        (PRIOR, TEST, GAINS[:, :2]),
        (PRIOR * 2, TEST, GAINS),
        (PRIOR, TEST * 2, GAINS),
    ],
)
def test_shapes_and_chances_that_do_not_fit_are_refused(
    prior: np.ndarray, test: np.ndarray, gains: np.ndarray
) -> None:
    with pytest.raises(ValueError, match=r"states|chances"):
        value_of_test(prior, test, gains)
