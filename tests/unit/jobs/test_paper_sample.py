"""The invented case has just the facts that papers of a real one have; every paper of ours can be tried."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.price_list import packaged_prices
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_over_items import release
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.paper_sample import SAMPLES, paper_facts
from mendbay.jobs.write_receipt import write_receipt
from mendbay.outlets.stationery import packaged_wordings
from mendbay.wiring import own_papers


@dataclass
class Seen:
    """Stationery that remembers what it was given."""

    facts: dict[str, Any] = field(default_factory=dict)

    def words(self, paper: str, facts: Mapping[str, Any]) -> str:
        return ""

    def pdf(self, paper: str, facts: Mapping[str, Any]) -> bytes:
        self.facts[paper] = facts
        return b"%PDF-"


def kinds(facts: Mapping[str, Any]) -> dict[str, type]:
    return {key: type(one) for key, one in facts.items()}


def test_the_invented_case_has_the_facts_of_a_real_one(bench: Bench) -> None:
    seen = Seen()
    real = replace(bench, stationery=seen)
    item = add_item(real, 1, What.DRIVE)
    write_receipt(real, 1)
    release(real, 1, [item.code], Role.CUSTOMER)
    assert seen.facts.keys() == {"receipt", "hand-over"}
    for paper, facts in seen.facts.items():
        sample = paper_facts(bench, paper)
        assert sample is not None
        assert kinds(sample) == kinds(facts)
        assert kinds(sample["items"][0]) == kinds(facts["items"][0])


@pytest.mark.parametrize("paper", sorted(SAMPLES))
def test_every_paper_of_ours_can_be_tried(bench: Bench, tmp_path: Path, paper: str) -> None:
    before = bench.ledger.custody(1)
    facts = paper_facts(bench, paper)
    assert facts is not None
    said = own_papers(tmp_path).try_out(paper, packaged_wordings()[paper], facts)
    assert ("Fern Example" in said) == (paper != "trial")
    assert bench.ledger.custody(1) == before
    assert len(list(bench.ledger.cases())) == 1


def test_amounts_are_those_of_the_shop(bench: Bench, tmp_path: Path) -> None:
    folder = tmp_path / "home" / "settings"
    folder.mkdir(exist_ok=True)
    for text in (
        packaged_prices().replace('diagnosis = "45.00"', 'diagnosis = "51.00"'),
        packaged_prices().split("[[medium]]")[0].split("[[work]]")[0],  # neither media nor work has a price
    ):
        (folder / "prices.toml").write_text(text)
        facts = paper_facts(bench, "bill")
        assert facts is not None
        amount = "51.00" if "51.00" in text else "45.00"
        assert amount in [one["amount"] for one in facts["lines"]]


def test_what_is_left_without_an_invented_case() -> None:
    tried = {*SAMPLES, *(one for one in packaged_wordings() if one.startswith(("letter", "message-")))}
    assert packaged_wordings().keys() - tried == {"erasure", "lessons"}
