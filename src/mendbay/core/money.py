"""Money: whole numbers of the smallest unit of one currency, its arithmetic, and amounts read and written.

Nothing here passes through a float. Where a fraction of the smallest unit must go, it is rounded half away
from zero: what a customer gets with a pocket calculator, and the same for a payment and for its return.

In a text of others, such as a list of a supplier, a comma or dot before exactly three digits sets thousands
apart, before any other number of digits it is the decimal sign. In a currency with three decimals or more a
lone one before three digits could be either, so it is refused. What a person types, or we wrote, is never
guessed at: a lone one before three digits is refused in every currency, but for a dot before as many digits
as the currency has decimals, which is how we write amounts (`1.500 KWD`). A dollar or yen sign alone is not a
currency.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import total_ordering

from mendbay.core.errors import UsageError
from mendbay.core.quantity import count_text, counted

_SYMBOLS = {"€": "EUR", "£": "GBP"}
_CODE = re.compile("[A-Z]{3}")
_AMOUNT = re.compile(r"([0-9]{1,3}(?:[., '\u00a0\u2009\u202f]?[0-9]{3})*)(?:[.,]([0-9]{1,4}))?")
_MARKED = re.compile(r"[0-9., '\u00a0\u2009\u202f]+")
"""Characters of an amount; what it means is told by `_AMOUNT`."""
_NO_SIGN = ".,'-"
"""Characters that stand in no currency: a text with them before or after its digits is no amount."""
_AMOUNT_LIMIT = 30
_DOUBTFUL = re.compile(r"([0-9]{1,3})[.,]([0-9]{3})")
"""A lone mark before three digits: thousands, or decimals."""
_DECIMALS = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}
"""Currencies that do not have two decimals: list one of ISO 4217, published on 2026-01-01."""
_DECIMALS_OF = {code: digits for digits, codes in _DECIMALS.items() for code in codes.split()}

Factor = Fraction | Decimal | int
"""What an amount may be multiplied with; a float is none of them."""


@total_ordering
@dataclass(frozen=True, slots=True)
class Money:
    """An amount of money, also a negative one.

    Args:
        minor: in the smallest unit of the currency.
        currency: its ISO 4217 code.

    Raises:
        ValueError: not a code of three capital letters; also when amounts in different currencies are added
            or compared (equal they never are).
        TypeError: `minor` is not a whole number.
    """

    minor: int
    currency: str

    def __post_init__(self) -> None:
        if type(self.minor) is not int:
            raise TypeError(f"{self.minor!r} is not a whole number of the smallest unit")
        if not _CODE.fullmatch(self.currency):
            raise ValueError(f"{self.currency[:8]!r} is not a currency")

    @classmethod
    def none(cls, currency: str) -> Money:
        """No money."""
        return cls(0, currency)

    @classmethod
    def sum(cls, amounts: Iterable[Money], currency: str) -> Money:
        """All together; no money where there are none."""
        return sum(amounts, cls.none(currency))

    @classmethod
    def parse(cls, text: str, currency: str = "") -> Money:
        """The amount that a person typed, `12.50 EUR`.

        Args:
            currency: of an amount that stands without one.

        Raises:
            UsageError: no amount, no currency, or it can be read in two ways.
        """
        minor, found = read_cost(text.strip(), currency, as_written=True)
        if minor is None:
            raise UsageError("No amount is given.", "Write it as 38.00 EUR.")
        return cls(minor, found)

    def __lt__(self, other: Money) -> bool:
        self._require_same(other)
        return self.minor < other.minor

    def __add__(self, other: Money) -> Money:
        self._require_same(other)
        return Money(self.minor + other.minor, self.currency)

    def __sub__(self, other: Money) -> Money:
        self._require_same(other)
        return Money(self.minor - other.minor, self.currency)

    def __neg__(self) -> Money:
        return Money(-self.minor, self.currency)

    def __bool__(self) -> bool:
        return self.minor != 0

    def times(self, factor: Factor) -> Money:
        """So many times the amount, rounded once, half away from zero.

        Raises:
            TypeError: the factor is a float.
        """
        return Money(_rounded(self.minor * _exact(factor)), self.currency)

    def tax(self, rate: Factor) -> Money:
        """The tax on a net amount, rounded once.

        Args:
            rate: as a share: 0.19 for 19 per cent.
        """
        return self.times(rate)

    def share(self, weights: Sequence[int]) -> tuple[Money, ...]:
        """The amount in parts that add up to it: each its exact share cut off, and what remains goes, one
        smallest unit each, to those that lost most by that (of equals the earlier).

        Raises:
            ValueError: no weight above 0, or one below.
        """
        whole = sum(weights)
        if whole <= 0 or min(weights) < 0:
            raise ValueError("an amount is shared by weights that are not below 0 and not all 0")
        sign, size = (-1 if self.minor < 0 else 1), abs(self.minor)
        parts = [size * one // whole for one in weights]
        lost = sorted(range(len(weights)), key=lambda at: (-(size * weights[at] % whole), at))
        for at in lost[: size - sum(parts)]:
            parts[at] += 1
        return tuple(Money(sign * one, self.currency) for one in parts)

    @property
    def digits(self) -> str:
        """The bare number, as `parse` takes it: `1234.50`."""
        digits = minor_digits(self.currency)
        whole, part = divmod(abs(self.minor), 10**digits)
        return ("-" if self.minor < 0 else "") + str(whole) + (f".{part:0{digits}}" if digits else "")

    @property
    def text(self) -> str:
        """With its currency, as `parse` takes it: `1234.50 EUR`."""
        return f"{self.digits} {self.currency}"

    @property
    def shown_digits(self) -> str:
        """The bare number for people, thousands set apart: `1 234.50`."""
        whole, dot, part = self.digits.lstrip("-").partition(".")
        return ("-" if self.minor < 0 else "") + count_text(int(whole)) + dot + part

    @property
    def shown(self) -> str:
        """For people: `1 234.50 EUR`."""
        return f"{self.shown_digits} {self.currency}"

    def _require_same(self, other: Money) -> None:
        if self.currency != other.currency:
            raise ValueError(f"{self.text} and {other.text} are not of one currency")


def net_of(gross: Money, rate: Factor) -> tuple[Money, Money]:
    """What an amount with tax in it is made of: net and tax, which add up to it exactly.

    The tax is rounded, half away from zero, and the net amount is the rest: there are amounts that no net
    amount with its own rounded tax adds up to (0.03 at 19 per cent).

    Args:
        rate: as a share: 0.19 for 19 per cent.
    """
    exact = _exact(rate)
    tax = gross.times(exact / (1 + exact))
    return gross - tax, tax


def _exact(factor: Factor) -> Fraction:
    if not isinstance(factor, Fraction | Decimal | int):
        raise TypeError(f"money is not multiplied with {factor!r}")
    return Fraction(factor)


def _rounded(exact: Fraction) -> int:
    """The nearest whole number, halves away from zero."""
    size = (2 * abs(exact.numerator) + exact.denominator) // (2 * exact.denominator)
    return -size if exact < 0 else size


# ---------------------------------------------------------------------- texts


def minor_digits(currency: str) -> int:
    """How many decimals amounts in a currency have (ISO 4217)."""
    return _DECIMALS_OF.get(currency, 2)


def cost_text(minor: int | None, currency: str) -> str:
    """A cost as plain text, the way `read_cost` takes it: `12.50 EUR`; empty if unknown."""
    return "" if minor is None else Money(minor, currency).text


def read_cost(text: str, currency: str = "", as_written: bool = False) -> tuple[int | None, str]:
    """The amount that a text names, in the smallest unit of its currency, and the currency's code; None and
    empty for an empty text. The currency stands before or after the amount, never within it (12€50).

    Args:
        currency: of an amount that stands without one.
        as_written: whether a person typed it, or we wrote it: a dot before as many digits as the currency has
            decimals is the decimal sign, and any other lone mark before three digits is refused.

    Raises:
        UsageError: no cost, no currency, or an amount that can be read in two ways.
    """
    if not text:
        return None, ""
    digits = [at for at, one in enumerate(text) if one in "0123456789"]
    if not digits:
        raise UsageError(
            f"{text[:40]!r} is not a cost.",
            "Write it in digits, like 38 or 38.50." if currency else "Write it as 38.00 EUR.",
        )
    before, amount, after = text[: digits[0]], text[digits[0] : digits[-1] + 1], text[digits[-1] + 1 :]
    if not _MARKED.fullmatch(amount) or (before.strip() and after.strip()):
        raise UsageError(
            f"The currency of {text[:40]!r} must stand once, before the amount or after it.",
            "Write it as 12.50 EUR.",
        )
    sign = (before.strip() or after.strip()).upper()
    if set(sign) & set(_NO_SIGN):
        raise UsageError(f"{text[:40]!r} is not a cost.", "Write it as 38.00 EUR.")
    found = _SYMBOLS.get(sign, sign) or _SYMBOLS.get(currency, currency)
    if not re.fullmatch("[A-Z]{3}", found):
        said = f"{found[:8]!r} does not name one currency." if found else "The cost has no currency."
        raise UsageError(said, "Write its code, as in 38.00 EUR.")
    if as_written:
        _require_one_reading(amount, found)
    minor = _minor_amount(amount, minor_digits(found), as_written)
    if minor is None:
        raise UsageError(f"{text[:40]!r} is not a cost in {found}.", "Write it as 38.00 EUR.")
    return minor, found


def _require_one_reading(amount: str, currency: str) -> None:
    """Refuses a lone mark before three digits where it may set thousands apart or decimals."""
    doubtful = _DOUBTFUL.fullmatch(amount)
    digits = minor_digits(currency)
    if not doubtful or doubtful[1].startswith("0") or (digits == 3 and "." in amount):
        return
    thousands = Money(int(doubtful[1] + doubtful[2]) * 10**digits, currency)
    near = Money(int(doubtful[1] + doubtful[2][:digits].ljust(digits, "0")), currency)
    examples = f"{thousands.digits} or {near.digits}" if digits else thousands.digits
    raise UsageError(
        f"{amount!r} can be read as {thousands.shown} or as {doubtful[1]}.{doubtful[2]} {currency}.",
        f"Write it with {counted(digits, 'decimal') if digits else 'no decimals'} and without marks between "
        f"thousands, as in {examples}.",
    )


def _minor_amount(text: str, digits: int, as_written: bool) -> int | None:
    """An amount of money in the smallest unit; None if it is none, or if it is in doubt."""
    if len(text) > _AMOUNT_LIMIT:
        return None
    blanks = "[ \u00a0\u2009\u202f]"  # they set thousands apart and are never the decimal sign
    whole = f"[0-9]+|[0-9]{{1,3}}(?:{blanks}[0-9]{{3}})+"
    if as_written and digits and re.fullmatch(rf"(?:{whole})\.[0-9]{{{digits}}}", text):
        return int(re.sub("[^0-9]", "", text))
    found = _AMOUNT.fullmatch(text)
    if not found or len(found[2] or "") > digits:
        return None
    marks = re.findall("[^0-9]", found[1])
    decimal = text[-len(found[2]) - 1] if found[2] else ""
    doubtful = marks and (found[1].startswith("0") or (digits >= 3 and len(marks) == 1 and not decimal))
    if doubtful or len(set(marks)) > 1 or decimal in marks:
        return None
    whole, part = re.sub("[^0-9]", "", found[1]), (found[2] or "").ljust(digits, "0")
    return int(whole + part)
