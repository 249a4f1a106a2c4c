"""What an item cost, read and written: an amount in the smallest unit of its currency.

A comma or dot before exactly three digits sets thousands apart, before one or two it is the decimal sign. In
a currency with three decimals a lone one before three digits could be either, so it is refused, except where
amounts are known to stand as we write them: `1.500`, with as many decimals as the currency has. A dollar or
yen sign alone is not a currency.
"""

from __future__ import annotations

import re

from mendbay.core.errors import UsageError

_SYMBOLS = {"€": "EUR", "£": "GBP"}
_AMOUNT = re.compile(r"([0-9]{1,3}(?:[., '\u00a0\u2009\u202f]?[0-9]{3})*)(?:[.,]([0-9]{1,3}))?")
_AMOUNT_LIMIT = 30
_NO_DECIMALS = frozenset(re.findall("...", "BIFCLPDJFGNFISKJPYKMFKRWPYGRWFUGXUYIVNDVUVXAFXOFXPF"))
_THREE_DECIMALS = frozenset(re.findall("...", "BHDIQDJODKWDLYDOMRTND"))
"""Currencies that do not have two decimals (list one of ISO 4217, from memory)."""


def minor_digits(currency: str) -> int:
    """How many decimals amounts in a currency have (ISO 4217)."""
    return 0 if currency in _NO_DECIMALS else 3 if currency in _THREE_DECIMALS else 2


def cost_text(minor: int | None, currency: str) -> str:
    """A cost as plain text, the way `read_cost` takes it: `12.50 EUR`; empty if unknown."""
    if minor is None:
        return ""
    digits = minor_digits(currency)
    whole, part = divmod(minor, 10**digits)
    return str(whole) + (f".{part:0{digits}}" if digits else "") + f" {currency}"


def read_cost(text: str, currency: str = "", as_written: bool = False) -> tuple[int | None, str]:
    """The amount that a text names, in the smallest unit of its currency, and the currency's code; None and
    empty for an empty text.

    Args:
        currency: of an amount that stands without one.
        as_written: whether a dot before as many digits as the currency has decimals is the decimal sign.

    Raises:
        UsageError: no cost, no currency, or an amount that can be read in two ways.
    """
    if not text:
        return None, ""
    amount = "".join(one for one in text if one.isdigit() or one in ".,' \u00a0\u2009\u202f-")
    sign = "".join(one for one in text if one not in amount).strip().upper()
    found = _SYMBOLS.get(sign, sign) or _SYMBOLS.get(currency, currency)
    if not re.search("[0-9]", amount):
        raise UsageError(f"{text[:40]!r} is not a cost.", "Write it as 38.00 EUR.")
    if not re.fullmatch("[A-Z]{3}", found):
        said = f"{found[:8]!r} does not name one currency." if found else "The cost has no currency."
        raise UsageError(said, "Write its code, as in 38.00 EUR.")
    minor = _minor_amount(amount.strip(), minor_digits(found), as_written)
    if minor is None:
        raise UsageError(f"{text[:40]!r} is not a cost in {found}.", "Write it as 38.00 EUR.")
    return minor, found


def _minor_amount(text: str, digits: int, as_written: bool) -> int | None:
    """An amount of money in the smallest unit; None if it is none, or if it is in doubt."""
    if len(text) > _AMOUNT_LIMIT:
        return None
    if as_written and digits and re.fullmatch(rf"[0-9]+\.[0-9]{{{digits}}}", text):
        return int(text.replace(".", ""))
    found = _AMOUNT.fullmatch(text)
    if not found or len(found[2] or "") > digits:
        return None
    marks = re.findall("[^0-9]", found[1])
    decimal = text[-len(found[2]) - 1] if found[2] else ""
    doubtful = marks and (found[1].startswith("0") or (digits == 3 and len(marks) == 1 and not decimal))
    if doubtful or len(set(marks)) > 1 or decimal in marks:
        return None
    whole, part = re.sub("[^0-9]", "", found[1]), (found[2] or "").ljust(digits, "0")
    return int(whole + part)
