"""The three conditions of a drive, as data."""

from __future__ import annotations

import math

import pytest

from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.hazard import HAZARDS, Condition
from mendbay.imaging.odds import Evidence


def test_every_condition_has_figures_with_a_source() -> None:
    assert set(HAZARDS) == set(Condition)
    for hazard in HAZARDS.values():
        assert hazard.source
        assert hazard.meaning
        assert 0 < hazard.per_refusal < hazard.per_hour < 1


def test_worse_conditions_are_worse_in_both_ways() -> None:
    ordered = [HAZARDS[one] for one in (Condition.HEALTHY, Condition.REFUSES, Condition.CLICKS)]
    assert [one.per_hour for one in ordered] == sorted(one.per_hour for one in ordered)
    assert [one.per_refusal for one in ordered] == sorted(one.per_refusal for one in ordered)


def test_healthy_is_the_published_kind_of_failure_rate() -> None:
    """1.7 % a year: -ln(1 - 0.017) / 8760 h = 1.957e-6 an hour."""
    assert HAZARDS[Condition.HEALTHY].per_hour == pytest.approx(-math.log(1 - 0.017) / 8760, rel=0.03)


def test_a_clicking_drive_is_asked_for_less_at_a_time() -> None:
    clicking = Assumptions.of(Condition.CLICKS)
    assert clicking.refusal_wear_seconds == pytest.approx(20)
    usual = Evidence(512, 100_000, Assumptions())
    assert Evidence(512, 100_000, clicking).best_sectors(1e-3) < usual.best_sectors(1e-3)


def test_other_assumptions_are_kept_when_a_condition_is_chosen() -> None:
    assert Assumptions.of(Condition.CLICKS, Assumptions(most_tries=1)).most_tries == 1


def test_only_a_drive_that_clicks_is_asked_nothing() -> None:
    assert [one for one in Condition if not one.bears_questions] == [Condition.CLICKS]
