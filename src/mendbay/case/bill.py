"""The bill: what was done of what was quoted, and never more than the quote's most."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from mendbay.case.price_list import Stage
from mendbay.case.quote import DIAGNOSIS, Column, Line, Quote, Total, When, total_of
from mendbay.core.errors import UsageError
from mendbay.core.money import Money


@dataclass(frozen=True, slots=True)
class Billed:
    """A line of a bill.

    Args:
        free: it was done, and costs nothing because nothing could be handed back.
    """

    key: str
    stage: Stage
    words: str
    amount: Money
    free: bool


@dataclass(frozen=True, slots=True)
class Bill:
    """
    Args:
        quote: number of the quote it is held against.
        day: `YYYY-MM-DD`.
        given: whether files were handed back.
        number: within the case, from 1; each takes the place of the one before.
    """

    quote: int
    day: str
    given: bool
    lines: tuple[Billed, ...]
    total: Total
    number: int

    @property
    def replaces(self) -> int | None:
        """The number of the bill that it takes the place of; None for the first."""
        return self.number - 1 or None


def bill_of(
    quote: Quote,
    done: Mapping[str, Money | None],
    given: bool,
    day: str,
    number: int,
    *,
    not_done: Collection[str] = (),
    declined: bool = False,
) -> Bill:
    """The bill of a job that was done after a quote. What is `expected` of the quote is on it by itself.

    Args:
        done: keys of the lines that were done, each with what it came to, which may be less than quoted; None
            where that is fixed. What came to nothing is left out.
        given: whether files were handed back.
        number: of the bill within the case.
        not_done: keys of the lines that are left out though they are expected.
        declined: the customer declined the quote, so only the examination can be on it.

    Raises:
        UsageError: the quote has no such line or it cannot be on the bill, a line both done and not, an
            amount above what it says, one that must be said, or more in all than the quote's most.
    """
    for key, amount in (*done.items(), *((one, None) for one in not_done)):
        _require_quoted(quote, key, amount)
    _require_possible(quote, done, not_done, declined)
    billed: list[Billed] = []
    amounts = []
    for line in quote.lines:
        if not _on_bill(line, done, given, not_done, declined):
            continue
        free = not given and line.stage in quote.free
        amount = Money.none(quote.currency) if free else _amount(line, done.get(line.key))
        billed.append(Billed(line.key, line.stage, line.words, amount, free))
        if amount:
            amounts.append((line.rate, amount))
    total = total_of(amounts, quote.included, quote.currency)
    most = quote.totals[Column.HIGH if given else Column.NOTHING].gross
    if most < total.gross:
        raise UsageError(
            f"That comes to {total.gross.text}, and quote {quote.number} says at most {most.text}"
            f"{'' if given else ' if nothing can be handed back'}.",
            "Make a new quote and have it accepted, or bill less.",
        )
    return Bill(quote.number, day, given, tuple(billed), total, number)


def can_be_billed(key: str, declined: bool) -> bool:
    """Whether a line of a quote can be on its bill: of one that the customer declined only the examination.

    Args:
        key: of the line.
    """
    return not declined or key == DIAGNOSIS


def expected(line: Line, given: bool) -> bool:
    """Whether a line is on the bill without a word: its amount is fixed, and nothing else decides on it."""
    unconditional = line.when in (When.ALWAYS, When.DONE) or (line.when is When.GIVEN and given)
    return unconditional and line.least == line.most


def _on_bill(
    line: Line, done: Mapping[str, Money | None], given: bool, not_done: Collection[str], declined: bool
) -> bool:
    if line.key in not_done or not can_be_billed(line.key, declined):
        return False
    if line.key in done:
        amount = done[line.key]
        return amount is None or bool(amount)
    return expected(line, given)


def _require_possible(
    quote: Quote, done: Mapping[str, Money | None], not_done: Collection[str], declined: bool
) -> None:
    for key in done:
        if key in not_done:
            raise UsageError(f"{key[:60]} is said to be done and not done.", "Leave one of them out.")
        if not can_be_billed(key, declined):
            raise UsageError(
                f"Quote {quote.number} was declined, so {key[:60]} cannot be billed: only the examination.",
                "Leave it out; or put down that the customer accepts the quote.",
            )


def _require_quoted(quote: Quote, key: str, amount: Money | None) -> None:
    line = quote.line(key)
    if line is None:
        known = ", ".join(one.key for one in quote.lines)
        raise UsageError(
            f"Quote {quote.number} has no line {key[:60]!r}.", f"Use one of: {known}; or make a new quote."
        )
    if amount is None:
        return
    if amount.currency != quote.currency or not Money.none(quote.currency) <= amount <= line.most:
        raise UsageError(
            f"{key[:60]} was quoted with at most {line.most.text}, not with {amount.text}.",
            "Bill no more than that, or make a new quote.",
        )


def _amount(line: Line, said: Money | None) -> Money:
    if said is not None:
        return said
    if line.least != line.most:
        raise UsageError(
            f"{line.key} was quoted with {line.least.text} to {line.most.text}.",
            f"Say what it came to: --done {line.key}={line.most.digits}.",
        )
    return line.least
