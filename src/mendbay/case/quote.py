"""A quote: what a job may cost, as lines in columns that add up, from the ways it may go.

Each column is one way the job may go, so that its lines add up to its total as shown: `low` and `high` are
the ways at the 10 % and 90 % quantiles of the total over all ways, with the least and the most that each line
may cost; `likely` is the way at the median, with the middle of both. `nothing` is what is due if no wanted
file can be handed back: the way at the 90 % quantile of those that cost no more than `high`, which is the
most that the customer agrees to. The quantiles are our own choice.

Tax is computed once for each rate, on the sum of its lines, and rounded once (EN 16931, rule BR-CO-17, from
memory); where prices include it, it is that sum times the rate over 100 plus the rate.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from mendbay.case.price_list import Price, Stage
from mendbay.core.money import Money, net_of

QUANTILE = 0.1
"""From the lower end for `low`, from the upper end for `high` (own choice)."""
DIAGNOSIS = "diagnosis"
"""Key of the line of the examination, due in any case."""
BOARD_ALONE = "It covers work on the board alone: no drive is here, so work on one is quoted anew when it is."
"""The remark of a quote for a board that came without a drive."""
MENTIONED = 0.01
"""Chance from which a line is mentioned that no column needs (own choice)."""
_SLACK = 1e-12
"""What sums of chances may be off by."""


class When(StrEnum):
    """When a line is due."""

    ALWAYS = "always"
    GIVEN = "if files are handed back"
    NEEDED = "if needed"
    DONE = "done already"
    """It is on record as done, so it is due whatever comes."""


class Column(StrEnum):
    """The columns of a quote."""

    LOW = "low"
    LIKELY = "likely"
    HIGH = "high"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Possible:
    """A line before it is known how the job may go.

    Args:
        key: its name within the quote, such as `swap-board:1`.
        words: on paper.
        quantity: of units of the price.
        needed_by: keys of which an ending must need one, if the line is due when needed.
        instead: keys of what takes its place: the line is not due in an ending that needs one of them.
    """

    key: str
    words: str
    price: Price
    quantity: Decimal
    when: When
    needed_by: frozenset[str] = frozenset()
    instead: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Ending:
    """One way the job may end.

    Args:
        chance: of it; those of all endings add up to 1.
        needs: keys of the work it needs.
        given: whether files are handed back.
    """

    chance: float
    needs: frozenset[str]
    given: bool


@dataclass(frozen=True, slots=True)
class Line:
    """
    Args:
        rate: of tax, in per cent.
        chance: that it is needed, free or not.
        least, most: what it costs if it is due.
        amounts: what it adds to each column; nothing where it is not needed or free.
    """

    key: str
    stage: Stage
    words: str
    quantity: Decimal
    unit: str
    rate: Decimal
    when: When
    chance: float
    least: Money
    most: Money
    amounts: Mapping[Column, Money]


@dataclass(frozen=True, slots=True)
class TaxOf:
    """The tax of one rate, in per cent."""

    rate: Decimal
    net: Money
    tax: Money


@dataclass(frozen=True, slots=True)
class Total:
    """What is to be paid: net amounts and taxes of all rates together are `gross`."""

    net: Money
    taxes: tuple[TaxOf, ...]
    gross: Money


@dataclass(frozen=True, slots=True)
class Quote:
    """
    Args:
        number: within the case, from 1.
        day, valid_until: `YYYY-MM-DD`.
        own_prices: false if it was made with our example's invented prices.
        odds: whether there are several ways it may go; false where all lines were picked by hand, are done,
            or are sure.
        tax_name, included: the tax, and whether the lines include it.
        free: stages that are free if nothing can be handed back.
        remarks: what else must be said, as sentences.
    """

    number: int
    day: str
    valid_until: str
    currency: str
    own_prices: bool
    odds: bool
    tax_name: str
    included: bool
    free: tuple[Stage, ...]
    lines: tuple[Line, ...]
    totals: Mapping[Column, Total]
    remarks: tuple[str, ...]

    def line(self, key: str) -> Line | None:
        """The line of that name."""
        return next((one for one in self.lines if one.key == key), None)

    @property
    def of_board(self) -> bool:
        """Whether it is for a board that came without a drive, so that no files can be handed back."""
        return BOARD_ALONE in self.remarks

    @property
    def in_any_case(self) -> Money:
        """What is due with its tax though the customer declines: the examination, unless its stage is free
        where nothing can be handed back."""
        line = self.line(DIAGNOSIS)
        if line is None or line.stage in self.free:
            return Money.none(self.currency)
        return total_of([(line.rate, line.most)], self.included, self.currency).gross


def total_of(amounts: Iterable[tuple[Decimal, Money]], included: bool, currency: str) -> Total:
    """Amounts, each with its rate of tax in per cent, together.

    Args:
        included: whether they include the tax.
    """
    sums: dict[Decimal, Money] = {}
    for rate, amount in amounts:
        sums[rate] = sums.get(rate, Money.none(currency)) + amount
    taxes: list[TaxOf] = []
    for rate, together in sorted(sums.items()):
        share = Fraction(rate) / 100
        net, tax = net_of(together, share) if included else (together, together.tax(share))
        taxes.append(TaxOf(rate, net, tax))
    net = Money.sum((one.net for one in taxes), currency)
    return Total(net, tuple(taxes), net + Money.sum((one.tax for one in taxes), currency))


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a quote, made of what may be due and of how the job may end.

    Args:
        possible: all lines there may be.
        endings: at least one.
        free: stages that are free if nothing can be handed back.
        included, currency: of the prices.
    """

    possible: Sequence[Possible]
    endings: Sequence[Ending]
    free: tuple[Stage, ...]
    included: bool
    currency: str

    def made(self) -> tuple[tuple[Line, ...], dict[Column, Total]]:
        """The lines that are worth a word, and the totals of the columns."""
        chosen = {
            Column.LOW: self._at(QUANTILE, self.endings, Column.LOW),
            Column.LIKELY: self._at(0.5, self.endings, Column.LIKELY),
            Column.HIGH: self._at(1 - QUANTILE, self.endings, Column.HIGH),
        }
        most = self._total(chosen[Column.HIGH], Column.HIGH).gross
        nothing = [
            one for one in self.endings if not one.given and self._total(one, Column.NOTHING).gross <= most
        ]
        stopped = Ending(0.0, frozenset(), False)
        chosen[Column.NOTHING] = self._at(1 - QUANTILE, nothing, Column.NOTHING) if nothing else stopped
        made = ((each, self._line(each, chosen)) for each in self.possible)
        lines = tuple(line for each, line in made if _told(line) or (each.instead and line.most))
        return lines, {column: self._total(ending, column) for column, ending in chosen.items()}

    def _line(self, one: Possible, chosen: Mapping[Column, Ending]) -> Line:
        return Line(
            key=one.key,
            stage=one.price.stage,
            words=one.words,
            quantity=one.quantity,
            unit=one.price.unit,
            rate=one.price.rate,
            when=When.NEEDED if any(one.instead & each.needs for each in self.endings) else one.when,
            chance=min(1.0, sum(each.chance for each in self.endings if self._needed(one, each))),
            least=one.price.low.times(one.quantity),
            most=one.price.high.times(one.quantity),
            amounts={column: self._amount(one, ending, column) for column, ending in chosen.items()},
        )

    def _at(self, quantile: float, endings: Sequence[Ending], column: Column) -> Ending:
        """The ending at a quantile of the total, of equal totals the earlier."""
        totals = [self._total(one, column).gross for one in endings]
        order = sorted(range(len(endings)), key=lambda at: (totals[at].minor, at))
        aim, passed = quantile * sum(one.chance for one in endings), 0.0
        for at in order:
            passed += endings[at].chance
            if passed >= aim - _SLACK:
                return endings[at]
        return endings[order[-1]]

    def _total(self, ending: Ending, column: Column) -> Total:
        amounts = [(one.price.rate, self._amount(one, ending, column)) for one in self.possible]
        return total_of([one for one in amounts if one[1]], self.included, self.currency)

    def _amount(self, one: Possible, ending: Ending, column: Column) -> Money:
        if not self._due(one, ending):
            return Money.none(self.currency)
        least, most = one.price.low.times(one.quantity), one.price.high.times(one.quantity)
        if column is Column.LIKELY:
            return (least + most).times(Fraction(1, 2))
        return least if column is Column.LOW else most

    def _due(self, one: Possible, ending: Ending) -> bool:
        return self._needed(one, ending) and (ending.given or one.price.stage not in self.free)

    def _needed(self, one: Possible, ending: Ending) -> bool:
        if one.instead & ending.needs:
            return False
        if one.when is When.GIVEN:
            return ending.given
        return one.when in (When.ALWAYS, When.DONE) or bool(one.needed_by & ending.needs)


def left_out_words(lines: Iterable[Line]) -> str:
    """Why work stands in the column likely and not in at most, as a sentence; empty if none does."""
    needed = [one for one in lines if one.when is When.NEEDED]
    likely = [one.words for one in needed if one.amounts[Column.LIKELY] and not one.amounts[Column.HIGH]]
    most = [one.words for one in needed if one.amounts[Column.HIGH] and not one.amounts[Column.LIKELY]]
    if not likely:
        return ""
    instead = f"has {_named(most)} instead" if most else "goes without"
    return (
        f"{_named(likely)}: in the column likely and not in at most, because each column is one way it may "
        f"go, and the one of at most {instead}."
    )


def _named(words: Sequence[str]) -> str:
    return " and ".join(f"“{one}”" for one in dict.fromkeys(words))


def _told(line: Line) -> bool:
    return bool(line.most) and (line.chance >= MENTIONED or any(line.amounts.values()))
