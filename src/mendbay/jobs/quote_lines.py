"""What goes into a quote: the shop's prices, the work that the job may need, parts from the stock, and what
was picked by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from mendbay.board.stock import StockItem, StockState
from mendbay.case.price_list import Price, PriceList, Stage, packaged_prices, quantity_of, read_prices
from mendbay.case.quote import Columns, Ending, Possible, When
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.money import Money
from mendbay.jobs.bench import Bench
from mendbay.jobs.triage_case import tell_triage
from mendbay.triage.next_step import NextStep
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind
from mendbay.triage.ways import Way, ways_of

SETTINGS, PRICES = "settings", "prices"
"""Kind and name of the shop's file."""
STOCK = "stock"
"""Beginning of the key of a part from the stock, before its number."""
LARGEST_GB = 10**7


@dataclass(frozen=True, slots=True)
class Wish:
    """What a quote is to be made of.

    Args:
        lines: ids of the price list, each with a quantity as typed.
        media_gb: how much is to be handed back, in 10^9 bytes; 0 for no medium.
        shipping: whether it is sent.
        odds: whether what triage believes goes in.
    """

    lines: tuple[tuple[str, str], ...] = ()
    media_gb: int = 0
    shipping: bool = False
    odds: bool = True


def prices_in_force(bench: Bench) -> PriceList:
    """The shop's own price list; our example until it has one.

    Raises:
        BadFormFile: it is not sound, or prices a step that is no work.
    """
    text = bench.shop_files.text(SETTINGS, PRICES)
    found = read_prices(packaged_prices() if text is None else text, text is not None)
    steps = packaged_tables().steps
    for name in found.work:
        if name not in steps or steps[name].kind is StepKind.TEST:
            known = ", ".join(one.id for one in steps.values() if one.kind is not StepKind.TEST)
            raise BadFormFile(
                f"settings/prices.toml, work {name!r}: there is no such work in triage",
                f"Use one of: {known}",
            )
    return found


def columns_of(bench: Bench, case: int, prices: PriceList, wish: Wish) -> tuple[Columns, list[str]]:
    """The columns of a quote to be, and what must be said with it.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nothing to quote, or something the price list lacks.
    """
    if not (wish.odds or wish.lines or wish.media_gb or wish.shipping):
        raise UsageError("Nothing is to be quoted.", "Pick lines, or leave the odds in.")
    endings: tuple[Ending, ...] = (Ending(1.0, frozenset(), True),)
    works, remarks = list[Possible](), list[str]()
    if wish.odds:
        endings, works, remarks = _from_odds(bench, case, prices)
    parts, unknown = _from_stock(bench, case, prices, works)
    if parts:
        works = [_without_allowance(one) for one in works]
    possible = [_always("diagnosis", prices.diagnosis), *works, *parts, *_picked(prices, wish)]
    remarks += unknown
    if not prices.own:
        remarks.append("The prices are those of an example: they are invented.")
    return Columns(possible, endings, prices.free, prices.included, prices.currency), remarks


def _from_odds(
    bench: Bench, case: int, prices: PriceList
) -> tuple[tuple[Ending, ...], list[Possible], list[str]]:
    """How the job may end, the work it may need, and what must be said of it."""
    told = tell_triage(bench, case)
    ways = ways_of(NextStep(told.belief, told.stakes)).ways
    works = {key: _work(prices, step, bay, key) for one in ways for key, step, bay in _needs(one)}
    endings = tuple(
        Ending(one.chance, frozenset(key for key, _, _ in _needs(one)), one.given) for one in ways
    )
    remarks = (
        [] if told.known else ["Nothing is known yet of what is broken: the odds are those of any case."]
    )
    return endings, list(works.values()), remarks


def _needs(way: Way) -> Iterator[tuple[str, str, str]]:
    """(key, step, bay) of the work of a way."""
    for one in way.taken:
        if one.made:
            yield f"{one.step.id}:{one.bay}" if one.bay else one.step.id, one.step.id, one.bay
    if way.end is not None:
        yield way.end.id, way.end.id, ""


def _work(prices: PriceList, step: str, bay: str, key: str) -> Possible:
    if step not in prices.work:
        raise UsageError(
            f"The price list has no price for the work {step!r}, which this job may need.",
            'Add it to settings/prices.toml under [[work]]; fixed = "0.00" if it is free.',
        )
    price = prices.work[step]
    words = f"{price.words} (bay {bay})" if bay else price.words
    return Possible(key, words, price, Decimal(1), When.NEEDED, frozenset({key}))


def _picked(prices: PriceList, wish: Wish) -> list[Possible]:
    """What was picked by hand."""
    found: list[Possible] = []
    for number, (name, typed) in enumerate(wish.lines, 1):
        price = prices.picked(name)
        when = When.GIVEN if price.stage is Stage.MEDIA else When.ALWAYS
        key = f"{name}:picked-{number}" if name in prices.work else f"{name}:{number}"
        found.append(Possible(key, price.words, price, quantity_of(typed or "1", name), when))
    if wish.media_gb:
        if not 0 < wish.media_gb <= LARGEST_GB:
            raise UsageError(f"{wish.media_gb} GB cannot be handed back.", "Give the size in GB.")
        medium = prices.medium_for(wish.media_gb)
        found.append(Possible("medium", medium.words, medium, Decimal(1), When.GIVEN))
    if wish.shipping:
        found.append(_always("shipping", prices.shipping))
    return found


def _always(key: str, price: Price) -> Possible:
    return Possible(key, price.words, price, Decimal(1), When.ALWAYS)


def _from_stock(
    bench: Bench, case: int, prices: PriceList, works: Sequence[Possible]
) -> tuple[list[Possible], list[str]]:
    """The parts reserved for the case or used in it, each due where the work is that takes parts from stock;
    and what must be said of those that cannot be counted. What a part has cost with the markup is a price as
    those of the list are."""
    takers = frozenset(one.key for one in works if one.price.from_stock)
    when = When.NEEDED if takers else When.ALWAYS
    parts, unknown = list[Possible](), list[str]()
    for item in bench.shelf.items():
        if item.case != case or item.state not in (StockState.RESERVED, StockState.USED):
            continue
        cost = _cost(item, prices)
        if cost is None:
            unknown.append(
                f"Part {item.number} from the stock is not counted: "
                f"its cost in {prices.currency} is not known."
            )
            continue
        amount, key = cost.times(1 + prices.markup), f"{STOCK}:{item.number}"
        words, none = f"Part {item.number}: {item.name or item.kind}", Money.none(prices.currency)
        price = Price(key, Stage.BOARD, words, "each", amount, amount, prices.rate, none)
        parts.append(Possible(key, words, price, Decimal(1), when, takers))
    return parts, unknown


def _without_allowance(one: Possible) -> Possible:
    """Work whose part comes from the stock and has a line of its own."""
    if not one.price.from_stock:
        return one
    return replace(one, price=replace(one.price, low=one.price.work, high=one.price.work))


def _cost(item: StockItem, prices: PriceList) -> Money | None:
    if item.cost_minor is None or item.currency != prices.currency:
        return None
    return Money(item.cost_minor, item.currency)
