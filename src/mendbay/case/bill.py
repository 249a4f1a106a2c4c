"""The bill: what was done of what was quoted, and never more than the quote's most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.case.price_list import Stage
from mendbay.case.quote import Column, Line, Quote, Total, When, total_of
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


def bill_of(quote: Quote, done: Mapping[str, Money | None], given: bool, day: str, number: int) -> Bill:
    """The bill of a job that was done after a quote.

    Args:
        done: keys of the lines that were needed, each with what it came to; None where that is fixed.
        given: whether files were handed back.
        number: of the bill within the case.

    Raises:
        UsageError: the quote has no such line, an amount outside what it says, a line whose amount must be
            said, or more in all than the quote's most.
    """
    for key, amount in done.items():
        _require_quoted(quote, key, amount)
    billed: list[Billed] = []
    amounts = []
    for line in quote.lines:
        if line.key not in done and (line.when is When.NEEDED or (line.when is When.GIVEN and not given)):
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


def _require_quoted(quote: Quote, key: str, amount: Money | None) -> None:
    line = quote.line(key)
    if line is None:
        known = ", ".join(one.key for one in quote.lines)
        raise UsageError(
            f"Quote {quote.number} has no line {key[:60]!r}.", f"Use one of: {known}; or make a new quote."
        )
    if amount is None:
        return
    if amount.currency != quote.currency or not line.least <= amount <= line.most:
        raise UsageError(
            f"{key[:60]} was quoted with {line.least.text} to {line.most.text}, not with {amount.text}.",
            "Bill an amount between these, or make a new quote.",
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
