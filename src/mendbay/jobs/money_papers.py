"""The facts of the papers about money. Amounts are texts as people read them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from mendbay.case.bill import Bill
from mendbay.case.quote import Column, Line, Quote, Total, When
from mendbay.case.records import Case, CaseKind
from mendbay.core.money import Money
from mendbay.core.quantity import chance_text, counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.money_notes import Payment
from mendbay.jobs.papers import frame

CERTAIN = 0.995
"""Chance from which a line is not called one that may not be needed (own choice)."""

FREE = "free if nothing comes back"
SHORTEST_WORD = 4
"""Letters from which a unit is taken for a word with a plural, and not for a symbol such as `kg`."""


def quote_facts(bench: Bench, case: Case, quote: Quote) -> dict[str, Any]:
    """The facts of the paper `quote`."""
    return {
        **frame(bench, f"Quote {quote.number}", case),
        "customer": case.customer,
        "number": str(quote.number),
        "day": quote.day,
        "valid_until": quote.valid_until,
        "currency": quote.currency,
        "odds": quote.odds,
        "enquiry": case.kind is CaseKind.ENQUIRY,
        "board": quote.of_board,
        "own_prices": quote.own_prices,
        "included": quote.included,
        "tax_name": quote.tax_name,
        "same": len({quote.totals[one].gross for one in (Column.LOW, Column.LIKELY, Column.HIGH)}) == 1,
        "lines": [_line_facts(one, quote) for one in quote.lines],
        "in_any_case": quote.in_any_case.shown if quote.in_any_case else "",
        "totals": {str(column): _total_facts(total) for column, total in quote.totals.items()},
        "tax_rows": _tax_rows(quote),
        "free": any(is_free(one, quote) for one in quote.lines),
        "remarks": list(quote.remarks),
    }


def _line_facts(line: Line, quote: Quote) -> dict[str, Any]:
    return {
        "words": line.words,
        "quantity": quantity_words(line),
        "note": note_words(line, quote),
        **{str(column): column_words(amount) for column, amount in line.amounts.items()},
    }


def quantity_words(line: Line) -> str:
    """How much of it, `2 hours` or `12.5 GB`; empty for one of it."""
    number = f"{line.quantity.normalize():f}"
    if line.unit == "each":
        return "" if number == "1" else number
    if not (len(line.unit) >= SHORTEST_WORD and line.unit.isalpha() and line.unit.islower()):
        return f"{number} {line.unit}"  # a symbol, which takes no plural
    if line.quantity == int(line.quantity):
        return counted(int(line.quantity), line.unit)
    return f"{number} {line.unit}s"


def note_words(line: Line, quote: Quote) -> str:
    """When a line is due and what it costs then, and whether it is free if nothing comes back."""
    when = when_words(line)
    due = f"{when}: {span_words(line.least, line.most)}" if when else ""
    return "; ".join(one for one in (due, FREE if is_free(line, quote) else "") if one)


def is_free(line: Line, quote: Quote) -> bool:
    """Whether a line that may be due is free if nothing can be handed back."""
    return line.stage in quote.free and line.when is not When.GIVEN


def nothing_words(quote: Quote) -> str:
    """What the column `nothing` of a quote is for, up to its amount."""
    if quote.of_board:
        return "If the board can be neither mended nor replaced"
    return "If no wanted file can be handed back"


def when_words(line: Line) -> str:
    """When a line is due, or that it is done; empty for one that always is due."""
    if line.when is When.NEEDED and line.chance < CERTAIN:
        return f"needed with {chance_text(line.chance)}"
    return str(line.when) if line.when in (When.GIVEN, When.DONE) else ""


def span_words(least: Money, most: Money) -> str:
    """An amount, or from where to where it may be."""
    return least.shown_digits if least == most else f"{least.shown_digits} to {most.shown_digits}"


def column_words(amount: Money) -> str:
    """An amount in a column; a dash for none."""
    return amount.shown_digits if amount else "–"


def _total_facts(total: Total) -> dict[str, Any]:
    return {"net": total.net.shown_digits, "gross": total.gross.shown_digits}


def _tax_rows(quote: Quote) -> list[dict[str, Any]]:
    """The tax of each rate in each column."""
    rates = sorted({one.rate for total in quote.totals.values() for one in total.taxes})
    found = []
    for rate in rates:
        row: dict[str, Any] = {"rate": f"{rate.normalize():f}"}
        for column in Column:
            tax = next((one.tax for one in quote.totals[column].taxes if one.rate == rate), None)
            row[str(column)] = column_words(tax) if tax else "–"
        found.append(row)
    return found


def bill_facts(
    bench: Bench, case: Case, quote: Quote, bill: Bill, payments: Iterable[Money], *, declined: bool = False
) -> dict[str, Any]:
    """The facts of the paper `bill`.

    Args:
        payments: all that came in so far.
        declined: whether the customer declined the quote.
    """
    paid = Money.sum(payments, quote.currency)
    due = bill.total.gross - paid
    return {
        **frame(bench, f"Bill {bill.number}", case),
        "customer": case.customer,
        "replaces": str(bill.replaces or ""),
        "quote": str(bill.quote),
        "quote_day": quote.day,
        "day": bill.day,
        "currency": quote.currency,
        "given": bill.given,
        "declined": declined,
        "included": quote.included,
        "tax_name": quote.tax_name,
        "lines": [
            {"words": one.words, "amount": one.amount.shown_digits, "free": one.free} for one in bill.lines
        ],
        "net": bill.total.net.shown_digits,
        "taxes": [
            {"rate": f"{one.rate.normalize():f}", "net": one.net.shown_digits, "tax": one.tax.shown_digits}
            for one in bill.total.taxes
        ],
        "gross": bill.total.gross.shown_digits,
        "paid": paid.shown_digits if paid else "",
        "due": due.shown_digits if due.minor > 0 else "",
        "to_return": (-due).shown_digits if due.minor < 0 else "",
    }


def payment_facts(
    bench: Bench, case: Case, payment: Payment, paid: Money | None, due: Money | None
) -> dict[str, Any]:
    """The facts of the paper `payment`.

    Args:
        paid: in all, with this one.
        due: as in `Account`.
    """
    back = payment.amount.minor < 0
    return {
        **frame(bench, "Payment returned" if back else "Receipt of payment", case),
        "customer": case.customer,
        "number": str(payment.number),
        "day": payment.day,
        "amount": (-payment.amount if back else payment.amount).shown,
        "how": payment.how.words,
        "back": back,
        "paid": "" if paid is None else paid.shown,
        "billed": due is not None,
        "due": due.shown if due is not None and due.minor > 0 else "",
        "to_return": (-due).shown if due is not None and due.minor < 0 else "",
    }
