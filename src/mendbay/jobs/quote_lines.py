"""What goes into a quote: the shop's prices, the work that the job may need, parts from the stock, and what
was picked by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from mendbay.case.price_list import Price, PriceList, Stage, packaged_prices, quantity_of, read_prices
from mendbay.case.quote import DIAGNOSIS, Columns, Ending, Possible, When
from mendbay.case.records import CaseKind
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.quantity import count_text
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import consents_of, refused, risk_called
from mendbay.jobs.quote_parts import with_parts
from mendbay.jobs.triage_case import tell_belief
from mendbay.triage.next_step import NextStep
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind
from mendbay.triage.ways import Way, ways_of

SETTINGS, PRICES = "settings", "prices"
"""Kind and name of the shop's file."""
LARGEST_GB = 10**7
NAMED = 5
"""Prices that are named as still invented; of more the number is told (own choice)."""
ENQUIRY_ALONE = (
    "It covers the answer to the question alone: no drive is here, so work on one is quoted when it is."
)


READ_ALREADY = (
    "Drives of this case were read already: of the kinds of reading named here the bill holds what was done."
)
"""Triage knows ways to read, and not which of them the images came by."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a quote is to be made of.

    Args:
        lines: ids of the price list, each with a quantity as typed.
        media_gb: how much is to be handed back, in 10^9 bytes; 0 for no medium.
        shipping: whether it is sent.
        odds: whether what triage believes goes in; of an enquiry nothing does, as nothing is on the bench.
            Work on the whole box that is picked as well stands once, as picked; work on a drive may be needed
            on another one besides.
    """

    lines: tuple[tuple[str, str], ...] = ()
    media_gb: int = 0
    shipping: bool = False
    odds: bool = True


def prices_in_force(bench: Bench) -> PriceList:
    """The shop's own price list; our example until it has one. A copy of the example whose amounts nobody
    has changed is still the example's: its prices are invented. Of a list of the shop's own those
    are that still cost what they cost in the example.

    Raises:
        BadFormFile: it is not sound, or prices a step that is no work.
    """
    return price_list_of(bench.shop_files.text(SETTINGS, PRICES))


def price_list_of(text: str | None) -> PriceList:
    """The price list in the text of the shop's own file; our example for None.

    Raises:
        BadFormFile: it is not sound, or prices a step that is no work.
    """
    example = read_prices(packaged_prices(), own=False)
    found = example if text is None else read_prices(text, own=True)
    found = found.held_against(example)
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
        UsageError: nothing to quote, something the price list lacks, or work that the customer refused.
    """
    if not (wish.odds or wish.lines or wish.media_gb or wish.shipping):
        raise UsageError("Nothing is to be quoted.", "Pick lines, or leave the odds in.")
    _require_not_refused(bench, case, wish)
    enquiry = bench.ledger.case(case).kind is CaseKind.ENQUIRY
    endings: tuple[Ending, ...] = (Ending(1.0, frozenset(), True),)
    works, remarks = list[Possible](), list[str]()
    if wish.odds and enquiry:
        remarks.append(ENQUIRY_ALONE)
    elif wish.odds:
        endings, works, remarks = _from_odds(bench, case, prices)
    picked = {name for name, _ in wish.lines}  # what is done in any case stands once, and not as a chance too
    works = [one for one in works if one.key not in picked]
    works, uncounted = with_parts(bench, case, prices, [*works, *_picked(prices, wish)], endings)
    possible = [_always(DIAGNOSIS, prices.diagnosis), *works]
    remarks += uncounted
    if not prices.own:
        remarks.append("The prices are those of an example: they are invented.")
    else:
        remarks += _still_invented(prices, possible)
    return Columns(possible, endings, prices.free, prices.included, prices.currency), remarks


def _still_invented(prices: PriceList, possible: Sequence[Possible]) -> Iterator[str]:
    """Which prices of the lines are those of our example, in a list that has others of the shop's own."""
    words = list(dict.fromkeys(one.price.words for one in possible if one.price.id in prices.invented))
    if words:
        more = len(words) - NAMED
        named = "; ".join(words[:NAMED]) + (f"; and {count_text(more)} more" if more > 0 else "")
        yield f"Prices that are still those of an example, and invented: {named}."


def _require_not_refused(bench: Bench, case: int, wish: Wish) -> None:
    """Refuses picked work that the customer said no to."""
    no, steps = refused(consents_of(bench, case)), packaged_tables().steps
    for name, _ in wish.lines:
        against = sorted(no & set(steps[name].consents)) if name in steps else []
        if against:
            raise UsageError(
                f"The customer refused {risk_called(against[0]).title}, which the work {name!r} needs.",
                f"Leave it out, or put down that they agree now: "
                f"mendbay case consent {case} {against[0]} yes",
            )


def _from_odds(
    bench: Bench, case: int, prices: PriceList
) -> tuple[tuple[Ending, ...], list[Possible], list[str]]:
    """How the job may end, the work it may need, and what must be said of it."""
    told = tell_belief(bench, case)
    ways = ways_of(NextStep(told.belief, told.stakes, refused(told.consents))).ways
    works = {key: _work(prices, step, bay, key) for one in ways for key, step, bay in _needs(one)}
    endings = tuple(
        Ending(one.chance, frozenset(key for key, _, _ in _needs(one)), one.given) for one in ways
    )
    remarks = (
        [] if told.known else ["Nothing is known yet of what is broken: the odds are those of any case."]
    )
    if any(one.read_bytes for one in bench.ledger.images(case)):
        remarks.append(READ_ALREADY)
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
