"""What stands beside the steps of triage explains their order."""

from __future__ import annotations

from itertools import pairwise

import pytest

from mendbay.faces.triage_words import first_sentence
from mendbay.triage.belief import Asked, Belief
from mendbay.triage.next_step import NextStep, Offer
from mendbay.triage.stakes import Stakes
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.worlds import Subject, Worlds


@pytest.fixture(scope="module")
def offers() -> tuple[Offer, ...]:
    """Of a box whose adapter was another one: a look at the boards comes before connecting a drive, which by
    the figures alone would be less dear."""
    worlds = Worlds(packaged_tables(), Subject(("1", "2")))
    known = {Asked("lights"): "none", Asked("history"): "wrong-adapter", Asked("adapter-volts"): "right"}
    for bay in ("1", "2"):
        known |= {Asked("sound", bay): "silent", Asked("swapped", bay): "no"}
    return NextStep(Belief(worlds, known), Stakes(3000.0)).offers()


def test_a_step_that_comes_first_though_it_is_dearer_says_so(offers: tuple[Offer, ...]) -> None:
    after = next(one for one in offers if not one.before and not one.barred)
    dearer = [one for one in offers if one.before and round(one.total) > round(after.total)]
    assert dearer
    for one in dearer:
        more = round(one.total) - round(after.total)
        assert first_sentence(offers, one, "EUR") == (
            f"First, though the whole job comes to {more} EUR more by it: it is safe, and tells whether what "
            "follows does harm."
        )


def test_whatever_stands_before_something_less_dear_has_its_reason(offers: tuple[Offer, ...]) -> None:
    for one, after in pairwise(offers):
        if round(one.total) > round(after.total):
            assert after.barred or first_sentence(offers, one)
    cheap = [one for one in offers if not one.before]
    assert not any(first_sentence(offers, one) for one in cheap)
