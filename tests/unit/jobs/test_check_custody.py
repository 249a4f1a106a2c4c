"""A custody log held against what papers of its case name."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from mendbay.case.consents import How, Word
from mendbay.case.custody import Break
from mendbay.case.hand_over import Role
from mendbay.core.errors import CustodyBroken
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.consents import give_word, take_word_back
from mendbay.jobs.hand_over_items import hand_over_paper, hand_overs_of, receive
from mendbay.jobs.ledger_port import CaseLedger
from mendbay.jobs.power_permit import Although, require_power
from mendbay.jobs.take_in import tell_case
from mendbay.jobs.write_receipt import write_receipt
from support.board_bench import bench_with_case


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
        assert refused.value.what.endswith(".")
        assert not refused.value.what.endswith("..")
        assert "case custody 1" in refused.value.next_step
    assert len(hand_overs_of(bench, 1)) == 1, "what was refused is not recorded"


def falsify(home: Path, statement: str) -> None:
    """Changes a note as somebody does who may write the file: past the guards."""
    with closing(sqlite3.connect(home / "ledger.sqlite3")) as ledger, ledger:
        for (name,) in ledger.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            ledger.execute(f'DROP TRIGGER "{name}"')
        assert ledger.execute(statement).rowcount == 1


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE notes SET body = replace(body, 'no', 'yes') WHERE {}", "notes say: yes"),
        ("UPDATE notes SET body = replace(body, 'phone', 'writing') WHERE {}", "in writing"),
        ("DELETE FROM notes WHERE {}", "notes say: no word"),
    ],
)
def test_a_consent_that_custody_tells_otherwise_is_found(tmp_path: Path, statement: str, said: str) -> None:
    home = tmp_path / "home"
    with bench_with_case(home) as bench:
        give_word(bench, 1, "power-on", Word.NO, how=How.PHONE)
        give_word(bench, 1, "shipping", Word.YES)
        take_word_back(bench, 1, "shipping", "asked the wrong person")
        assert check_custody(bench, 1)[0].holds
        falsify(home, statement.format("subject = 'power-on'"))
        check, _ = check_custody(bench, 1)
        assert [one.how for one in check.faults] == [Break.DISPUTED]
        assert "custody tells: no, the customer, by telephone" in check.faults[0].sentence
        assert said in check.faults[0].sentence
        assert not tell_case(bench, 1).check.holds
        advised = set()
        for rest_on_it in (
            lambda: require_power(bench, 1, ["1"], Although("a reason", "a reason")),
            lambda: write_receipt(bench, 1),
            lambda: receive(bench, 1, ["1"], Role.CUSTOMER),
        ):
            with pytest.raises(CustodyBroken, match="custody tells: no") as refused:
                rest_on_it()
            assert not refused.value.what.endswith("..")
            advised.add(refused.value.next_step)
        assert advised == {
            "Ask the customer, and put the word down anew: mendbay case consent 1 CONSENT yes, no or ask."
        }
        give_word(bench, 1, "power-on", Word.YES)
        assert check_custody(bench, 1)[0].holds
        require_power(bench, 1, ["1"])
