"""A customer who was told in writing how long copies are kept is not told something else in silence."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from mendbay.core.errors import UsageError
from mendbay.handback.keeping import day_after
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_back import HAND_BACK
from mendbay.jobs.keep_copies import keep
from mendbay.jobs.letters import Message, letter_mail, letter_pdf, message_mail
from mendbay.jobs.take_in import take_in
from mendbay.jobs.told_days import TOLD_UNTIL, told_day, told_words
from mendbay.jobs.write_receipt import write_receipt
from mendbay.wiring import open_bench

LATER, SOONER = "2998-12-29", "2998-11-29"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_bench(tmp_path / "home") as found:
        take_in(found, "Fern Brook")
        yield found


@pytest.mark.parametrize(
    ("write", "paper"),
    [
        (lambda bench: letter_pdf(bench, 1), "letter or message"),
        (lambda bench: letter_mail(bench, 1), "letter or message"),
        (lambda bench: write_receipt(bench, 1), "receipt"),
    ],
)
def test_a_paper_with_the_day_is_what_the_customer_was_told(
    bench: Bench, write: Callable[[Bench], object], paper: str
) -> None:
    write(bench)
    assert told_day(bench, 1) is None, "no day was put down that it could name"
    keep(bench, 1, LATER)
    write(bench)
    found = told_day(bench, 1)
    assert found is not None
    assert (found.day, found.paper, found.on) == (LATER, paper, bench.now()[:10])


def test_a_message_without_the_day_tells_none(bench: Bench) -> None:
    keep(bench, 1, LATER)
    message_mail(bench, 1, Message.STATUS)
    assert told_day(bench, 1) is None


def test_a_day_before_the_one_that_was_told_needs_a_reason(bench: Bench) -> None:
    keep(bench, 1, LATER)
    bench.note(1, HAND_BACK, "A hand-back.", {"folder": "/media/none", TOLD_UNTIL: LATER})
    assert told_words(bench, bench.ledger.case(1)).endswith(f"that copies are kept until {LATER}.")
    with pytest.raises(UsageError, match=f"report of the hand-back of .* until {LATER}") as refused:
        keep(bench, 1, SOONER)
    assert "--although-told REASON" in refused.value.next_step
    with pytest.raises(UsageError, match="names the customer"):
        keep(bench, 1, SOONER, although_told="Fern Brook asked for it")
    assert bench.ledger.case(1).keep_until == LATER
    case = keep(bench, 1, SOONER, although_told="they asked for it")
    assert case.keep_until == SOONER
    assert bench.ledger.custody(1)[-1].item.endswith(f"the customer was told {LATER}: they asked for it")
    assert f"now it is {SOONER}. Tell them" in told_words(bench, case)
    assert keep(bench, 1, LATER).keep_until == LATER, "what was told is free to be kept"
    assert keep(bench, 1, "2999-01-01").keep_until == "2999-01-01", "so is a later day"


def test_a_new_letter_tells_the_new_day(bench: Bench) -> None:
    keep(bench, 1, LATER)
    letter_pdf(bench, 1)
    case = keep(bench, 1, SOONER, although_told="they asked for it")
    letter_mail(bench, 1)
    assert "now it is" not in told_words(bench, case)
    assert keep(bench, 1, day_after(SOONER, 1)).keep_until == day_after(SOONER, 1)


def test_a_day_that_is_over_binds_nobody(bench: Bench) -> None:
    bench.note(1, "letter", "A letter.", {TOLD_UNTIL: "2001-01-01"})
    assert told_words(bench, bench.ledger.case(1)) == ""
    keep(bench, 1, SOONER)
