"""A quote, a word, a bill and a payment are put down as a whole or not at all, wherever writing fails."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.errors import LedgerError
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import make_bill, pay, unpay
from mendbay.jobs.money_notes import How
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from support.board_bench import bench_with_case

WRITES = {
    "notes": ("add",),
    "ledger": ("note_event", "custody_append"),
    "files": ("keep",),
    "stationery": ("pdf",),
}
WISH = Wish(lines=(("hour", "1"),), odds=False)


class Strikes:
    """Counts what is written, and lets the Nth fail, counted from 0; before it is done, or after."""

    def __init__(self, fails: int | None, *, done: bool = False) -> None:
        self.count = 0
        self._fails, self._done = fails, done

    def around(self, write: Callable[..., Any]) -> Callable[..., Any]:
        def struck(*given: Any, **named: Any) -> Any:
            now, self.count = self.count, self.count + 1
            result = write(*given, **named) if now != self._fails or self._done else None
            if now == self._fails:
                raise LedgerError("The disk is full.", "Free some space.")
            return result

        return struck


class Struck:
    """A part of the bench whose writes are struck."""

    def __init__(self, part: Any, writes: tuple[str, ...], strikes: Strikes) -> None:
        self._part, self._writes, self._strikes = part, writes, strikes

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._part, name)
        return self._strikes.around(found) if name in self._writes else found


def struck(bench: Bench, strikes: Strikes) -> Bench:
    parts = {name: Struck(getattr(bench, name), writes, strikes) for name, writes in WRITES.items()}
    return replace(bench, **parts)


def state(bench: Bench) -> tuple[object, ...]:
    return bench.ledger.custody(1), bench.ledger.events(1), bench.notes.all_of(1), bench.ledger.case(1)


def quoted(bench: Bench) -> None:
    make_quote(bench, 1, WISH)


def agreed(bench: Bench) -> None:
    quoted(bench)
    decide(bench, 1, 1, True, By.PHONE)


def paid(bench: Bench) -> None:
    agreed(bench)
    pay(bench, 1, "5", How.CASH)


JOBS: dict[str, tuple[Callable[[Bench], object], Callable[[Bench], object]]] = {
    "quote": (lambda bench: None, lambda bench: make_quote(bench, 1, WISH)),
    "accept": (quoted, lambda bench: decide(bench, 1, 1, True, By.PHONE)),
    "bill": (agreed, lambda bench: make_bill(bench, 1, {})),
    "pay": (agreed, lambda bench: pay(bench, 1, "5", How.CASH)),
    "back": (paid, lambda bench: pay(bench, 1, "5", How.CASH, back=True)),
    "unpay": (paid, lambda bench: unpay(bench, 1, 1, "a slip")),
}


@pytest.mark.parametrize("name", JOBS)
def test_all_or_nothing_at_every_write(tmp_path: Path, name: str) -> None:
    before_it, job = JOBS[name]
    with bench_with_case(tmp_path / "counted") as bench:
        before_it(bench)
        counting = Strikes(None)
        job(struck(bench, counting))
    assert counting.count >= 3
    with bench_with_case(tmp_path / "home") as bench:
        before_it(bench)
        before = state(bench)
        for done in (False, True):
            for fails in range(counting.count):
                with pytest.raises(LedgerError, match="disk is full"):
                    job(struck(bench, Strikes(fails, done=done)))
                assert state(bench) == before
        job(bench)
        assert state(bench) != before
