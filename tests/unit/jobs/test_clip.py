"""What a person said of a chip's supply before it was asked."""

from __future__ import annotations

import pytest

from mendbay.board.flash_bus import SupplyQuestion, WhySupply
from mendbay.jobs.clip import said_before


@pytest.mark.parametrize(
    ("said", "marked", "volts", "why", "yes"),
    [
        ((1.8,), False, 1.8, WhySupply.LOWEST_FIRST, True),
        ((1.8,), False, 3.3, WhySupply.ID_SAYS_SO, False),
        ((1.8, 3.3), False, 3.3, WhySupply.ID_SAYS_SO, True),
        ((1.8, 3.3), False, 3.3, WhySupply.NO_ANSWER, False),
        ((1.8, 3.3), True, 3.3, WhySupply.NO_ANSWER, True),
        ((3.3,), True, 1.8, WhySupply.LOWEST_FIRST, False),
        ((), True, 1.8, WhySupply.LOWEST_FIRST, False),
        ((1.849,), False, 1.8, WhySupply.LOWEST_FIRST, True),
        ((1.86,), False, 1.8, WhySupply.LOWEST_FIRST, False),
    ],
)
def test_no_supply_is_given_that_was_not_said(
    said: tuple[float, ...], marked: bool, volts: float, why: WhySupply, yes: bool
) -> None:
    assert said_before(said, marked)(SupplyQuestion(volts, why, "?")) is yes
