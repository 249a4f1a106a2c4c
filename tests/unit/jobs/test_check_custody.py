"""A custody log held against what papers of its case name."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import pytest

from mendbay.case.custody import Break
from mendbay.case.hand_over import Role
from mendbay.core.errors import CustodyBroken
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.hand_over_items import hand_over_paper, hand_overs_of, receive
from mendbay.jobs.ledger_port import CaseLedger
from mendbay.jobs.take_in import tell_case
from mendbay.jobs.write_receipt import write_receipt


class Cut:
    """A ledger whose custody log lost all but its first entries."""

    def __init__(self, ledger: CaseLedger, left: int) -> None:
        self._ledger, self._left = ledger, left

    def __getattr__(self, name: str) -> Any:
        return getattr(self._ledger, name)

    def custody(self, number: int) -> Any:
        return self._ledger.custody(number)[: self._left]


def cut(bench: Bench, left: int) -> Bench:
    return replace(bench, ledger=cast(CaseLedger, Cut(bench.ledger, left)))


def test_an_emptied_log_does_not_hold(bench: Bench) -> None:
    assert check_custody(bench, 1)[0].holds
    check, _ = check_custody(cut(bench, 0), 1)
    assert [one.how for one in check.faults] == [Break.CUT]
    assert not tell_case(cut(bench, 0), 1).check.holds


def test_a_cut_end_is_found_by_the_head_on_a_paper(bench: Bench) -> None:
    receive(bench, 1, ["1"], Role.CUSTOMER)
    whole, entries = check_custody(bench, 1)
    assert whole.holds
    for left in range(len(entries)):
        check, _ = check_custody(cut(bench, left), 1)
        assert Break.CUT in {one.how for one in check.faults}, left


def test_no_paper_names_the_head_of_a_log_that_does_not_hold(bench: Bench) -> None:
    receive(bench, 1, ["1"], Role.CUSTOMER)
    write_receipt(bench, 1)
    broken = cut(bench, 1)
    for make in (
        lambda: write_receipt(broken, 1),
        lambda: receive(broken, 1, ["2"], Role.CUSTOMER),
        lambda: hand_over_paper(broken, 1, 1),
    ):
        with pytest.raises(CustodyBroken, match="does not hold at entry") as refused:
            make()
        assert "case custody 1" in refused.value.next_step
    assert len(hand_overs_of(bench, 1)) == 1, "what was refused is not recorded"
