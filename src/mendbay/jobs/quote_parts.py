"""Parts of the stock in a quote: each goes with one work that takes parts, whose allowance it replaces."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal

from mendbay.board.stock import StockItem, StockState
from mendbay.case.price_list import Price, PriceList, Stage
from mendbay.case.quote import Ending, Possible, When
from mendbay.core.money import Money
from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import PARTS, consents_of, refused, risk_called
from mendbay.jobs.withdraw import standing_notes
from mendbay.jobs.work_on_record import AGAIN

STOCK = "stock"
"""Beginning of the key of a part from the stock, before its number."""
OWN_PART = "-stock"
"""End of the key of that share of a picked work whose parts come from the stock."""


@dataclass(frozen=True, slots=True)
class Part:
    """
    Args:
        price: what it has cost, with the markup.
        used: it is fitted, and not only reserved.
        bays: of the swaps on record that it was used in.
    """

    item: StockItem
    price: Price
    used: bool
    bays: frozenset[str]

    @property
    def key(self) -> str:
        return self.price.id

    def possible(self, when: When, needed_by: frozenset[str] = frozenset()) -> Possible:
        return Possible(self.key, self.price.words, self.price, Decimal(1), when, needed_by)


def with_parts(
    bench: Bench, case: int, prices: PriceList, works: Sequence[Possible], endings: Sequence[Ending]
) -> tuple[list[Possible], list[str]]:
    """Works and the parts for them, and what must be said of parts that are not counted.

    A part goes to the work of the bay it was used in; the others to work that is done in any case, then to
    that with the dearest allowance, then to the likelier one. It is due when its work is, and as many works
    lose their allowance as parts were found for. A part without a work is due if it is used and the customer
    did not refuse that parts are used up, and not counted if it is only reserved.
    """
    no = PARTS in refused(consents_of(bench, case))
    parts, said = _parts(bench, case, prices)
    found: list[Possible] = []
    fitted: dict[str, list[Part]] = {}
    for work in _dearest_first([one for one in works if one.price.from_stock], endings):
        room = int(work.quantity.to_integral_value(ROUND_CEILING))
        mine = [one for one in parts if _bay(work) and _bay(work) in one.bays][:room]
        free = [one for one in parts if not one.bays]
        mine += free[: room - len(mine)]
        parts = [one for one in parts if one not in mine]
        fitted[work.key] = mine
    for work in works:
        found += _fitted(work, fitted.get(work.key, []))
    for part in parts:
        if part.used and no:
            said.append(
                f"Part {part.item.number} from the stock is used and not counted: the customer refused "
                f"{risk_called(PARTS).title}."
            )
        elif part.used:
            found.append(part.possible(When.ALWAYS))
        else:
            said.append(f"Part {part.item.number} from the stock is not counted: no work here takes it.")
    return found, said


def _dearest_first(works: Sequence[Possible], endings: Sequence[Ending]) -> list[Possible]:
    def order(one: Possible) -> tuple[bool, int, float]:
        chance = sum(each.chance for each in endings if one.needed_by & each.needs)
        return one.when is When.NEEDED, (one.price.work - one.price.high).minor, -chance

    return sorted(works, key=order)


def _bay(work: Possible) -> str:
    """The bay of work that triage may need or that is done; empty for the box, and for what was picked."""
    return work.key.partition(":")[2].removesuffix(AGAIN) if work.when in (When.NEEDED, When.DONE) else ""


def _fitted(work: Possible, parts: Sequence[Part]) -> Iterator[Possible]:
    """A work, without the allowance as far as there are parts for it, and its parts."""
    if not parts:
        yield work
        return
    words = f"{work.words}, without the part"
    bare = replace(work, words=words, price=replace(work.price, low=work.price.work, high=work.price.work))
    if len(parts) >= work.quantity:
        yield bare
    else:
        yield replace(bare, key=work.key + OWN_PART, quantity=Decimal(len(parts)))
        yield replace(work, quantity=work.quantity - len(parts))
    for one in parts:
        yield one.possible(work.when, work.needed_by)


def _parts(bench: Bench, case: int, prices: PriceList) -> tuple[list[Part], list[str]]:
    """The parts reserved for the case or used in it, the dearest first; and what must be said of those whose
    cost is not known. What a part has cost with the markup is a price as those of the list are."""
    parts, unknown = list[Part](), list[str]()
    for item in bench.shelf.items():
        if item.case != case or item.state not in (StockState.RESERVED, StockState.USED):
            continue
        if item.cost_minor is None or item.currency != prices.currency:
            unknown.append(
                f"Part {item.number} from the stock is not counted: "
                f"its cost in {prices.currency} is not known."
            )
            continue
        amount = Money(item.cost_minor, item.currency).times(1 + prices.markup)
        words, none = f"Part {item.number}: {item.name or item.kind}", Money.none(prices.currency)
        price = Price(f"{STOCK}:{item.number}", Stage.BOARD, words, "each", amount, amount, prices.rate, none)
        swaps = standing_notes(bench, NoteKind.SWAP, case, subject=str(item.number))
        used = item.state is StockState.USED
        parts.append(Part(item, price, used, frozenset(one.bay for one in swaps) if used else frozenset()))
    return sorted(parts, key=lambda one: (-one.price.high.minor, one.item.number)), unknown
