"""A custody log held against what papers of its case name."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

from mendbay.case.custody import Break
from mendbay.case.hand_over import Role
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.hand_over_items import receive
from mendbay.jobs.ledger_port import CaseLedger
from mendbay.jobs.take_in import tell_case


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
