"""Quotes and bills as the plain values that notes and answers hold: every amount a whole number of the
smallest unit of the quote's currency, quantities and rates as texts."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from mendbay.case.bill import Bill, Billed
from mendbay.case.price_list import Stage
from mendbay.case.quote import Column, Line, Quote, TaxOf, Total, When
from mendbay.core.money import Money


def quote_body(quote: Quote) -> dict[str, Any]:
    """A quote as plain values."""
    return {
        "number": quote.number,
        "day": quote.day,
        "valid_until": quote.valid_until,
        "currency": quote.currency,
        "own_prices": quote.own_prices,
        "odds": quote.odds,
        "tax_name": quote.tax_name,
        "included": quote.included,
        "free": [str(one) for one in quote.free],
        "lines": [_line_body(one) for one in quote.lines],
        "totals": {str(column): total_body(total) for column, total in quote.totals.items()},
        "remarks": list(quote.remarks),
    }


def _line_body(line: Line) -> dict[str, Any]:
    return {
        "key": line.key,
        "stage": str(line.stage),
        "words": line.words,
        "quantity": f"{line.quantity:f}",
        "unit": line.unit,
        "rate": f"{line.rate:f}",
        "when": str(line.when),
        "chance": round(line.chance, 6),
        "least": line.least.minor,
        "most": line.most.minor,
        "amounts": {str(column): amount.minor for column, amount in line.amounts.items()},
    }


def total_body(total: Total) -> dict[str, Any]:
    """A total as plain values."""
    return {
        "net": total.net.minor,
        "taxes": [
            {"rate": f"{one.rate:f}", "net": one.net.minor, "tax": one.tax.minor} for one in total.taxes
        ],
        "gross": total.gross.minor,
    }


def quote_from(body: Mapping[str, Any]) -> Quote:
    """The quote that `quote_body` made plain.

    Raises:
        KeyError, TypeError, ValueError, ArithmeticError: it is none.
    """
    currency = body["currency"]
    return Quote(
        number=body["number"],
        day=body["day"],
        valid_until=body["valid_until"],
        currency=currency,
        own_prices=body["own_prices"],
        odds=body["odds"],
        tax_name=body["tax_name"],
        included=body["included"],
        free=tuple(Stage(one) for one in body["free"]),
        lines=tuple(_line_from(one, currency) for one in body["lines"]),
        totals={Column(name): total_from(one, currency) for name, one in body["totals"].items()},
        remarks=tuple(body["remarks"]),
    )


def _line_from(body: Mapping[str, Any], currency: str) -> Line:
    return Line(
        key=body["key"],
        stage=Stage(body["stage"]),
        words=body["words"],
        quantity=Decimal(body["quantity"]),
        unit=body["unit"],
        rate=Decimal(body["rate"]),
        when=When(body["when"]),
        chance=float(body["chance"]),
        least=Money(body["least"], currency),
        most=Money(body["most"], currency),
        amounts={Column(name): Money(one, currency) for name, one in body["amounts"].items()},
    )


def total_from(body: Mapping[str, Any], currency: str) -> Total:
    """The total that `total_body` made plain.

    Raises:
        KeyError, TypeError, ValueError, ArithmeticError: it is none.
    """
    taxes = tuple(
        TaxOf(Decimal(one["rate"]), Money(one["net"], currency), Money(one["tax"], currency))
        for one in body["taxes"]
    )
    return Total(Money(body["net"], currency), taxes, Money(body["gross"], currency))


def bill_body(bill: Bill) -> dict[str, Any]:
    """A bill as plain values."""
    return {
        "number": bill.number,
        "quote": bill.quote,
        "day": bill.day,
        "currency": bill.total.gross.currency,
        "given": bill.given,
        "lines": [
            {
                "key": one.key,
                "stage": str(one.stage),
                "words": one.words,
                "amount": one.amount.minor,
                "free": one.free,
            }
            for one in bill.lines
        ],
        "total": total_body(bill.total),
    }


def bill_from(body: Mapping[str, Any]) -> Bill:
    """The bill that `bill_body` made plain.

    Raises:
        KeyError, TypeError, ValueError, ArithmeticError: it is none.
    """
    currency = body["currency"]
    lines = tuple(
        Billed(
            one["key"], Stage(one["stage"]), one["words"], Money(one["amount"], currency), bool(one["free"])
        )
        for one in body["lines"]
    )
    total = total_from(body["total"], currency)
    number = body.get("number", 1)  # not kept at first
    return Bill(body["quote"], body["day"], bool(body["given"]), lines, total, number)
