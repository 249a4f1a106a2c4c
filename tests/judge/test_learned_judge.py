"""Shares that learn, against published values."""

from __future__ import annotations

from decimal import Decimal

import pytest

from mendbay.core.figures import Figure
from mendbay.triage.learned import _moved, posterior_mean


def test_a_published_election_poll() -> None:
    """A. Gelman et al., Bayesian Data Analysis, 3rd edition, section 3.4, the pre-election polling of 1988:
    727, 583 and 137 of 1 447 asked, with a uniform prior, give Dirichlet(728, 584, 138). From memory."""
    found = posterior_mean([1, 1, 1], [727, 583, 137])
    assert found.tolist() == pytest.approx([728 / 1450, 584 / 1450, 138 / 1450], rel=1e-12)


def test_the_same_poll_as_shares_of_a_table() -> None:
    """The uniform prior as a table: three equal shares that weigh as much as three cases."""
    third = (Figure(Decimal(1) / 3, "", "a third"),) * 3
    found = _moved(third, [727.0, 583.0, 137.0], 3.0, 1447)
    shares = [float(one.value) for one in found]
    assert shares == pytest.approx([728 / 1450, 584 / 1450, 138 / 1450], abs=2e-9)
    assert sum(one.value for one in found) == 1
    assert found[0].source == "a third, and 1447 closed cases of this shop"


def test_the_rule_of_succession() -> None:
    """P.-S. Laplace, 1774: after s of n, with both outcomes alike before, the next is (s + 1) / (n + 2); from
    memory."""
    assert posterior_mean([1, 1], [9, 1]).tolist() == pytest.approx([10 / 12, 2 / 12], rel=1e-12)
